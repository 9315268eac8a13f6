"""Intervals on the scale of marks, and sets of whole marks."""

import numpy as np
from scipy.special import ndtr, ndtri

from model.domain.arrays import Floats
from model.domain.vocabulary import HIGHEST, LOWEST

SCALE = (float(LOWEST), float(HIGHEST))
ROUNDED = 1.0 / 12.0
"""What rounding to a whole mark adds to a variance (Sheppard 1898, Proc. Lond. Math. Soc. 29: 353)."""
MARKS = HIGHEST - LOWEST + 1
FEWEST = 2
"""So many marks at least, so that the expectation lies among them."""
_CUTS = LOWEST + 0.5 + np.arange(MARKS - 1)
_FROM = np.broadcast_to(np.arange(MARKS), (MARKS - FEWEST + 1, MARKS))
# A run that would end beyond the scale ends there: it is never likelier than the whole one of its length, which stands before it.
_TO = np.minimum(_FROM + np.arange(FEWEST, MARKS + 1)[:, None], MARKS)


def interval_on_scale(
    mean: Floats | float, sd: Floats | float, level: float, ends: tuple[float, float] = SCALE
) -> tuple[Floats, Floats]:
    """Return low and high (...,) of the interval on a scale that holds a value with a probability.

    A value beyond an end of the scale is given as that end. So an interval about the mean that sticks out there leaves nothing out on
    that side, and may leave all of ``1 - level`` on the other one; else half lies on either side.

    Parameters
    ----------
    mean, sd : (...,) of the normal distribution of the value, in points; deviations above 0.
    level : probability, within 0 and 1.
    ends : of the scale.
    """
    mean, sd = np.broadcast_arrays(np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64))
    two_sided, one_sided = ndtri((1.0 + level) / 2.0) * sd, ndtri(level) * sd
    below, above = mean - two_sided < ends[0], mean + two_sided > ends[1]
    low = mean - np.where(above & ~below, one_sided, two_sided)
    high = mean + np.where(below & ~above, one_sided, two_sided)
    return np.clip(low, *ends), np.clip(high, *ends)


def likely_marks(mean: Floats | float, sd: Floats | float, level: float) -> tuple[Floats, Floats, Floats]:
    """Return the lowest and the highest (...,) of the whole marks told of a mark to come, and the probability of all of them.

    A mark is what lies nearest to a normally distributed liking, the ends of the scale taking all beyond. Of each number of neighbouring
    marks the likeliest are looked at; told are those whose probability comes nearest to ``level``, which it seldom meets.

    Parameters
    ----------
    mean, sd : (...,) of the mark, in points; the deviation holds what rounding adds.
    level : probability, within 0 and 1.
    """
    mean, variance = np.broadcast_arrays(np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64) ** 2)
    liking = np.sqrt(np.maximum(variance - ROUNDED, 1e-9))[..., None]
    at_most = np.zeros((*mean.shape, MARKS + 1))
    at_most[..., 1:-1], at_most[..., -1] = ndtr((_CUTS - mean[..., None]) / liking), 1.0
    held = at_most[..., _TO] - at_most[..., _FROM]
    likeliest = held.max(axis=-1)
    number = np.abs(likeliest - level).argmin(axis=-1)[..., None]
    chance = np.take_along_axis(likeliest, number, axis=-1)[..., 0]
    low = LOWEST + np.take_along_axis(held.argmax(axis=-1), number, axis=-1)[..., 0].astype(np.float64)
    return low, low + number[..., 0] + (FEWEST - 1), chance
