"""What people keep: trials and outcomes, usual and odd, as sets of options; the prior, and what price weighs."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from math import exp, log
from typing import Any

import numpy as np
import pytest

from model.choice import ChoicePrior
from model.choice.purchase_model import (
    BELIEFS,
    ChoiceSets,
    ExclusionReason,
    Offer,
    PurchaseModel,
    build_choice_sets,
    fit_purchase_model,
    price_penalty,
)
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers, Copy, Outcome, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import Criterion, Instrument, OutcomeKind

DAY = date(2026, 3, 1)
TIERS = {slug: Tier(slug, Instrument.VIOLIN, grade) for grade, slug in enumerate(("low", "mid", "high"), start=1)}
COPIES = {serial: Copy(serial, tier) for serial, tier in (("L1", "low"), ("M1", "mid"), ("M2", "mid"), ("H1", "high"))}
RANGE = Range(TIERS, COPIES)
PRICES = {"low": 500.0, "mid": 1000.0, "high": 2000.0}
WITH_BUDGET = Offer(PRICES, 1000.0)
OVERALL, TONE, EASE, CLARITY = Criterion.OVERALL, Criterion.TONE, Criterion.EASE, Criterion.CLARITY
OWN_4: tuple[str | None, float | None] = (None, 4.0)


def _trial(
    *marks: tuple[str | None, float | None], priorities: tuple[Criterion, ...] = (), own: OwnBow | None = None
) -> Trial:
    """Make a trial from what each bow was rated overall, in the order played."""
    runs = [
        Run(place, bow, {} if mark is None else {OVERALL: mark}) for place, (bow, mark) in enumerate(marks, start=1)
    ]
    return Trial("t", "p", DAY, Answers(Instrument.VIOLIN, priorities=priorities, own_bow=own), tuple(runs))


def _sheets(priorities: tuple[Criterion, ...], *sheets: tuple[str | None, dict[Criterion, float]]) -> Trial:
    runs = tuple(Run(place, bow, ratings) for place, (bow, ratings) in enumerate(sheets, start=1))
    return Trial("t", "p", DAY, Answers(Instrument.VIOLIN, priorities=priorities), runs)


def _outcome(kind: OutcomeKind, copy: str | None = None, after: int = 0) -> Outcome:
    return Outcome("t", DAY + timedelta(days=after), kind, copy)


KEPT, NONE, RETURNED, MORE = OutcomeKind.KEPT, OutcomeKind.NONE, OutcomeKind.RETURNED, OutcomeKind.MORE_ASKED


def _told(trial: Trial, *outcomes: Outcome, offer: Offer = WITH_BUDGET) -> ChoiceSets:
    return build_choice_sets([trial], outcomes, {"t": offer}, RANGE)


def _why(trial: Trial, *outcomes: Outcome, offer: Offer = WITH_BUDGET) -> ExclusionReason:
    """Return why the one trial's outcome is not used."""
    told = _told(trial, *outcomes, offer=offer)
    assert told.Z.shape == (0, 4)
    assert told.outcomes == 0
    (why,) = told.left_out.values()
    return why


PLAIN = _trial(("L1", 5.0), ("M1", 6.0), OWN_4)


# From trials to sets


def test_a_kept_bow_is_chosen_among_all_that_were_played() -> None:
    told = _told(PLAIN, _outcome(KEPT, "M1"))
    assert told.Z.tolist() == [[5, 5, log(0.5), 0], [6, 6, 0, 0], [4, 4, 0, 1]]
    assert told.chosen.tolist() == [False, True, False]
    assert told.choice.tolist() == [0, 0, 0]
    assert (told.outcomes, told.left_out) == (1, {})


@pytest.mark.parametrize(
    "outcomes",
    [
        [_outcome(NONE)],
        [_outcome(RETURNED, "M1")],
        [_outcome(KEPT, "M1"), _outcome(RETURNED, "M1", after=9)],
        [_outcome(RETURNED, "M1"), _outcome(KEPT, "M1")],
        [_outcome(KEPT, "M1"), _outcome(RETURNED, "M1", after=9), _outcome(NONE, after=9)],
    ],
)
def test_none_or_a_bow_brought_back_is_a_choice_of_the_own_bow(outcomes: list[Outcome]) -> None:
    assert _told(PLAIN, *outcomes).chosen.tolist() == [False, False, True]


def test_more_asked_before_a_bow_was_kept_does_not_matter() -> None:
    assert _told(PLAIN, _outcome(MORE), _outcome(KEPT, "L1", after=3)).chosen.tolist() == [True, False, False]


def test_who_keeps_none_and_later_one_has_kept_one() -> None:
    assert _told(PLAIN, _outcome(NONE), _outcome(KEPT, "L1", after=3)).chosen.tolist() == [True, False, False]


def test_two_kept_are_two_choices_the_second_without_the_first() -> None:
    told = _told(PLAIN, _outcome(KEPT, "M1", after=2), _outcome(KEPT, "L1"))
    assert told.choice.tolist() == [0, 0, 0, 1, 1]
    assert told.Z[told.chosen, 0].tolist() == [5.0, 6.0]
    assert told.Z[3:, 0].tolist() == [6.0, 4.0]
    assert told.outcomes == 1


def test_of_two_kept_the_one_brought_back_was_not_chosen() -> None:
    told = _told(PLAIN, _outcome(KEPT, "M1"), _outcome(KEPT, "L1"), _outcome(RETURNED, "M1", after=5))
    assert told.chosen.tolist() == [True, False, False]


def test_a_bow_played_twice_counts_with_the_mean_of_its_runs() -> None:
    told = _told(_trial(("M1", 5.0), OWN_4, ("M1", 6.0), (None, 3.0)), _outcome(KEPT, "M1"))
    assert told.Z[:, 0].tolist() == [5.5, 3.5]


def test_without_a_budget_prices_are_measured_by_the_median_of_those_tried() -> None:
    trial = _trial(("L1", 5.0), ("M1", 5.0), ("H1", 5.0), ("M1", 6.0), OWN_4)
    told = _told(trial, _outcome(NONE), offer=Offer(PRICES))
    assert told.Z[:, 2] == pytest.approx([log(0.5), 0.0, log(2.0), 0.0])


def test_a_bow_without_an_overall_rating_or_a_price_is_left_out_of_its_set() -> None:
    trial = _trial(("L1", None), ("M1", 6.0), ("H1", 7.0), OWN_4)
    told = _told(trial, _outcome(KEPT, "M1"), offer=Offer({"low": 500.0, "mid": 1000.0}, 900.0))
    assert told.Z[:, 0].tolist() == [6.0, 4.0]


def test_an_own_bow_that_was_not_rated_leaves_a_choice_among_the_copies() -> None:
    trial = _trial(("L1", 5.0), ("M1", 6.0), (None, None))
    told = _told(trial, _outcome(KEPT, "L1"))
    assert told.chosen.tolist() == [True, False]
    assert _why(trial, _outcome(NONE)) is ExclusionReason.OWN_NOT_RATED


def test_an_own_bow_rated_in_the_answers_only_is_an_option() -> None:
    trial = _trial(("L1", 5.0), own=OwnBow(ratings={OVERALL: 3.0}))
    told = _told(trial, _outcome(NONE))
    assert told.Z[:, 0].tolist() == [5.0, 3.0]
    assert told.chosen.tolist() == [False, True]


def test_priorities_are_weighted_by_their_rank() -> None:
    first = {OVERALL: 5.0, TONE: 6.0, EASE: 3.0, CLARITY: 1.0}
    trial = _sheets((EASE, TONE), ("L1", first), (None, {OVERALL: 4.0, TONE: 2.0, EASE: 7.0}))
    weights = rank_order_weights(2)
    told = _told(trial, _outcome(NONE))
    assert told.Z[:, 1] == pytest.approx([weights @ [3.0, 6.0], weights @ [7.0, 2.0]])


def test_a_priority_that_one_bow_was_not_rated_on_counts_for_none() -> None:
    trial = _sheets((EASE, TONE), ("L1", {OVERALL: 5.0, TONE: 6.0, EASE: 3.0}), (None, {OVERALL: 4.0, TONE: 2.0}))
    assert _told(trial, _outcome(NONE)).Z[:, 1].tolist() == [6.0, 2.0]


def test_priorities_that_share_no_rating_give_way_to_the_overall() -> None:
    trial = _sheets((EASE,), ("L1", {OVERALL: 5.0, EASE: 3.0}), (None, {OVERALL: 4.0}))
    assert _told(trial, _outcome(NONE)).Z[:, 1].tolist() == [5.0, 4.0]


# Outcomes that tell nothing


@pytest.mark.parametrize(
    ("outcomes", "why"),
    [
        ([_outcome(MORE)], ExclusionReason.UNDECIDED),
        ([_outcome(KEPT)], ExclusionReason.NO_COPY),
        ([_outcome(RETURNED)], ExclusionReason.NO_COPY),
        ([_outcome(KEPT, "H1")], ExclusionReason.NOT_PLAYED),
        ([_outcome(KEPT, "M1"), _outcome(RETURNED, "H1")], ExclusionReason.NOT_PLAYED),
        ([_outcome(KEPT, "no such bow")], ExclusionReason.NOT_PLAYED),
        ([_outcome(KEPT, "M1"), _outcome(NONE)], ExclusionReason.CONTRADICTION),
        ([_outcome(KEPT, "M1"), _outcome(NONE, after=4)], ExclusionReason.CONTRADICTION),
    ],
)
def test_outcomes_that_are_unclear_or_contradict_the_trial_are_left_out(
    outcomes: Sequence[Outcome], why: ExclusionReason
) -> None:
    assert _why(PLAIN, *outcomes) is why


def test_a_kept_bow_that_was_not_rated_is_left_out() -> None:
    assert _why(_trial(("L1", None), ("M1", 6.0), OWN_4), _outcome(KEPT, "L1")) is ExclusionReason.NOT_RATED


def test_a_kept_bow_without_a_price_is_left_out() -> None:
    assert _why(PLAIN, _outcome(KEPT, "M1"), offer=Offer({"low": 500.0})) is ExclusionReason.NO_PRICE
    assert build_choice_sets([PLAIN], [_outcome(KEPT, "M1")], {}, RANGE).left_out == {"t": ExclusionReason.NO_PRICE}


@pytest.mark.parametrize(("trial", "kind"), [(_trial(("L1", 5.0)), KEPT), (_trial(OWN_4), NONE)])
def test_a_trial_with_one_bow_is_left_out(trial: Trial, kind: OutcomeKind) -> None:
    assert _why(trial, _outcome(kind, "L1" if kind is KEPT else None)) is ExclusionReason.ONE_OPTION


def test_an_outcome_without_its_trial_is_left_out() -> None:
    assert build_choice_sets([], [_outcome(NONE)], {}, RANGE).left_out == {"t": ExclusionReason.NO_TRIAL}


@pytest.mark.parametrize(
    "offer",
    [({"low": 0.0}, None), ({"low": 500.0}, -1.0), ({"low": float("nan")}, None), ({"low": 500.0}, None, {"L1": 0.0})],
)
def test_a_price_or_budget_that_is_none_is_refused(offer: tuple[Any, ...]) -> None:
    with pytest.raises(ValueError, match="expected a number above 0"):
        Offer(*offer)


# What is learnt


Discount = Callable[[float, np.random.Generator], float]


def _history(
    n: int, overall: float, tone: float, price: float, own: float, *, seed: int = 1, off: Discount | None = None
) -> tuple[list[Trial], list[Outcome], dict[str, Offer]]:
    """Draw trials whose player keeps the bow of highest V plus Gumbel noise, V of these four coefficients.

    ``off``: log(paid / asked) of a bow by what is asked; V is of the price to be paid, which is told of the bow kept alone.
    """
    rng = np.random.default_rng(seed)
    trials, outcomes, offers = [], [], {}
    bows: list[str | None] = [*COPIES, None]
    for place in range(n):
        marks = np.clip(np.round(rng.normal(4.5, 1.2, (len(bows), 2)), 1), 1, 7)
        budget = float(rng.choice([800, 1500, 2500]))
        share = [off(PRICES[COPIES[bow].tier], rng) if bow and off else 0.0 for bow in bows]
        cost = np.array([0.0 if bow is None else log(PRICES[COPIES[bow].tier] / budget) for bow in bows]) + share
        is_own = np.array([bow is None for bow in bows])
        V = marks @ [overall, tone] + price * cost + own * is_own + rng.gumbel(size=len(bows))
        kept = bows[int(np.argmax(V))]
        runs = tuple(Run(i + 1, bow, {OVERALL: marks[i, 0], TONE: marks[i, 1]}) for i, bow in enumerate(bows))
        key = f"t{place}"
        trials.append(Trial(key, f"p{place}", DAY, Answers(Instrument.VIOLIN, priorities=(TONE,)), runs))
        outcomes.append(Outcome(key, DAY, NONE if kept is None else KEPT, kept))
        paid = {kept: PRICES[COPIES[kept].tier] * exp(share[bows.index(kept)])} if kept and off else {}
        offers[key] = Offer(PRICES, budget, paid)
    return trials, outcomes, offers


def _learnt(n: int, *truth: float, seed: int = 1) -> PurchaseModel:
    return fit_purchase_model(*_history(n, *truth, seed=seed), RANGE)


def test_without_outcomes_the_beliefs_remain_and_price_weighs_nothing() -> None:
    kept = fit_purchase_model([PLAIN], [], {}, RANGE)
    assert kept.coef == pytest.approx([0.9, 0.9, -0.5, 0.5])
    assert np.sqrt(np.diag(kept.covariance)) == pytest.approx([0.5, 0.5, 0.5, 1.0])
    assert (kept.outcomes, kept.choices, kept.loglik) == (0, 0, 0.0)
    assert kept.priority_weight == 0.5
    assert kept.price_sensitivity == pytest.approx(0.5 / 1.8)
    assert kept.price_weight == 0.0
    assert price_penalty(kept.price_weight, [500.0, 4000.0], 1000.0).tolist() == [0.0, 0.0]


def test_many_outcomes_bring_back_what_the_players_went_by() -> None:
    truth = np.array([1.3, 0.7, -0.8, 1.0])
    kept = _learnt(1500, *truth)
    assert (np.abs(kept.coef - truth) < 4 * np.sqrt(np.diag(kept.covariance))).all()
    assert kept.priority_weight == pytest.approx(0.35, abs=4 * kept.priority_weight_se)
    assert kept.price_sensitivity == pytest.approx(0.4, abs=4 * kept.price_sensitivity_se)
    assert kept.price_weight == pytest.approx(kept.price_sensitivity, rel=0.05)
    assert kept.priority_weight_se < 0.03
    assert kept.price_sensitivity_se < 0.06


def _dear_bows_below_their_price(asked: float, rng: np.random.Generator) -> float:
    """5 % off 500, 20 % off 1000, 33 % off 2000, more or less."""
    return -0.05 - 0.25 * log(asked / 500) + float(rng.normal(0, 0.05))


def _a_tenth_off_for_everybody(_asked: float, _rng: np.random.Generator) -> float:
    return log(0.9)


@pytest.mark.parametrize("off", [_dear_bows_below_their_price, _a_tenth_off_for_everybody])
def test_what_price_weighs_comes_back_from_the_prices_that_were_paid(off: Discount) -> None:
    truth = np.array([1.3, 0.7, -1.6, 1.0])
    kept = fit_purchase_model(*_history(1500, *truth, off=off), RANGE)
    assert (np.abs(kept.coef - truth) < 3 * np.sqrt(np.diag(kept.covariance))).all()


def test_without_the_prices_paid_a_dear_bow_seems_to_weigh_less_than_it_does() -> None:
    trials, outcomes, offers = _history(1500, 1.3, 0.7, -1.6, 1.0, off=_dear_bows_below_their_price)
    asked = fit_purchase_model(trials, outcomes, {key: replace(each, paid={}) for key, each in offers.items()}, RANGE)
    assert asked.coef[2] > -1.6 + 3 * np.sqrt(asked.covariance[2, 2])


def test_one_price_paid_says_little_of_the_other_bows_and_one_far_off_nothing() -> None:
    trial = _trial(("L1", 5.0), ("H1", 5.0), OWN_4)

    def prices(paid: float) -> list[float]:
        told = _told(trial, _outcome(KEPT, "H1"), offer=Offer(PRICES, 1000.0, {"H1": paid}))
        return [float(price) for price in told.Z[:, 2]]

    low, high, own = prices(1800.0)
    assert high == pytest.approx(log(1.8))
    assert log(0.5) + 0.5 * log(0.9) < low < log(0.5)
    assert own == 0.0
    assert prices(20.0) == pytest.approx([log(0.5), log(2.0), 0.0])


def test_standard_errors_are_those_of_histories_drawn_again() -> None:
    drawn = [_learnt(150, 1.3, 0.7, -0.8, 1.0, seed=seed) for seed in range(60)]
    for name in ("priority_weight", "price_sensitivity"):
        spread = np.std([getattr(kept, name) for kept in drawn])
        # 60 draws tell a deviation to about 9 %; the prior draws estimates together, so they spread a little less.
        assert spread == pytest.approx(np.mean([getattr(kept, f"{name}_se") for kept in drawn]), rel=0.35)


def test_price_comes_to_weigh_more_as_outcomes_tell_of_it() -> None:
    kept = [_learnt(n, 1.3, 0.7, -0.8, 1.0) for n in (5, 50, 500)]
    assert kept[0].price_shrinkage < kept[1].price_shrinkage < kept[2].price_shrinkage
    assert 0 < kept[0].price_shrinkage < 0.5
    assert 0.9 < kept[2].price_shrinkage < 1


def test_one_outcome_hardly_moves_the_beliefs() -> None:
    kept = fit_purchase_model([PLAIN], [_outcome(KEPT, "M1")], {"t": WITH_BUDGET}, RANGE)
    assert kept.outcomes == 1
    assert np.abs((kept.coef - np.asarray(BELIEFS.mean)) / np.asarray(BELIEFS.sd)).max() < 0.5


def test_a_dearer_bow_is_never_counted_as_better_for_its_price() -> None:
    kept = _learnt(400, 1.3, 0.7, 1.0, 0.0)
    assert kept.price_sensitivity < 0
    assert kept.price_weight == 0.0


def test_players_who_keep_what_they_like_least_give_bounds_and_sensible_numbers() -> None:
    kept = _learnt(400, -1.5, -1.5, -0.8, 0.0)
    assert kept.coef[:2].tolist() == [0.0, 0.0]
    assert kept.priority_weight == 0.5
    assert 0 < kept.priority_weight_se <= 0.5
    assert 0 <= kept.price_weight <= 1.0


def test_ratings_all_alike_leave_the_beliefs_about_liking() -> None:
    trials = [
        Trial(f"t{i}", f"p{i}", DAY, Answers(Instrument.VIOLIN), _trial(("L1", 4.0), ("H1", 4.0), OWN_4).runs)
        for i in range(30)
    ]
    outcomes = [Outcome(trial.key, DAY, KEPT, "L1") for trial in trials]
    kept = fit_purchase_model(trials, outcomes, {trial.key: WITH_BUDGET for trial in trials}, RANGE)
    assert kept.coef[:2] == pytest.approx([0.9, 0.9], abs=1e-9)
    assert kept.coef[2] < -0.5


def test_price_points_are_logarithmic_and_end_at_four_times_the_reference() -> None:
    points = price_penalty(0.3, [1000.0, 2000.0, 4000.0, 9000.0, 100.0], 1000.0)
    assert points == pytest.approx(0.3 * np.array([0, log(2), log(4), log(4), -log(4)]))
    for price, reference in (([0.0], 1000.0), ([1.0], 0.0), ([np.nan], 1000.0)):
        with pytest.raises(ValueError, match="expected numbers above 0"):
            price_penalty(0.3, price, reference)


def test_left_out_outcomes_are_counted_by_reason() -> None:
    outcomes = [_outcome(MORE), Outcome("u", DAY, NONE), Outcome("v", DAY, NONE)]
    kept = fit_purchase_model([PLAIN], outcomes, {}, RANGE)
    assert dict(kept.left_out) == {ExclusionReason.UNDECIDED: 1, ExclusionReason.NO_TRIAL: 2}


@pytest.mark.parametrize("prior", [ChoicePrior([0.0], [1.0]), ChoicePrior([0.0] * 3, [1.0] * 3)])
def test_a_prior_that_does_not_cover_the_four_terms_is_refused(prior: ChoicePrior) -> None:
    with pytest.raises(ValueError, match="expected 4, for overall, priorities, price, own"):
        fit_purchase_model([], [], {}, RANGE, prior)
