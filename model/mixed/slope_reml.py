"""Restricted maximum likelihood with tastes: criterion, score and average information of the players' covariance.

The parameters are the entries S_ab, a >= b, of the players' covariance over sigma^2 (row by row), then the ratios of copy
and match. Criterion and constants as in Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1); average information
after Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over sigma^2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.mixed.linalg import inverse_of_root, root_inverse
from model.mixed.priors import Prior
from model.mixed.reml import COPY, MATCH, Design, Profiled
from model.mixed.slope_solver import PlayerRows, TasteColumns, TasteElimination, Working


def symmetric_basis(Q: int) -> Floats:
    """Matrices (Q (Q + 1) / 2, Q, Q) of ones at (a, b) and (b, a), a >= b, so that S = sum S_ab E_ab."""
    a, b = entry_places(Q)
    basis = np.zeros((a.size, Q, Q))
    basis[np.arange(a.size), a, b] = basis[np.arange(a.size), b, a] = 1.0
    return basis


def of_entries(x: Floats, Q: int) -> Floats:
    """Return S (Q, Q) = sum x_ab E_ab of entries x (Q (Q + 1) / 2,)."""
    S, (a, b) = np.empty((Q, Q)), entry_places(Q)
    S[a, b] = S[b, a] = x
    return S


def along_entries(M: Floats) -> Floats:
    """Return sums (Q (Q + 1) / 2,) of M (Q, Q) times each E_ab, entry by entry."""
    a, b = entry_places(len(M))
    return np.asarray(np.where(a == b, M[a, b], M[a, b] + M[b, a]))


@cache
def entry_places(Q: int) -> tuple[Ints, Ints]:
    """Return rows and columns of the entries S_ab, a >= b, of S (Q, Q), row by row; kept, not to be changed."""
    a, b = np.tril_indices(Q)
    return a, b


@dataclass(frozen=True, eq=False)
class CovariancePrior:
    """-2 log density of S: -log|S| + tr(S0^-1 S), a Wishart density with its mode at S0 that keeps off the boundary.

    Chung, Gelman, Rabe-Hesketh, Liu & Dorie 2015, J. Educ. Behav. Stat. 40: 136.

    Attributes
    ----------
    mode : (Q, Q) S0
    constant : float
        Added to the value: twice the log determinant that leads from these units to the caller's, negative.
    """

    mode: Floats
    constant: float

    @cached_property
    def precision(self) -> Floats:
        """S0^-1 (Q, Q)."""
        return np.asarray(np.linalg.inv(self.mode))

    def value(self, S: Floats) -> float:
        """-2 log density at S; infinite on the boundary."""
        sign, log_determinant = np.linalg.slogdet(S)
        return float(np.sum(self.precision * S) - log_determinant) + self.constant if sign > 0 else np.inf

    def curvature(self, S: Floats, basis: Floats) -> Floats:
        """Second derivatives (nE, nE) of the value along the directions `basis` (nE, Q, Q)."""
        turned, nE = np.linalg.inv(S) @ basis, len(basis)
        return np.asarray(turned.reshape(nE, -1) @ turned.transpose(0, 2, 1).reshape(nE, -1).T)


@dataclass(frozen=True, eq=False)
class TasteProblem:
    """One response's search: what is fixed while the covariance and the ratios move.

    Attributes
    ----------
    free : (3,) bool
        Whether the players' covariance, the copy's and the match's ratio are sought.
    covariance_prior : None where there is no prior
    """

    rows: PlayerRows
    design: Design
    columns: TasteColumns
    free: Flags
    prior: Prior | None
    covariance_prior: CovariancePrior | None

    @cached_property
    def basis(self) -> Floats:
        """Directions (nE, Q, Q) of the players' covariance; none where it is held."""
        return symmetric_basis(self.rows.width)[: None if self.free[0] else 0]

    def at(self, S: Floats, ratios: Floats) -> TasteRestricted:
        """Set up the criterion at S (Q, Q) and the ratios (3,), the first of which is not used."""
        return TasteRestricted(self, S, ratios)


class TasteRestricted(Profiled):
    """The penalised REML criterion and its derivatives at a players' covariance and ratios."""

    def __init__(self, problem: TasteProblem, S: Floats, ratios: Floats):
        self.problem, self.S, self.ratios = problem, S, ratios
        self.free = problem.free
        matched = bool(self.free[MATCH])
        l_c, l_w = float(ratios[COPY]), float(ratios[MATCH])
        self.elimination = TasteElimination(problem.rows, problem.columns, S, l_c, l_w, matched)
        super().__init__(problem.design, problem.prior, self.elimination.product, self.elimination.log_determinant)

    @property
    def _penalty(self) -> float:
        if self.prior is None:
            return 0.0
        value = self.prior.penalty(self.ratios, self._free_ratios)[0]
        chosen = self.problem.covariance_prior if self.free[0] else None
        return value + (chosen.value(self.S) if chosen else 0.0)

    @property
    def informations(self) -> tuple[Floats, Floats]:
        """Of the entries of S, where it is sought, and the free ratios; the average information of the ratings."""
        basis, ratings = self.problem.basis, self.curvature
        prior, chosen = np.zeros(ratings.shape), self.problem.covariance_prior
        if chosen is not None and len(basis):
            prior[: len(basis), : len(basis)] = chosen.curvature(self.S, basis)
        if self.prior is not None:
            second = self.prior.penalty(self.ratios, self._free_ratios)[2]
            of_ratios = np.arange(len(basis), len(ratings))
            prior[of_ratios, of_ratios] = second[self._free_ratios]
        return ratings, prior

    @property
    def _free_ratios(self) -> Flags:
        return np.asarray(self.free & np.array([False, True, True]))

    @cached_property
    def effects(self) -> tuple[Floats, Floats, Floats]:
        """Z_i'Py (I, Q), Z_c'Py (K,) and Z_w'Py (J,); the last as zeros where matches have no part."""
        weights, elimination = np.append(-self.gamma, 1.0), self.elimination
        players, copies = elimination.players @ weights, elimination.copies @ weights
        if not self.free[MATCH] and self.ratios[MATCH] == 0.0:
            return players, copies, np.zeros(elimination.w.size)
        means = (elimination.given.columns.means @ weights)[:, None]
        return players, copies, elimination.in_cells(means, players[:, :, None], copies[:, None])[:, 0]

    @cached_property
    def _cell_solutions(self) -> Floats:
        """Z_w'H^-1 Q (J, p)."""
        elimination = self.elimination
        means = elimination.given.columns.means[:, :-1]
        return elimination.in_cells(means, elimination.players[:, :, :-1], elimination.copies[:, :-1])

    def _told(self, G: Floats) -> float:
        """tr(G C G') of G (n, p)."""
        return float(np.trace(inverse_of_root(self.root, G.T @ G)))

    @cached_property
    def traces(self) -> tuple[Floats, float, float]:
        """Sum of Z_i'PZ_i (Q, Q), tr(Z_c'PZ_c) and tr(Z_w'PZ_w), zeros for ratios not sought."""
        own, copy, match = self.elimination.traces
        p, Q = self.gamma.size, self.problem.rows.width
        known = self.elimination.players[:, :, :-1].reshape(-1, p)
        half = root_inverse(self.root, known.T).reshape(p, -1, Q)
        own = own - np.tensordot(half, half, ((0, 1), (0, 1)))
        copy = copy - self._told(self.elimination.copies[:, :-1]) if self.free[COPY] else 0.0
        match = match - self._told(self._cell_solutions) if self.free[MATCH] else 0.0
        return own, copy, match

    @cached_property
    def _squares(self) -> tuple[Floats, float, float]:
        """Sum of h_ih_i' (Q, Q), and h'h of copies and cells."""
        players, copies, matches = self.effects
        return players.T @ players, float(copies @ copies), float(matches @ matches)

    def _along(self, parts: tuple[Floats, float, float]) -> Floats:
        """Values by parameter (nE + number of free ratios) of what is a matrix for the players and a number for ratios."""
        of_players = along_entries(parts[0])[: len(self.problem.basis)]
        ratios = np.array([0.0, parts[1], parts[2]])
        return np.concatenate([of_players, ratios[self._free_ratios]])

    @cached_property
    def score(self) -> Floats:
        """Derivative of the unpenalised criterion by each free parameter."""
        return self._along(self.traces) - self.degrees / self.q * self._along(self._squares)

    @cached_property
    def curvature(self) -> Floats:
        """Average information of the free parameters."""
        working, along = self._variates()
        product = self.elimination.solve(working)[2]
        alpha = product - along @ self._inverse_information(along.T)
        g = self._along(self._squares)
        return np.asarray(self.degrees * (alpha / self.q - np.outer(g, g) / self.q**2))

    def _variates(self) -> tuple[Working, Floats]:
        """Working variates f = Z_m h_m of the free parameters, and f'H^-1 Q (m, p)."""
        elimination, rows = self.elimination, self.problem.rows
        h_i, h_c, h_w = self.effects
        moved = np.tensordot(h_i, self.problem.basis, ((1,), (2,))).transpose(0, 2, 1)
        flat = moved.reshape(rows.cells.n_a * rows.width, moved.shape[2])
        players, copies = [elimination.W @ moved], [elimination.by_copy @ flat]
        along = [np.tensordot(moved, elimination.players[:, :, :-1], ((0, 1), (0, 1)))]
        if self.free[COPY]:
            players.append((elimination.by_copy.T @ h_c).reshape(-1, rows.width, 1))
            copies.append((elimination.w_c * h_c)[:, None])
            along.append((h_c @ elimination.copies[:, :-1])[None])
        if self.free[MATCH]:
            players.append(rows.total_of_cells((elimination.shrunk * h_w)[:, None]))
            weighted = elimination.w * h_w
            copies.append(np.bincount(rows.cells.b, weights=weighted, minlength=rows.cells.n_b)[:, None])
            along.append((h_w @ self._cell_solutions)[None])
        stacked, by_copy = np.concatenate(players, axis=2), np.hstack(copies)
        return Working(stacked, by_copy, self._inner(moved, stacked, by_copy)), np.vstack(along)

    def _inner(self, moved: Floats, players: Floats, copies: Floats) -> Floats:
        """f'R^-1 f of the working variates."""
        left = [np.tensordot(moved, players, ((0, 1), (0, 1)))]
        if self.free[COPY]:
            left.append((self.effects[1] @ copies)[None])
        if self.free[MATCH]:
            h_w, last = self.effects[2], np.concatenate([part[:, -1] for part in left])
            left.append(np.append(last, (self.elimination.w * h_w) @ h_w)[None])
        return np.vstack(left)
