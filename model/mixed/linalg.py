"""Linear algebra of small matrices: equations with a Cholesky factor, square roots, entries of symmetric matrices.

Equations go to LAPACK itself: at the sizes of one trial the checks and choices of a general solver cost more.
"""

from __future__ import annotations

from copy import copy
from functools import cache
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import lapack

from model.domain.arrays import Floats, Ints

Sparse = TypeVar("Sparse", sparse.csr_matrix, sparse.csc_matrix)


def with_values(pattern: Sparse, values: Floats) -> Sparse:
    """Return a matrix of this pattern with other entries: nothing is checked or sorted anew, nor copied."""
    made = copy(pattern)
    made.data = values
    return made


Root = NDArray[np.floating[Any]]


def solve_lower(root: Root, right: Floats, *, turned: bool = False) -> Floats:
    """L^-1 `right`, or, `turned`, L'^-1 `right`, of a lower root L (n, n) and (n,) or (n, t) finite numbers.

    Raises
    ------
    numpy.linalg.LinAlgError
        L has a zero on its diagonal.
    """
    # Rows by rows, L lies in memory as LAPACK has its transpose.
    return _solved(right, lambda b: lapack.dtrtrs(root.T, b, lower=0, trans=0 if turned else 1))


def cholesky_solve(root: Root, right: Floats) -> Floats:
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


def psd_sqrt(covariance: Floats) -> Floats:
    """Give L with L L' = covariance (Q, Q), also of a singular one."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def psd_cholesky(covariance: Floats) -> Floats:
    """Return the lower triangular L of a positive semi-definite matrix LL', diagonal >= 0."""
    lower = np.asarray(np.linalg.qr(psd_sqrt(covariance).T, mode="r")).T
    return np.asarray(lower * np.where(np.diagonal(lower) < 0.0, -1.0, 1.0), dtype=np.float64)


@cache
def vech_places(Q: int) -> tuple[Ints, Ints]:
    """Return rows and columns of the entries S_ab, a >= b, of S (Q, Q), row by row; kept, not to be changed."""
    a, b = np.tril_indices(Q)
    return a, b


def vech(S: Floats) -> Floats:
    """Entries S_ab, a >= b, row by row."""
    return np.asarray(S[vech_places(len(S))])


def unvech(x: Floats, Q: int) -> Floats:
    """Return S (Q, Q) of its entries x (Q (Q + 1) / 2,)."""
    S, (a, b) = np.empty((Q, Q)), vech_places(Q)
    S[a, b] = S[b, a] = x
    return S


def vech_basis(Q: int) -> Floats:
    """Matrices (Q (Q + 1) / 2, Q, Q) of ones at (a, b) and (b, a), a >= b, so that S = sum S_ab E_ab."""
    a, b = vech_places(Q)
    basis = np.zeros((a.size, Q, Q))
    basis[np.arange(a.size), a, b] = basis[np.arange(a.size), b, a] = 1.0
    return basis


def vech_sums(M: Floats) -> Floats:
    """Return sums (Q (Q + 1) / 2,) of M (Q, Q) times each E_ab: derivatives by the entries of S."""
    a, b = vech_places(len(M))
    return np.asarray(np.where(a == b, M[a, b], M[a, b] + M[b, a]))
