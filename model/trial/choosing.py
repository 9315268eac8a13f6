"""What is chosen for one player before it is explained: the market, the bows that may come, the case and the verdict on it."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from scipy.special import ndtr

from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Run, mean_overall
from model.domain.vocabulary import Role
from model.preference import LIKING, CopyPosterior, Player, copy_posterior, level_to_beat
from model.trial import case as cases
from model.trial import shortlist
from model.trial.case import MOST_BOWS, Candidates, Cases
from model.trial.joint import JointPosterior
from model.trial.law import joint_law, of_copies, of_unknown_copies
from model.trial.offer import Offer
from model.trial.shortlist import Market
from model.trial.verdict import NOTICEABLE, VerdictCode, code_of

MINUTES_A_RUN, MINUTES_BESIDES = 5, 10
"""About five minutes a bow (common practice, no source), and what unpacking and talking take."""
OWN_BOW_RUNS = 2
"""The own bow is rated twice, inside the order and at the end; once where there is no time for more."""
MOST_CANDIDATES = 40
CLEARLY = 1.0
"""A bow rated so many points below the own bow was rated clearly below it: one step of the scale."""


@dataclass(frozen=True, slots=True)
class CandidateBows:
    """The candidates by name (None: copies not yet played), and the cases that can be made of them."""

    serials: tuple[str | None, ...]
    cases: Cases

    @property
    def tier(self) -> Ints:
        """(n,) each one's tier, as a place in the market."""
        return self.cases.of.tier


@dataclass(frozen=True, slots=True)
class ChosenCase:
    """The case and what it was chosen from; tiers are places in the market, cheapest first.

    Attributes
    ----------
    market : the priced tiers.
    steps : of the ladder, by role; empty with a budget.
    bows : the candidates.
    case : places among them, in the order in which they were found.
    limit : most bows that there is time for.
    own_runs : how often the own bow is played.
    """

    market: Market
    steps: Mapping[Role, int]
    bows: CandidateBows
    case: tuple[int, ...]
    limit: int
    own_runs: int

    @property
    def tiers(self) -> list[int]:
        """The tier of each bow of the case."""
        return [int(self.bows.tier[bow]) for bow in self.case]

    def leading_tier(self) -> int | None:
        """Return the tier that leads the list: of the case's the one that fits best; without a budget the one liked most."""
        if self.steps:
            listed = shortlist.ladder_listed(self.market, list(dict.fromkeys(self.tiers)), self.steps)
            return next((place for role, place in listed if role is Role.MOST_LIKED), None)
        return shortlist.best_fit(self.market, self.tiers)


@dataclass(frozen=True, slots=True)
class Choice:
    """What is decided, without what is said of it.

    Attributes
    ----------
    verdict : the headline.
    first_tier : slug of the tier that leads the list; empty where there is none.
    chance : that one bow of the case is truly liked better than the own bow; 0 without a case.
    bring : serials of the bows; empty where no stock is known.
    allocation : number of bows by tier.
    """

    verdict: VerdictCode = VerdictCode.ASK
    first_tier: str = ""
    chance: float = 0.0
    bring: frozenset[str] = frozenset()
    allocation: Mapping[str, int] = field(default_factory=dict)


class Choosing:
    """The steps from a player to a case.

    Parameters
    ----------
    player : before the model, own ratings in.
    runs : the bows this player has rated.
    stock : of the same player, where that is known already.
    joint : law of the tiers and the own bow, where that is known already.
    """

    def __init__(
        self,
        player: Player,
        runs: Sequence[Run],
        offer: Offer,
        stock: CopyPosterior | None = None,
        joint: JointPosterior | None = None,
    ) -> None:
        self.player, self.offer, self._told = player, offer, stock
        self.suited, self.no_own = player.suited, player.answers.plays_no_bow
        self.joint: JointPosterior = joint or joint_law(player, LIKING)
        self.marks = {copy: mark for copy, mark in mean_overall(runs).items() if copy is not None}
        slugs = [tier.slug for tier in self.suited.tiers]
        tier = np.array([t for t, slug in enumerate(slugs) if slug in offer.prices], dtype=np.intp)
        price = np.array([offer.prices[slugs[t]] for t in tier], dtype=np.float64)
        order = np.lexsort((tier, price))
        self.tier, self.price = tier[order], price[order]
        self._place = np.full(len(slugs), -1, dtype=np.intp)
        self._place[self.tier] = np.arange(len(tier))

    # The market and its bows

    def slug(self, place: int) -> str:
        """Return a tier's slug."""
        return self.suited.tiers[int(self.tier[place])].slug

    @property
    def hand(self) -> frozenset[str]:
        """The serials at hand, none where that is not known."""
        return self.offer.at_hand or frozenset()

    @cached_property
    def own_level(self) -> float:
        """What a tried bow is compared with: the own bow's mark, else what is expected of it."""
        given = level_to_beat(self.player.answers)
        return float(self.joint.bows_mean[0]) if given is None else given

    def is_rejected(self, serial: str) -> bool:
        """Return whether the player rated a bow clearly below the own one."""
        return self.marks.get(serial, math.inf) <= self.own_level - CLEARLY

    @cached_property
    def stock(self) -> Ints:
        """The places among the suited copies of those at hand that are priced."""
        suited, hand = self.suited, self.hand
        held = np.fromiter(map(hand.__contains__, suited.serials), dtype=bool, count=len(suited.serials))
        return np.flatnonzero(held & (self._place[suited.tier_of] >= 0)) if len(held) else np.zeros(0, dtype=np.intp)

    @cached_property
    def stock_tier(self) -> Ints:
        """Each one's tier, as a place in the market."""
        return np.asarray(self._place[self.suited.tier_of[self.stock]])

    @cached_property
    def stock_marks(self) -> Floats:
        """What the player marked each with overall, NaN where it was not tried."""
        of_all = np.full(len(self.suited.serials), np.nan)
        for serial, mark in self.marks.items():
            if serial in self.suited.place:
                of_all[self.suited.place[serial]] = mark
        return of_all[self.stock]

    @cached_property
    def held(self) -> Ints:
        """How many bows of each tier are at hand."""
        return np.bincount(self.stock_tier, minlength=len(self.tier))

    @cached_property
    def suitable(self) -> Ints:
        """How many of each tier the player has not rated clearly below the own bow."""
        liked = ~(self.stock_marks <= self.own_level - CLEARLY)
        return np.bincount(self.stock_tier[liked], minlength=len(self.tier))

    @cached_property
    def beyond_budget(self) -> bool:
        """Whether only the stretch has anything."""
        return bool(self._reach.any() and not (self._reach & (self.price <= self._budget)).any())

    @property
    def _budget(self) -> float:
        return math.inf if self.offer.budget is None else self.offer.budget

    @cached_property
    def _reach(self) -> Flags:
        to_be_had = np.ones(len(self.tier), dtype=bool) if self.offer.at_hand is None else self.suitable > 0
        return np.asarray((self.price <= self.offer.limit + 1e-9) & to_be_had)

    @cached_property
    def market(self) -> Market:
        """The priced tiers."""
        within = self.price <= (self.offer.limit + 1e-9 if self.beyond_budget else self._budget)
        of = np.ix_(self.tier, self.tier)
        return Market(self.tier, self.price, self.joint.mean[self.tier], self.joint.cov[of], within, self._reach)

    def _bows(self, ladder: list[int]) -> CandidateBows | None:
        """Return the candidates; None where there are none."""
        if self.offer.at_hand is None:
            return self._unknown(ladder)
        market, place, mark = self.market, self.stock_tier, self.stock_marks
        wanted = mark > self.own_level
        kept = market.reach[place] & ~(mark <= self.own_level - CLEARLY)
        if ladder:
            kept &= np.isin(place, self._beside_ladder(place[wanted & kept], self.suitable, ladder))
        if not kept.any():
            return None
        stock, place, wanted = self.stock[kept], place[kept], wanted[kept]
        chosen = self._first_forty(stock, wanted)
        serials = [self.suited.serials[k] for k in stock[chosen]]
        of = Candidates(place[chosen], ~market.within[place[chosen]], wanted[chosen])
        return CandidateBows(tuple(serials), Cases(of_copies(self.player, LIKING, serials), of))

    def _beside_ladder(self, loved: Ints, suitable: Ints, ladder: Sequence[int]) -> list[int]:
        """Return the tiers a case without a budget may come from: the ladder's, those of bows rated above the own one, and others.

        Others, those worth their price and liked most first, as long as there are fewer than two tiers or six bows: a ladder of one
        step, or with a bow or two at hand, is no comparison.
        """
        market, tiers = self.market, list(dict.fromkeys([*ladder, *loved.tolist()]))
        others = [place for place in np.flatnonzero(market.reach).tolist() if place not in tiers]
        dear = market.passed_over()
        for place in sorted(others, key=lambda place: (bool(dear[place]), -market.mean[place])):
            if len(tiers) >= cases.AT_LEAST_TIERS and suitable[tiers].sum() >= MOST_BOWS:
                break
            tiers.append(place)
        return tiers

    def _first_forty(self, stock: Ints, wanted: Flags) -> Ints:
        """Return the candidates worth a closer look: by what each alone may win, the best of every tier among them."""
        if len(stock) <= MOST_CANDIDATES:
            return np.arange(len(stock))
        seen = (
            copy_posterior(self.player, self.joint.mean, self.joint.cov, stock)
            if self._told is None
            else self._told.at(stock)
        )
        mean = self.joint.mean[seen.tier] + seen.offset
        spread = np.hypot(seen.spread, 1e-6)
        z = (mean - np.max(mean)) / spread
        worth = spread * (z * ndtr(z) + np.exp(-z * z / 2) / math.sqrt(2 * math.pi))
        order = np.argsort(-worth, kind="stable")
        _, best_of_tier = np.unique(seen.tier[order], return_index=True)
        must = dict.fromkeys([*np.flatnonzero(wanted).tolist(), *order[best_of_tier].tolist()])
        return np.array(sorted([*must, *(k for k in order.tolist() if k not in must)][:MOST_CANDIDATES]), dtype=np.intp)

    def _unknown(self, ladder: list[int]) -> CandidateBows | None:
        """Return copies not yet played of the tiers in reach, six of each."""
        tiers = np.flatnonzero(self.market.reach).tolist()
        if not tiers:
            return None
        if ladder:
            tiers = self._beside_ladder(np.zeros(0, dtype=np.intp), np.full(len(self.tier), MOST_BOWS), ladder)
        of = self.tier[tiers]
        promise = self.joint.mean[of] + self.joint.spread[of]
        most = MOST_CANDIDATES // MOST_BOWS
        tiers = sorted(np.array(tiers)[np.argsort(-promise, kind="stable")[:most]].tolist())
        place = np.repeat(np.array(tiers, dtype=np.intp), MOST_BOWS)
        told = of_unknown_copies(self.joint, self.tier[place], self.player)
        wanted = np.zeros(len(place), dtype=bool)
        return CandidateBows((None,) * len(place), Cases(told, Candidates(place, ~self.market.within[place], wanted)))

    # The case

    def chosen(self) -> ChosenCase | None:
        """Return the case; None where there is nothing to choose from."""
        if not len(self.tier):
            return None
        steps = shortlist.ladder(self.market, self._price_weight) if self.offer.budget is None else {}
        bows = self._bows(list(steps.values()))
        if bows is None:
            return None
        own_runs = 0 if self.no_own else OWN_BOW_RUNS
        if own_runs and self._most_bows(own_runs) < 1:
            own_runs = 1
        limit = max(1, min(self._most_bows(own_runs), MOST_BOWS))
        return ChosenCase(self.market, steps, bows, tuple(self.case_of(bows, steps, limit)), limit, own_runs)

    def case_of(self, bows: CandidateBows, steps: Mapping[Role, int], limit: int) -> list[int]:
        """Return the case of the most bows that there is time for."""
        must = [steps[Role.MOST_LIKED]] if steps else []
        return bows.cases.choose(limit=limit, carry_cost=self.offer.cost, tiers=must)

    def limited_by_time(self, chosen: ChosenCase) -> bool:
        """Return whether more bows would be chosen if there were time."""
        if self._most_bows(chosen.own_runs) < 1:
            return True
        return chosen.limit < MOST_BOWS and len(self.case_of(chosen.bows, chosen.steps, MOST_BOWS)) > len(chosen.case)

    @property
    def _price_weight(self) -> float:
        """Points of liking that weigh as much as a price e times as high, as estimated from purchases and the prior."""
        return float(np.clip(self.player.posterior.keeping.price_sensitivity, 0.0, 1.0))

    def _most_bows(self, own_runs: int) -> int:
        """Return how many bows there is time for; may be 0 or less."""
        if self.offer.minutes is None:
            return MOST_BOWS
        return math.floor((self.offer.minutes - MINUTES_BESIDES) / MINUTES_A_RUN) - own_runs

    def nearest(self) -> int:
        """Return the tier that is named where there is nothing to bring."""
        within = np.flatnonzero(self.price <= self.offer.limit).tolist()
        return self.market.liked_most(within or [0])

    def choice(self) -> Choice:
        """Return what is decided."""
        if not len(self.tier):
            return Choice()
        chosen = self.chosen()
        if chosen is None:
            return Choice(first_tier=self.slug(self.nearest()))
        law = chosen.bows.cases.law
        leading = chosen.leading_tier()
        chance, clearly = (float(cases.win_probabilities(law, chosen.case, by=by)[-1]) for by in (0.0, NOTICEABLE))
        return Choice(
            verdict=code_of(clearly, len(chosen.case), self.no_own),
            first_tier="" if leading is None else self.slug(leading),
            chance=chance,
            bring=frozenset(serial for k in chosen.case if (serial := chosen.bows.serials[k]) is not None),
            allocation={self.slug(place): n for place, n in Counter(chosen.tiers).items()},
        )
