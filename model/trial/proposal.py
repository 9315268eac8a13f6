"""One player's answer: the case from the bows at hand, the verdict, the list, and why; an outlook with prices looked at.

The case comes first, then what it means, then the tiers that are named for it. Without a budget the steps of a ladder come first and
the case from their tiers. Everything here is data; the words are the pages' own.
"""

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.intervals import likely_marks
from model.domain.records import Answers, Run
from model.domain.vocabulary import HIGHEST, LOWEST, Role
from model.preference import NO_BOW_LEVEL, CataloguePosterior, Player, Prediction, prediction_of
from model.trial import case as cases
from model.trial import reasons as why
from model.trial import shortlist
from model.trial.apart import apart
from model.trial.case import MOST_BOWS, Case
from model.trial.choosing import MINUTES_A_RUN, MINUTES_BESIDES, CandidateBows, Choosing, ChosenCase
from model.trial.law import of_unknown_copies
from model.trial.offer import Ends, Entry, More, Offer, Proposal
from model.trial.reasons import Reason
from model.trial.shortlist import Market
from model.trial.verdict import CURIOUS_FROM, NOTICEABLE, Verdict, VerdictCode, code_of

LEVEL = 0.9
"""Probability that the interval of an entry holds the rating of a copy not yet played."""
COPIES_AT_A_PRICE = 3
"""So many bows of a dearer tier are looked at where a budget decides against a trial."""


def propose(player: Player, outlook: Prediction, runs: Sequence[Run], offer: Offer) -> Proposal:
    """Choose the bows to bring, say whether that is worth it, and name the tiers.

    Parameters
    ----------
    player : before the model, own ratings in.
    outlook : of the same player.
    runs : the bows this player has rated.
    """
    return _Proposing(player, outlook, runs, offer).proposal()


def proposal_for(view: CataloguePosterior, answers: Answers, runs: Sequence[Run], offer: Offer) -> Proposal:
    """Return what is proposed to a player of these answers, who has rated these bows; raises as `personal.outlook`."""
    player = Player(view, answers, runs)
    return propose(player, prediction_of(player), runs, offer)


class _Proposing:
    """What is said of a choice; tiers are places in the market, cheapest first."""

    def __init__(self, player: Player, outlook: Prediction, runs: Sequence[Run], offer: Offer) -> None:
        self.player, self.offer = player, offer
        self.choosing = Choosing(player, runs, offer, outlook.stock)
        self.joint, self.no_own, self.marks = self.choosing.joint, self.choosing.no_own, self.choosing.marks
        self.tier, self.price, self.slug = self.choosing.tier, self.choosing.price, self.choosing.slug

    def proposal(self) -> Proposal:
        """Return the whole."""
        if not len(self.tier):
            return Proposal()
        chosen = self.choosing.chosen()
        return self._nothing() if chosen is None else self._with_case(chosen)

    # The case and what comes of it

    def _with_case(self, chosen: ChosenCase) -> Proposal:
        case, bows = self._case(chosen), chosen.bows
        runs = len(chosen.case) + chosen.own_runs
        code = code_of(case.clearly, len(chosen.case), self.no_own)
        at = self._changes_at() if code is VerdictCode.KEEP else None
        vain = code is VerdictCode.KEEP and at is None and not self._would_change(COPIES_AT_A_PRICE)
        of_tier = bows.tier[list(case.bows)].tolist()
        listed = self._listed(chosen.market, of_tier, chosen.steps)
        copies = {place: of_tier.count(place) for place in set(of_tier)}
        mean = bows.cases.law.mean
        serials = [bows.serials[k] for k in sorted(case.bows, key=lambda k: -mean[k + 1])]
        wanted = min(cases.AT_LEAST_BOWS, chosen.limit) if self.offer.at_hand is not None else 0
        return Proposal(
            verdict=Verdict(code, case.clearly, case.row.gain, at, higher_would_not=vain),
            entries=self._with_best(self._entries(chosen.market, listed, copies), bows),
            case=case,
            bring=tuple(serial for serial in serials if serial is not None),
            runs=runs,
            minutes=MINUTES_A_RUN * runs + MINUTES_BESIDES,
            limited_by_time=self.choosing.limited_by_time(chosen),
            beyond_budget=self.choosing.beyond_budget,
            missing=max(0, wanted - len(bows.serials)),
            ends=self._ends(case, bows),
            loved=self._loved,
            rejected=self._rejected,
            more=self._more(chosen.market, listed),
            considered=len(self.tier),
            apart=apart(self.player, [serial for serial in serials if serial is not None]),
            allocation=MappingProxyType({self.slug(place): n for place, n in sorted(copies.items())}),
        )

    def _with_best(self, entries: Sequence[Entry], bows: CandidateBows) -> tuple[Entry, ...]:
        """Return the entries with what is known of the bows at hand, where the stock is."""
        if self.offer.at_hand is None:
            return tuple(entries)
        law, tiers = bows.cases.law, np.array([self.slug(place) for place in bows.tier.tolist()])
        best = {slug: int(np.argmax(np.where(tiers == slug, law.mean[1:], -np.inf))) for slug in set(tiers.tolist())}
        chance = {slug: float(cases.win_probabilities(law, [k])[0]) for slug, k in best.items()}
        return tuple(replace(entry, best_at_hand=chance.get(entry.tier)) for entry in entries)

    @property
    def _loved(self) -> tuple[str, ...]:
        hand, level = self.choosing.hand, self.choosing.own_level
        return tuple(serial for serial, mark in self.marks.items() if serial in hand and mark > level)

    @property
    def _rejected(self) -> tuple[str, ...]:
        hand = self.choosing.hand
        return tuple(serial for serial in self.marks if serial in hand and self.choosing.is_rejected(serial))

    def _case(self, chosen: ChosenCase) -> Case:
        law, count = chosen.bows.cases.law, len(chosen.case)
        path = chosen.bows.cases.path_through(chosen.case)
        gain, chance = cases.expected_gains(law, path), cases.win_probabilities(law, path)
        clearly = cases.win_probabilities(law, path[:count], by=NOTICEABLE)[-1]
        rows = tuple(cases.CaseValue(n + 1, float(chance[n]), float(gain[n])) for n in range(len(path)))
        return Case(tuple(path[:count]), rows, tuple(path), float(clearly))

    def _ends(self, case: Case, bows: CandidateBows) -> Ends:
        """Return why there is no row of more bows."""
        if len(case.path) >= MOST_BOWS:
            return Ends.BOWS
        return Ends.STOCK if len(case.path) == len(bows.serials) else Ends.TIERS

    def _changes_at(self) -> tuple[float, str] | None:
        """Return the lowest price beyond reach from which on bows of its tier are worth an hour, and that tier."""
        copies = None if self.offer.at_hand is None else np.minimum(self.choosing.held, COPIES_AT_A_PRICE)
        return self._would_change(COPIES_AT_A_PRICE if copies is None else copies)

    def _would_change(self, copies: int | Ints) -> tuple[float, str] | None:
        """Return the same with so many copies of each tier, or of every tier."""
        many = np.broadcast_to(copies, self.price.shape)
        for place in np.flatnonzero((self.price > self.offer.limit) & (many > 0)).tolist():
            law = of_unknown_copies(self.joint, np.repeat(self.tier[place], many[place]), self.player)
            if cases.win_probabilities(law, range(many[place]), by=NOTICEABLE)[-1] >= CURIOUS_FROM:
                return float(self.price[place]), self.slug(place)
        return None

    def _nothing(self) -> Proposal:
        """Return the answer where there is nothing to bring: the nearest tiers are named, none to try."""
        in_budget = np.flatnonzero(self.price <= self.offer.limit).tolist()
        market, best = self.choosing.market, self.choosing.nearest()
        apart = np.abs(market.mean - market.mean[best])
        near = [p for p in in_budget or [0] if p != best]
        listed: list[tuple[Role, int]] = [(Role.BEST_FIT, best)]
        if near:
            listed.append((Role.CONTRAST, max(near, key=lambda p: (float(apart[p]), -p))))
        return Proposal(
            entries=self._entries(market, listed, {}),
            over_budget=not in_budget,
            rejected=self._rejected,
            loved=self._loved,
            considered=len(self.tier),
        )

    # The list

    def _listed(self, market: Market, of_tier: Sequence[int], steps: Mapping[Role, int]) -> list[tuple[Role, int]]:
        case = list(dict.fromkeys(of_tier))
        if steps:
            ladder = shortlist.ladder_listed(market, case, steps)
            only = ladder[0][1]
            neighbour = shortlist.neighbour_of(market, only, self._apart(market, only)) if len(ladder) == 1 else None
            beside = [] if neighbour is None else [(Role.CONTRAST, neighbour)]
            return sorted([*ladder, *beside], key=lambda entry: entry[1])
        gain = {place: self._two_copies(place) for place in case}
        neighbour = None
        if len(case) == 1:
            neighbour = shortlist.neighbour_of(market, case[0], self._apart(market, case[0]))
        found = shortlist.roles(market, case, gain, neighbour)
        return [(role if isinstance(role, Role) else role[0], place) for role, place in found.items()]

    def _two_copies(self, place: int) -> float:
        law = of_unknown_copies(self.joint, np.repeat(self.tier[place], 2), self.player)
        return float(cases.expected_gains(law, [0, 1], cases.SEARCH_LOG2)[-1])

    def _apart(self, market: Market, place: int) -> Floats:
        """Return (N,) how much each tier differs from one in what the player asked for, else in the liking as a whole."""
        asked = self.player.tiers_emphasised if self.player.answers.priorities else self.joint.mean
        return np.asarray(np.abs(asked[market.tier] - asked[market.tier[place]]))

    def _entries(
        self, market: Market, listed: Sequence[tuple[Role, int]], copies: Mapping[int, int]
    ) -> tuple[Entry, ...]:
        places = [place for _, place in listed]
        masses = self._masses({self.slug(place) for place in places})
        speaks = self._speaks(market, listed, masses)
        return tuple(
            self._entry(
                place,
                role,
                copies.get(place, 0),
                None if self.offer.at_hand is None else int(self.choosing.held[place]),
                why.typical(masses, self.slug(place)),
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
            why.ListedTier(
                tier=self.slug(place),
                price=float(market.price[place]),
                has_note=self.slug(place) in self.offer.noted,
                mass_g=why.typical(masses, self.slug(place)),
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
        variance = self.player.scatter * (joint.cov[t, t] + joint.spread[t] ** 2 + joint.noise**2)
        low, high, level = likely_marks(joint.mean[t], math.sqrt(variance), LEVEL)
        law = of_unknown_copies(joint, np.array([t]), self.player)
        return Entry(
            tier=self.slug(place),
            price=float(self.price[place]),
            role=role,
            expected=min(max(float(joint.mean[t]), LOWEST), HIGHEST),
            low=float(low),
            high=float(high),
            level=float(level),
            beats_own_bow=float(cases.win_probabilities(law, [0])[0]),
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
        return More(amount, self.slug(place), float(market.mean[place] - market.mean[best]))


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
