"""Intervals on the scale of marks."""

import numpy as np
from scipy.special import ndtri

from model.domain.arrays import Floats
from model.domain.vocabulary import HIGHEST, LOWEST

SCALE = (float(LOWEST), float(HIGHEST))


def interval_on_scale(
    mean: Floats | float, sd: Floats | float, level: float, ends: tuple[float, float] = SCALE
) -> tuple[Floats, Floats]:
    """Return low and high (...,) of the interval on a scale that holds a mark with a probability.

    A mark beyond an end of the scale is given as that end. So an interval about the mean that sticks out there leaves nothing out on
    that side, and may leave all of ``1 - level`` on the other one; else half lies on either side.

    Parameters
    ----------
    mean, sd : (...,) of the normal distribution of the mark, in points; deviations above 0.
    level : probability, within 0 and 1.
    ends : of the scale.
    """
    mean, sd = np.broadcast_arrays(np.asarray(mean, dtype=np.float64), np.asarray(sd, dtype=np.float64))
    two_sided, one_sided = ndtri((1.0 + level) / 2.0) * sd, ndtri(level) * sd
    below, above = mean - two_sided < ends[0], mean + two_sided > ends[1]
    low = mean - np.where(above & ~below, one_sided, two_sided)
    high = mean + np.where(below & ~above, one_sided, two_sided)
    return np.clip(low, *ends), np.clip(high, *ends)
