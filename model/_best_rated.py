"""The bow taken home when a player takes the best-rated of several: its expected worth, and whether it is a new one.

A tier's mean is m_t, jointly normal over the tiers. A copy's liking is u = m_t + o + s e, its rating r = u + noise; given the
tiers' means all ratings are independent. A group of bows is the pair of functions of x
    P(x) = probability that every bow of the group is rated x or lower,
    Q(x) = sum over its bows of (density of its rating at x) (its expected worth there) (all others of the group lower),
so that two groups together have P = P1 P2 and Q = Q1 P2 + P1 Q2, and the expected worth of the best-rated one is the integral
of Q. (Order statistics of independent, not identical variables: David & Nagaraja 2003, Order Statistics, 3rd ed., ch. 5.)

What all tiers share is integrated in closed form: with m = c 1 + d, c ~ N(0, tau2) independent of d, the best copy, rated
x = y + c, beats an own bow rated r0 where h = r0 - c <= y. So c only blurs the threshold h, and the own bow's own
uncertainty does the same. What is left, d, is Gauss-Hermite on the eigenvectors of its covariance C - tau2 1 1'; y is
Gauss-Legendre.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

REACH = 5.5
"""How many standard deviations of a rating the integral over y reaches; beyond it lie 4e-8 of a normal law."""
SHARPEST = 1e-3
"""A threshold is never taken as sharper than this part of a rating's deviation; it moves the gain by less than 1e-6."""
NODE_STEPS = np.array([0.2, 0.5, 0.8, 1.2, 1.7, 2.2, 2.8, 3.5, 4.5])
"""Ratios (deviation of a direction to that of a rating around its tier) up to which 3, 5, 7, ... nodes are enough."""


@dataclass(frozen=True, slots=True)
class Bows:
    """Copies of one tier in the order in which they would be brought: ``offset`` and ``spread`` (K,), in points."""

    offset: Floats
    spread: Floats


@dataclass(frozen=True, slots=True)
class Law:
    """The tiers beside the own bow.

    Attributes
    ----------
    mean, cov : (T,), (T, T) law of the tier means m, in points; relative to the own bow's mean where it is not rated.
    noise : standard deviation of the noise in a bow's (mean) rating, in points.
    level : what the own bow was rated, or the expectation of its rating.
    expected, slope : the own bow's liking given m is ``expected`` + ``slope`` @ (m - mean), slope (T,).
    own_spread : deviation of the own bow's liking where it is not rated, independent of m; None where it is rated.
    """

    mean: Floats
    cov: Floats
    noise: float
    level: float
    expected: float
    slope: Floats
    own_spread: float | None = None


@dataclass(frozen=True, slots=True)
class Threshold:
    """What the best copy has to beat, h ~ N(level, width ** 2), and what the own bow's worth has to do with it.

    For y: E[(u0 - c) 1(h <= y)] = less Phi(z) - lift phi(z), z = (y - level) / width. Every field may be an array.
    """

    level: Floats
    width: Floats
    lift: Floats


@dataclass(frozen=True, slots=True)
class _Group:
    """``below`` = P and ``worth`` = Q at M points, for each of R choices of bows: (R, M)."""

    below: Floats
    worth: Floats


def threshold(
    level: float, tau2: Floats, keep: Floats, own: float | Floats | None, noise: float, sharpest: Floats
) -> Threshold:
    """Return the threshold where c ~ N(0, tau2) and the own bow's liking goes up by ``keep`` c with it.

    ``own`` is the deviation of its liking where it is not rated. The coefficients follow from the regression of c - u0 on h.
    """
    of_liking = 0.0 if own is None else own**2
    of_rating = 0.0 if own is None else of_liking + noise**2
    width = np.maximum(np.sqrt(tau2 + of_rating), sharpest)
    return Threshold(np.asarray(level), width, (tau2 * (1 - keep) + of_liking) / width)


def shared_variance(cov: Floats) -> float:
    """Return the largest tau2 for which cov - tau2 1 1' has no negative eigenvalue: 1 / (1' cov^-1 1)."""
    values, vectors = np.linalg.eigh(cov)
    ones = vectors.sum(axis=0) ** 2
    real = values > 1e-10 * values[-1]
    if values[-1] <= 0 or ones[~real].sum() > 1e-9:
        return 0.0
    return float(1 / np.sum(ones[real] / values[real]))


@cache
def _hermite(count: int) -> tuple[Floats, Floats]:
    """Nodes and weights of E f(z), z standard normal: (count,), (count,)."""
    x, w = np.polynomial.hermite_e.hermegauss(count)
    return x, w / w.sum()


@cache
def _legendre(count: int) -> tuple[Floats, Floats]:
    """Nodes and weights of the integral over (0, 1): (count,), (count,)."""
    x, w = np.polynomial.legendre.leggauss(count)
    return (x + 1) / 2, w / 2


def nodes(cov: Floats, width: float) -> tuple[Floats, Floats]:
    """Deviations (N, T) and weights (N,) for the mean over a normal law with covariance ``cov`` of what varies over ``width``."""
    values, vectors = np.linalg.eigh(cov)
    kept = values > max(1e-10 * float(values[-1]), 1e-6 * width**2)
    roots = np.sqrt(values[kept])
    points, weights = np.zeros((1, 0)), np.ones(1)
    for root in roots:
        z, w = _hermite(3 + 2 * int(np.searchsorted(NODE_STEPS, root / width)))
        points = np.column_stack([np.repeat(points, len(z), axis=0), np.tile(z, len(points))])
        weights = np.outer(weights, w).ravel()
    return points @ (vectors[:, kept] * roots).T, weights


def line(low: Floats, high: Floats, width: float) -> tuple[Floats, Floats]:
    """Points and weights (..., G) for the integrals from ``low`` to ``high`` (...,) of what varies over ``width``."""
    length = high - low
    x, w = _legendre(8 * int(np.clip(np.ceil((8 + 1.8 * float(np.max(length)) / width) / 8), 2, 64)))
    return low[..., None] + length[..., None] * x, length[..., None] * w


def _line_around(edge: Threshold, low: Floats, high: Floats, width: float) -> tuple[Floats, Floats]:
    """Return `line`, crowded around a threshold within it narrower than ``width`` / 2: there y = level + scale sinh(t)."""
    scale = float(np.min(edge.width))
    if scale > width / 2 or np.all(low > edge.level + REACH * edge.width):
        return line(low, high, width)
    far = float(np.max(np.maximum(high - edge.level, edge.level - low)))
    start, stop = (np.arcsinh((end - edge.level) / scale) for end in (low, high))
    t, dt = line(start, stop, min(1.0, width / np.hypot(far, scale) * 1.5))
    level = np.asarray(edge.level)[..., None]
    return level + scale * np.sinh(t), scale * np.cosh(t) * dt


def density(z: Floats) -> Floats:
    """Return the standard normal density at z."""
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


@dataclass(frozen=True, slots=True)
class _Won:
    """At M points y: the probability that h <= y, the worth of the own bow where it is (E[(u0 - c) 1(h <= y)]), density of h."""

    chance: Floats
    lost: Floats
    density: Floats


def _won(edge: Threshold, y: Floats, less: Floats) -> _Won:
    z = (y - edge.level) / edge.width
    chance, a = ndtr(z), density(z)
    return _Won(chance, less * chance - edge.lift * a, a / edge.width)


def _copy(y: Floats, centre: Floats, spread: Floats, noise: float, won: _Won) -> tuple[Floats, Floats]:
    """Return F and the worth A P(h <= y) - a E[(u0 - c) 1(h <= y)] of a copy at y."""
    total = np.hypot(spread, noise)
    z = (y - centre) / total
    return ndtr(z), ((centre + spread**2 / total * z) * won.chance - won.lost) * density(z) / total


def _ladder(y: Floats, mean: Floats, bows: Bows, noise: float, won: _Won) -> _Group:
    """Return the groups of the tier's first 0, 1, ... K copies at y (M,); like copies are evaluated once."""
    pairs, where = np.unique(np.stack([bows.offset, bows.spread], axis=1), axis=0, return_inverse=True)
    below, worth = _copy(y, mean + pairs[:, [0]], pairs[:, [1]], noise, won)
    P, Q = np.ones((len(bows.offset) + 1, len(y))), np.zeros((len(bows.offset) + 1, len(y)))
    for count, like in enumerate(where.ravel()):
        np.multiply(P[count], below[like], out=P[count + 1])
        Q[count + 1] = Q[count] * below[like] + P[count] * worth[like]
    return _Group(P, Q)


def _joined(one: _Group, other: _Group, rows: tuple[Ints, Ints]) -> _Group:
    """Return the groups of ``one`` and ``other`` together, row by row."""
    P, Q = one.below[rows[0]], other.below[rows[1]]
    return _Group(P * Q, one.worth[rows[0]] * Q + P * other.worth[rows[1]])


def allocations(sizes: Sequence[int], most: int) -> Ints:
    """Return every choice of 1 to ``most`` bows, at most ``sizes[t]`` of tier t: (R, T), by number of bows, more of the first tiers first."""
    counts = np.stack(np.meshgrid(*[np.arange(min(size, most) + 1) for size in sizes], indexing="ij"), axis=-1)
    rows = counts.reshape(-1, len(sizes))
    total = rows.sum(axis=1)
    fits = (total >= 1) & (total <= most)
    rows, total = rows[fits][::-1], total[fits][::-1]
    return np.asarray(rows[np.argsort(total, kind="stable")], dtype=np.intp)


def _contract(ladders: Sequence[_Group], weights: Floats, won: _Won, rows: Ints) -> tuple[Floats, Floats]:
    """Integrals of the worth, and of the probability that h is above every rating, for every row of ``rows``: (R,), (R,)."""
    last, most = ladders[-1], int(rows.sum(axis=1).max())
    group = _Group(np.ones((1, len(weights))), np.zeros((1, len(weights))))
    counts = np.zeros((1, 0), dtype=np.intp)
    for ladder in ladders[:-1]:
        left, right = (index.ravel() for index in np.indices((len(counts), len(ladder.below))))
        fits = counts[left].sum(axis=1) + right <= most
        group = _joined(group, ladder, (left[fits], right[fits]))
        counts = np.column_stack([counts[left[fits]], right[fits]])
    P = last.below * weights
    gain = group.worth @ P.T + group.below @ (last.worth * weights).T
    stays = group.below @ (P * won.density).T
    place = _places(counts, rows[:, :-1])
    return gain[place, rows[:, -1]], stays[place, rows[:, -1]]


def _places(counts: Ints, wanted: Ints) -> Ints:
    """Row of ``counts`` (A, T - 1) that each row of ``wanted`` (R, T - 1) is."""
    powers = (1 + int(counts.max(initial=0))) ** np.arange(counts.shape[1])
    keys = counts @ powers
    order = np.argsort(keys)
    return np.asarray(order[np.searchsorted(keys[order], wanted @ powers)], dtype=np.intp)


def _edges(means: Floats, bows: Sequence[Bows], noise: float) -> tuple[Floats, Floats]:
    """Lowest and highest rating worth looking at, for each node: means (N, T) -> (N,), (N,)."""
    reach = [REACH * np.hypot(tier.spread, noise) for tier in bows]
    low = np.array([np.min(tier.offset - far) for tier, far in zip(bows, reach, strict=True)])
    high = np.array([np.max(tier.offset + far) for tier, far in zip(bows, reach, strict=True)])
    return np.min(means + low, axis=1), np.max(means + high, axis=1)


def _first_alone(law: Law, bows: Sequence[Bows]) -> Floats:
    """Probability that each tier's first copy, alone, is rated above the own bow, in closed form: (T,)."""
    offset = np.array([tier.offset[0] for tier in bows])
    spread = np.array([tier.spread[0] for tier in bows])
    own = 0.0 if law.own_spread is None else law.own_spread**2 + law.noise**2
    deviation = np.sqrt(np.diag(law.cov) + spread**2 + law.noise**2 + own)
    return np.asarray(ndtr((law.mean + offset - law.level) / deviation))


def _integrals(law: Law, bows: Sequence[Bows], rows: Ints, width: float) -> tuple[Floats, Floats]:
    """Gain and chance of every row of ``rows``, by quadrature."""
    tau2 = shared_variance(law.cov)
    slope = np.asarray(law.slope.sum())
    edge = threshold(law.level, np.asarray(tau2), slope, law.own_spread, law.noise, np.asarray(SHARPEST * width))
    deviations, weights = nodes(law.cov - tau2, width)
    means = law.mean + deviations
    low, high = _edges(means, bows, law.noise)
    low = np.maximum(low, edge.level - REACH * edge.width)
    high = np.maximum(low, high)
    y, dy = _line_around(edge, low, high, width)
    repeated = np.repeat(means, y.shape[1], axis=0)
    less = np.repeat(law.expected + deviations @ law.slope, y.shape[1])
    won = _won(edge, y.ravel(), less)
    ladders = [_ladder(y.ravel(), repeated[:, t], tier, law.noise, won) for t, tier in enumerate(bows)]
    gain, stays = _contract(ladders, (weights[:, None] * dy).ravel(), won, rows)
    beyond = weights @ ndtr((edge.level - high) / edge.width)
    return gain, 1 - stays - beyond


def gains_and_chances(law: Law, bows: Sequence[Bows], rows: Ints) -> tuple[Floats, Floats]:
    """Return what each allocation is expected to win, and the chance that one of its bows is rated above the own.

    Parameters
    ----------
    bows : one a tier, in the order in which its copies would be brought; a tier may have none.
    rows : (R, T) number of bows of each tier, at least one in all.

    Returns
    -------
    (R,) expected true advantage in points of the bow taken home, 0 where the own bow stays; (R,) probability.
    """
    width = float(min(np.min(np.hypot(tier.spread, law.noise), initial=np.inf) for tier in bows))
    held = [tier if len(tier.offset) else Bows(np.zeros(1), np.full(1, width)) for tier in bows]
    gain, chance = _integrals(law, held, rows, width)
    single = rows.sum(axis=1) == 1
    chance[single] = _first_alone(law, held)[np.argmax(rows[single], axis=1)]
    return gain, chance


def gains_alone(mean: Floats, spread: Floats, noise: float, edge: Threshold, expected: float, copies: int) -> Floats:
    """Return what so many unknown copies of one tier alone are expected to win, for each of T tiers: (T,).

    All of a tier's variance is shared by its copies, so the one integral is that over y: ``mean``, ``spread``, and the width
    and lift of ``edge`` are (T,).
    """
    total = np.hypot(spread, noise)
    low = np.maximum(mean - REACH * total, edge.level - REACH * edge.width)
    high = np.maximum(low, mean + REACH * total)
    y, dy = _line_around(edge, low, high, float(np.min(total)))
    won = _won(Threshold(edge.level, edge.width[:, None], edge.lift[:, None]), y, np.full_like(y, expected))
    below, worth = _copy(y, mean[:, None], spread[:, None], noise, won)
    return np.asarray(np.sum(copies * below ** (copies - 1) * worth * dy, axis=1))
