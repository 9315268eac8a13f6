"""How chances are told: one increasing map for every chance, found by the check-up where they did not come true as told."""

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from model.domain.arrays import Floats

NO_RECALIBRATION = 1.0
"""The slope that changes nothing."""
LIKING_SLOPE = 0.9
"""The slope by which chances of true liking are told, which no mark shows and no check-up sees.

The law takes its variances for known, so it is a little too sure, and less sure tails are not in it. Likeliest slope in five invented
worlds unlike the model, the demo's not among them: .94, .92, .86, .91 and .96 (players held out; the first bow by name .96, .91, .80,
.89, 1.00). A judgement from imagined players, then, to be replaced where true liking is ever seen.
"""


def reported_slope(found: float = NO_RECALIBRATION) -> float:
    """Return the slope for every chance that is told, ``found`` being the one that the check-up needs for marks."""
    return LIKING_SLOPE * found


def recalibrated(told: ArrayLike, slope: float) -> Floats:
    """Return chances (...) with their logits ``slope`` times as large: 0, a half and 1 stay where they are, and so does the order."""
    given = np.asarray(told, dtype=np.float64)
    return given if slope == NO_RECALIBRATION else np.asarray(expit(slope * logit(given)))
