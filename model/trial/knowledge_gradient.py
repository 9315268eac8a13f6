"""Which of several bows is the best, and what one or two more plays are worth: all from one joint normal law.

The likings u ~ N(mean, cov). A play gives a rating y = u_k + noise; before it is heard, the mean of u after it is normal around
the mean now, mean + b z with b = Cov(u, y) / sd(y) and z standard normal. Who then takes the bow with the highest mean wins
E[max(mean + b z)] over what is known now (the knowledge gradient for correlated normal beliefs: Frazier, Powell & Dayanik 2009,
INFORMS J. Comput. 21: 599). The expectation is in closed form, line by line of the upper envelope; two plays at once are that,
integrated over the first one's z.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular
from scipy.special import ndtr, ndtri

from model.domain.arrays import Floats
from model.trial.points import uniform_points

POINTS_LOG2 = 8
"""Points of the net for the probability of being the best, each used with its mirror image: errors below 1e-3, mostly 2e-4."""
JITTER = 1e-10
"""Share of the largest variance that is added to each, so that bows which nothing tells apart share their probability."""
SAME_SLOPE = 1e-12
"""Slopes closer than this are the same line's: the higher one is kept."""
FIRST_NODES = np.linspace(-6.0, 6.0, 49)
"""Nodes for z of the first of two plays: beyond them lie 2e-9 of a normal law, and the trapezoidal rule is exact to rounding."""


def density(z: Floats) -> Floats:
    """Return the standard normal density at z."""
    return np.asarray(np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi))


def p_best(mean: ArrayLike, cov: ArrayLike) -> Floats:
    """Return (n,) the probability that each of n jointly normal likings is the highest.

    Bow i is the best where all its leads u_i - u_j are above 0: an orthant of their normal law, for all i at once by separation
    of variables, the tightest lead first (Genz 1992, J. Comput. Graph. Stat. 1: 141), over a scrambled Sobol net of fixed seed
    (Owen 1998, ACM TOMACS 8: 71). Two bows are exact; the same law always gives the same answer.
    """
    a, C = np.asarray(mean, dtype=np.float64), np.asarray(cov, dtype=np.float64)
    if len(a) < 2:
        return np.ones(len(a))
    chance = _orthants(*_leads(a, C))
    return np.asarray(chance / chance.sum())


def one_above(mean: ArrayLike, cov: ArrayLike, bar: float) -> float:
    """Return the probability that at least one of n jointly normal numbers is above ``bar``; the same law gives the same answer."""
    a, C = np.asarray(mean, dtype=np.float64), np.asarray(cov, dtype=np.float64)
    order = np.argsort((bar - a) / np.sqrt(np.diag(C)), kind="stable")
    return 1.0 - float(_orthants((bar - a[order])[None], C[order[:, None], order][None])[0])


def _leads(a: Floats, C: Floats) -> tuple[Floats, Floats]:
    """Return of each bow i the mean (n, n - 1) and the covariance (n, n - 1, n - 1) of its leads over the others, tightest first."""
    others = np.array([[j for j in range(len(a)) if j != i] for i in range(len(a))])
    i = np.arange(len(a))[:, None]
    width = np.diag(C)[:, None] + np.diag(C)[others] - 2 * C[i, others] + JITTER
    order = np.argsort((a[:, None] - a[others]) / np.sqrt(width), axis=1, kind="stable")
    j = np.take_along_axis(others, order, axis=1)
    across = C[i, j]
    cov = C[i, i][..., None] - across[:, :, None] - across[:, None, :] + C[j[:, :, None], j[:, None, :]]
    return a[:, None] - a[j], cov + JITTER * max(float(np.max(np.diag(C))), JITTER) * np.eye(len(a) - 1)


def _orthants(lead: Floats, cov: Floats) -> Floats:
    """Return (n,) the probabilities that normal vectors, means (n, m) and covariances (n, m, m), have no part below 0."""
    L, points = np.linalg.cholesky(cov), uniform_points(lead.shape[1] - 1, POINTS_LOG2)
    below = ndtr(lead[:, 0] / L[:, 0, 0])[:, None]
    chance, y = np.broadcast_to(below, (len(lead), len(points))), np.zeros((len(lead), len(points), 0))
    for k in range(1, lead.shape[1]):
        drawn = ndtri(np.maximum(points[:, k - 1] * below, 1e-300))
        y = np.concatenate([y, drawn[..., None]], axis=-1)
        below = ndtr((lead[:, k, None] - np.einsum("npk,nk->np", y, L[:, k, :k])) / L[:, k, k, None])
        chance = chance * below
    return np.asarray(chance.mean(axis=1))


def _where_highest(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """Return from where to where line i, a_i + b_i z, is the highest: (..., n) each, the same number twice where it never is.

    It is from its last crossing with a flatter line to its first with a steeper one, if these are in that order; of lines with
    one slope it is the highest, of equal lines the first.
    """
    rise, lead = b[:, None] - b, a[..., None, :] - a[..., :, None]
    alike = np.abs(rise) <= SAME_SLOPE
    crossing = lead / np.where(alike, 1.0, rise)
    low = np.max(np.where(~alike & (rise > 0), crossing, -np.inf), axis=-1)
    high = np.min(np.where(~alike & (rise < 0), crossing, np.inf), axis=-1)
    earlier = np.arange(len(b)) < np.arange(len(b))[:, None]
    hidden = np.any(alike & ((lead > 0) | ((lead == 0) & earlier)), axis=-1)
    never = hidden | (low >= high)
    return np.where(never, 0.0, low), np.where(never, 0.0, high)


def _share(low: Floats, high: Floats) -> Floats:
    """Return the probability that a standard normal z is between."""
    return np.asarray(ndtr(high) - ndtr(low))


def expected_max(a: Floats, b: Floats) -> Floats:
    """Return E[max over i of a_i + b_i Z], Z standard normal: ``a`` (..., n), ``b`` (n,) give (...)."""
    low, high = _where_highest(a, b)
    return np.asarray(np.sum(a * _share(low, high) + b * (density(low) - density(high)), axis=-1))


def predictive_change(cov: Floats, plays: Sequence[int], noise: float) -> Floats:
    """Return (n, plays) B: after these bows are rated once more each, the likings' mean is mean + B z, z standard normal."""
    places = list(plays)
    gram = cov[np.ix_(places, places)] + noise**2 * np.eye(len(places))
    lower = np.linalg.cholesky(gram)
    return np.asarray(solve_triangular(lower, cov[places], lower=True).T)


def expected_max_after(mean: Floats, B: Floats) -> float:
    """Return E[max of mean + B z] for one or two plays, B (n, 1) or (n, 2).

    Raises
    ------
    ValueError : another number of plays.
    """
    if B.shape[1] == 1:
        return float(expected_max(mean, B[:, 0]))
    if B.shape[1] != 2:
        msg = f"plays: got {B.shape[1]}, expected one or two"
        raise ValueError(msg)
    weights = density(FIRST_NODES)
    inner = expected_max(mean + FIRST_NODES[:, None] * B[:, 0], B[:, 1])
    return float(weights @ inner / weights.sum())


def knowledge_gradient(mean: Floats, cov: Floats, plays: Sequence[int], noise: float) -> float:
    """Return what one more rating of each of one or two bows is expected to win, in points: 0 or more."""
    return max(0.0, expected_max_after(mean, predictive_change(cov, plays, noise)) - float(np.max(mean)))


def append_unknown_copies(
    mean: Floats, cov: Floats, tier: int, bows: Sequence[int], spread: float, copies: int
) -> tuple[Floats, Floats]:
    """Return the law of some bows and of so many unknown copies of a tier, out of the joint law of tiers and bows.

    Parameters
    ----------
    mean, cov : joint law of tiers' means and bows' likings.
    tier, bows : their places in it; the new copies come last.
    spread : deviation of a copy's liking around its tier's mean.
    """
    places = [*bows, *[tier] * copies]
    new = np.arange(len(places)) >= len(bows)
    return mean[places], cov[np.ix_(places, places)] + np.diag(spread**2 * new)
