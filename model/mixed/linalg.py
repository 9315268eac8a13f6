"""Equations with a lower root, by LAPACK itself: at the sizes of one trial the checks and choices of a general solver cost more."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import lapack

from model.domain.arrays import Floats

Root = NDArray[np.floating[Any]]


def root_inverse(root: Root, right: Floats, *, turned: bool = False) -> Floats:
    """L^-1 `right`, or, `turned`, L'^-1 `right`, of a lower root L (n, n) and (n,) or (n, t) finite numbers.

    Raises
    ------
    numpy.linalg.LinAlgError
        L has a zero on its diagonal.
    """
    # Rows by rows, L lies in memory as LAPACK has its transpose.
    return _solved(right, lambda b: lapack.dtrtrs(root.T, b, lower=0, trans=0 if turned else 1))


def inverse_of_root(root: Root, right: Floats) -> Floats:
    """(LL')^-1 `right` of a lower root L (n, n) and (n,) or (n, t) finite numbers."""
    return _solved(right, lambda b: lapack.dpotrs(root.T, b, lower=0))


def _solved(right: Floats, solve: Any) -> Floats:
    if not right.size:
        return np.zeros(right.shape)
    found, info = solve(right[:, None] if right.ndim == 1 else right)
    if info:
        msg = f"the root is singular: LAPACK says {info}"
        raise np.linalg.LinAlgError(msg)
    return np.asarray(found[:, 0] if right.ndim == 1 else found, dtype=np.float64)
