"""Cases of bows: what the advice would bring to a player, and what would be brought without it."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers
from model.preference.catalogue import CataloguePosterior
from model.preference.prediction import CopyPosterior, Prediction
from model.trial import Offer, Proposal, proposal_for


@dataclass(frozen=True, slots=True)
class Shelf:
    """The copies a case is taken from.

    Attributes
    ----------
    places : (S,) places of the copies in the outlook's stock.
    tier : (K,) tier of every copy of that stock.
    price : by tier, for those that have one.
    budget : infinite where not told.
    """

    places: Ints
    tier: Ints
    price: Mapping[int, float]
    budget: float

    def held(self, tier: int) -> Ints:
        """Return the places of a tier's copies."""
        return np.asarray(self.places[self.tier[self.places] == tier])

    def affordable(self) -> list[int]:
        """Return the tiers within the budget that have copies here, cheapest first; the cheapest of all where there are none."""
        here = sorted((price, tier) for tier, price in self.price.items() if len(self.held(tier)))
        within = [tier for price, tier in here if price <= self.budget]
        return within or [tier for _, tier in here[:1]]

    def dearness(self, places: Ints) -> float:
        """Return the mean price of some copies as a share of that of the dearest affordable tier; NaN of none."""
        if not places.size:
            return float(np.nan)
        paid = np.vectorize(self.price.__getitem__, otypes=[np.float64])(self.tier[places])
        return float(paid.mean() / self.price[self.affordable()[-1]])

    def dearest(self, bows: int) -> dict[int, int]:
        """Return as many copies as there are of the dearest affordable tier, then of the next ones, up to ``bows``."""
        return self.filled({}, bows)

    def spread(self, bows: int) -> dict[int, int]:
        """Return ``bows`` copies of the cheapest, the middle and the dearest affordable tier, the dearer ones first."""
        tiers = self.affordable()
        chosen = [tiers[place] for place in sorted({0, (len(tiers) - 1) // 2, len(tiers) - 1}, reverse=True)]
        wanted = {tier: bows // len(chosen) + (place < bows % len(chosen)) for place, tier in enumerate(chosen)}
        return self.filled(wanted, bows)

    def filled(self, wanted: Mapping[int, int], bows: int) -> dict[int, int]:
        """Return the counts that the shelf can give, and what is missing from the dearest affordable tiers with copies left."""
        counts = {tier: min(count, len(self.held(tier))) for tier, count in wanted.items()}
        for tier in reversed(self.affordable()):
            missing = bows - sum(counts.values())
            counts[tier] = min(counts.get(tier, 0) + missing, len(self.held(tier)))
        return counts

    def draw(self, counts: Mapping[int, int], luck: Floats) -> Ints:
        """Return (R, bows) places of copies drawn at random within each tier; ``luck`` (R, K) is uniform."""
        drawn = []
        for tier, count in counts.items():
            held = self.held(tier)
            drawn.append(held[np.argsort(luck[:, held], axis=1)[:, :count]])
        return np.concatenate(drawn, axis=1)


@dataclass(frozen=True, slots=True)
class Advice:
    """A shortlist, as counts by tier and as places of the named copies (empty where none is named)."""

    shortlist: Proposal
    counts: dict[int, int]
    named: Ints


def advised(
    view: CataloguePosterior,
    answers: Answers,
    outlook: Prediction,
    prices: Mapping[str, float],
    budget: float | None,
    stock: CopyPosterior | None,
) -> Advice:
    """Return what the advice would bring: from a known stock named copies, else copies of tiers."""
    at_hand = None if stock is None else frozenset(stock.serials)
    shortlist = proposal_for(view, answers, (), Offer(prices=prices, budget=budget, at_hand=at_hand))
    index = {tier.slug: place for place, tier in enumerate(outlook.tiers)}
    place = {serial: k for k, serial in enumerate(outlook.stock.serials)}
    counts = {index[tier]: count for tier, count in shortlist.allocation.items()}
    return Advice(shortlist, counts, np.array([place[serial] for serial in shortlist.bring], dtype=np.intp))


@dataclass(frozen=True, slots=True)
class Truth:
    """What the world knows of one player, over the copies of the outlook's stock.

    Attributes
    ----------
    liking : (K, M) of every copy by M measures of liking, and ``own`` (M,) of the own bow.
    noise : (R, K) noise of one rating of each copy in units of its deviation, and ``own_noise`` (R,).
    deviation : (M,) of the noise.
    """

    liking: Floats
    own: Floats
    noise: Floats
    own_noise: Floats
    deviation: Floats

    def won(self, case: Ints) -> tuple[Floats, Floats]:
        """Let the player take the best-rated bow, the own one among them, R times; where no bow is brought that wins nothing.

        Returns
        -------
        gain : (M,) mean true liking of the bow taken minus that of the own bow.
        chance : (M,) share of times that one of the case is rated above the own bow.
        """
        if not case.shape[-1]:
            return np.zeros(len(self.own)), np.zeros(len(self.own))
        case = np.broadcast_to(case, (len(self.noise), case.shape[-1]))
        true = self.liking[case]
        rated = true + self.deviation * np.take_along_axis(self.noise, case, axis=1)[:, :, None]
        best = rated.argmax(axis=1)
        ahead = (
            np.take_along_axis(rated, best[:, None], axis=1)[:, 0] > self.own + self.deviation * self.own_noise[:, None]
        )
        gain = np.take_along_axis(true, best[:, None], axis=1)[:, 0] - self.own
        return (ahead * gain).mean(axis=0), ahead.mean(axis=0)

    def ceiling(self, places: Ints) -> Floats:
        """Return (M,) what the truly best of some copies would win, the own bow kept where it is better."""
        return np.asarray(np.maximum(self.liking[places].max(axis=0) - self.own, 0.0))


def shelf(outlook: Prediction, prices: Mapping[str, float], budget: float | None, serials: Collection[str]) -> Shelf:
    """Return a shelf of some of the outlook's copies."""
    here = [place for place, serial in enumerate(outlook.stock.serials) if serial in serials]
    price = {place: prices[tier.slug] for place, tier in enumerate(outlook.tiers) if tier.slug in prices}
    return Shelf(np.array(here, dtype=np.intp), outlook.stock.tier, price, np.inf if budget is None else budget)
