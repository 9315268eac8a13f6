"""Tests of a fixed number of pairs or plays, by their published tables: what the sequential test is set against."""

import math
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import binom

from model.domain.arrays import Floats


def _check_sides(sides: int) -> None:
    if sides not in (1, 2):
        msg = f"sides: got {sides}, expected 1 or 2"
        raise ValueError(msg)


# A fixed number of pairs


def needed(n: int, alpha: float = 0.05, sides: int = 2) -> int | None:
    """Return the smallest number of n preferences for one bow that shows a preference at the level alpha; None: n are too few.

    The smallest c with P(X >= c) <= alpha / sides, X binomial with n and 1/2 (ISO 5495, paired comparison).

    Raises
    ------
    ValueError : n below 1, alpha not between 0 and 1, or ``sides`` neither 1 nor 2.
    """
    _check_sides(sides)
    if n < 1 or not 0 < alpha < 1:
        msg = f"n, alpha: got {n} and {alpha}, expected at least one pair and a level between 0 and 1"
        raise ValueError(msg)
    c = int(binom.isf(alpha / sides, n, 0.5)) + 1
    return c if c <= n else None


def sign_test(won: int, n: int, sides: int = 2) -> float:
    """Return the probability of at least so many preferences of n if there is no preference; two sides: at least so uneven.

    Raises
    ------
    ValueError : ``won`` not within 0 and n, n below 1, or ``sides`` neither 1 nor 2.
    """
    _check_sides(sides)
    if n < 1 or not 0 <= won <= n:
        msg = f"won, n: got {won} of {n}, expected 0 to n of at least one pair"
        raise ValueError(msg)
    if sides == 1:
        return float(binom.sf(won - 1, n, 0.5))
    return min(1.0, 2 * float(binom.sf(max(won, n - won) - 1, n, 0.5)))


# The best of several


@lru_cache(maxsize=1)
def _normal_nodes() -> tuple[Floats, Floats]:
    """Nodes and weights of E f(Z), Z standard normal."""
    x, w = np.polynomial.hermite_e.hermegauss(80)
    return x, w / w.sum()


def finds_best(k: int, tau: float) -> float:
    """Return the probability that the truly best of k bows has the best mean rating, where it is tau ahead of all the others.

    ``tau`` is in units of the deviation of one bow's mean rating: the integral of phi(x) Phi(x + tau)^(k - 1)
    (Bechhofer 1954, Ann. Math. Statist. 25: 16).

    Raises
    ------
    ValueError : k below 2, or tau not a number.
    """
    if k < 2 or not math.isfinite(tau):
        msg = f"k, tau: got {k} and {tau}, expected at least two bows and a finite number"
        raise ValueError(msg)
    x, w = _normal_nodes()
    return float(w @ ndtr(x + tau) ** (k - 1))


@lru_cache(maxsize=256)
def bechhofer(k: int, p_star: float) -> float:
    """Return tau for which the best of k bows is found with probability P* (Bechhofer 1954, Ann. Math. Statist. 25: 16, Table I).

    Raises
    ------
    ValueError : k below 2, or P* not above 1/k (which guessing reaches) and at most .9999.
    """
    if k < 2 or not 1 / k < p_star <= 0.9999:
        msg = f"k, p_star: got {k} and {p_star}, expected at least two bows and a probability above 1/k, at most .9999"
        raise ValueError(msg)
    return float(brentq(lambda tau: finds_best(k, tau) - p_star, 0.0, 12.0, xtol=1e-12))


def plays_needed(k: int, p_star: float, difference: float, noise: float) -> int:
    """Return how often each of k bows must be rated to find the best with probability P*.

    Parameters
    ----------
    difference : points by which the best is ahead of each other bow; a smaller lead need not be found.
    noise : deviation of one rating, in points.

    Raises
    ------
    ValueError : as `bechhofer`, or a difference or noise that is not above 0.
    """
    if not (difference > 0 and noise > 0 and math.isfinite(noise / difference)):
        msg = f"difference, noise: got {difference} and {noise}, expected numbers above 0"
        raise ValueError(msg)
    return max(1, math.ceil((bechhofer(k, p_star) * noise / difference) ** 2))
