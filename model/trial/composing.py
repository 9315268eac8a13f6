"""Composing a case by hand: how each copy at hand comes to its place for a player."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.domain.intervals import likely_marks
from model.domain.vocabulary import HIGHEST, LOWEST, OVERALL
from model.features import TRAIT_COLUMNS, WISH_COLUMNS, bench_traits, emphasis, tier_rows, wished_beyond
from model.preference import CataloguePosterior, EligibleItems, Prediction

LEVEL = 0.9
"""Probability of a copy's likely marks comes near to this."""
WORTH_SAYING = 0.05
"""A part of a copy's liking below so many points is no reason (a judgement)."""


class RankReason(StrEnum):
    """What speaks most for a copy beside its tier."""

    OWN_RATINGS = "own_ratings"
    LIKED = "liked"
    WISH = "wish"
    BENCH = "bench"
    NEVER_TRIED = "never_tried"
    LIKE_ITS_TIER = "like_its_tier"


@dataclass(frozen=True, slots=True)
class Ranked:
    """One copy at hand, for one player; ``above_tier`` is the sum of ``liked``, ``bench``, ``wish`` and ``own``.

    Attributes
    ----------
    serial, tier : the copy and its tier's slug.
    expected, low, high, level : the rating to come, and its likely marks, from the lowest to the highest, with their probability.
    above_tier : expected liking beyond that of an unknown copy of the tier, in points.
    liked : what earlier players' ratings of this copy bring, in points.
    bench : trait -> what it brings with everybody, in points.
    wish : trait -> what it brings because the player wished for it, in points.
    own : what this player's own ratings bring, in points.
    rated : whether anybody has rated it.
    tried : in how many trials it was, where that was told; else None.
    why, trait : what speaks most for it, and the trait where it is one.
    """

    serial: str
    tier: str
    expected: float
    low: float
    high: float
    level: float
    above_tier: float
    liked: float
    bench: Mapping[str, float]
    wish: Mapping[str, float]
    own: float
    rated: bool
    tried: int | None
    why: RankReason
    trait: str | None


def ranked(
    view: CataloguePosterior, outlook: Prediction, serials: Collection[str], tried: Mapping[str, int] | None = None
) -> tuple[Ranked, ...]:
    """Return copies by what this player can be expected to make of them, highest first, each with what speaks for it.

    Parameters
    ----------
    view : the one that the outlook was made with.
    tried : serial -> in how many trials it was; one that is not there was in none. None: not known.

    Raises
    ------
    ValueError : a serial that does not suit the player.
    """
    answers = outlook.answers
    suited = view.suited(answers.instrument, answers.hold)
    at, parts = suited.places(list(dict.fromkeys(serials)), answers.instrument), _Parts.of(view, outlook, suited)
    expected = outlook.mean[outlook.stock.tier[at]] + outlook.stock.offset[at]
    order = at[np.argsort(-expected, kind="stable")]
    bounds = _bounds(outlook, order)
    return tuple(
        _ranked(outlook, parts, place, values, tried)
        for place, values in zip(order.tolist(), bounds.tolist(), strict=True)
    )


def _bounds(outlook: Prediction, at: Ints) -> Floats:
    """Return (n, 4) expected rating, low, high and level of the copies, all noise counted."""
    stock, tier = outlook.stock, outlook.stock.tier[at]
    expected = outlook.mean[tier] + stock.offset[at]
    variance = np.diag(outlook.cov)[tier] + stock.spread[at] ** 2 + outlook.noise**2
    bounds = likely_marks(expected, np.sqrt(outlook.scatter * variance), LEVEL)
    return np.column_stack([np.clip(expected, LOWEST, HIGHEST), *bounds])


@dataclass(frozen=True, slots=True)
class _Parts:
    """What a copy's offset is made of, in points: ``liked``, ``own`` (K,), ``bench`` (K, T), ``wish`` (K, 2); ``rated`` (K,)."""

    liked: Floats
    bench: Floats
    wish: Floats
    own: Floats
    rated: Flags

    @classmethod
    def of(cls, view: CataloguePosterior, outlook: Prediction, suited: EligibleItems) -> "_Parts":
        answers, posterior = outlook.answers, view.posterior
        coef = posterior.coef[OVERALL]
        rows = tier_rows(posterior.design, answers, suited.tiers)
        wish = wished_beyond(rows, suited.tier_of, suited.traits) * coef[WISH_COLUMNS]
        bench = suited.traits * coef[TRAIT_COLUMNS]
        character = (suited.character - suited.tiers_character[suited.tier_of]) @ emphasis(answers)
        liked = suited.effect[OVERALL] + posterior.profile.mean * character
        own = outlook.stock.offset - liked - bench.sum(axis=1) - wish.sum(axis=1)
        return cls(liked, bench, wish, own, suited.block >= 0)

    def spoken(self, place: int) -> list[tuple[float, RankReason, str | None]]:
        """Return what may speak for a copy: points, kind, and trait."""
        wished = zip(bench_traits.WISHES, self.wish[place].tolist(), strict=True)
        return [
            (float(self.own[place]), RankReason.OWN_RATINGS, None),
            (float(self.liked[place]), RankReason.LIKED, None),
            *((points, RankReason.WISH, bench_traits.TRAIT_NAMES[trait]) for (trait, _), points in wished),
            *(
                (points, RankReason.BENCH, name)
                for name, points in zip(bench_traits.TRAIT_NAMES, self.bench[place].tolist(), strict=True)
            ),
        ]


def _why(parts: _Parts, place: int) -> tuple[RankReason, str | None]:
    points, why, trait = max(parts.spoken(place), key=lambda part: part[0])
    if points >= WORTH_SAYING:
        return why, trait
    return (RankReason.LIKE_ITS_TIER if parts.rated[place] else RankReason.NEVER_TRIED), None


def _ranked(
    outlook: Prediction, parts: _Parts, place: int, bounds: Sequence[float], tried: Mapping[str, int] | None
) -> Ranked:
    stock, (expected, low, high, level), (why, trait) = outlook.stock, bounds, _why(parts, place)
    serial = stock.serials[place]
    return Ranked(
        serial=serial,
        tier=outlook.tiers[int(stock.tier[place])].slug,
        expected=expected,
        low=low,
        high=high,
        level=level,
        above_tier=float(stock.offset[place]),
        liked=float(parts.liked[place]),
        bench=dict(zip(bench_traits.TRAIT_NAMES, parts.bench[place].tolist(), strict=True)),
        wish={
            bench_traits.TRAIT_NAMES[trait]: points
            for (trait, _), points in zip(bench_traits.WISHES, parts.wish[place].tolist(), strict=True)
        },
        own=float(parts.own[place]),
        rated=bool(parts.rated[place]),
        tried=None if tried is None else tried.get(serial, 0),
        why=why,
        trait=trait,
    )
