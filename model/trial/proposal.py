"""One player's answer: the case from the bows at hand, the verdict, the list, and why; an outlook with prices looked at.

The case comes first, then what it means, then the tiers that are named for it. Without a budget the steps of a ladder come first and
the case from their tiers. Everything here is data; the words are the pages' own.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.special import ndtr, ndtri

from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Answers, Run
from model.domain.vocabulary import HIGHEST, LOWEST, Criterion, Role
from model.preference.catalogue import View
from model.preference.player import Player
from model.preference.predict import LIKING, of_player
from model.preference.prediction import Outlook
from model.preference.yardstick import NO_BOW_LEVEL
from model.trial import case as cases
from model.trial import reasons as why
from model.trial import shortlist
from model.trial.case import MOST_BOWS, Candidates, Case
from model.trial.joint import Here
from model.trial.law import Law, joint_law, of_copies, of_unknown_copies
from model.trial.offer import Ends, Entry, More, Offer, Proposal
from model.trial.reasons import Reason
from model.trial.shortlist import MOST_ENTRIES, Market
from model.trial.verdict import CURIOUS_FROM, NOTICEABLE, Verdict, VerdictCode, code_of

LEVEL = 0.9
"""Probability that the interval of an entry holds the rating of a copy not yet played."""
MINUTES_A_RUN, MINUTES_BESIDES = 5, 10
"""About five minutes a bow (common practice, no source), and what unpacking and talking take."""
OWN_BOW_RUNS = 2
"""The own bow is rated twice, inside the order and at the end; once where there is no time for more."""
MOST_CANDIDATES = 40
CLEARLY = 1.0
"""A bow rated so many points below the own bow was rated clearly below it: one step of the scale."""
COPIES_AT_A_PRICE = 3
"""So many bows of a dearer tier are looked at where a budget decides against a trial."""


def propose(player: Player, outlook: Outlook, runs: Sequence[Run], offer: Offer, *, explained: bool = True) -> Proposal:
    """Choose the bows to bring, say whether that is worth it, and name the tiers.

    Parameters
    ----------
    player : before the model, own ratings in.
    outlook : of the same player.
    runs : the bows this player has rated.
    explained : with reasons and weaknesses; without where only the choice is asked for.
    """
    return _Proposing(player, outlook, runs, offer, explained).proposal()


def proposal_for(view: View, answers: Answers, runs: Sequence[Run], offer: Offer) -> Proposal:
    """Return what is proposed to a player of these answers, who has rated these bows; raises as `personal.outlook`."""
    player = Player(view, answers, runs)
    return propose(player, of_player(player), runs, offer)


@dataclass(frozen=True, slots=True)
class _Bows:
    """The candidates by name (None: copies not yet played), with the law of their likings."""

    serials: tuple[str | None, ...]
    of: Candidates
    told: Law


class _Proposing:
    """The steps from a player to a proposal; tiers are places in the market, cheapest first."""

    def __init__(self, player: Player, outlook: Outlook, runs: Sequence[Run], offer: Offer, explained: bool) -> None:
        self.player, self.outlook, self.offer, self.explained = player, outlook, offer, explained
        self.no_own = player.answers.plays_no_bow
        self.joint: Here = joint_law(player, LIKING)
        self.marks = _marks(runs)
        tier = np.array([t for t, each in enumerate(outlook.tiers) if each.slug in offer.prices], dtype=np.intp)
        price = np.array([offer.prices[outlook.tiers[t].slug] for t in tier], dtype=np.float64)
        order = np.lexsort((tier, price))
        self.tier, self.price = tier[order], price[order]
        self.at = {int(t): place for place, t in enumerate(self.tier)}

    # The market and its bows

    @property
    def own_level(self) -> float:
        """What a tried bow is compared with: the own bow's mark, else what is expected of it."""
        if self.no_own:
            return NO_BOW_LEVEL
        bow = self.player.answers.own_bow
        rated = bow.ratings.get(Criterion.OVERALL) if bow else None
        return float(self.joint.bows_mean[0]) if rated is None else float(rated)

    def _stock(self) -> Ints:
        """Return the places in the outlook's stock of the bows at hand that are priced."""
        stock, hand = self.outlook.stock, self.offer.at_hand or frozenset()
        kept = [k for k, serial in enumerate(stock.serials) if serial in hand and int(stock.tier[k]) in self.at]
        return np.array(kept, dtype=np.intp)

    def proposal(self) -> Proposal:
        """Return the whole."""
        if not len(self.tier):
            return Proposal()
        stock = self._stock()
        held = np.bincount([self.at[int(t)] for t in self.outlook.stock.tier[stock]], minlength=len(self.tier))
        budget = math.inf if self.offer.budget is None else self.offer.budget
        limit = self.offer.limit + 1e-9
        suitable = self._suitable(stock)
        to_be_had = np.ones(len(self.tier), dtype=bool) if self.offer.at_hand is None else suitable > 0
        within, reach = self.price <= budget, (self.price <= limit) & to_be_had
        beyond_budget = bool(reach.any() and not (within & reach).any())
        if beyond_budget:
            within = self.price <= limit
        of = np.ix_(self.tier, self.tier)
        market = Market(self.tier, self.price, self.joint.mean[self.tier], self.joint.cov[of], within, reach)
        steps = shortlist.ladder(market, self._price_weight) if self.offer.budget is None else {}
        bows = self._bows(market, stock, suitable, list(steps.values()))
        if bows is None:
            return self._nothing(market, held)
        return self._with_case(market, bows, held, steps, beyond_budget)

    @property
    def _price_weight(self) -> float:
        """Points of liking that weigh as much as a price e times as high, as outcomes and the belief before them have it."""
        return float(np.clip(self.player.posterior.keeping.price_sensitivity, 0.0, 1.0))

    def _suitable(self, stock: Ints) -> Ints:
        """Return by tier how many bows at hand the player has not rated clearly below the own bow."""
        liked = [k for k in stock.tolist() if not self._is_rejected(self.outlook.stock.serials[k])]
        of = [self.at[int(t)] for t in self.outlook.stock.tier[liked]]
        return np.bincount(np.array(of, dtype=np.intp), minlength=len(self.tier))

    def _is_rejected(self, serial: str) -> bool:
        return self.marks.get(serial, math.inf) <= self.own_level - CLEARLY

    def _bows(self, market: Market, stock: Ints, suitable: Ints, ladder: list[int]) -> _Bows | None:
        """Return the candidates; None where there are none."""
        if self.offer.at_hand is None:
            return self._unknown(market, ladder)
        seen, place = self.outlook.stock, np.array([self.at[int(t)] for t in self.outlook.stock.tier[stock]], dtype=int)
        mark = np.array([self.marks.get(seen.serials[k], np.nan) for k in stock])
        wanted = mark > self.own_level
        kept = market.reach[place.astype(np.intp)] & ~(mark <= self.own_level - CLEARLY) if len(stock) else wanted
        if ladder:
            kept &= np.isin(place, self._beside_ladder(market, place[wanted & kept], suitable, ladder))
        if not kept.any():
            return None
        stock, place, wanted = stock[kept], place[kept].astype(np.intp), wanted[kept]
        chosen = self._first_forty(stock, wanted)
        serials = [seen.serials[k] for k in stock[chosen]]
        of = Candidates(place[chosen], ~market.within[place[chosen]], wanted[chosen])
        return _Bows(tuple(serials), of, of_copies(self.player, LIKING, serials))

    def _beside_ladder(self, market: Market, loved: Ints, suitable: Ints, ladder: Sequence[int]) -> list[int]:
        """Return the tiers a case without a budget may come from: the ladder's, those of bows rated above the own one, and others.

        Others, those worth their price and liked most first, as long as there are fewer than two tiers or six bows: a ladder of one
        step, or with a bow or two at hand, is no comparison.
        """
        tiers = list(dict.fromkeys([*ladder, *loved.tolist()]))
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
        seen = self.outlook.stock
        mean = self.outlook.mean[seen.tier[stock]] + seen.offset[stock]
        spread = np.hypot(seen.spread[stock], 1e-6)
        z = (mean - np.max(mean)) / spread
        worth = spread * (z * ndtr(z) + np.exp(-z * z / 2) / math.sqrt(2 * math.pi))
        order = np.argsort(-worth, kind="stable")
        _, best_of_tier = np.unique(seen.tier[stock][order], return_index=True)
        must = dict.fromkeys([*np.flatnonzero(wanted).tolist(), *order[best_of_tier].tolist()])
        return np.array(sorted([*must, *(k for k in order.tolist() if k not in must)][:MOST_CANDIDATES]), dtype=np.intp)

    def _unknown(self, market: Market, ladder: list[int]) -> _Bows | None:
        """Return copies not yet played of the tiers in reach, six of each."""
        tiers = np.flatnonzero(market.reach).tolist()
        if not tiers:
            return None
        if ladder:
            tiers = self._beside_ladder(market, np.zeros(0, dtype=np.intp), np.full(len(self.tier), MOST_BOWS), ladder)
        of = self.tier[tiers]
        promise = self.joint.mean[of] + self.joint.spread[of]
        most = MOST_CANDIDATES // MOST_BOWS
        tiers = sorted(np.array(tiers)[np.argsort(-promise, kind="stable")[:most]].tolist())
        place = np.repeat(np.array(tiers, dtype=np.intp), MOST_BOWS)
        told = of_unknown_copies(self.joint, self.tier[place], self.player)
        wanted = np.zeros(len(place), dtype=bool)
        return _Bows((None,) * len(place), Candidates(place, ~market.within[place], wanted), told)

    # The case and what comes of it

    def _with_case(
        self, market: Market, bows: _Bows, held: Ints, steps: Mapping[Role, int], beyond_budget: bool
    ) -> Proposal:
        own_runs = 0 if self.no_own else OWN_BOW_RUNS
        if own_runs and self._most_bows(own_runs) < 1:
            own_runs = 1
        most = self._most_bows(own_runs)
        limit = max(1, min(most, MOST_BOWS))
        must = [steps[Role.MOST_LIKED]] if steps else []
        chosen = cases.choose(bows.told, bows.of, limit=limit, carry_cost=self.offer.cost, tiers=must)
        case = self._case(bows, chosen)
        short = limit < MOST_BOWS and len(
            cases.choose(bows.told, bows.of, limit=MOST_BOWS, carry_cost=self.offer.cost, tiers=must)
        ) > len(chosen)
        runs = len(chosen) + own_runs
        code = code_of(case.clearly, len(chosen), self.no_own)
        at = self._changes_at(held) if self.explained and code is VerdictCode.KEEP else None
        vain = self.explained and code is VerdictCode.KEEP and at is None and not self._would_change(COPIES_AT_A_PRICE)
        of_tier = bows.of.tier[list(case.bows)].tolist()
        listed = self._listed(market, of_tier, steps)
        copies = {place: of_tier.count(place) for place in set(of_tier)}
        serials = [bows.serials[k] for k in sorted(case.bows, key=lambda k: -bows.told.mean[k + 1])]
        wanted = min(cases.AT_LEAST_BOWS, limit) if self.offer.at_hand is not None else 0
        return Proposal(
            verdict=Verdict(code, case.clearly, case.row.gain, at, higher_would_not=vain),
            entries=self._entries(market, listed, copies, held),
            case=case,
            bring=tuple(serial for serial in serials if serial is not None),
            runs=runs,
            minutes=MINUTES_A_RUN * runs + MINUTES_BESIDES,
            limited_by_time=most < 1 or short,
            beyond_budget=beyond_budget,
            missing=max(0, wanted - len(bows.serials)),
            ends=self._ends(case, bows),
            loved=tuple(
                serial for serial, mark in self.marks.items() if serial in self._hand and mark > self.own_level
            ),
            rejected=tuple(serial for serial in self.marks if serial in self._hand and self._is_rejected(serial)),
            more=self._more(market, listed) if self.explained else None,
            considered=len(self.tier),
            allocation=MappingProxyType({self._slug(place): n for place, n in sorted(copies.items())}),
        )

    def _most_bows(self, own_runs: int) -> int:
        """Return how many bows there is time for; may be 0 or less."""
        if self.offer.minutes is None:
            return MOST_BOWS
        return math.floor((self.offer.minutes - MINUTES_BESIDES) / MINUTES_A_RUN) - own_runs

    def _case(self, bows: _Bows, chosen: Sequence[int]) -> Case:
        path = cases.path_through(bows.told, bows.of, chosen) if self.explained else list(chosen)
        gain, chance = cases.gains(bows.told, path), cases.chances(bows.told, path)
        clearly = cases.chances(bows.told, path[: len(chosen)], by=NOTICEABLE)[-1]
        rows = tuple(cases.Row(n + 1, float(chance[n]), float(gain[n])) for n in range(len(path)))
        return Case(tuple(path[: len(chosen)]), rows, tuple(path), float(clearly))

    def _ends(self, case: Case, bows: _Bows) -> Ends:
        """Return why there is no row of more bows."""
        if len(case.path) >= MOST_BOWS:
            return Ends.BOWS
        return Ends.STOCK if len(case.path) == len(bows.serials) else Ends.TIERS

    def _changes_at(self, held: Ints) -> tuple[float, str] | None:
        """Return the lowest price beyond reach from which on bows of its tier are worth an hour, and that tier."""
        copies = None if self.offer.at_hand is None else np.minimum(held, COPIES_AT_A_PRICE)
        return self._would_change(COPIES_AT_A_PRICE if copies is None else copies)

    def _would_change(self, copies: int | Ints) -> tuple[float, str] | None:
        """Return the same with so many copies of each tier, or of every tier."""
        many = np.broadcast_to(copies, self.price.shape)
        for place in np.flatnonzero((self.price > self.offer.limit) & (many > 0)).tolist():
            law = of_unknown_copies(self.joint, np.repeat(self.tier[place], many[place]), self.player)
            if cases.chances(law, range(many[place]), by=NOTICEABLE)[-1] >= CURIOUS_FROM:
                return float(self.price[place]), self._slug(place)
        return None

    @property
    def _hand(self) -> frozenset[str]:
        return self.offer.at_hand or frozenset()

    def _nothing(self, market: Market, held: Ints) -> Proposal:
        """Return the answer where there is nothing to bring: the nearest tiers are named, none to try."""
        in_budget = np.flatnonzero(self.price <= self.offer.limit).tolist()
        over = not in_budget
        among = [0] if over else in_budget
        best = market.liked_most(among)
        apart = np.abs(market.mean - market.mean[best])
        near = [p for p in among if p != best]
        listed: list[tuple[Role, int]] = [(Role.BEST_FIT, best)]
        if near:
            listed.append((Role.CONTRAST, max(near, key=lambda p: (float(apart[p]), -p))))
        return Proposal(
            entries=self._entries(market, listed, {}, held),
            over_budget=over,
            rejected=tuple(serial for serial in self.marks if serial in self._hand and self._is_rejected(serial)),
            loved=tuple(
                serial for serial, mark in self.marks.items() if serial in self._hand and mark > self.own_level
            ),
            considered=len(self.tier),
        )

    # The list

    def _slug(self, place: int) -> str:
        return self.outlook.tiers[int(self.tier[place])].slug

    def _listed(self, market: Market, of_tier: Sequence[int], steps: Mapping[Role, int]) -> list[tuple[Role, int]]:
        case = list(dict.fromkeys(of_tier))
        if steps:
            return self._ladder_listed(market, case, steps)
        gain = {place: self._two_copies(place) for place in case}
        neighbour = None
        if len(case) == 1:
            neighbour = shortlist.neighbour_of(market, case[0], self._apart(market, case[0]))
        found = shortlist.roles(market, case, gain, neighbour)
        return [(role if isinstance(role, Role) else role[0], place) for role, place in found.items()]

    def _ladder_listed(self, market: Market, case: Sequence[int], steps: Mapping[Role, int]) -> list[tuple[Role, int]]:
        """Return the steps, tiers of the case that are none of them after that as far as there is room; in order of price.

        The one liked most has a bow: where what the player loved left it no room, it is the one liked most of the case.
        """
        most = steps[Role.MOST_LIKED]
        if most not in case:
            most = market.liked_most(case)
        listed: dict[int, Role] = {place: role for role, place in steps.items() if place != most}
        listed = {place: role for place, role in listed.items() if role is not Role.MOST_LIKED} | {
            most: Role.MOST_LIKED
        }
        others = [place for place in case if place not in listed]
        for place in others:
            idle = [step for step, role in listed.items() if step not in case and role is not Role.MOST_LIKED]
            if len(listed) >= MOST_ENTRIES and idle:
                listed[place] = listed.pop(idle[0])
            else:
                listed[place] = Role.CONTRAST
        if len(listed) == 1:
            only = next(iter(listed))
            neighbour = shortlist.neighbour_of(market, only, self._apart(market, only))
            if neighbour is not None:
                listed[neighbour] = Role.CONTRAST
        return [(listed[place], place) for place in sorted(listed)][:MOST_ENTRIES]

    def _two_copies(self, place: int) -> float:
        law = of_unknown_copies(self.joint, np.repeat(self.tier[place], 2), self.player)
        return float(cases.gains(law, [0, 1], cases.SEARCH_LOG2)[-1])

    def _apart(self, market: Market, place: int) -> Floats:
        """Return (N,) how much each tier differs from one in what the player asked for, else in the liking as a whole."""
        asked = self.player.tiers_emphasised if self.player.answers.priorities else self.joint.mean
        return np.asarray(np.abs(asked[market.tier] - asked[market.tier[place]]))

    def _entries(
        self, market: Market, listed: Sequence[tuple[Role, int]], copies: Mapping[int, int], held: Ints
    ) -> tuple[Entry, ...]:
        places = [place for _, place in listed]
        masses = self._masses({self._slug(place) for place in places})
        speaks = self._speaks(market, listed, masses) if self.explained else [((), ())] * len(listed)
        return tuple(
            self._entry(
                place,
                role,
                copies.get(place, 0),
                None if self.offer.at_hand is None else int(held[place]),
                why.typical(masses, self._slug(place)),
                *speaks[number],
            )
            for number, (role, place) in enumerate(listed)
        )

    def _speaks(
        self, market: Market, listed: Sequence[tuple[Role, int]], masses: Mapping[str, Sequence[float]]
    ) -> list[tuple[tuple[Reason, ...], tuple[Reason, ...]]]:
        """Return reasons and weaknesses of each listed tier."""
        places = [place for _, place in listed]
        differ = why.differences(self.player.with_every_mark(), self.tier[places])
        own_bow = self.player.answers.own_bow
        own_level = NO_BOW_LEVEL if self.no_own else float(self.joint.bows_mean[0])
        told = [
            why.Told(
                tier=self._slug(place),
                price=float(market.price[place]),
                has_note=self._slug(place) in self.offer.noted,
                mass_g=why.typical(masses, self._slug(place)),
                ahead=float(market.mean[place]) - own_level,
            )
            for place in places
        ]
        own_mass, asked = own_bow.mass_g if own_bow else None, self.player.answers.priorities
        return [
            (
                tuple(why.reasons(differ, number, _neighbour(listed, number), told, own_mass, self.no_own)),
                tuple(why.weaknesses(differ, number, asked, self.no_own)),
            )
            for number in range(len(listed))
        ]

    def _entry(
        self,
        place: int,
        role: Role,
        copies: int,
        at_hand: int | None,
        mass_g: float | None,
        reasons: tuple[Reason, ...],
        weaknesses: tuple[Reason, ...],
    ) -> Entry:
        t, joint = int(self.tier[place]), self.joint
        sd = math.sqrt(joint.cov[t, t] + joint.spread[t] ** 2 + joint.noise**2)
        reach = float(ndtri((1 + LEVEL) / 2)) * sd
        expected, low, high = np.clip(joint.mean[t] + np.array([0.0, -reach, reach]), LOWEST, HIGHEST).tolist()
        law = of_unknown_copies(joint, np.array([t]), self.player)
        return Entry(
            tier=self._slug(place),
            price=float(self.price[place]),
            role=role,
            expected=expected,
            low=low,
            high=high,
            level=LEVEL,
            beats_own_bow=float(cases.chances(law, [0])[0]),
            copies=copies,
            at_hand=at_hand,
            mass_g=mass_g,
            reasons=reasons,
            weaknesses=weaknesses,
        )

    def _masses(self, tiers: set[str]) -> dict[str, list[float]]:
        found: dict[str, list[float]] = defaultdict(list)
        for copy in self.player.suited.copies:
            if copy.tier in tiers and copy.bench.mass_g is not None:
                found[copy.tier].append(copy.bench.mass_g)
        return found

    def _more(self, market: Market, listed: Sequence[tuple[Role, int]]) -> More | None:
        """Return what about a fifth more than the best fit's price would buy."""
        best = next((place for role, place in listed if role in (Role.BEST_FIT, Role.MOST_LIKED)), None)
        if best is None:
            return None
        amount = _round_amount(0.2 * float(market.price[best]))
        limit = market.price[best] + amount
        dearer = np.flatnonzero((market.price > market.price[best]) & (market.price <= limit + 1e-9)).tolist()
        better = [place for place in dearer if market.mean[place] > market.mean[best]]
        if not better:
            return More(amount, None, 0.0)
        place = max(better, key=lambda p: float(market.mean[p]))
        return More(amount, self._slug(place), float(market.mean[place] - market.mean[best]))


def _neighbour(listed: Sequence[tuple[Role, int]], number: int) -> int | None:
    """Return the listed tier that one is compared with: the step below on a ladder, else the best fit; for the first the next."""
    if len(listed) < 2:
        return None
    if not number:
        return 1
    return 0 if listed[0][0] is Role.BEST_FIT else number - 1


def _round_amount(amount: float) -> float:
    """Return the next number above with one digit of 1, 2 or 5: as money is spoken of."""
    scale = 10.0 ** math.floor(math.log10(amount))
    return next(step * scale for step in (1.0, 2.0, 5.0, 10.0) if step * scale >= amount * 0.999)


def _marks(runs: Sequence[Run]) -> dict[str, float]:
    """Return the mean overall mark of each copy that this player has rated."""
    given: dict[str, list[float]] = defaultdict(list)
    for run in runs:
        if run.copy is not None and Criterion.OVERALL in run.ratings:
            given[run.copy].append(run.ratings[Criterion.OVERALL])
    return {copy: sum(marks) / len(marks) for copy, marks in given.items()}
