"""Evenly spread points of the standard normal law, the same in every run: what expectations over sheets to come are taken over."""

from functools import cache

import numpy as np
from scipy.special import ndtri

from model.domain.arrays import Floats

SEED = 20


@cache
def uniform_points(dimensions: int, log2: int) -> Floats:
    """Return (2 ** (log2 + 1), dimensions) scrambled Sobol points of the unit cube, each with its mirror image (Owen 1998, ACM TOMACS 8: 71)."""
    if not dimensions:
        return np.zeros((1, 0))
    from scipy.stats import qmc  # noqa: PLC0415 - a quarter of a second, which only whoever advises waits for

    half = qmc.Sobol(dimensions, scramble=True, rng=SEED).random_base2(log2)
    points = np.clip(np.vstack([half, 1.0 - half]), 1e-12, 1.0 - 1e-12)
    points.setflags(write=False)
    return np.asarray(points)


@cache
def normal_points(dimensions: int, log2: int) -> Floats:
    """Return the points as standard normal deviates; their mean is 0 exactly, since each has its mirror image."""
    points = ndtri(uniform_points(dimensions, log2))
    points.setflags(write=False)
    return np.asarray(points)
