"""What the data can tell of the variance components, and where the search for them begins.

Both come from the matrix F_ml = tr(P0 V_m P0 V_l) of V = Z Z' of players, copies, cells and the noise, P0 the
projection off the fixed part: components are told apart where its rows are independent, and MINQUE(0) solves
F theta = (y'P0 V_m P0 y) (Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr, solve_triangular

from model.domain.arrays import Floats
from model.mixed.layout import Cells

_NOISE = 3
_ALIASED = 1e-9  # of a component's own size: what is left of it after the fixed part and the terms before it


def orthonormal(X: Floats) -> tuple[Floats, Floats]:
    """Q (n, p) and R (p, p) of X = QR for X of full rank, turned twice against a bad condition.

    The second time by a Cholesky root, which takes a third of the time and does for columns that are nearly orthonormal
    (Yamamoto, Nakatsukasa, Yanagisawa & Fukaya 2015, Electron. Trans. Numer. Anal. 44: 306).
    """
    first = np.asarray(np.linalg.qr(X, mode="r"), dtype=np.float64)
    turned = solve_triangular(first, X.T, trans="T").T
    second = np.linalg.cholesky(turned.T @ turned).T
    return solve_triangular(second, turned.T, trans="T").T, second @ first


def range_basis(X: Floats) -> tuple[Floats, list[int]]:
    """Orthonormal basis (n, rank) of the columns of X (n, p), and the columns that depend on the others."""
    if 0 in X.shape:
        return np.zeros((X.shape[0], 0)), list(range(X.shape[1]))
    size = np.linalg.norm(X, axis=0)
    scaled = X / np.where(size > 0, size, 1.0)
    _, upper, pivot = qr(np.linalg.qr(scaled, mode="r"), mode="economic", pivoting=True)
    depth = np.abs(np.diagonal(upper))
    rank = int(np.sum(depth > 1e-10 * max(1.0, depth[0])))
    return orthonormal(scaled[:, np.sort(pivot[:rank])])[0], np.sort(pivot[rank:]).tolist()


@dataclass(frozen=True, eq=False)
class Moments:
    """F (4, 4) and tr(V_m V_m) (4,) of player, copy, match and noise, noise last; zeros for a term that is absent."""

    F: Floats
    sizes: Floats


def moments(cells: Cells, present: tuple[bool, bool, bool], means: Floats) -> Moments:
    """Give the MINQUE(0) matrix, in O(N).

    Parameters
    ----------
    cells : Cells
        With players as factor a and copies as b.
    present : bool for player, copy, match
    means : (J, rank)
        Cell means of an orthonormal basis of the fixed part.
    """
    n, totals = float(cells.count.sum()), _totals(cells, means)
    sizes = [total[:, 0] for total in _totals(cells, np.ones((cells.a.size, 1)))]
    F = np.full((4, 4), cells.count @ cells.count)
    F[0, 0], F[1, 1] = sizes[0] @ sizes[0], sizes[1] @ sizes[1]
    F[_NOISE, :] = F[:, _NOISE] = n
    whole = F.diagonal().copy()
    grams = [total.T @ total for total in totals] + [np.eye(means.shape[1])]
    spread = [totals[0][cells.a], totals[1][cells.b], totals[2]]  # rows of V_m Q, the same within a cell
    for m in range(4):
        for other in range(m, 4):
            F[m, other] += np.sum(grams[m] * grams[other]) - 2.0 * _through(m, other, spread, grams, cells.count)
            F[other, m] = F[m, other]
    keep = np.array([*present, True])
    return Moments(np.where(np.outer(keep, keep), F, 0.0), whole)


def _totals(cells: Cells, means: Floats) -> list[Floats]:
    """Sum columns with these cell means by player, copy and cell."""
    return [cells.to_a(cells.count) @ means, cells.to_b(cells.count) @ means, cells.count[:, None] * means]


def _through(m: int, other: int, spread: list[Floats], grams: list[Floats], count: Floats) -> float:
    """tr(Q'V_m V_other Q)."""
    if _NOISE in (m, other):
        return float(np.trace(grams[min(m, other)]))
    return float(np.sum(count[:, None] * spread[m] * spread[other]))


def told_apart(moment: Moments) -> tuple[bool, bool, bool]:
    """Whether player, copy and match can each be told from the fixed part, the noise and the terms before it."""
    F, accepted, found = moment.F, [_NOISE], []
    for term in range(_NOISE):
        own = F[term, term]
        along = np.linalg.lstsq(F[np.ix_(accepted, accepted)], F[accepted, term])[0]
        found.append(bool(own - F[term, accepted] @ along > _ALIASED * moment.sizes[term]))
        accepted += [term] if found[-1] else []
    return found[0], found[1], found[2]


def first_ratios(moment: Moments, free: np.ndarray, cells: Cells, residual: Floats) -> Floats:
    """Give the MINQUE(0) ratios (3,) of the free terms, kept within [0.01, 100]; 0 elsewhere.

    Parameters
    ----------
    residual : (N,) y less its projection on the fixed part
    """
    terms = [*np.flatnonzero(free).tolist(), _NOISE]
    totals = _totals(cells, cells.means(residual[:, None]))
    forms = np.array([float(np.sum(total**2)) for total in totals] + [residual @ residual])
    theta = np.linalg.lstsq(moment.F[np.ix_(terms, terms)], forms[terms])[0]
    noise = max(float(theta[-1]), 1e-3 * float(np.abs(theta).max()), np.finfo(np.float64).tiny)
    ratios = np.zeros(3)
    ratios[terms[:-1]] = np.clip(theta[:-1] / noise, 0.01, 100.0)
    return ratios
