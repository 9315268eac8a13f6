"""How a trial stands: the joint law written out in full, and what is said next in trials that call for it."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from scipy.stats import norm

from model.domain.arrays import Floats
from model.domain.records import Answers, OwnBow, Run
from model.domain.vocabulary import CRITERIA, Blinding, Criterion, Instrument
from model.features.copy_history import ServiceIntervals
from model.features.design import SEEN_COLUMNS
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import LIKING
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import utility_weights
from model.trial.joint import JointPosterior, joint_posterior
from model.trial.stopping import Action, BowStatus, RationaleCode, TrialStatus, drift, repeat_difference, trial_status
from tests.model.dense import Dense, Law, weighed
from tests.model.preference.test_predict import ASKED, KNOWN_RANGE, PARTLY_RATED, RANGE, REHAIRED, RESTED, TRIED, fitted
from tests.model.worlds import VIOLIN, violins

C = len(CRITERIA)
O, TONE, RESPONSE = Criterion.OVERALL, Criterion.TONE, Criterion.RESPONSE  # noqa: E741 - overall
EXACT = 1e-9


# The joint law against the same one written out


@cache
def made_up_view() -> CataloguePosterior:
    return CataloguePosterior(fitted(), RANGE, ServiceIntervals.from_events(REHAIRED))


def mixed(answers: Answers) -> Floats:
    """Weights over several criteria."""
    return utility_weights(answers, 0.5)


def written_out(answers: Answers, runs: Sequence[Run], bows: Sequence[str | None], weights: Floats) -> Law:
    """Tiers first, then the bows: every covariance from one long Gaussian vector, conditioned the plain way."""
    dense = Dense(fitted(), RANGE, answers, RESTED)
    items = [[dense.tier(tier.slug, c) for c in range(C)] for tier in dense.tiers]
    items += [[dense.own(c) if bow is None else dense.copy(bow, c) for c in range(C)] for bow in bows]
    return dense.law([weighed(item, weights) for item in items], runs)


def law_here(answers: Answers, runs: Sequence[Run], bows: Sequence[str | None]) -> JointPosterior:
    player = Player(made_up_view(), answers, runs)
    return joint_posterior(player, mixed(answers), bows)


OWN_TWICE = (*TRIED, Run(6, None, {O: 4.0, TONE: 5.0}), Run(7, None, {O: 3.0}))
CASES: dict[str, tuple[Answers, tuple[Run, ...], tuple[str | None, ...]]] = {
    "no ratings": (ASKED, (), ("a0", None, "b1")),
    "overall only, a copy played twice": (VIOLIN, (TRIED[0], TRIED[4], TRIED[1]), ("a0", "d0")),
    "all criteria, the own bow twice": (ASKED, OWN_TWICE, ("a0", "d0", "a2", "b0", None)),
    "the own bow rated before, bows to come": (replace(ASKED, own_bow=PARTLY_RATED), TRIED, (None, "b0", "c1", "c0")),
    "no own bow": (replace(ASKED, plays_no_bow=True), TRIED, ("b0", "a0", "d1")),
}


@pytest.mark.parametrize("case", CASES)
def test_the_joint_law_of_tiers_and_bows_is_the_one_written_out(case: str) -> None:
    found, plain = law_here(*CASES[case]), written_out(*CASES[case], mixed(CASES[case][0]))
    assert found.mean == pytest.approx(plain.mean, abs=EXACT)
    assert found.cov == pytest.approx(plain.cov, abs=EXACT)


def test_the_law_names_its_tiers_and_bows_in_order() -> None:
    found = law_here(*CASES["no ratings"])
    assert found.tiers == ("a", "b", "c", "d")
    assert found.bows == ("a0", None, "b1")
    assert found.bows_mean == pytest.approx(found.mean[4:])
    assert found.bows_cov == pytest.approx(found.cov[4:, 4:])


@pytest.mark.parametrize("blinding", [Blinding.MASKED, Blinding.OPEN])
def test_what_the_eye_adds_is_taken_off_again(blinding: Blinding) -> None:
    # With coefficients known exactly, marks raised by what seeing the bows brings leave the same standing as blind ones.
    posterior = fitted()
    known = CataloguePosterior(replace(posterior, coef_root=np.zeros_like(posterior.coef_root)), KNOWN_RANGE)
    coef = posterior.coef[0, SEEN_COLUMNS[blinding]]
    grade = {tier: KNOWN_RANGE.tiers[tier].grade - posterior.design.middle[0] for tier in KNOWN_RANGE.tiers}
    marks = {"a0": 4.0, "b0": 5.0, "c0": 3.5}
    blind = [Run(at, copy, {O: mark}) for at, (copy, mark) in enumerate(marks.items(), start=1)]
    seen = [
        Run(at, copy, {O: mark + float(coef @ [1.0, grade[copy[0]]])})
        for at, (copy, mark) in enumerate(marks.items(), start=1)
    ]
    one, other = trial_status(known, VIOLIN, blind), trial_status(known, VIOLIN, seen, blinding=blinding)
    assert [bow.copy for bow in one.bows] == [bow.copy for bow in other.bows]
    assert [bow.mean for bow in one.bows] == pytest.approx([bow.mean for bow in other.bows], abs=EXACT)
    assert trial_status(known, VIOLIN, seen).bows[0].mean != pytest.approx(one.bows[0].mean, abs=1e-3)


# How the bows stand


@cache
def view() -> CataloguePosterior:
    """Three tiers of six copies each, before any trial."""
    return PreferenceModel(violins([6, 6, 6], bench=False)).fit([]).view_


def played(*marks: tuple[str | None, float]) -> list[Run]:
    return [Run(at, copy, {O: mark}) for at, (copy, mark) in enumerate(marks, start=1)]


def full(copy: str | None, mark: float, position: int) -> Run:
    return Run(position, copy, dict.fromkeys(CRITERIA, mark))


def bow_of(found: TrialStatus, copy: str | None) -> BowStatus:
    return next(bow for bow in found.bows if bow.copy == copy)


def said(runs: Sequence[Run], answers: Answers = VIOLIN, **terms: Any) -> TrialStatus:
    return trial_status(view(), answers, runs, **terms)


def test_the_probability_of_the_best_of_two_comes_from_their_joint_law() -> None:
    runs = played(("a0", 4.0), ("b0", 5.0))
    law = joint_posterior(Player(view(), VIOLIN, runs), LIKING, ("a0", "b0"))
    lead, cov = law.bows_mean[1] - law.bows_mean[0], law.bows_cov
    expected = norm.cdf(lead / np.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1]))
    assert bow_of(said(runs), "b0").best == pytest.approx(expected, abs=EXACT)


def test_the_probability_of_the_best_of_five_agrees_with_draws_from_the_law_written_out() -> None:
    answers, runs, _ = CASES["all criteria, the own bow twice"]
    bows = ("a0", "d0", "a2", "b0", None)
    law = written_out(answers, runs, bows, LIKING)
    drawn = np.random.default_rng(4).multivariate_normal(law.mean[4:], law.cov[4:, 4:], 200_000).argmax(axis=1)
    found = trial_status(made_up_view(), answers, runs)
    share = {bow: float(np.mean(drawn == at)) for at, bow in enumerate(bows)}
    assert {bow.copy: bow.best for bow in found.bows} == pytest.approx(share, abs=0.0055)


def test_bows_stand_with_their_marks_plays_and_intervals() -> None:
    found = said(played(("a0", 4.0), ("b0", 6.0), (None, 5.0), ("a0", 5.0)))
    assert {bow.copy: (bow.mark, bow.plays) for bow in found.bows} == {"a0": (4.5, 2), "b0": (6.0, 1), None: (5.0, 1)}
    assert [bow.mean for bow in found.bows] == sorted((bow.mean for bow in found.bows), reverse=True)
    assert all(1 <= bow.low < bow.mean < bow.high <= 7 for bow in found.bows)
    assert sum(bow.best for bow in found.bows) == pytest.approx(1.0)


def test_a_bow_played_twice_is_known_better() -> None:
    found = said(played(("a0", 4.0), ("a1", 4.0), ("a0", 4.0)))
    twice, once = bow_of(found, "a0"), bow_of(found, "a1")
    assert twice.high - twice.low < once.high - once.low


def test_the_own_bow_stands_too_where_it_was_rated_before_the_trial_only() -> None:
    found = said(played(("a0", 4.0)), Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 5.0})))
    own = bow_of(found, None)
    assert (own.mark, own.plays) == (None, 0)
    assert own.mean > bow_of(found, "a0").mean


def test_criteria_that_cannot_be_told_are_left_out_and_a_sheet_without_any_counts_as_a_play() -> None:
    answers = Answers(Instrument.VIOLIN, priorities=(TONE, RESPONSE))
    runs = [Run(1, "a0", {TONE: 6.0}), Run(2, "a1", {O: 4.0, RESPONSE: 5.0}), Run(3, "a2", {})]
    found = said(runs, answers)
    assert bow_of(found, "a2").plays == 1
    assert bow_of(found, "a2").mark is None
    assert bow_of(found, "a0").mark is None
    assert bow_of(found, "a0").mean > bow_of(found, "a1").mean


def test_the_order_in_which_sheets_arrive_does_not_matter() -> None:
    runs = played(("a0", 4.0), ("b0", 6.0), (None, 5.0), ("c0", 5.0))
    one, other = said(runs), said(runs[::-1])
    assert [bow.copy for bow in one.bows] == [bow.copy for bow in other.bows]
    assert [bow.best for bow in one.bows] == pytest.approx([bow.best for bow in other.bows], abs=2e-3)
    assert one.recommendation.say is other.recommendation.say


def test_the_improvement_is_that_of_one_more_copy_rated_once_in_drawn_trials() -> None:
    answers, runs, bows = CASES["all criteria, the own bow twice"]
    law, weights = written_out(answers, runs, bows, LIKING), LIKING
    player = Player(made_up_view(), answers, runs)
    spread, noise = np.sqrt(player.spread(weights)[1]), np.sqrt(player.noise(weights))
    rng = np.random.default_rng(6)
    drawn = rng.multivariate_normal(law.mean, law.cov, 400_000)
    new = drawn[:, 1] + spread * rng.normal(size=len(drawn))
    rated = new + noise * rng.normal(size=len(drawn))
    covariance = np.append(law.cov[4:, 1], law.cov[1, 1] + spread**2)
    shift = (rated - law.mean[1])[:, None] * covariance / (law.cov[1, 1] + spread**2 + noise**2)
    taken = (np.append(law.mean[4:], law.mean[1]) + shift).argmax(axis=1)
    won = np.column_stack([drawn[:, 4:], new])[np.arange(len(drawn)), taken] - law.mean[4:].max()
    found = trial_status(made_up_view(), answers, runs).improvement["b"]
    assert found == pytest.approx(float(won.mean()), abs=4 * float(won.std()) / np.sqrt(len(won)))


def test_one_more_copy_of_a_better_tier_wins_more_and_less_the_better_the_bows_are() -> None:
    poor, good = said(played((None, 3.0))), said(played((None, 3.0), ("b1", 7.0)))
    assert 0 < poor.improvement["a"] < poor.improvement["b"] < poor.improvement["c"]
    assert all(good.improvement[tier] < poor.improvement[tier] for tier in "abc")


# What is said


def test_before_the_first_rating_it_goes_on() -> None:
    for runs in ([], [Run(1, "a0", {})]):
        found = said(runs, remaining=["a1"])
        assert found.recommendation.say is Action.GO_ON
        assert found.recommendation.reason.code is RationaleCode.NOTHING_RATED
    assert said([]).bows == ()
    assert said([]).improvement == {}


def test_bows_of_the_order_still_to_come_are_played() -> None:
    found = said(played(("a0", 5.0), ("b0", 4.0)), remaining=["c0", None, "c1"]).recommendation
    assert found.say is Action.GO_ON
    assert found.reason.code is RationaleCode.BOWS_TO_COME
    assert found.reason.values["unplayed"] == 3
    assert 0.05 <= found.reason.values["probability"] <= 1


def test_a_bow_to_come_that_cannot_win_any_more_is_not_waited_for() -> None:
    poor = played(*[("a0", 1.0), ("a1", 1.0), ("a2", 1.0), ("a3", 1.0)], *[("c0", 7.0)] * 8)
    found = said(poor, remaining=["a4"]).recommendation
    assert found.say is Action.STOP
    assert found.bows == ("c0",)


def test_second_plays_of_the_order_are_played_while_the_leader_is_not_clear() -> None:
    close = said(played(("a0", 5.0), ("b0", 5.0)), remaining=["a0"]).recommendation
    assert close.say is Action.GO_ON
    assert close.reason.code is RationaleCode.PLAYS_TO_COME
    assert close.reason.values["plays"] == 1
    clear = said(played(("a0", 1.0), ("c0", 7.0)), remaining=["a0"]).recommendation
    assert clear.say is not Action.GO_ON


def test_two_bows_that_are_too_close_are_played_again() -> None:
    found = said(played(("a0", 3.0), ("b0", 6.0), ("b1", 6.0), (None, 3.0))).recommendation
    assert found.say is Action.REPLAY
    assert set(found.bows) == {"b0", "b1"}
    assert found.reason.code is RationaleCode.TOO_CLOSE
    assert found.reason.values["gain"] > 0.04
    assert found.reason.values["lead"] < 0.1


def test_bows_that_stay_close_are_not_played_for_ever() -> None:
    marks: list[tuple[str | None, float]] = [("b0", 6.0), ("b1", 6.0)]
    for plays in range(1, 12):
        found = said(played(*marks * plays), can_bring=0).recommendation
        if found.say is Action.STOP:
            break
    assert found.say is Action.STOP
    assert found.reason.code is RationaleCode.NOTHING_TO_WIN
    assert found.reason.values["probability"] < 0.8
    assert 2 < plays < 12


def test_where_there_is_no_time_no_bow_is_played_again() -> None:
    found = said(played(("b0", 6.0), ("b1", 6.0)), can_replay=False, can_bring=0).recommendation
    assert found.say is Action.STOP


def test_poor_bows_ask_for_more_of_the_tier_that_wins_most() -> None:
    found = said(played(("a0", 2.0), ("a1", 2.0), (None, 2.0)))
    more = found.recommendation
    assert more.say is Action.BRING_MORE
    assert more.reason.code is RationaleCode.MORE_MAY_BE_BETTER
    assert more.tier == max(found.improvement, key=lambda tier: found.improvement[tier])
    assert more.copies in (1, 2)
    assert more.reason.values["gain"] > 0.05 * more.copies


def test_two_more_are_asked_for_where_the_second_is_worth_its_carrying() -> None:
    runs = played(("a0", 2.0), ("a1", 2.0), (None, 2.0))
    assert said(runs).recommendation.copies == 2
    assert said(runs, can_bring=1).recommendation.copies == 1
    tier = said(runs).recommendation.tier
    assert said(runs, can_bring={str(tier): 1}).recommendation == said(runs, can_bring=1).recommendation
    assert said(runs, can_bring={}, can_replay=False).recommendation.say is Action.STOP
    one = said(runs, carry_cost=0.9 * said(runs, can_bring=1).recommendation.reason.values["gain"]).recommendation
    assert (one.say, one.copies) == (Action.BRING_MORE, 1)


def test_nothing_is_asked_for_that_is_not_worth_its_carrying_or_cannot_be_had() -> None:
    runs = played(("a0", 2.0), ("c1", 5.0), (None, 2.0))
    assert said(runs, carry_cost=3.0, can_replay=False).recommendation.say is Action.STOP
    assert said(runs, can_bring=0, can_replay=False).recommendation.say is Action.STOP
    assert said(runs, prices={}, can_replay=False).recommendation.say is Action.STOP


def test_more_are_asked_for_only_of_tiers_that_have_a_price() -> None:
    runs = played(("a0", 2.0), ("a1", 2.0), (None, 2.0))
    assert said(runs, prices={"a": 900.0, "b": 1800.0}).recommendation.tier == "b"


def test_a_dearer_tier_has_to_be_liked_better_once_outcomes_told_what_prices_weigh() -> None:
    posterior, runs = view().posterior, played((None, 2.0))
    told = replace(posterior.keeping, coef=np.array([0.5, 0.5, -1.0, 0.5]), covariance=np.zeros((4, 4)))
    weighing = CataloguePosterior(replace(posterior, keeping=told), view().range)
    prices = {"a": 900.0, "b": 1800.0, "c": 3600.0}
    assert said(runs, prices=prices).recommendation.tier == "c"
    found = trial_status(weighing, VIOLIN, runs, prices=prices)
    assert found.recommendation.tier == "a"
    assert found.improvement["c"] > found.improvement["a"]


def test_a_clear_leader_ends_the_trial() -> None:
    found = said([full("a0", 3.0, 1), full("c0", 7.0, 2), full(None, 3.0, 3), full("b0", 3.0, 4)]).recommendation
    assert found.say is Action.STOP
    assert found.bows == ("c0",)
    assert found.reason.code is RationaleCode.CLEAR
    assert found.reason.values["probability"] >= 0.8


def test_the_own_bow_may_be_the_one_to_keep() -> None:
    found = said(played(("a0", 3.0), (None, 7.0), ("a1", 3.0), (None, 7.0))).recommendation
    assert found.say is Action.STOP
    assert found.bows == (None,)


def test_it_goes_by_the_expected_liking_and_says_where_the_marks_would_choose_another() -> None:
    # a0 got one 7 among bows that were liked little; c0 was given 6.8 on average five times over.
    marks: list[tuple[str | None, float]] = [("a1", 2.0), ("a0", 7.0), ("b0", 2.0), ("b1", 2.0)]
    found = said(played(*marks, *[("c0", 7.0)] * 4, ("c0", 6.0)), can_bring=0)
    assert found.bows[0].copy == "c0"
    assert bow_of(found, "a0").mark == 7.0
    assert found.recommendation.differs_from_marks
    assert not said(played(*marks[:3]), can_bring=0).recommendation.differs_from_marks


@pytest.mark.parametrize(
    ("terms", "word"),
    [
        ({"carry_cost": -0.1}, "carry_cost: got -0.1"),
        ({"carry_cost": float("nan")}, "carry_cost: got nan"),
        ({"can_bring": -1}, "can_bring: got -1"),
        ({"remaining": ["z9"]}, "got the copy 'z9'"),
        ({"prices": {"a": -3.0}}, "price: got"),
    ],
)
def test_what_is_out_of_range_is_refused(terms: Mapping[str, Any], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        said(played(("a0", 4.0)), **terms)


def test_a_sheet_of_a_copy_that_is_not_in_the_range_is_refused() -> None:
    with pytest.raises(ValueError, match="got the copy 'z9'"):
        said(played(("z9", 4.0)))


# Drift and repeats


def test_the_drift_is_the_last_mark_of_the_own_bow_less_the_first() -> None:
    runs = [Run(5, None, {O: 3.0, TONE: 5.0}), Run(2, None, {O: 4.5, TONE: 5.0}), Run(1, "a0", {O: 6.0})]
    assert drift(runs) == -1.5
    assert drift(runs, TONE) == 0.0
    assert drift(runs[1:]) is None
    assert drift([]) is None


def test_the_repeat_difference_is_told_for_every_copy_rated_twice() -> None:
    runs = played(("a0", 4.0), ("b0", 5.0), (None, 3.0), ("a0", 5.5), (None, 3.0))
    assert repeat_difference(runs) == {"a0": 1.5}
    assert repeat_difference([Run(1, "a0", {TONE: 4.0}), Run(3, "a0", {O: 4.0})]) == {}
