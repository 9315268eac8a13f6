"""What a player can be offered, and what is proposed: records, no sums."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType

from model.domain.vocabulary import Place, Role
from model.trial.apart import Apart
from model.trial.case import Case
from model.trial.reasons import Reason
from model.trial.verdict import Verdict, VerdictCode

STRETCH = 0.15
"""How far beyond the budget one bow may go where the player did not say."""
CARRY_COST: Mapping[Place, float] = MappingProxyType({Place.SHOP: 0.01, Place.POST: 0.03})
"""What one more bow costs, in points: five minutes in the shop, a parcel by post (judgements)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What the player can be offered.

    Attributes
    ----------
    prices : by tier slug, in the one currency that the player pays in; a tier without a price there is left out.
    budget : most that the player wants to pay, in that currency; None: not said.
    stretch : share of the budget by which one bow may go beyond it; None: `STRETCH`.
    minutes : time for the trial; None: no limit. One bow is planned however short it is.
    place : where it is.
    carry_cost : of one more bow, in points; None: what is usual at that place.
    at_hand : serials of the copies that can be brought; None: not known, and any number of any tier can.
    noted : the tiers of which the maker says something.
    """

    prices: Mapping[str, float]
    budget: float | None = None
    stretch: float | None = None
    minutes: float | None = None
    place: Place = Place.SHOP
    carry_cost: float | None = None
    at_hand: frozenset[str] | None = None
    noted: frozenset[str] = frozenset()

    def __post_init__(self) -> None:
        for value, where, above_zero in (
            *((price, f"price of {tier}", True) for tier, price in self.prices.items()),
            (self.budget, "budget", True),
            (self.minutes, "minutes", True),
            (self.stretch, "stretch", False),
            (self.carry_cost, "carry_cost", False),
        ):
            if value is not None and not (math.isfinite(value) and (value > 0 if above_zero else value >= 0)):
                msg = f"{where}: got {value}, expected a number {'above 0' if above_zero else 'of 0 or more'}"
                raise ValueError(msg)

    @property
    def limit(self) -> float:
        """The highest price in reach."""
        return math.inf if self.budget is None else self.budget * (1 + self._stretch)

    @property
    def _stretch(self) -> float:
        return STRETCH if self.stretch is None else self.stretch

    @property
    def cost(self) -> float:
        """What one more bow costs, in points."""
        return CARRY_COST[self.place] if self.carry_cost is None else self.carry_cost


@dataclass(frozen=True, slots=True)
class Entry:
    """A tier's place in the shortlist.

    Attributes
    ----------
    tier, price, role : its slug, what the player pays, its place.
    expected, low, high, level : overall mark that the player would give to a copy not yet played, and its likely whole marks, from the
        lowest to the highest, with their probability.
    beats_own_bow : probability that a copy not yet played is truly liked better than the own bow.
    copies : how many of the case are of this tier; may be 0.
    at_hand : how many can be had; None where that is not known.
    best_at_hand : the same probability of the one at hand that is expected to be liked most; None where none is known.
    mass_g : what its bows typically weigh, None where the bench has not measured.
    reasons : never empty. weaknesses : at what the player asked for.
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
    at_hand: int | None
    mass_g: float | None
    reasons: tuple[Reason, ...]
    weaknesses: tuple[Reason, ...]
    best_at_hand: float | None = None


@dataclass(frozen=True, slots=True)
class More:
    """What so much more money would buy beside the best fit: the tier, and by how many points it is liked better; None: none better."""

    amount: float
    tier: str | None
    points: float


class Ends(StrEnum):
    """Why the rows end: more bows nobody keeps apart; there are no more; there are, but of a fourth tier or beyond the budget."""

    BOWS = "bows"
    STOCK = "stock"
    TIERS = "tiers"


NOTHING = Verdict(VerdictCode.ASK, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Proposal:
    """What is proposed to the player.

    Attributes
    ----------
    verdict : ask where no tier suits and has a price, or nothing can be brought.
    entries : the listed tiers; without a budget in order of price, else the best fit first.
    case : None with nothing to bring.
    bring : serials of the copies to bring, the one expected to be liked most first; empty where no stock is known.
    runs, minutes : length of the trial, the own bow's runs counted; 0 without bows.
    limited_by_time : more bows would be recommended if there were time.
    over_budget : nothing fits the budget and its stretch, and the nearest tier by price is shown.
    beyond_budget : only the stretch has anything.
    missing : so many bows more would be brought, for a comparison, if they were at hand.
    ends : why there is no row of more bows.
    loved, rejected : serials of what the player rated above the own bow and can be had, and clearly below it.
    more : what more money would buy; None without a best fit.
    considered : how many tiers suit the player and have a price.
    allocation : number of bows by tier.
    apart : how copies of one tier to bring differ.
    """

    verdict: Verdict = NOTHING
    entries: tuple[Entry, ...] = ()
    case: Case | None = None
    bring: tuple[str, ...] = ()
    runs: int = 0
    minutes: int = 0
    limited_by_time: bool = False
    over_budget: bool = False
    beyond_budget: bool = False
    missing: int = 0
    ends: Ends | None = None
    loved: tuple[str, ...] = ()
    rejected: tuple[str, ...] = ()
    more: More | None = None
    considered: int = 0
    allocation: Mapping[str, int] = field(default_factory=lambda: MappingProxyType({}))
    apart: tuple[Apart, ...] = ()
