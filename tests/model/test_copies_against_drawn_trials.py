"""The plan against a Monte-Carlo of the whole trial: tiers, own bow, copies and noise drawn; the best-rated bow goes home."""

import math
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from model.copies import AtHand, KnownBow, UnratedBow, gain_and_chance

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

DRAWS, CHUNK = 2_000_000, 250_000
CLOSE = 0.003
"""Promised agreement; the Monte-Carlo's own standard error is below .0008 in the gain and .0004 in the chance."""
CASES = [(1, 0, 0), (2, 0, 0), (0, 0, 3), (1, 1, 1), (2, 1, 2)]


@dataclass(frozen=True)
class World:
    """(m, m0) ~ N(mean, cov), the own bow last; u0 = m0 + own_spread e; a copy of tier t is m_t + sd_t e, or as ``named``."""

    mean: Floats
    cov: Floats
    sd: Floats
    noise: float
    own_spread: float
    named: tuple[AtHand, ...] | None = None

    def unrated(self) -> tuple[Floats, Floats, UnratedBow]:
        T = len(self.sd)
        return (
            self.mean[:T],
            self.cov[:T, :T],
            UnratedBow(self.mean[T], self.cov[:T, T], self.cov[T, T], self.own_spread),
        )

    def with_own(self) -> Floats:
        """Covariance of (m, u0)."""
        cov = self.cov.copy()
        cov[-1, -1] += self.own_spread**2
        return cov

    def rated(self, level: float) -> tuple[Floats, Floats, KnownBow]:
        """Condition (m, u0) on r0 = level, then regress u0 on m."""
        T, cov = len(self.sd), self.with_own()
        pull = cov[:, T] / (cov[T, T] + self.noise**2)
        mean, left = self.mean + pull * (level - self.mean[T]), cov - np.outer(pull, cov[T])
        slope = np.asarray(np.linalg.lstsq(left[:T, :T], left[:T, T])[0], dtype=np.float64)
        return mean[:T], left[:T, :T], KnownBow(level, mean[T], slope)


def _own_and_tiers(world: World, rng: np.random.Generator, level: float | None, mark: float) -> tuple[Floats, Floats]:
    """Draw (m, u0) and the own bow's rating; given r0 = level by shifting along the regression on r0."""
    values, vectors = np.linalg.eigh(world.with_own())
    z = rng.standard_normal((CHUNK // 2, len(values)))
    drawn = world.mean + np.concatenate([z, -z]) @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    rating = drawn[:, -1] + mark * rng.standard_normal(CHUNK)
    if level is None:
        return drawn, rating
    pull = world.with_own()[:, -1] / (world.with_own()[-1, -1] + mark**2)
    return drawn + np.outer(level - rating, pull), np.full(CHUNK, level)


def _copies(world: World, rng: np.random.Generator, drawn: Floats, tier: Ints, mark: float) -> tuple[Floats, Floats]:
    """Draw liking and rating of the first copies of each tier: (CHUNK, K) each."""
    place = np.concatenate([np.arange(np.sum(tier == t)) for t in range(len(world.sd))]).astype(int)
    offset, spread = np.zeros(len(tier)), world.sd[tier]
    if world.named is not None:
        offset = np.array([world.named[t].offset[k] for t, k in zip(tier, place, strict=True)])
        spread = np.array([world.named[t].spread[k] for t, k in zip(tier, place, strict=True)])
    liking = drawn[:, tier] + offset + spread * rng.standard_normal((CHUNK, len(tier)))
    return liking, liking + mark * rng.standard_normal((CHUNK, len(tier)))


def simulate(world: World, level: float | None, plays: int = 1) -> Floats:
    """Gain and chance of each of CASES: (cases, 2)."""
    rng, mark = np.random.default_rng(20240501), world.noise / math.sqrt(plays)
    tier = np.repeat(np.arange(len(world.sd)), np.max(CASES, axis=0))
    total = np.zeros((len(CASES), 2))
    for _ in range(DRAWS // CHUNK):
        drawn, own_rating = _own_and_tiers(world, rng, level, mark)
        liking, rating = _copies(world, rng, drawn, tier, mark)
        for number, case in enumerate(CASES):
            brought = np.concatenate([np.flatnonzero(tier == t)[:count] for t, count in enumerate(case)])
            best = brought[np.argmax(rating[:, brought], axis=1)][:, None]
            goes = np.take_along_axis(rating, best, 1)[:, 0] > own_rating
            total[number] += np.sum((np.take_along_axis(liking, best, 1)[:, 0] - drawn[:, -1]) * goes), np.sum(goes)
    return total / DRAWS


def _world(shared: float, apart: float, own: float, with_own: float, named: tuple[AtHand, ...] | None = None) -> World:
    """Tiers that share a variance, each with its own besides; the own bow's mean covaries with all alike."""
    cov = np.full((4, 4), shared) + apart * np.diag([1.0, 0.8, 1.3, 0.0])
    cov[3, :3] = cov[:3, 3] = with_own
    cov[3, 3] = own
    return World(np.array([4.3, 4.6, 5.0, 4.5]), cov, np.array([0.57, 0.50, 0.62]), 0.7, 0.5, named)


NAMED = (
    AtHand(np.array([0.6, 0.3]), np.array([0.30, 0.45])),
    AtHand(np.array([0.4]), np.array([0.35])),
    AtHand(np.array([0.2, -0.1, -0.1]), np.array([0.25, 0.50, 0.50])),
)
INDEPENDENT = _world(0.0, 0.3, 0.5, 0.0)
ALIKE = _world(0.6, 0.06, 0.7, 0.5)
WELL_KNOWN = _world(0.004, 0.01, 0.01, 0.003)
HARDLY_KNOWN = _world(0.5, 1.0, 0.8, 0.4)
STOCKED = _world(0.6, 0.06, 0.7, 0.5, NAMED)
CROSSED = World(
    np.array([4.9, 4.6, 5.0, 4.5]),
    np.array(
        [[0.80, 0.35, -0.10, 0.20], [0.35, 0.70, 0.25, 0.30], [-0.10, 0.25, 0.90, 0.15], [0.20, 0.30, 0.15, 0.80]]
    ),
    np.array([0.4, 0.6, 0.5]),
    0.6,
    0.4,
)


def _check(world: World, level: float | None, plays: int = 1) -> None:
    mean, cov, own = world.unrated() if level is None else world.rated(level)
    for case, seen in zip(CASES, simulate(world, level, plays), strict=True):
        ours = gain_and_chance(mean, cov, world.sd, own, world.noise, case, stock=world.named, plays=plays)
        assert ours == pytest.approx(seen, abs=CLOSE), f"{case}: got {ours}, drawn {seen}"


@pytest.mark.parametrize("level", [3.5, 5.5])
def test_beside_a_rated_own_bow_where_the_tiers_have_much_in_common(level: float) -> None:
    assert np.all(ALIKE.rated(level)[2].slope != 0)
    _check(ALIKE, level)


def test_beside_a_rated_own_bow_where_the_tiers_are_independent() -> None:
    _check(INDEPENDENT, 4.0)


def test_beside_a_rated_own_bow_where_the_tiers_are_crossed() -> None:
    _check(CROSSED, 4.5)


def test_beside_a_rated_own_bow_where_the_tiers_are_well_known() -> None:
    _check(WELL_KNOWN, 4.4)


def test_beside_a_rated_own_bow_where_the_tiers_are_hardly_known() -> None:
    _check(HARDLY_KNOWN, 5.0)


def test_beside_a_rated_own_bow_with_named_copies() -> None:
    _check(STOCKED, 4.5)


def test_beside_an_unrated_own_bow_where_the_tiers_have_much_in_common() -> None:
    _check(ALIKE, None)


def test_beside_an_unrated_own_bow_where_the_tiers_are_crossed() -> None:
    _check(CROSSED, None)


def test_beside_an_unrated_own_bow_with_named_copies_each_played_twice() -> None:
    _check(STOCKED, None, plays=2)


def test_without_an_own_bow_a_rating_of_five_is_to_be_beaten() -> None:
    # An own bow that is 5 for certain is no own bow.
    cov = ALIKE.cov.copy()
    cov[3, :] = cov[:, 3] = 0.0
    world = World(np.array([4.3, 4.6, 5.0, 5.0]), cov, ALIKE.sd, 0.7, 0.0)
    own = world.rated(5.0)[2]
    assert (own.level, own.expected, own.slope.tolist()) == (5.0, 5.0, KnownBow.none(3).slope.tolist())
    _check(world, 5.0)
