"""What the data can identify of the variance components, and where the search for them begins.

Both come from the matrix F_ml = tr(P0 V_m P0 V_l), P0 the projection off the fixed part, over the entries of the players'
covariance, copies, cells and the noise: components are identified where its rows are independent, and MINQUE(0) solves
F theta = (y'P0 V_m P0 y) (Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import qr, solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.linalg import vech_basis
from model.mixed.solver import RandomEffectsDesign

_LATER = 3  # copy, interaction and noise come after the entries of the covariance
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


def column_range(X: Floats) -> tuple[Ints, list[int], Floats]:
    """Columns (r,) of X (n, p) that do not follow from the others, those that do, and the root R (r, r) of the first: X[:, kept] R^-1 is orthonormal."""
    if 0 in X.shape:
        return np.zeros(0, dtype=np.int64), list(range(X.shape[1])), np.zeros((0, 0))
    size = np.linalg.norm(X, axis=0)
    root: Floats = np.asarray(np.linalg.qr(X / np.where(size > 0, size, 1.0), mode="r"))
    _, upper, pivot = qr(root, mode="economic", pivoting=True)
    depth = np.abs(np.diagonal(upper))
    rank = int(np.sum(depth > 1e-10 * max(1.0, depth[0])))
    kept = np.sort(pivot[:rank])
    return kept, np.sort(pivot[rank:]).tolist(), np.asarray(np.linalg.qr(root[:, kept], mode="r") * size[kept])


@dataclass(frozen=True, eq=False)
class Minque0System:
    """The matrix F of MINQUE(0), its rows: entries of S, copy, interaction, noise; zeros for a term that is absent.

    Attributes
    ----------
    F : (nE + 3, nE + 3)
    sizes : (nE + 3,) tr(V_m V_m)
    basis : (nE, Q, Q) directions of S
    """

    F: Floats
    sizes: Floats
    basis: Floats

    @classmethod
    def of(
        cls, rows: RandomEffectsDesign, known: Floats, means: Floats, present: tuple[bool, bool, bool]
    ) -> Minque0System:
        """Sum it up.

        Parameters
        ----------
        known : (I, Q, r) Z_i'B of an orthonormal basis B of the fixed part
        means : (J, r) its cell means
        present : whether there are players, copies, interactions
        """
        basis = vech_basis(rows.width)
        nE = basis.shape[0]
        F, sizes = np.zeros((nE + _LATER,) * 2), np.zeros(nE + _LATER)
        spread = _Spread.of(rows, known, means)
        F[nE:, nE:], sizes[nE:] = _ratio_moments(rows, spread)
        own, sizes[:nE] = _own_moments(basis, rows.square, known)
        flat = known.reshape(known.shape[0], -1)
        paired = (flat.T @ flat).reshape(rows.width, means.shape[1], rows.width, means.shape[1])
        through = np.einsum("mab,arbs->mrs", basis, paired, optimize=True)
        F[:nE, :nE] = own + np.tensordot(through, through, ((1, 2), (1, 2)))
        crossed = rows.sums.T @ rows.sums
        for place, (part, gram) in enumerate(zip(spread.players, spread.grams, strict=True), nE):
            F[:nE, place] = np.tensordot(basis, crossed - 2.0 * part, ((1, 2), (0, 1)))
            F[:nE, place] += np.tensordot(through, gram, ((1, 2), (0, 1)))
        left = rows.square.sum(axis=0) - np.tensordot(known, known, ((0, 2), (0, 2)))
        F[:nE, -1] = np.tensordot(basis, left, ((1, 2), (0, 1)))
        F[nE:, :nE] = F[:nE, nE:].T
        keep = np.array([present[0]] * nE + [*present[1:], True])
        return cls(np.where(np.outer(keep, keep), F, 0.0), sizes, basis)

    def identified(self) -> tuple[bool, bool, bool]:
        """Whether player, with an intercept alone, copy and interaction can each be identified from noise and the terms before it."""
        accepted, found = [_LATER], []
        for term in range(_LATER):
            found.append(self._independent(term, accepted))
            accepted += [term] if found[-1] else []
        return found[0], found[1], found[2]

    def identified_slopes(self, identified: tuple[bool, bool, bool]) -> list[bool]:
        """Which slopes (q') can be identified from noise, those of player, copy, interaction that are, and the slopes before them."""
        nE = self.basis.shape[0]
        a, b = np.tril_indices(self.basis.shape[1])
        accepted = [nE + 2, 0] + [nE + place - 1 for place in (1, 2) if identified[place]]
        found, slopes = [], [0]
        for slope in range(1, self.basis.shape[1]):
            wanted = np.flatnonzero((a == slope) & np.isin(b, [*slopes, slope])).tolist()
            trial = list(accepted)
            for term in wanted:
                trial += [term] if self._independent(term, trial) else []
            found.append(len(trial) == len(accepted) + len(wanted))
            if found[-1]:
                accepted, slopes = trial, [*slopes, slope]
        return found

    def _independent(self, term: int, accepted: list[int]) -> bool:
        scale = 1.0 / np.sqrt(self.sizes[accepted])
        inner = self.F[np.ix_(accepted, accepted)] * np.outer(scale, scale)
        along = np.linalg.lstsq(inner, self.F[accepted, term] * scale)[0]
        return bool(self.F[term, term] - (self.F[term, accepted] * scale) @ along > _ALIASED * self.sizes[term])

    def start(self, forms: Floats, free: np.ndarray) -> tuple[Floats, Floats]:
        """MINQUE(0) of S (Q, Q), made a covariance, and ratios (3,) of the free terms, within [0.01, 10].

        Parameters
        ----------
        forms : (nE + 3,) y'P0V_mP0y
        free : (3,) bool: players, copy, interaction
        """
        nE = self.basis.shape[0]
        terms = [*range(nE)] * bool(free[0]) + [nE + place - 1 for place in (1, 2) if free[place]]
        terms.append(nE + 2)
        scale = 1.0 / np.sqrt(np.where(self.sizes[terms] > 0.0, self.sizes[terms], np.inf))
        theta = scale * np.linalg.lstsq(self.F[np.ix_(terms, terms)] * np.outer(scale, scale), forms[terms] * scale)[0]
        noise = max(float(theta[-1]), 1e-3 * float(np.abs(theta).max()), np.finfo(np.float64).tiny)
        whole = np.zeros(nE + 3)
        whole[terms] = theta / noise
        values, vectors = np.linalg.eigh(np.tensordot(whole[:nE], self.basis, ((0,), (0,))))
        ratios = np.zeros(3)
        for place in (1, 2):
            ratios[place] = np.clip(whole[nE + place - 1], 0.01, 10.0) if free[place] else 0.0
        return (vectors * np.clip(values, 0.01, 10.0)) @ vectors.T, ratios


@dataclass(frozen=True, eq=False)
class _Spread:
    """Rows of V_m B, m copy and interaction, the same within a cell, as they are summed a few players at a time.

    Attributes
    ----------
    grams : two (r, r) of B'V_m B, the sums by copy and by cell
    players : two (Q, Q), sum of Z_i'V_m B B'Z_i
    products : (2, 2) sum over the ratings of the rows' inner products
    """

    grams: tuple[Floats, Floats]
    players: Floats
    products: Floats

    @classmethod
    def of(cls, rows: RandomEffectsDesign, known: Floats, means: Floats) -> _Spread:
        """Sum them up; the parameters are those of `Minque0System.of`."""
        by_copy, count = rows.cells.to_b(rows.cells.count) @ means, rows.cells.count[:, None]
        of_cells, products = np.zeros((means.shape[1],) * 2), np.zeros((2, 2))
        players = np.zeros((2, rows.width, rows.width))
        for piece in rows.pieces:
            of = by_copy[piece.copy], count[piece.cells] * means[piece.cells]
            of_cells += of[1].T @ of[1]
            for m in range(2):
                players[m] += np.tensordot(piece.total(of[m]), known[piece.players], ((0, 2), (0, 2)))
                for other in range(m, 2):
                    products[m, other] += float(np.sum(count[piece.cells] * of[m] * of[other]))
        return cls((by_copy.T @ by_copy, of_cells), players, products)


def _ratio_moments(rows: RandomEffectsDesign, spread: _Spread) -> tuple[Floats, Floats]:
    """Moments (3, 3) of copy, interaction and noise, and their sizes (3,)."""
    cells = rows.cells
    by_copy = np.bincount(cells.b, weights=cells.count, minlength=cells.n_b)
    F = np.full((3, 3), cells.count @ cells.count)
    F[0, 0], F[2, :], F[:, 2] = by_copy @ by_copy, cells.count.sum(), cells.count.sum()
    sizes = F.diagonal().copy()
    grams = [*spread.grams, np.eye(len(spread.grams[0]))]
    for m in range(3):
        for other in range(m, 3):
            through = np.trace(grams[m]) if other == 2 else spread.products[m, other]
            F[m, other] = F[other, m] = F[m, other] + np.sum(grams[m] * grams[other]) - 2.0 * float(through)
    return F, sizes


def _own_moments(basis: Floats, square: Floats, known: Floats) -> tuple[Floats, Floats]:
    """Moments of the entries of S among themselves but for the last term, and their sizes."""
    Q = square.shape[1]
    flat = square.reshape(-1, Q * Q)
    fixed = (known @ known.transpose(0, 2, 1)).reshape(-1, Q * Q)

    def paired(left: Floats, right: Floats) -> Floats:
        """Sum over players of tr(E X_i E* Y_i), X, Y (I, Q Q)."""
        tensor = (left.T @ right).reshape(Q, Q, Q, Q)
        return np.asarray(np.einsum("mab,ncd,bcda->mn", basis, basis, tensor, optimize=True))

    whole = paired(flat, flat)
    cross = paired(flat, fixed)
    return whole - cross - cross.T, np.diagonal(whole).copy()


def quadratic_forms(rows: RandomEffectsDesign, residual: Floats, basis: Floats) -> Floats:
    """y'P0V_mP0y (nE + 3,) of entries of S, copy, interaction and noise; `residual` (N,) is P0y."""
    players = rows.total(residual[:, None])[:, :, 0]
    cells = rows.cells
    by_cell = cells.count * cells.means(residual[:, None])[:, 0]
    by_copy = np.bincount(cells.b, weights=by_cell, minlength=cells.n_b)
    own = np.tensordot(basis, players.T @ players, ((1, 2), (0, 1)))
    return np.concatenate([own, [by_copy @ by_copy, by_cell @ by_cell, residual @ residual]])
