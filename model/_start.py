"""What the data can tell of the variance components, and where the search for them begins.

Both come from the matrix F_ml = tr(P0 V_m P0 V_l) of V = Z Z' of players, copies, cells and the noise, P0 the
projection off the fixed part: components are told apart where its rows are independent, and MINQUE(0) solves
F theta = (y'P0 V_m P0 y) (Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr, solve_triangular

from model._structure import Cells, Floats

_NOISE = 3
_ALIASED = 1e-9  # of a component's own size: what is left of it after the fixed part and the terms before it


def triangle(X: Floats) -> Floats:
    """Upper triangle R (p, p) of X = QR, without Q."""
    return np.asarray(np.linalg.qr(X, mode="r"), dtype=np.float64)


def range_basis(X: Floats) -> tuple[Floats, list[int]]:
    """Orthonormal basis (n, rank) of the columns of X (n, p), and the columns that depend on the others."""
    if 0 in X.shape:
        return np.zeros((X.shape[0], 0)), list(range(X.shape[1]))
    size = np.linalg.norm(X, axis=0)
    scaled = X / np.where(size > 0, size, 1.0)
    _, upper, pivot = qr(triangle(scaled), mode="economic", pivoting=True)
    depth = np.abs(np.diagonal(upper))
    rank = int(np.sum(depth > 1e-10 * max(1.0, depth[0])))
    chosen = np.sort(pivot[:rank])
    basis = scaled[:, chosen]
    for _ in range(2):
        basis = solve_triangular(triangle(basis), basis.T, trans="T").T
    return basis, np.sort(pivot[rank:]).tolist()


@dataclass(frozen=True, eq=False)
class Moments:
    """F (4, 4), the quadratic forms (4,) and tr(V_m V_m) (4,) of player, copy, match and noise, noise last."""

    F: Floats
    forms: Floats
    sizes: Floats


def moments(player: Cells, present: tuple[bool, bool, bool], basis: Floats, residual: Floats) -> Moments:
    """MINQUE(0) moments, in O(N).

    Parameters
    ----------
    player : Cells
        Cells with players as factor a and copies as b.
    present : bool for player, copy, match
    basis : (n, rank) orthonormal basis of the fixed part
    residual : (n,) y less its projection on it
    """
    cells, n = player, residual.size
    sums = cells.count[:, None] * cells.means(np.column_stack([basis, residual]))
    ones = np.ones(cells.a.size)
    by_term = [cells.to_a(ones), cells.to_b(ones)]
    totals = [by_term[0] @ sums, by_term[1] @ sums, sums]
    sizes = [by_term[0] @ cells.count, by_term[1] @ cells.count, cells.count]
    squares = cells.count @ cells.count
    F = np.full((4, 4), squares)
    F[0, 0], F[1, 1] = sizes[0] @ sizes[0], sizes[1] @ sizes[1]
    F[_NOISE, :] = F[:, _NOISE] = float(n)
    grams = [total[:, :-1].T @ total[:, :-1] for total in totals] + [np.eye(basis.shape[1])]
    spread = [by_term[0].T @ totals[0], by_term[1].T @ totals[1], sums]  # rows of V_m Q, the same within a cell
    whole = F.diagonal().copy()
    for m in range(4):
        for other in range(4):
            F[m, other] += np.sum(grams[m] * grams[other]) - 2.0 * _through(m, other, spread, grams, cells.count)
    forms = np.array([total[:, -1] @ total[:, -1] for total in totals] + [residual @ residual])
    keep = np.array([*present, True])
    return Moments(np.where(np.outer(keep, keep), F, 0.0), np.where(keep, forms, 0.0), whole)


def _through(m: int, other: int, spread: list[Floats], grams: list[Floats], count: Floats) -> float:
    """tr(Q'V_m V_other Q)."""
    if _NOISE in (m, other):
        return float(np.trace(grams[min(m, other)]))
    return float(np.sum(count[:, None] * spread[m][:, :-1] * spread[other][:, :-1]))


def told_apart(moment: Moments) -> tuple[bool, bool, bool]:
    """Whether player, copy and match can each be told from the fixed part, the noise and the terms before it."""
    F, accepted, found = moment.F, [_NOISE], []
    for term in range(_NOISE):
        own = F[term, term]
        along = np.linalg.lstsq(F[np.ix_(accepted, accepted)], F[accepted, term])[0]
        found.append(bool(own - F[term, accepted] @ along > _ALIASED * moment.sizes[term]))
        accepted += [term] if found[-1] else []
    return found[0], found[1], found[2]


def first_ratios(moment: Moments, free: np.ndarray) -> Floats:
    """MINQUE(0) ratios (3,) of the free terms, kept within [0.01, 100]; 0 elsewhere."""
    terms = [*np.flatnonzero(free).tolist(), _NOISE]
    theta = np.linalg.lstsq(moment.F[np.ix_(terms, terms)], moment.forms[terms])[0]
    noise = max(float(theta[-1]), 1e-3 * float(np.abs(theta).max()), np.finfo(np.float64).tiny)
    ratios = np.zeros(3)
    ratios[terms[:-1]] = np.clip(theta[:-1] / noise, 0.01, 100.0)
    return ratios
