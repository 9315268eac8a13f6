"""Which tiers to propose, in which roles, how many copies of each to bring, and which: an outlook with prices looked at.

The roles come first and the plan after: a role is a place in the list, only the plan decides what is carried. Everything here
is data; the words are the pages' own.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from model.choice import price_points
from model.copies import MOST_BOWS, AtHand, Plan, gain_of_each, plan
from model.outlook import Outlook, Stock
from model.vocabulary import HIGHEST, LOWEST, Criterion, Role

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Flags = NDArray[np.bool_]

LEVEL = 0.9
"""Probability that the interval of an entry holds the rating of a copy not yet played."""
SURE = 0.8
"""A strength or a weakness is told from this probability on; and a dearer tier better with less than 1 - SURE is left out."""
STRETCH = 0.15
"""How far beyond the budget a step up may go where the player did not say."""
MINUTES_A_RUN, MINUTES_BESIDES = 5, 10
"""About five minutes a bow (common practice, no source), and what unpacking and talking take."""
OWN_BOW_RUNS = 2
"""The own bow is rated twice, inside the order and at the end; once where there is no time for more."""


@dataclass(frozen=True, slots=True)
class Reason:
    """A criterion on which the tier is expected to differ from the own bow by ``effect`` points."""

    criterion: Criterion
    effect: float


@dataclass(frozen=True, slots=True)
class Entry:
    """A tier's place in the shortlist.

    Attributes
    ----------
    tier, price, role : its slug, what the player pays, its place.
    expected, low, high, level : rating u of a copy not yet played, and its interval of probability ``level``; within 1 to 7.
    beats_own_bow : probability that a copy not yet played is rated above the own bow.
    copies : how many to bring; may be 0.
    reasons, weaknesses : what is better, and what worse, than the own bow with probability .8 or more, weightiest first.
    """

    tier: str
    price: float
    role: Role
    expected: float
    low: float
    high: float
    level: float
    beats_own_bow: float
    copies: int
    reasons: tuple[Reason, ...]
    weaknesses: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Shortlist:
    """What is proposed to the player.

    Attributes
    ----------
    entries : best fit, best value, step up, as far as a tier fills the role; empty where no tier suits and has a price.
    plan : over the tiers of ``entries``, in their order; None without entries.
    bring : serials of the copies to bring, best first; empty where no copy of these tiers is known to be at hand.
    runs, minutes : length of the trial, the own bow's runs counted; 0 where no bow is worth bringing.
    limited_by_time : more bows would be recommended if there were time, or there is no time even for one.
    over_budget : nothing fits the budget, and the nearest tier by price is shown.
    short_of_stock : tier -> how many more copies the plan would bring if they were at hand.
    considered : how many tiers suit the player and have a price.
    """

    entries: tuple[Entry, ...] = ()
    plan: Plan | None = None
    bring: tuple[str, ...] = ()
    runs: int = 0
    minutes: int = 0
    limited_by_time: bool = False
    over_budget: bool = False
    short_of_stock: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    considered: int = 0


@dataclass(frozen=True, slots=True)
class _Market:
    """The priced tiers: ``tier`` index in the outlook, price, expected gain of two copies, the same net of price, who stays; (N,) each."""

    tier: Ints
    price: Floats
    gain: Floats
    net: Floats
    kept: Flags


def _check(value: float | None, where: str, *, above_zero: bool) -> None:
    if value is None:
        return
    if not math.isfinite(value) or value < 0 or (above_zero and value == 0):
        msg = f"{where}: got {value}, expected a number {'above 0' if above_zero else 'of 0 or more'}"
        raise ValueError(msg)


def _left_out(mean: Floats, cov: Floats, price: Floats) -> Flags:
    """Mark the tiers that are better than some cheaper one with a probability below 0.2: (N,)."""
    difference = mean[:, None] - mean
    deviation = np.sqrt(np.maximum(np.diag(cov)[:, None] + np.diag(cov) - 2 * cov, 0.0))
    worse = difference < ndtri(1 - SURE) * deviation
    return np.asarray((worse & (price[:, None] > price)).any(axis=1))


def _market(outlook: Outlook, prices: Mapping[str, float], budget: float | None) -> _Market:
    """Look up the prices of the outlook's tiers, and weigh them: against the budget, else against the median price."""
    tier = np.array([t for t, each in enumerate(outlook.tiers) if each.slug in prices], dtype=np.intp)
    for t in tier:
        _check(prices[outlook.tiers[t].slug], f"price of {outlook.tiers[t].slug}", above_zero=True)
    price = np.array([prices[outlook.tiers[t].slug] for t in tier], dtype=np.float64)
    mean, cov = outlook.mean[tier], outlook.cov[np.ix_(tier, tier)]
    if not len(tier):
        return _Market(tier, price, price, price, np.zeros(0, dtype=bool))
    own = outlook.yardstick.take(tier, outlook.cov)
    gain = gain_of_each(mean, cov, outlook.spread[tier], own, outlook.noise)
    cost = price_points(outlook.price_weight, price, budget or float(np.median(price)))
    net = gain if not cost.any() else gain_of_each(mean - cost, cov, outlook.spread[tier], own, outlook.noise)
    return _Market(tier, price, gain, net, ~_left_out(mean, cov, price))


def _first(among: Flags, *keys: Floats) -> int | None:
    """Return the first of those marked by the first key, ties by the next ones; None where none is marked."""
    places = np.flatnonzero(among)
    if not len(places):
        return None
    return int(places[np.lexsort([key[places] for key in reversed(keys)])[0]])


def _probability_better(outlook: Outlook, one: int, other: int) -> float:
    """Return the probability that the mean of tier ``one`` is above that of ``other``; a half where they are alike."""
    variance = outlook.cov[one, one] + outlook.cov[other, other] - 2 * outlook.cov[one, other]
    difference = outlook.mean[one] - outlook.mean[other]
    if variance <= 0:
        return 0.5 + 0.5 * float(np.sign(difference))
    return float(ndtr(difference / math.sqrt(variance)))


def _roles(outlook: Outlook, market: _Market, budget: float, stretch: float, value_loss: float) -> dict[Role, int]:
    """Return the place in the market of each role that a tier within the budget fills; empty where none fits."""
    price, gain = market.price, market.gain
    affordable = market.kept & (price <= budget)
    best = _first(affordable, -market.net, price)
    if best is None:
        return {}
    roles = {Role.BEST_FIT: best}
    value = _first(affordable & (gain >= gain[best] - value_loss) & (price < price[best]), price, -gain)
    if value is not None:
        roles[Role.BEST_VALUE] = value
    above = _first(market.kept & (price > price[best]) & (price <= budget * (1 + stretch)), price, -gain)
    if above is not None and _probability_better(outlook, int(market.tier[above]), int(market.tier[best])) >= 0.5:
        roles[Role.STEP_UP] = above
    return roles


def _nearest(market: _Market) -> int:
    """Return the place in the market of the cheapest tier; nothing is cheaper, so it is never left out."""
    return int(np.lexsort([-market.gain, market.price])[0])


def _at_hand(stock: Stock, tier: int) -> Ints:
    """Return the places in the stock of a tier's copies, best expectation first."""
    places = np.flatnonzero(stock.tier == tier)
    return np.asarray(places[np.argsort(-stock.offset[places], kind="stable")][:MOST_BOWS], dtype=np.intp)


@dataclass(frozen=True, slots=True)
class _Case:
    """The plan, and what it means for the stock: ``short`` and ``copies`` by place in the shortlist."""

    plan: Plan
    bring: tuple[str, ...]
    short: tuple[int, ...]


def _planned(
    outlook: Outlook,
    tiers: Ints,
    cost: Floats,
    guest: int | None,
    limit: int,
    carry_cost: float,
    stock: Stock | None,
) -> _Case:
    """Plan over the shortlisted tiers, best fit first, from the stock where it is known and holds any of them."""
    own = outlook.yardstick.take(tiers, outlook.cov)
    law = (outlook.mean[tiers], outlook.cov[np.ix_(tiers, tiers)], outlook.spread[tiers], own, outlook.noise)
    terms: dict[str, Any] = {
        "limit": limit,
        "carry_cost": carry_cost,
        "guest": guest,
        "cost": cost if cost.any() else None,
    }
    unknown = plan(*law, **terms)
    if stock is None:
        return _Case(unknown, (), (0,) * len(tiers))
    places = [_at_hand(stock, int(tier)) for tier in tiers]
    wanted = unknown.recommended.allocation
    short = tuple(max(0, want - len(held)) for want, held in zip(wanted, places, strict=True))
    if not any(len(held) for held in places):
        return _Case(unknown, (), short)
    named = plan(
        *law,
        **terms,
        stock=[AtHand(stock.offset[held], stock.spread[held]) for held in places],
    )
    chosen = np.concatenate([held[:n] for held, n in zip(places, named.recommended.allocation, strict=True)])
    order = np.argsort(-(outlook.mean[stock.tier[chosen]] + stock.offset[chosen]), kind="stable")
    return _Case(named, tuple(stock.serials[place] for place in chosen[order]), short)


def _reasons(outlook: Outlook, tier: int, sign: int) -> tuple[Reason, ...]:
    """Return the criteria on which the tier is better (1) or worse (-1) with probability .8 or more, weightiest first."""
    effect = sign * outlook.advantage_mean[tier]
    sure = (effect > 0) & (effect >= ndtri(SURE) * outlook.advantage_sd[tier])
    weight = np.where(sure, outlook.weights * effect, -np.inf)
    order = np.argsort(-weight, kind="stable")[: int(sure.sum())]
    return tuple(Reason(outlook.criteria[c], float(sign * effect[c])) for c in order)


def _entry(outlook: Outlook, tier: int, price: float, role: Role, copies: int) -> Entry:
    reach = ndtri((1 + LEVEL) / 2) * outlook.fit_sd[tier]
    expected, low, high = np.clip(outlook.fit_mean[tier] + np.array([0.0, -reach, reach]), LOWEST, HIGHEST)
    return Entry(
        tier=outlook.tiers[tier].slug,
        price=price,
        role=role,
        expected=float(expected),
        low=float(low),
        high=float(high),
        level=LEVEL,
        beats_own_bow=float(outlook.beats_own_bow[tier]),
        copies=copies,
        reasons=_reasons(outlook, tier, 1),
        weaknesses=_reasons(outlook, tier, -1),
    )


def _entries(
    outlook: Outlook, market: _Market, roles: Mapping[Role, int], copies: tuple[int, ...]
) -> tuple[Entry, ...]:
    return tuple(
        _entry(outlook, int(market.tier[place]), float(market.price[place]), role, count)
        for (role, place), count in zip(roles.items(), copies, strict=True)
    )


def _most_bows(minutes: float | None, own_runs: int) -> int:
    """Return how many bows there is time for; may be 0 or less."""
    if minutes is None:
        return MOST_BOWS
    return math.floor((minutes - MINUTES_BESIDES) / MINUTES_A_RUN) - own_runs


def propose(
    outlook: Outlook,
    prices: Mapping[str, float],
    *,
    budget: float | None = None,
    stretch: float | None = None,
    minutes: float | None = None,
    carry_cost: float = 0.05,
    value_loss: float = 0.15,
    stock: Stock | None = None,
) -> Shortlist:
    """Choose the tiers, their roles, and the copies to bring.

    Parameters
    ----------
    outlook : what the player is expected to feel about the tiers that suit.
    prices : by tier slug, in the one currency that the player pays in; a tier without a price there is left out.
    budget : most that the player wants to pay, in that currency; None: no limit.
    stretch : share of the budget by which a step up may go beyond it; None: 0.15.
    minutes : time for the trial; None: no limit. One bow is planned however short it is.
    carry_cost : what carrying one more bow costs, in points.
    value_loss : how much less gain, in points, the best value may bring than the best fit.
    stock : the copies that could be brought; None: not known.

    Returns
    -------
    The shortlist; without entries where no tier suits and has a price.

    Raises
    ------
    ValueError : a number is out of range; the sentence names it.
    """
    for value, where in ((budget, "budget"), (minutes, "minutes")):
        _check(value, where, above_zero=True)
    for value, where in ((stretch, "stretch"), (carry_cost, "carry_cost"), (value_loss, "value_loss")):
        _check(value, where, above_zero=False)
    market = _market(outlook, prices, budget)
    if not len(market.tier):
        return Shortlist()
    most_paid, beyond = math.inf if budget is None else budget, STRETCH if stretch is None else stretch
    roles = _roles(outlook, market, most_paid, beyond, value_loss)
    shown = roles or {Role.BEST_FIT: _nearest(market)}
    own_runs = 0 if outlook.answers.plays_no_bow else OWN_BOW_RUNS
    if own_runs and _most_bows(minutes, own_runs) < 1:
        own_runs = 1
    most = _most_bows(minutes, own_runs)
    limit = max(1, min(most, MOST_BOWS))
    # A step up goes beyond the budget: one copy, to hear what more buys, never a case of bows that nobody asked for.
    guest = list(shown).index(Role.STEP_UP) if Role.STEP_UP in shown else None
    places = list(shown.values())
    cost = price_points(outlook.price_weight, market.price[places], float(market.price[places[0]]))
    case = _planned(outlook, market.tier[places], cost, guest, limit, carry_cost, stock)
    # Where no bow is worth bringing there is no trial, and the own bow need not be rated in it.
    runs = case.plan.recommended.copies + own_runs if case.plan.recommended.copies else 0
    entries = _entries(outlook, market, shown, case.plan.recommended.allocation)
    return Shortlist(
        entries=entries,
        plan=case.plan,
        bring=case.bring,
        runs=runs,
        minutes=MINUTES_A_RUN * runs + MINUTES_BESIDES if runs else 0,
        limited_by_time=most < 1 or case.plan.unlimited.copies > case.plan.recommended.copies,
        over_budget=not roles,
        short_of_stock=MappingProxyType({e.tier: n for e, n in zip(entries, case.short, strict=True) if n}),
        considered=len(market.tier),
    )
