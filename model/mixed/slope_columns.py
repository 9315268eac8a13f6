"""The columns of tastes: in which coordinates they are worked, which of them the ratings can tell, where to begin.

A player's effects are an intercept and q slopes, z'b with z = [1, tastes]. They are worked as b = A v on columns that are
centred, scaled and, without a prior, made uncorrelated within players; the fit is the same in all such coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.layout import Cells
from model.mixed.minque import _ALIASED, Moments
from model.mixed.priors import Prior
from model.mixed.reml import COPY, MATCH, PLAYER
from model.mixed.slope_reml import CovariancePrior, symmetric_basis
from model.mixed.slope_solver import PlayerRows

_SAME = 1e-8  # of a column's own spread: what is left of it within players after the columns before it
_PLAYERS_A_SLOPE = 3  # fewer players than this for each slope do not tell a covariance (a rule of thumb, no source)


@dataclass(frozen=True, eq=False)
class Coordinates:
    """z = [1, (tastes - centre) @ turn].

    Attributes
    ----------
    centre : (q,)
    turn : (q, q'), q' <= q: rows of zeros for columns left out
    """

    centre: Floats
    turn: Floats

    def rows(self, tastes: Floats) -> Floats:
        """Z (n, q' + 1) of tastes (n, q)."""
        return np.column_stack([np.ones(len(tastes)), (tastes - self.centre) @ self.turn])

    def at_centre(self, S: Floats) -> Floats:
        """Covariance (q + 1, q + 1) of the intercept at the centre and the slopes by the caller's columns."""
        q, kept = self.turn.shape
        A = np.zeros((q + 1, kept + 1))
        A[0, 0], A[1:, 1:] = 1.0, self.turn
        return A @ S @ A.T

    def of_centre(self, covariance: Floats, kept: Ints) -> Floats:
        """Turn such a covariance (q + 1, q + 1), so far as it is of the level and the columns `kept` (q'), back into S."""
        turn = np.eye(kept.size + 1)
        turn[1:, 1:] = np.linalg.inv(self.turn[kept])
        chosen = np.append(0, kept + 1)
        return np.asarray(turn @ covariance[np.ix_(chosen, chosen)] @ turn.T)

    def prior(self, prior: Prior, kept: Ints) -> CovariancePrior:
        """Prior of the covariance over sigma^2 of the level and the slopes on the columns `kept` (q')."""
        sd = np.append(prior.player_sd, np.asarray(prior.taste_sd)[kept]) / prior.repeat_sd
        T = np.eye(kept.size + 1)
        T[0, 1:], T[1:, 1:] = self.centre[kept], np.linalg.inv(self.turn[kept])
        return CovariancePrior((T * sd**2) @ T.T, 2.0 * float(np.linalg.slogdet(T)[1]))


def within_players(cells: Cells, columns: Floats) -> Floats:
    """Columns (N, q) less each player's own mean."""
    player = cells.a[cells.row]
    count = np.maximum(np.bincount(player, minlength=cells.n_a), 1)
    means = [np.bincount(player, weights=column, minlength=cells.n_a) / count for column in columns.T]
    return columns - np.array(means).reshape(-1, cells.n_a).T[player]


def centred(tastes: Floats) -> tuple[Floats, Floats]:
    """Centre (q,) and scale (q,) of tastes (N, q); scale 1 for a column that does not vary."""
    if not tastes.shape[0]:
        return np.zeros(tastes.shape[1]), np.ones(tastes.shape[1])
    centre = tastes.mean(axis=0)
    spread = np.sqrt(np.mean((tastes - centre) ** 2, axis=0))
    flat = spread <= 1e-12 * np.maximum(np.abs(centre), np.finfo(np.float64).tiny)
    return centre, np.where(flat, 1.0, spread)


def independent(within: Floats, length: float) -> Ints:
    """Columns (q') of `within` (N, q) that do not follow from those before them; `length` is that of a whole column."""
    kept: list[int] = []
    basis = np.zeros((within.shape[0], 0))
    for column in range(within.shape[1]):
        rest = within[:, column]
        for _ in range(2):
            rest = rest - basis @ (basis.T @ rest)
        left = float(np.linalg.norm(rest))
        if left > _SAME * length:
            kept.append(column)
            basis = np.column_stack([basis, rest / left])
    return np.array(kept, dtype=np.int64)


def settled(cells: Cells, tastes: Floats, kept: Ints) -> Coordinates:
    """Coordinates in which the kept columns have unit variance within players and no correlation there."""
    centre, scale = centred(tastes)
    turn = np.zeros((tastes.shape[1], kept.size))
    if kept.size:
        within = within_players(cells, (tastes[:, kept] - centre[kept]) / scale[kept])
        R = np.linalg.qr(within, mode="r") / np.sqrt(len(within))
        turn[kept] = solve_triangular(R, np.eye(kept.size)) / scale[kept, None]
    return Coordinates(centre, turn)


def scaled(tastes: Floats, kept: Ints) -> Coordinates:
    """Coordinates that are the kept columns, centred and scaled."""
    centre, scale = centred(tastes)
    return Coordinates(centre, np.diag(1.0 / scale)[:, kept])


def enough_players(cells: Cells, slopes: int) -> int:
    """Slopes, of at most `slopes`, that there are players for and ratings to tell their noise from."""
    count = np.bincount(cells.a, weights=cells.count, minlength=cells.n_a)
    players = int(np.sum(count > 1))
    while slopes and (players < _PLAYERS_A_SLOPE * slopes or np.sum(np.maximum(count - slopes - 1, 0)) < 1):
        slopes -= 1
    return slopes


@dataclass(frozen=True, eq=False)
class TasteMoments:
    """The matrix F of MINQUE(0) and forms, parameters: entries of S, copy, match, noise.

    F_ml = tr(P0 V_m P0 V_l), P0 the projection off the fixed part (Searle, Casella & McCulloch 1992, Variance
    Components, sec. 11.3).

    Attributes
    ----------
    F : (nE + 3, nE + 3)
    sizes : (nE + 3,) tr(V_m V_m)
    """

    F: Floats
    sizes: Floats
    basis: Floats

    @classmethod
    def of(cls, rows: PlayerRows, known: Floats, means: Floats, moment: Moments) -> TasteMoments:
        """Sum them up.

        Parameters
        ----------
        known : (I, Q, r) Z_i'B of an orthonormal basis B of the fixed part
        means : (J, r) its cell means
        moment : Moments
            Of player, copy, match and noise.
        """
        basis = symmetric_basis(rows.width)
        nE = basis.shape[0]
        own, sizes = _own_moments(basis, rows.square, known)
        flat = known.reshape(known.shape[0], -1)
        paired = (flat.T @ flat).reshape(rows.width, means.shape[1], rows.width, means.shape[1])
        through = np.einsum("mab,arbs->mrs", basis, paired, optimize=True)
        own += np.tensordot(through, through, ((1, 2), (1, 2)))
        F = np.zeros((nE + 3, nE + 3))
        F[:nE, :nE], F[nE:, nE:] = own, moment.F[1:, 1:]
        cells = rows.cells
        by_copy = (cells.to_b(cells.count) @ means, cells.b)
        by_cell = (cells.count[:, None] * means, np.arange(cells.a.size))
        crossed = rows.sums.T @ rows.sums
        for place, (total, level) in zip((nE, nE + 1), (by_copy, by_cell), strict=True):
            part = np.tensordot(rows.total_of_cells(total[level]), known, ((0, 2), (0, 2)))
            F[:nE, place] = np.tensordot(basis, crossed - 2.0 * part, ((1, 2), (0, 1)))
            F[:nE, place] += np.tensordot(through, total.T @ total, ((1, 2), (0, 1)))
        left = rows.square.sum(axis=0) - np.tensordot(known, known, ((0, 2), (0, 2)))
        F[:nE, -1] = np.tensordot(basis, left, ((1, 2), (0, 1)))
        F[nE:, :nE] = F[:nE, nE:].T
        return cls(F, np.append(sizes, moment.sizes[1:]), basis)

    def told(self, told: tuple[bool, bool, bool]) -> list[bool]:
        """Which slopes (q') can be told from noise, player, copy, match and the slopes before them."""
        nE = self.basis.shape[0]
        a, b = np.tril_indices(self.basis.shape[1])
        accepted = [nE + 2, 0] + [nE + place - COPY for place in (COPY, MATCH) if told[place]]
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
        free : (3,) bool: players, copy, match
        """
        nE = self.basis.shape[0]
        terms = [*range(nE)] * bool(free[PLAYER]) + [nE + place - COPY for place in (COPY, MATCH) if free[place]]
        terms.append(nE + 2)
        scale = 1.0 / np.sqrt(np.where(self.sizes[terms] > 0.0, self.sizes[terms], np.inf))
        theta = scale * np.linalg.lstsq(self.F[np.ix_(terms, terms)] * np.outer(scale, scale), forms[terms] * scale)[0]
        noise = max(float(theta[-1]), 1e-3 * float(np.abs(theta).max()), np.finfo(np.float64).tiny)
        whole = np.zeros(nE + 3)
        whole[terms] = theta / noise
        values, vectors = np.linalg.eigh(np.tensordot(whole[:nE], self.basis, ((0,), (0,))))
        ratios = np.zeros(3)
        for place in (COPY, MATCH):
            ratios[place] = np.clip(whole[nE + place - COPY], 0.01, 10.0) if free[place] else 0.0
        return (vectors * np.clip(values, 0.01, 10.0)) @ vectors.T, ratios


def _own_moments(basis: Floats, square: Floats, known: Floats) -> tuple[Floats, Floats]:
    """Moments of the entries of S among themselves but for the last term, and their sizes."""
    Q = square.shape[1]
    flat = square.reshape(-1, Q * Q)
    told = (known @ known.transpose(0, 2, 1)).reshape(-1, Q * Q)

    def paired(left: Floats, right: Floats) -> Floats:
        """Sum over players of tr(E X_i E* Y_i), X, Y (I, Q Q)."""
        tensor = (left.T @ right).reshape(Q, Q, Q, Q)
        return np.asarray(np.einsum("mab,ncd,bcda->mn", basis, basis, tensor, optimize=True))

    whole = paired(flat, flat)
    cross = paired(flat, told)
    return whole - cross - cross.T, np.diagonal(whole).copy()


def taste_forms(rows: PlayerRows, residual: Floats, basis: Floats) -> Floats:
    """y'P0V_mP0y (nE + 3,) of entries of S, copy, match and noise; `residual` (N,) is P0y."""
    players = rows.total(residual[:, None])[:, :, 0]
    cells = rows.cells
    by_cell = cells.count * cells.means(residual[:, None])[:, 0]
    by_copy = np.bincount(cells.b, weights=by_cell, minlength=cells.n_b)
    own = np.tensordot(basis, players.T @ players, ((1, 2), (0, 1)))
    return np.concatenate([own, [by_copy @ by_copy, by_cell @ by_cell, residual @ residual]])
