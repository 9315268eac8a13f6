"""Readings: how well they repeat, which of them to ask about, how their uncertainty goes on, and how a tier's copies spread."""

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

import numpy as np
from scipy.special import stdtrit

REPEATABILITY_LIMIT = 1.96 * math.sqrt(2.0)
"""Two readings of one thing differ by more than this many standard deviations once in twenty times (ISO 5725-6, 4.1.4)."""
OUTLIER_LEVEL = 0.01
"""How often a sound set of readings has one that is asked about (ISO 5725-2, 7.3.4, calls it an outlier at 1 %)."""
WIDE = 5.0
"""By so many times what is usual two readings differ that are asked about though nobody knows how well they repeat (a judgement)."""
ORDER_APART = 5.0
"""Readings of one quantity that differ by this factor are not of one thing (a judgement, no source)."""
FEWEST_COPIES = 6
"""Of so many copies or more one can be told to be out of character."""
_NORMAL_MAD = 0.6744897501960817
"""The median absolute deviation of a normal law, in its standard deviations: the upper quartile."""
_APART = {
    6: 5.56,
    7: 5.86,
    8: 4.91,
    9: 5.06,
    10: 4.57,
    12: 4.36,
    15: 4.28,
    20: 3.99,
    30: 3.85,
    50: 3.75,
    100: 3.75,
    300: 3.87,
}
"""By how many robust deviations the furthest of so many copies lies from their median in one sound tier of twenty (by drawing)."""


class Measured(NamedTuple):
    """A value with its standard uncertainty, both in the quantity's unit."""

    value: float
    sd: float


class Repeatability(NamedTuple):
    """Standard deviation of repeated readings of one thing, from ``degrees`` of freedom."""

    sd: float
    degrees: int


def propagate(formula: Callable[..., float], *inputs: Measured) -> Measured:
    """Return a formula's value with its first-order uncertainty, the inputs independent.

    Law of propagation of uncertainty (JCGM 100:2008, 5.1.2), each sensitivity by the difference over one standard uncertainty
    to either side (5.1.3, note 2). An input of uncertainty 0 is taken as exact. What the formula refuses, it raises.
    """
    values = [each.value for each in inputs]
    variance = 0.0
    for place, (value, sd) in enumerate(inputs):
        # A reading with an uncertainty of its own size must not step over zero, which most formulas refuse.
        step = min(sd, 0.5 * abs(value)) if value else sd
        if step > 0.0:
            above, below = (formula(*values[:place], value + way * step, *values[place + 1 :]) for way in (1.0, -1.0))
            variance += ((above - below) / (2.0 * step) * sd) ** 2
    return Measured(formula(*values), math.sqrt(variance))


def mean(values: Sequence[float], sd: float) -> Measured:
    """Return the mean of n readings with its standard uncertainty, ``sd`` being that of one: sd / sqrt(n)."""
    if not values:
        msg = "values: got none, expected one reading or more"
        raise ValueError(msg)
    return Measured(math.fsum(values) / len(values), sd / math.sqrt(len(values)))


def repeatability(groups: Iterable[Sequence[float]]) -> Repeatability | None:
    """Return the repeatability of readings taken in groups of one thing each (ISO 5725-2: pooled), None without a repeat."""
    arrays = [np.asarray(group, dtype=np.float64) for group in groups]
    degrees = sum(max(each.size - 1, 0) for each in arrays)
    if degrees == 0:
        return None
    squares = sum(float(((each - each.mean()) ** 2).sum()) for each in arrays if each.size)
    return Repeatability(math.sqrt(squares / degrees), degrees)


def order_apart(values: Sequence[float]) -> bool:
    """Say whether readings above 0 differ by a factor that no repetition has, as where a unit was mistaken."""
    return bool(values) and max(values) >= ORDER_APART * min(values)


def questioned(values: Sequence[float], known: Repeatability | None = None, usual: float = 0.0) -> int | None:
    """Return the place of the reading that stands apart from the others, None where none does.

    Of three or more by Grubbs' test (Grubbs 1969, Technometrics 11:1). Of two, where it is ``known`` how well such readings
    repeat, by the critical difference (ISO 5725-6), which for few degrees of freedom is Student's, else by `WIDE` repeatability
    limits of what is ``usual``; then it is the later one. ``usual``: the standard deviation of one reading; what differs from the
    mean of three or more by less than its repeatability limit is never asked about, since readings come in steps: of three in
    which two are equal Grubbs' test asks about the third however near it is.
    """
    given = np.asarray(values, dtype=np.float64)
    if given.size >= 3:
        return _grubbs(given, REPEATABILITY_LIMIT * usual)
    if given.size < 2 or (known is None and usual <= 0.0):
        return None
    limit = WIDE * REPEATABILITY_LIMIT * usual
    if known is not None:
        limit = float(stdtrit(known.degrees, 1.0 - OUTLIER_LEVEL / 2.0)) * math.sqrt(2.0) * known.sd
    return 1 if abs(given[1] - given[0]) > limit else None


def grubbs_critical(n: int, level: float = OUTLIER_LEVEL) -> float:
    """Return the two-sided critical value of Grubbs' statistic for n readings."""
    t = float(stdtrit(n - 2, 1.0 - level / (2 * n)))
    return float((n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2)))


def _grubbs(values: np.ndarray[tuple[int, ...], np.dtype[np.float64]], least: float) -> int | None:
    away = np.abs(values - values.mean())
    spread = float(values.std(ddof=1))
    furthest = int(away.argmax())
    # Equal readings leave a spread of rounding only.
    if spread <= 1e-12 * max(abs(float(values.mean())), 1e-300):
        return None
    apart = away[furthest] > max(grubbs_critical(values.size) * spread, least)
    return furthest if apart else None


class Line(NamedTuple):
    """A straight line through points that are uncertain in both directions."""

    slope: Measured
    intercept: Measured
    chi_square: float


def line_through(x: Sequence[Measured], y: Sequence[Measured]) -> Line:
    """Return the line through points whose x and y are both uncertain, all errors independent.

    Least squares of York 1966 (Can. J. Phys. 44:1079), in the unified form of York, Evensen, Martinez & De Basabe Delgado 2004
    (Am. J. Phys. 72:367), from which the standard deviations are too. ``chi_square`` is the weighted sum of squares, n - 2
    degrees of freedom.

    Raises
    ------
    ValueError
        Fewer than three points, an uncertainty that is not above 0, or no spread of x.
    """
    X, Y, sx, sy = (np.array([each[i] for each in of], dtype=np.float64) for i in (0, 1) for of in (x, y))
    if X.size != Y.size or X.size < 3 or not (np.concatenate([sx, sy]) > 0.0).all() or np.ptp(X) == 0.0:
        msg = "x, y: expected three points or more, each with uncertainties above 0, that differ in x"
        raise ValueError(msg)
    wx, wy = 1.0 / sx**2, 1.0 / sy**2
    slope = float(np.polyfit(X, Y, 1)[0])
    for _ in range(200):
        w = wx * wy / (wx + slope**2 * wy)
        u, v = X - np.average(X, weights=w), Y - np.average(Y, weights=w)
        beta = w * (u / wy + slope * v / wx)
        new = float((w * beta * v).sum() / (w * beta * u).sum())
        done, slope = abs(new - slope) <= 1e-14 * abs(new), new
        if done:
            break
    centre = float(np.average(X, weights=w))
    intercept = float(np.average(Y, weights=w)) - slope * centre
    adjusted = centre + beta
    middle = float(np.average(adjusted, weights=w))
    slope_variance = 1.0 / float((w * (adjusted - middle) ** 2).sum())
    intercept_sd = math.sqrt(1.0 / float(w.sum()) + middle**2 * slope_variance)
    chi_square = float((w * (Y - slope * X - intercept) ** 2).sum())
    return Line(Measured(slope, math.sqrt(slope_variance)), Measured(intercept, intercept_sd), chi_square)


class TierSpread(NamedTuple):
    """How the copies of one tier spread in one quantity.

    Attributes
    ----------
    middle : their median. sd : robust deviation of what they truly have, the measurement's own taken off.
    apart : the places of those out of character.
    """

    middle: float
    sd: float
    apart: tuple[int, ...]


def tier_spread(values: Sequence[float], sd: float) -> TierSpread:
    """Return how copies spread and which are out of character, ``sd`` being the standard deviation of one reading.

    The identifier of Hampel: out of character is what lies further from the median than a multiple of the median absolute
    deviation, scaled to a normal law's standard deviation, with the multiple at which one sound tier of twenty has such a copy
    (Davies & Gather 1993, J. Am. Stat. Assoc. 88:782), so that several odd copies do not hide each other. The scale is never
    below the measurement's own.
    """
    given = np.asarray(values, dtype=np.float64)
    if not given.size:
        msg = "values: got none, expected the reading of one copy or more"
        raise ValueError(msg)
    middle = float(np.median(given))
    away = np.abs(given - middle)
    observed = float(np.median(away)) / _NORMAL_MAD
    limit = np.interp(given.size, list(_APART), list(_APART.values())) * max(observed, sd)
    apart = np.flatnonzero(away > limit) if given.size >= FEWEST_COPIES else np.zeros(0, dtype=np.intp)
    return TierSpread(middle, math.sqrt(max(observed**2 - sd**2, 0.0)), tuple(apart.tolist()))


class SpreadParts(NamedTuple):
    """Standard deviations of copies within their tier and of the tiers' means, the measurement's own taken off the first."""

    within: float
    between: float


def spread_parts(tiers: Iterable[Sequence[float]], sd: float) -> SpreadParts | None:
    """Return how much copies differ within tiers and between them; None where no tier has two copies or there is one tier.

    Analysis of variance of a one-way layout with random, unequal groups (Searle, Casella & McCulloch 1992, Variance Components,
    3.6); a variance below 0 is 0.
    """
    arrays = [np.asarray(tier, dtype=np.float64) for tier in tiers if len(tier)]
    sizes = np.array([each.size for each in arrays])
    count, total = len(arrays), int(sizes.sum())
    if count < 2 or total == count:
        return None
    within = sum(float(((each - each.mean()) ** 2).sum()) for each in arrays) / (total - count)
    grand = float(np.concatenate(arrays).mean())
    among = sum(each.size * (float(each.mean()) - grand) ** 2 for each in arrays) / (count - 1)
    per_tier = (total - float((sizes**2).sum()) / total) / (count - 1)
    return SpreadParts(math.sqrt(max(within - sd**2, 0.0)), math.sqrt(max((among - within) / per_tier, 0.0)))
