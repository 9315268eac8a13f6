"""Intervals on the scale of marks."""

import numpy as np
from scipy.special import ndtri

from model.domain.arrays import Floats
from model.domain.vocabulary import HIGHEST, LOWEST

SCALE = (float(LOWEST), float(HIGHEST))


def shortest_interval(
    mean: Floats | float, sd: Floats | float, level: float, ends: tuple[float, float] = SCALE
) -> tuple[Floats, Floats]:
    """Return low and high (...,) of the shortest interval on a scale that holds a mark with a probability.

    A mark beyond an end of the scale is given as that end. So an interval that reaches an end leaves all of ``1 - level`` on its other
    side; in between it lies about the mean, with half on either side.

    Parameters
    ----------
    mean, sd : (...,) of the normal distribution of the mark, in points; deviations above 0.
    level : probability, within 0 and 1.
    ends : of the scale.
    """
    mean, sd = np.broadcast_arrays(np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64))
    two_sided, one_sided = ndtri((1.0 + level) / 2.0) * sd, ndtri(level) * sd
    lowest, highest = (np.full_like(mean, end) for end in ends)
    lows = np.array([mean - two_sided, mean - one_sided, lowest, lowest])
    highs = np.array([mean + two_sided, highest, mean + one_sided, highest])
    fits = (lows >= ends[0]) & (highs <= ends[1])
    best = np.where(fits, highs - lows, np.inf).argmin(axis=0)[None]
    low, high = (np.take_along_axis(of, best, axis=0)[0] for of in (lows, highs))
    return np.clip(low, *ends), np.clip(high, *ends)
