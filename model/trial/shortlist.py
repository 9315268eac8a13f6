"""Which tiers are named for a case, and in which role: a role is a place in the list, the case decides what is carried."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from model.domain.arrays import Flags, Floats, Ints
from model.domain.vocabulary import Role

ABOUT_EQUAL = 0.1
"""Of two tiers within so many points the cheaper one fits best."""
NEARLY_AS_GOOD = 0.15
"""So many points less than the best fit the best value may win, two copies of each."""
BETTER_ENOUGH = 0.2
"""A dearer tier that is better than a cheaper one with less than this is no step of the ladder."""
MOST_ENTRIES = 3


@dataclass(frozen=True, slots=True)
class Market:
    """The N priced tiers that suit, cheapest first.

    Attributes
    ----------
    tier : (N,) places in the outlook.
    price : (N,).
    mean, cov : (N,), (N, N) law of the tiers' liking.
    within : (N,) not dearer than the budget.
    reach : (N,) not dearer than the budget and its stretch, and to be had.
    """

    tier: Ints
    price: Floats
    mean: Floats
    cov: Floats
    within: Flags
    reach: Flags

    def better(self, one: int, other: int) -> float:
        """Return the probability that one tier is liked better than another; a half where they are alike."""
        variance = self.cov[one, one] + self.cov[other, other] - 2 * self.cov[one, other]
        difference = self.mean[one] - self.mean[other]
        if variance <= 1e-12:
            return 0.5 + 0.5 * float(np.sign(np.round(difference, 9)))
        return float(ndtr(difference / np.sqrt(variance)))

    def passed_over(self) -> Flags:
        """Return (N,) the tiers that are better than some cheaper one in reach with a probability below .2."""
        difference = self.mean[:, None] - self.mean
        variance = np.diag(self.cov)[:, None] + np.diag(self.cov) - 2 * self.cov
        worse = difference < ndtri(BETTER_ENOUGH) * np.sqrt(np.maximum(variance, 0.0))
        return np.asarray((worse & (self.price[:, None] > self.price) & self.reach).any(axis=1))

    def liked_most(self, among: Sequence[int]) -> int:
        """Return the tier liked most; of those that come close to it the cheapest, at one price the one that is liked more."""
        best = max(self.mean[place] for place in among)
        return min(
            (place for place in among if self.mean[place] >= best - ABOUT_EQUAL),
            key=lambda place: (self.price[place], -round(float(self.mean[place]), 9), place),
        )


def best_fit(market: Market, case: Sequence[int]) -> int:
    """Return the tier of a case that fits best within the budget."""
    return market.liked_most(_affordable(market, case))


def _affordable(market: Market, case: Sequence[int]) -> list[int]:
    return [place for place in case if market.within[place]] or list(case)


def roles(
    market: Market, case: Sequence[int], gain: dict[int, float], neighbour: int | None
) -> dict[Role | tuple[Role, int], int]:
    """Return the places of the listed tiers by role, the best fit first.

    Parameters
    ----------
    case : the tiers of the case, at least one.
    gain : by tier of the case what two copies of it are expected to win.
    neighbour : the tier to compare with where the case has but one; None where there is none.
    """
    affordable, best = _affordable(market, case), best_fit(market, case)
    found: dict[Role | tuple[Role, int], int] = {Role.BEST_FIT: best}
    cheaper = [p for p in affordable if market.price[p] < market.price[best] and gain[p] >= gain[best] - NEARLY_AS_GOOD]
    if cheaper:
        found[Role.BEST_VALUE] = min(cheaper, key=lambda place: (market.price[place], place))
    dearer = sorted(p for p in case if market.price[p] > market.price[best])
    if dearer and market.better(dearer[0], best) >= 0.5:
        found[Role.STEP_UP] = dearer[0]
    others = [place for place in case if place not in found.values()]
    if len(case) == 1 and neighbour is not None:
        others.append(neighbour)
    for number, place in enumerate(others[: MOST_ENTRIES - len(found)]):
        found[Role.CONTRAST, number] = place
    return found


def ladder(market: Market, price_weight: float) -> dict[Role, int]:
    """Return up to three steps without a budget, the cheapest first: an entry, a sensible one, the one liked most.

    ``price_weight``: points of liking that weigh as much as a price e times as high; what is sensible is judged by it. A tier that
    fills two places carries the one name: sensible before entry, liked most before sensible.
    """
    among = np.flatnonzero(market.reach & ~market.passed_over()).tolist()
    if not among:
        return {}
    most = market.liked_most(among)
    net = {place: market.mean[place] - price_weight * np.log(market.price[place]) for place in among}
    below = [place for place in among if market.price[place] < market.price[most]]
    found: dict[Role, int] = {}
    if below:
        sensible = max([*below, most], key=lambda place: (round(float(net[place]), 9), -market.price[place]))
        if below[0] != sensible:
            found[Role.ENTRY] = below[0]
        if sensible != most:
            found[Role.SENSIBLE] = sensible
    return found | {Role.MOST_LIKED: most}


def ladder_listed(market: Market, case: Sequence[int], steps: Mapping[Role, int]) -> list[tuple[Role, int]]:
    """Return the steps, tiers of the case that are none of them after that as far as there is room; in order of price.

    The one liked most has a bow: where what the player loved left it no room, it is the one liked most of the case.
    """
    most = steps[Role.MOST_LIKED]
    if most not in case:
        most = market.liked_most(case)
    lower = [(place, role) for role, place in steps.items() if role is not Role.MOST_LIKED and place != most]
    listed: dict[int, Role] = dict(lower)
    listed[most] = Role.MOST_LIKED
    for place in [place for place in case if place not in listed]:
        idle = [step for step, role in listed.items() if step not in case and role is not Role.MOST_LIKED]
        if len(listed) >= MOST_ENTRIES and idle:
            listed[place] = listed.pop(idle[0])
        else:
            listed[place] = Role.CONTRAST
    _call_steps(listed)
    return [(listed[place], place) for place in sorted(listed)][:MOST_ENTRIES]


def _call_steps(listed: dict[int, Role]) -> None:
    """Let none be called a step that is dearer than a higher one: it is there to compare with."""
    lowest = max(listed)
    for role in (Role.MOST_LIKED, Role.SENSIBLE, Role.ENTRY):
        for place in [place for place, called in listed.items() if called is role]:
            if place > lowest:
                listed[place] = Role.CONTRAST
            else:
                lowest = place


def neighbour_of(market: Market, place: int, apart: Floats) -> int | None:
    """Return the tier next in price in reach that differs most in what the player asked for: ``apart`` (N,), how much each does."""
    near = [p for p in np.flatnonzero(market.reach).tolist() if p != place]
    below = [p for p in near if market.price[p] <= market.price[place]][-1:]
    above = [p for p in near if market.price[p] > market.price[place]][:1]
    return max([*below, *above], key=lambda p: (float(apart[p]), -market.price[p]), default=None)
