"""Chances told before trials beside what came of them there."""

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from model.domain.records import Answers, OwnBow, Run
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.evaluation.calibration import BEST, OF_COPY, OF_TIER, Comparison, calibrate, compare
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.prediction import NO_BOW_LEVEL
from model.trial.joint import joint_posterior
from model.trial.knowledge_gradient import one_above
from tests.model.evaluation.test_reliability import drawn
from tests.model.worlds import drawn_trials, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([3, 3])
ALONE = np.eye(len(CRITERIA))[0]
MODEL = PreferenceModel(RANGE, tastes=False).fit(drawn_trials(RANGE, 12, 3, seed=3))


def player(own: OwnBow | None, model: PreferenceModel = MODEL, plays_no_bow: bool = False) -> Player:
    return Player(model.view_, Answers(Instrument.VIOLIN, own_bow=own, plays_no_bow=plays_no_bow))


def runs(*marks: tuple[str, float]) -> list[Run]:
    return [Run(place, copy, {O: mark}) for place, (copy, mark) in enumerate(marks, start=1)]


def of(found: Sequence[Comparison], kind: str) -> list[Comparison]:
    return [each for each in found if each.kind == kind]


def test_the_chance_told_is_that_of_the_copys_mark_and_a_tie_is_half_a_win() -> None:
    asked = player(OwnBow(ratings={O: 4.0}))
    found = compare(asked, "p", runs(("a0", 3.0), ("b1", 4.0), ("b2", 5.0)))
    law = joint_posterior(asked, ALONE, ["a0", "b1", "b2"])
    rng = np.random.default_rng(5)
    liking = rng.multivariate_normal(law.bows_mean, law.bows_cov, 200_000)
    marks = liking + law.noise * rng.normal(size=liking.shape)
    assert [each.won for each in of(found, OF_COPY)] == [0.0, 0.5, 1.0]
    assert [each.told for each in of(found, OF_COPY)] == pytest.approx((marks > 4.0).mean(axis=0).tolist(), abs=0.005)
    (best,) = of(found, BEST)
    assert best.won == 1.0
    assert best.told == pytest.approx(float((marks.max(axis=1) > 4.0).mean()), abs=0.005)


def test_one_bow_alone_is_no_best_of_several() -> None:
    assert {each.kind for each in compare(player(OwnBow(ratings={O: 4.0})), "p", runs(("a0", 5.0)))} == {
        OF_TIER,
        OF_COPY,
    }


def test_that_one_of_several_is_above_agrees_with_the_normal_law() -> None:
    rng = np.random.default_rng(1)
    half = rng.normal(size=(4, 6))
    mean, cov = rng.normal(4.0, 0.5, 4), half @ half.T / 6
    for n in (1, 2, 3, 4):
        below = multivariate_normal(mean[:n], cov[:n, :n], seed=2).cdf(np.full(n, 4.5))
        assert one_above(mean[:n], cov[:n, :n], 4.5) == pytest.approx(1 - below, abs=1e-3)


def test_a_copy_known_no_better_than_its_tier_has_its_tiers_chance() -> None:
    larger = violins([3, 4], bench=False)
    model = PreferenceModel(larger, tastes=False).fit(drawn_trials(violins([3, 3], bench=False), 12, 3, seed=3))
    found = compare(player(OwnBow(ratings={O: 4.0}), model), "p", runs(("b3", 5.0)))
    assert of(found, OF_COPY)[0].told == pytest.approx(of(found, OF_TIER)[0].told, abs=1e-9)


def test_an_own_bow_that_was_not_rated_as_a_whole_is_not_compared() -> None:
    for own in (None, OwnBow(ratings={TONE: 5.0})):
        assert compare(player(own), "p", runs(("a0", 5.0))) == []


def test_without_an_own_bow_the_bar_is_the_fixed_one() -> None:
    marks = (("a0", NO_BOW_LEVEL - 1), ("a1", NO_BOW_LEVEL), ("a2", NO_BOW_LEVEL + 1))
    found = compare(player(None, plays_no_bow=True), "p", runs(*marks))
    assert [each.won for each in of(found, OF_COPY)] == [0.0, 0.5, 1.0]


def test_a_copy_not_rated_as_a_whole_is_left_out() -> None:
    asked = player(OwnBow(ratings={O: 4.0}))
    assert compare(asked, "p", [Run(1, "a0", {TONE: 5.0})]) == []


# All comparisons


def folds(bold: float, seed: int = 1) -> list[list[Comparison]]:
    """Five folds of comparisons that are told ``bold`` times as surely as they come true."""
    given = drawn(seed, bold, players=400)
    rows = zip(given.player.tolist(), given.told.tolist(), given.came.tolist(), strict=True)
    every = [Comparison(kind, name, told, came) for name, told, came in rows for kind in (OF_TIER, OF_COPY)]
    return [every[place::5] for place in range(5)]


def test_chances_that_come_true_are_told_as_they_are() -> None:
    found = calibrate(folds(1.0))
    assert found is not None
    assert found.goodness is not None
    assert found.goodness.p > 0.01
    assert found.slope == 1.0
    assert (found.count, found.players) == (800, 400)
    assert {kind: curve.count for kind, curve in found.curves.items()} == {OF_TIER: 800, OF_COPY: 800}
    assert found.base.mean == pytest.approx(found.won.mean * (1 - found.won.mean))


def test_bold_chances_are_recalibrated_and_then_come_true_on_the_folds_left_out() -> None:
    found = calibrate(folds(1.8))
    assert found is not None
    assert found.goodness is not None
    assert found.mended is not None
    assert found.goodness.p < 0.01 < found.mended.p
    assert found.slope == pytest.approx(1 / 1.8, abs=0.1)


def test_without_a_comparison_there_is_no_table() -> None:
    assert calibrate([]) is None
    assert calibrate([[], []]) is None
