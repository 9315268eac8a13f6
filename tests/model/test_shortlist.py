"""Roles, reasons, time and stock of a shortlist: small cases worked by hand, extremes, and properties that always hold."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from model.copies import KnownBow, UnratedBow, Yardstick, gain_of_each, plan
from model.outlook import Outlook, Stock
from model.records import Answers, Tier
from model.shortlist import Reason, Shortlist, propose
from model.vocabulary import LEADING, Instrument, Role

Floats = NDArray[np.float64]

CRITERIA = LEADING[Instrument.VIOLIN]
Z90 = 1.6448536269514722
"""The normal law's 95 % point, as in any table of it."""
NO_STOCK = Stock((), np.zeros(0, dtype=np.intp), np.zeros(0), np.zeros(0))


def outlook(mean: ArrayLike, own: Yardstick | None = None, cov: Floats | None = None, **changes: Any) -> Outlook:
    """A violin player; the tiers are t0, t1, ...; their means share a variance of .4 and have .05 each besides."""
    means = np.asarray(mean, dtype=np.float64)
    T = len(means)
    given: dict[str, Any] = {
        "answers": Answers(Instrument.VIOLIN),
        "tiers": tuple(Tier(f"t{t}", Instrument.VIOLIN, t + 1) for t in range(T)),
        "fit_mean": means,
        "fit_sd": np.full(T, 0.6),
        "mean": means,
        "cov": np.full((T, T), 0.4) + 0.05 * np.eye(T) if cov is None else cov,
        "spread": np.full(T, 0.57),
        "noise": 0.7,
        "yardstick": KnownBow.none(T, 4.5) if own is None else own,
        "beats_own_bow": np.linspace(0.4, 0.7, T),
        "criteria": CRITERIA,
        "weights": np.array([0.4, 0.3, 0.2, 0.1]),
        "advantage_mean": np.zeros((T, 4)),
        "advantage_sd": np.full((T, 4), 0.5),
        "priority_weight": 0.5,
        "trials": 40,
        "trials_all": 100,
        "stock": NO_STOCK,
    }
    return Outlook(**(given | changes))


def priced(*prices: float) -> Mapping[str, float]:
    return {f"t{t}": price for t, price in enumerate(prices)}


def roles(shortlist: Shortlist) -> dict[str, Role]:
    return {entry.tier: entry.role for entry in shortlist.entries}


def stock(tier: list[int], offset: list[float], spread: float = 0.4) -> Stock:
    serials = tuple(f"s{k}" for k in range(len(tier)))
    return Stock(serials, np.array(tier, dtype=np.intp), np.array(offset), np.full(len(tier), spread))


# Roles


def test_the_best_fit_is_the_tier_whose_two_copies_win_most_within_the_budget() -> None:
    case = outlook([4.0, 4.8, 5.6])
    assert roles(propose(case, priced(1000, 2000, 3000))) == {"t2": Role.BEST_FIT}
    assert roles(propose(case, priced(1000, 2000, 3000), budget=2500, stretch=0)) == {"t1": Role.BEST_FIT}


def test_a_cheaper_tier_that_wins_nearly_as_much_is_the_best_value() -> None:
    case = outlook([4.9, 5.0, 3.5])
    gain = gain_of_each(case.mean, case.cov, case.spread, case.yardstick, case.noise)
    assert 0 < gain[1] - gain[0] < 0.15
    assert roles(propose(case, priced(1000, 2000, 500))) == {"t1": Role.BEST_FIT, "t0": Role.BEST_VALUE}
    assert roles(propose(case, priced(1000, 2000, 500), value_loss=float(gain[1] - gain[0]) - 1e-6)) == {
        "t1": Role.BEST_FIT
    }


def test_the_best_value_is_the_cheapest_that_qualifies() -> None:
    case = outlook([4.95, 4.96, 5.0])
    assert roles(propose(case, priced(900, 1000, 2000))) == {"t2": Role.BEST_FIT, "t0": Role.BEST_VALUE}


def test_the_step_up_is_the_next_dearer_within_the_stretch() -> None:
    case = outlook([5.0, 5.2, 5.4])
    prices = priced(1000, 1140, 1145)
    assert roles(propose(case, prices, budget=1000)) == {"t0": Role.BEST_FIT, "t1": Role.STEP_UP}
    assert roles(propose(case, prices, budget=1000, stretch=0.14)) == {"t0": Role.BEST_FIT, "t1": Role.STEP_UP}
    assert roles(propose(case, prices, budget=1000, stretch=0.13)) == {"t0": Role.BEST_FIT}
    assert roles(propose(case, prices, budget=1000, stretch=0)) == {"t0": Role.BEST_FIT}


@pytest.mark.parametrize(("dearer", "steps_up"), [(5.01, True), (5.0, True), (4.99, False)])
def test_a_step_up_is_better_with_even_odds_at_least(dearer: float, steps_up: bool) -> None:
    shortlist = propose(outlook([5.0, dearer]), priced(1000, 1100), budget=1000)
    assert (Role.STEP_UP in roles(shortlist).values()) == steps_up


@pytest.mark.parametrize(("sigmas", "stays"), [(-0.83, True), (-0.85, False)])
def test_a_dearer_tier_that_is_better_with_less_than_one_in_five_is_left_out(sigmas: float, stays: bool) -> None:
    # P(z > .8416) = .2, as in any table of the normal law. The dearer tier's copies vary more, so that two of them win more.
    cov = np.array([[0.45, 0.40], [0.40, 0.45]])
    case = outlook([5.0, 5.0 + sigmas * math.sqrt(0.1)], cov=cov, spread=np.array([0.1, 1.6]))
    assert np.argmax(gain_of_each(case.mean, case.cov, case.spread, case.yardstick, case.noise)) == 1
    assert ("t1" in roles(propose(case, priced(1000, 2000)))) == stays


def test_of_two_tiers_of_one_price_neither_is_the_dearer_to_be_left_out() -> None:
    cov = np.array([[0.45, 0.40], [0.40, 0.45]])
    case = outlook([5.0, 4.6], cov=cov, spread=np.array([0.1, 1.6]))
    assert roles(propose(case, priced(1000, 1001))) == {"t0": Role.BEST_FIT}
    assert roles(propose(case, priced(1000, 1000))) == {"t1": Role.BEST_FIT}


def test_tiers_of_one_price_are_no_step_up_and_no_better_value_than_each_other() -> None:
    assert roles(propose(outlook([5.0, 5.1, 5.05]), priced(1000, 1000, 1000))) == {"t1": Role.BEST_FIT}


def test_a_tier_without_a_price_is_not_proposed() -> None:
    shortlist = propose(outlook([5.0, 6.0]), {"t0": 1000.0, "elsewhere": 10.0})
    assert roles(shortlist) == {"t0": Role.BEST_FIT}
    assert shortlist.considered == 1


def test_where_nothing_fits_the_budget_the_nearest_is_shown_and_said_to_be_beyond_it() -> None:
    shortlist = propose(outlook([5.0, 5.5, 4.0]), priced(2000, 3000, 2500), budget=1900)
    assert shortlist.over_budget
    assert roles(shortlist) == {"t0": Role.BEST_FIT}
    assert not propose(outlook([5.0]), priced(2000), budget=2000).over_budget


def test_without_any_priced_tier_the_list_is_empty() -> None:
    for shortlist in (propose(outlook([5.0]), {}), propose(outlook([]), priced(1000))):
        assert shortlist == Shortlist()
        assert shortlist.plan is None


# What an entry tells


def test_the_interval_is_the_normal_one_at_ninety_percent_within_the_scale() -> None:
    entry = propose(outlook([5.0]), priced(1000)).entries[0]
    assert (entry.expected, entry.low, entry.high, entry.level) == pytest.approx((5, 5 - 0.6 * Z90, 5 + 0.6 * Z90, 0.9))
    high = propose(outlook([7.5]), priced(1000)).entries[0]
    assert (high.expected, high.high) == (7, 7)
    wide = propose(outlook([4.0], fit_sd=np.array([9.0])), priced(1000)).entries[0]
    assert (wide.low, wide.expected, wide.high) == (1, 4, 7)


def test_the_chance_against_the_own_bow_is_the_outlooks() -> None:
    entries = propose(outlook([5.0, 5.1]), priced(1000, 1100), budget=1000).entries
    assert {entry.tier: entry.beats_own_bow for entry in entries} == {"t0": 0.4, "t1": 0.7}


def test_strengths_and_weaknesses_are_those_told_with_four_in_five_weightiest_first() -> None:
    # P(d > 0) >= .8 asks for d >= .8416 sd = .4208 here; weights .4 .3 .2 .1.
    # 0.4 x 0.7 = .28 weighs more than 0.3 x 0.9 = .27, which weighs more than 0.1 x 1.0.
    case = outlook([5.0], advantage_mean=np.array([[0.7, 0.9, -0.5, 1.0]]))
    entry = propose(case, priced(1000)).entries[0]
    assert entry.reasons == (Reason(CRITERIA[0], 0.7), Reason(CRITERIA[1], 0.9), Reason(CRITERIA[3], 1.0))
    assert entry.weaknesses == (Reason(CRITERIA[2], -0.5),)


def test_without_a_single_strength_there_are_no_reasons() -> None:
    entry = propose(outlook([5.0], advantage_sd=np.zeros((1, 4))), priced(1000)).entries[0]
    assert (entry.reasons, entry.weaknesses) == ((), ())


# Time


def test_the_plan_is_that_of_the_shortlisted_tiers_best_fit_first() -> None:
    case = outlook([5.0, 5.2, 4.95])
    shortlist = propose(case, priced(1000, 1100, 900), budget=1000)
    assert roles(shortlist) == {"t0": Role.BEST_FIT, "t2": Role.BEST_VALUE, "t1": Role.STEP_UP}
    order = [0, 2, 1]
    law = (case.mean[order], case.cov[np.ix_(order, order)], case.spread[order], KnownBow.none(3, 4.5), case.noise)
    assert shortlist.plan == plan(*law, guest=2)


def test_a_trial_takes_five_minutes_a_run_and_ten_besides_the_own_bow_twice() -> None:
    shortlist = propose(outlook([5.0]), priced(1000))
    assert shortlist.plan is not None
    assert shortlist.runs == shortlist.plan.recommended.copies + 2
    assert shortlist.minutes == 5 * shortlist.runs + 10


def test_who_plays_no_bow_has_no_runs_of_it() -> None:
    shortlist = propose(outlook([5.0], answers=Answers(Instrument.VIOLIN, plays_no_bow=True)), priced(1000))
    assert shortlist.plan is not None
    assert shortlist.runs == shortlist.plan.recommended.copies


@pytest.mark.parametrize(
    ("minutes", "copies", "limited"), [(39, 3, True), (35, 3, True), (34.9, 2, True), (5, 1, True), (300, 6, False)]
)
def test_time_limits_the_bows_and_says_so(minutes: float, copies: int, limited: bool) -> None:
    shortlist = propose(outlook([5.0]), priced(1000), minutes=minutes, carry_cost=0.0)
    assert shortlist.plan is not None
    assert (shortlist.plan.recommended.copies, shortlist.limited_by_time) == (copies, limited)
    assert len(shortlist.plan.rows) == 6


def test_with_little_time_the_own_bow_is_rated_once_and_with_none_one_bow_is_planned_and_that_is_said() -> None:
    none, tight, enough = (
        propose(outlook([5.0]), priced(1000), minutes=minutes, carry_cost=2.0) for minutes in (19.9, 20, 25)
    )
    assert (none.runs, none.minutes, none.limited_by_time) == (2, 20, True)
    assert (tight.runs, tight.minutes, tight.limited_by_time) == (2, 20, False)
    assert (enough.runs, enough.minutes, enough.limited_by_time) == (3, 25, False)


@pytest.mark.parametrize("better", [0.1, 0.5, 2.5])
def test_a_step_up_is_at_most_one_copy_beside_two_of_the_best_fit_however_much_better_it_is(better: float) -> None:
    shortlist = propose(outlook([4.0, 4.0 + better]), priced(1000, 1100), budget=1000, carry_cost=0.0)
    assert shortlist.plan is not None
    for row in shortlist.plan.rows:
        within, beyond = row.allocation
        assert beyond == 0 or (beyond == 1 and within >= 2)
    assert shortlist.plan.recommended.allocation[1] == 1


# Stock


def test_the_best_copies_at_hand_are_brought_best_first_over_all_tiers() -> None:
    case = outlook([5.0, 5.2])
    held = stock([0, 1, 0, 1, 0], [0.5, -0.1, 0.9, 0.4, -2.0])
    shortlist = propose(case, priced(1000, 1100), budget=1000, stock=held, carry_cost=0.01)
    assert shortlist.plan is not None
    # Expectations: s2 5.9, s3 5.6, s0 5.5, s1 5.1, s4 3.0.
    assert shortlist.plan.recommended.allocation == (2, 1)
    assert shortlist.bring == ("s2", "s3", "s0")


def test_a_tier_without_a_copy_at_hand_keeps_its_place_and_what_is_short_is_told() -> None:
    case = outlook([5.0, 5.2])
    shortlist = propose(case, priced(1000, 1100), budget=1000, stock=stock([0, 0, 0], [0.0, 0.1, 0.2]))
    unknown = propose(case, priced(1000, 1100), budget=1000)
    copies = {entry.tier: entry.copies for entry in shortlist.entries}
    assert copies["t1"] == 0
    assert len(shortlist.bring) == copies["t0"] > 0
    wanted = {entry.tier: entry.copies for entry in unknown.entries}
    assert wanted["t1"] > 0
    assert dict(shortlist.short_of_stock) == {
        tier: count - held for tier, count, held in (("t0", wanted["t0"], 3), ("t1", wanted["t1"], 0)) if count > held
    }


def test_where_nothing_of_the_list_is_at_hand_the_plan_is_of_unknown_copies() -> None:
    case = outlook([5.0, 3.0])
    shortlist = propose(case, priced(1000, 900), stock=stock([1, 1], [0.0, 0.0]))
    assert shortlist.plan == propose(case, priced(1000, 900)).plan
    assert shortlist.bring == ()
    assert dict(shortlist.short_of_stock) == {"t0": shortlist.entries[0].copies}


def test_with_more_at_hand_than_is_wanted_nothing_is_short() -> None:
    assert dict(propose(outlook([5.0]), priced(1000), stock=stock([0] * 9, [0.0] * 9)).short_of_stock) == {}


# Always


@pytest.mark.parametrize("seed", range(30))
def test_whatever_the_outlook_the_list_hangs_together(seed: int) -> None:
    rng = np.random.default_rng(seed)
    T = int(rng.integers(1, 12))
    root = rng.normal(0, 0.3, (T, T + 1))
    cov = root @ root.T + rng.choice([0.0, 0.4])
    owns: list[Yardstick] = [
        KnownBow.none(T),
        KnownBow(4.0, 4.2, np.full(T, 0.02)),
        UnratedBow(4.5, cov @ np.full(T, 0.1), 2.0 + cov.max(), 0.5),
    ]
    case = outlook(rng.uniform(3, 6, T), owns[seed % 3], cov)
    prices = priced(*rng.choice(np.arange(500, 4000, 250), T))
    budget = float(rng.uniform(400, 4000))
    held = stock(rng.integers(0, T, 8).tolist(), rng.normal(0, 0.3, 8).tolist())
    shortlist = propose(
        case, prices, budget=budget, minutes=float(rng.uniform(10, 80)), stock=held if seed % 2 else None
    )
    assert shortlist.plan is not None
    assert sum(entry.copies for entry in shortlist.entries) == shortlist.plan.recommended.copies
    assert (
        len({entry.tier for entry in shortlist.entries})
        == len({e.role for e in shortlist.entries})
        == len(shortlist.entries)
    )
    assert [entry.role for entry in shortlist.entries] == [role for role in Role if role in roles(shortlist).values()]
    assert len(shortlist.bring) in (0, shortlist.plan.recommended.copies)
    for entry in shortlist.entries:
        assert entry.price == prices[entry.tier]
        assert shortlist.over_budget or entry.price <= budget * (1.15 if entry.role is Role.STEP_UP else 1.0)
        assert 1 <= entry.low <= entry.expected <= entry.high <= 7


@pytest.mark.parametrize(
    "change",
    [
        {"budget": 0.0},
        {"budget": math.nan},
        {"stretch": -0.1},
        {"minutes": 0.0},
        {"carry_cost": -1.0},
        {"value_loss": math.inf},
    ],
)
def test_a_number_out_of_range_is_refused_by_name(change: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=f"{next(iter(change))}: got"):
        propose(outlook([5.0]), priced(1000), **change)  # type: ignore[arg-type]  # one keyword of several


def test_a_price_of_nothing_is_refused_by_its_tier() -> None:
    with pytest.raises(ValueError, match="price of t0: got 0"):
        propose(outlook([5.0]), priced(0))
