"""The own bows' level in a fit, taken into the coefficient of the column 'own bow': so the two are never told apart.

In the fit an own bow stands at a level of its component, a_o; its rating is x_own'beta + sum_o f_o a_o, f_o the share of own bows'
runs at the level. Ratings tell the sum of that and of the column's coefficient far better than either. With the column j that
is 1 for own bows and 0 for all others,

    beta' = beta + e_j sum_o f_o (a_o - effect_o)

is a coefficient by which own bows' ratings are as uncertain, and go as much with those of others, as the fit says; x'beta' is
x'beta where x_j = 0. The copies' effects are then regressed on beta' (Searle, Casella & McCulloch 1992, Variance Components, ch. 7).
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from model.domain.arrays import Floats
from model.features import Level
from model.mixed import RemlFit


def with_own_level(response: RemlFit, own: Sequence[Level], column: int) -> RemlFit:
    """Return the fit by beta', its own bows' levels still there.

    Parameters
    ----------
    own : the level of each run of an own bow.
    column : j.
    """
    here = [response.copy_index[level] for level in own if level in response.copy_index]
    if not here:
        return response
    share = np.bincount(here, minlength=len(response.copies)) / len(here)
    coupling, before = response.copy_coupling, response.coef_covariance
    turn = np.eye(len(before))
    turn[column] -= share @ coupling
    with_level = np.zeros(len(share))
    for members, V in response.copy_blocks:
        with_level[members] = V @ share[members]
    covariance = turn @ before @ turn.T
    covariance[column, column] += share @ with_level
    across = coupling @ before @ turn.T
    across[:, column] -= with_level
    after = np.asarray(np.linalg.solve(covariance, across.T).T, dtype=np.float64)
    blocks = [
        (members, _left_open(V, coupling[members], before, after[members], covariance))
        for members, V in response.copy_blocks
    ]
    return replace(response, coef_covariance=covariance, copy_coupling=after, copy_blocks=blocks)


def _left_open(V: Floats, coupling: Floats, before: Floats, after: Floats, covariance: Floats) -> Floats:
    """Covariance (m, m) of copies' effects given beta': of all of them less what beta' tells."""
    found = V + coupling @ before @ coupling.T - after @ covariance @ after.T
    return np.asarray((found + found.T) / 2.0)
