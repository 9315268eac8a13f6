"""How chances are told: one increasing map for every chance, found by the check-up where they did not come true as told."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from model.domain.arrays import Floats

AS_THEY_ARE = 1.0
"""The slope that changes nothing."""


def recalibrated(told: ArrayLike, slope: float) -> Floats:
    """Return chances (...) with their logits ``slope`` times as large: 0, a half and 1 stay where they are, and so does the order."""
    given = np.asarray(told, dtype=np.float64)
    return given if slope == AS_THEY_ARE else np.asarray(expit(slope * logit(given)))
