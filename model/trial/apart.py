"""Copies of one tier that come to a trial beside each other, and what the bench reads differently of them."""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Copy
from model.domain.vocabulary import OVERALL
from model.features import INSTRUMENTS, TRAIT_COLUMNS, WISH_COLUMNS, bench_traits
from model.preference import Player

WORTH_SAYING = 0.1
"""A difference that may move the liking by fewer points is no reason to bring both (a judgement)."""
SURE = 2.0
"""Readings differ where they are apart by so many standard deviations of their difference."""


@dataclass(frozen=True, slots=True)
class Apart:
    """Two copies of a tier, ``more`` with the higher reading, ``less`` with the lower, in the reading's unit.

    ``points``: how much that may move this player's liking, one standard deviation of what is not known of its worth.
    """

    tier: str
    less: str
    more: str
    reading: str
    low: float
    high: float
    points: float


def apart(player: Player, serials: Sequence[str]) -> tuple[Apart, ...]:
    """Return for each tier of which two or more of these copies are the difference that matters most to the player, if any does."""
    suited, by_tier = player.suited, defaultdict[str, list[Copy]](list)
    for serial in serials:
        copy = suited.copies[suited.place[serial]]
        by_tier[copy.tier].append(copy)
    several = [copies for copies in by_tier.values() if len(copies) > 1]
    found = (max(_differences(of, player), key=lambda each: each.points, default=None) for of in several)
    return tuple(each for each in found if each is not None and each.points >= WORTH_SAYING)


def _weights(player: Player) -> Floats:
    """Return (R,) the standard deviation of what one unit of each standardised reading is worth to the player, in points.

    What is known of its worth puts forward the bows on the better side; what is not is what two that differ are brought for.
    """
    overall: Ints = np.array([OVERALL], dtype=np.intp)
    slopes, every = player.own_parts.slopes.at(overall), np.eye(len(bench_traits.USED))
    square = slopes.covariance(every, np.ones((len(every), 1)), player.asked.wishes)[:, 0, 0]
    coef, loads = player.posterior.coef[OVERALL], bench_traits.LOADINGS
    wished = coef[WISH_COLUMNS] @ loads[[trait for trait, _ in bench_traits.WISHES]]
    mean = coef[TRAIT_COLUMNS] @ loads + player.asked.wishes * wished
    return np.asarray(np.sqrt(np.maximum(square - mean**2, 0.0)))


def _differences(copies: Sequence[Copy], player: Player) -> Iterator[Apart]:
    scales = player.posterior.design.scales[INSTRUMENTS.index(player.answers.instrument)]
    known = list(zip(bench_traits.USED, (_weights(player) / scales).tolist(), strict=True))
    for one, other in combinations(copies, 2):
        for name, weight in known:
            found = _told(one, other, name, weight)
            if found is not None:
                yield found


def _told(one: Copy, other: Copy, name: str, weight: float) -> Apart | None:
    """Return how two copies differ in a reading; None where it is missing, or what the bench can tell apart is less."""
    values = getattr(one.bench, name), getattr(other.bench, name)
    if None in values:
        return None
    less, more = (one, other) if values[0] < values[1] else (other, one)
    low, high = min(values), max(values)
    if high - low <= SURE * math.hypot(*(copy.bench.sd.get(name, 0.0) for copy in (one, other))):
        return None
    away = math.log(high / low) if bench_traits.READINGS[name].log else high - low
    return Apart(one.tier, less.serial, more.serial, name, low, high, weight * away)
