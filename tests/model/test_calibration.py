"""Chances beside what came of them, against scikit-learn's calibration curve and Brier score."""

import numpy as np
import pytest
from sklearn.calibration import calibration_curve
from sklearn.metrics import brier_score_loss

from model.calibration import Comparison, calibrate, compare, marks
from model.outlook import Outlook
from model.preference import PreferenceModel
from model.records import Answers, OwnBow, Run
from model.vocabulary import Criterion, Instrument
from model.yardstick import NO_BOW_LEVEL
from tests.model.worlds import drawn_trials, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([3, 3])
rng = np.random.default_rng(8)
TOLD = rng.uniform(0.0, 1.0, 400)
WON = (rng.uniform(size=400) < TOLD**1.3).astype(np.float64)
COMPARISONS = [
    Comparison(f"p{number // 2}", won, told, told**2)
    for number, (won, told) in enumerate(zip(WON.tolist(), TOLD.tolist(), strict=True))
]


def test_the_bins_are_those_of_scikit_learn() -> None:
    found = calibrate(COMPARISONS)
    assert found is not None
    share, told = calibration_curve(WON, TOLD, n_bins=10)
    np.testing.assert_allclose([each.won.mean for each in found.of_tier], share)
    np.testing.assert_allclose([each.told for each in found.of_tier], told)
    assert sum(each.count for each in found.of_tier) == found.count == 400
    assert found.players == 200


def test_the_brier_scores_are_those_of_scikit_learn() -> None:
    found = calibrate(COMPARISONS)
    assert found is not None
    assert found.brier_tier.mean == pytest.approx(brier_score_loss(WON, TOLD))
    assert found.brier_copy.mean == pytest.approx(brier_score_loss(WON, TOLD**2))
    assert found.brier_base.mean == pytest.approx(WON.mean() * (1 - WON.mean()))


def test_certainty_falls_into_the_last_bin_and_empty_bins_are_left_out() -> None:
    found = calibrate([Comparison("p", 1.0, 1.0, 1.0), Comparison("q", 0.5, 0.0, 0.0)])
    assert found is not None
    assert [(each.low, each.high, each.count) for each in found.of_tier] == [(0.0, 0.1, 1), (0.9, 1.0, 1)]


def test_without_a_comparison_there_is_no_table() -> None:
    assert calibrate([]) is None


# What is compared

MODEL = PreferenceModel(RANGE, tastes=False).fit(drawn_trials(RANGE, 12, 3, seed=3))


def outlook(own: OwnBow | None, priorities: tuple[Criterion, ...] = (), plays_no_bow: bool = False) -> Outlook:
    return MODEL.outlook(Answers(Instrument.VIOLIN, own_bow=own, priorities=priorities, plays_no_bow=plays_no_bow))


def test_the_chance_told_is_the_outlooks_and_a_tie_is_half_a_win() -> None:
    asked = outlook(OwnBow(ratings={O: 4.0}))
    found = list(
        compare(asked, "p", [Run(1, copy, {O: mark}) for copy, mark in (("a0", 3.0), ("b1", 4.0), ("b2", 5.0))])
    )
    assert [each.won for each in found] == [0.0, 0.5, 1.0]
    assert [each.of_tier for each in found] == pytest.approx(asked.beats_own_bow[[0, 1, 1]].tolist())


def test_a_copy_known_no_better_than_its_tier_has_its_tiers_chance() -> None:
    larger = violins([3, 4], bench=False)
    model = PreferenceModel(larger, tastes=False).fit(drawn_trials(violins([3, 3], bench=False), 12, 3, seed=3))
    asked = model.outlook(Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 4.0})))
    (found,) = compare(asked, "p", [Run(1, "b3", {O: 5.0})])
    assert found.of_copy == pytest.approx(found.of_tier, abs=1e-9)


def test_an_own_bow_that_was_not_rated_is_not_compared() -> None:
    assert list(compare(outlook(None), "p", [Run(1, "a0", {O: 5.0})])) == []


def test_without_an_own_bow_the_bar_is_the_fixed_one() -> None:
    asked = outlook(None, plays_no_bow=True)
    marks_ = (NO_BOW_LEVEL - 1, NO_BOW_LEVEL, NO_BOW_LEVEL + 1)
    found = list(compare(asked, "p", [Run(1, "a0", {O: mark}) for mark in marks_]))
    assert [each.won for each in found] == [0.0, 0.5, 1.0]


def test_marks_weigh_what_both_bows_were_rated_on() -> None:
    asked = outlook(OwnBow(ratings={O: 4.0, TONE: 2.0}), (TONE,))
    given = [Run(1, "a0", {O: 5.0, TONE: 3.0}), Run(2, "b0", {O: 5.0})]
    h = asked.priority_weight
    ((run, mark),) = marks(asked, given)
    assert run.copy == "a0"
    assert mark == pytest.approx((1 - h) * 5.0 + h * 3.0)
    only = outlook(OwnBow(ratings={O: 4.0}), (TONE,))
    assert [mark for _, mark in marks(only, given)] == pytest.approx([5.0, 5.0])
