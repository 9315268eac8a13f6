"""Which marks of the own bow to condition on, so that a better one never makes a new bow likelier to beat it.

The Gaussian law alone does not give that: a high mark on one criterion beside a middling one overall tells of a player who marks
that criterion leniently, or of a bow that is liked less than its parts, and both speak for the new bow.

A lead is the liking of a bow less that of the own bow. While a mark of the own bow has a positive coefficient in the expectation of any
lead given the marks kept, the one with the most positive coefficient is left out. Values play no part: which marks are kept follows
from which are given, so that the expectation stays linear in them.
"""

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats

Bools = NDArray[np.bool_]

NEARLY_NOTHING = 1e-12
"""A coefficient up to this is one of rounding, not of the law."""


def kept(cross: Floats, gram: Floats, given: Bools) -> Bools:
    """Return (..., m) which marks of the own bow to condition on, for many players at once.

    Parameters
    ----------
    cross : (..., n, m) covariance of n leads with the marks, given all marks of other bows.
    gram : (..., m, m) covariance of the marks, given the same.
    given : (..., m) which of the marks there are.
    """
    keep, alone = given.copy(), np.eye(gram.shape[-1])
    for _ in range(keep.shape[-1]):
        both = keep[..., :, None] & keep[..., None, :]
        solved = np.linalg.solve(np.where(both, gram, alone), np.where(keep[..., None, :], cross, 0.0).swapaxes(-1, -2))
        most = np.where(keep, solved.max(axis=-1, initial=-np.inf), -np.inf)
        worst = most.argmax(axis=-1)[..., None]
        raises = np.take_along_axis(most, worst, axis=-1) > NEARLY_NOTHING
        if not raises.any():
            break
        np.put_along_axis(keep, worst, np.take_along_axis(keep, worst, axis=-1) & ~raises, axis=-1)
    return keep


def kept_of(cross: Floats, gram: Floats, own: Bools) -> Bools:
    """Return (O,) which of one player's marks to condition on: all of other bows, and those of the own bow that `kept` keeps.

    Parameters
    ----------
    cross : (n, O) covariance of n leads with the marks.
    gram : (O, O) covariance of the marks.
    own : (O,) which are of the own bow.
    """
    mine, others, keep = np.flatnonzero(own), np.flatnonzero(~own), np.ones(len(own), dtype=bool)
    of_others = gram[np.ix_(others, mine)]
    told = np.linalg.solve(gram[np.ix_(others, others)], of_others)
    left = gram[np.ix_(mine, mine)] - of_others.T @ told
    keep[mine] = kept(cross[:, mine] - cross[:, others] @ told, left, np.ones(len(mine), dtype=bool))
    return keep
