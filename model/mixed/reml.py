"""Restricted maximum likelihood: criterion, score and average information of the variance components.

The parameters are the entries S_ab, a >= b, of the players' covariance over sigma^2 (row by row), then the ratios of copy
and interaction, those that are sought. Criterion and constants as in Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1);
average information after Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over sigma^2.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from model.domain.arrays import Flags, Floats
from model.mixed.layout import Cells
from model.mixed.linalg import cholesky_solve, solve_lower, unvech, vech, vech_basis, vech_sums
from model.mixed.minque import orthonormal
from model.mixed.priors import Prior, VariancePriors
from model.mixed.solver import Columns, MixedModelEquations, RandomEffectsDesign, Rhs

PLAYER, COPY, INTERACTION = 0, 1, 2


@dataclass(frozen=True, eq=False)
class OrthonormalDesign:
    """Columns of the fixed part made orthonormal, X = Q R, with the prior's rows where there are any.

    Attributes
    ----------
    Q : (N, p), `outside` (m, p)
        Orthonormal together; the outside rows belong to no player and no copy.
    R : (p, p)
    target : (m,)
        What the outside rows say.
    means : (J, p) cell means of Q
    noise_degrees, noise_squares : float
        Ratings' worth of belief in the noise, and their sum of squares.
    """

    Q: Floats
    outside: Floats
    R: Floats
    target: Floats
    means: Floats
    noise_degrees: float = 0.0
    noise_squares: float = 0.0

    @classmethod
    def of(cls, X: Floats, cells: Cells, prior: Prior | None) -> OrthonormalDesign:
        """Make X (N, p) orthonormal; together with the prior's rows it has full rank."""
        N, p = X.shape
        rows, target = prior.rows() if prior is not None else (np.zeros((0, p)), np.zeros(0))
        whole, R = orthonormal(np.vstack([X, rows]))
        noise = (prior.weight, prior.weight * prior.residual_sd**2) if prior is not None else ()
        return cls(whole[:N], whole[N:], R, target, cells.means(whole[:N]), *noise)


@dataclass(frozen=True, eq=False)
class ResponseOnDesign:
    """One response on its fixed part: y = X start + residual.

    Attributes
    ----------
    start : (p,)
    residual : (N,), `outside` (m,)
    means : (J, p + 1) cell means of Q and of the residual
    product : (p + 1, p + 1) its sums of squares and products, outside rows included
    degrees : int
        Rows, prior rows included, less p.
    """

    fixed: OrthonormalDesign
    start: Floats
    residual: Floats
    means: Columns
    product: Floats
    degrees: int

    @classmethod
    def of(cls, fixed: OrthonormalDesign, y: Floats, cells: Cells) -> ResponseOnDesign:
        """Take the fixed part off y (N,), twice."""
        start, residual, outside = np.zeros(fixed.R.shape[0]), y, fixed.target
        for _ in range(2):
            along = fixed.Q.T @ residual + fixed.outside.T @ outside
            residual, outside = residual - fixed.Q @ along, outside - fixed.outside @ along
            start = start + np.linalg.solve(fixed.R, along)
        edge = fixed.Q.T @ residual + fixed.outside.T @ outside
        corner = residual @ residual + outside @ outside
        product = np.block([[np.eye(edge.size), edge[:, None]], [edge, np.array([[corner]])]])
        means = Columns(fixed.means, cells.means(residual[:, None]))
        return cls(fixed, start, residual, means, product, y.size + outside.size - edge.size)


@dataclass(frozen=True, eq=False)
class RemlProblem:
    """One response's search: what is fixed while the covariance and the ratios move.

    Attributes
    ----------
    free : (3,) bool
        Whether the players' covariance, the copy's and the interaction's ratio are sought.
    priors : of the parameters that are sought; None for plain REML
    """

    rows: RandomEffectsDesign
    design: ResponseOnDesign
    given: Rhs
    free: Flags
    priors: VariancePriors | None

    @classmethod
    def of(
        cls,
        rows: RandomEffectsDesign,
        known: Floats,
        design: ResponseOnDesign,
        free: Flags,
        priors: VariancePriors | None,
    ) -> RemlProblem:
        """Sum up a response; `known` (I, Q, p) is Z_i'Q of the fixed part's columns."""
        cells = rows.cells
        players = Columns(known, rows.total(design.residual[:, None]))
        given = Rhs(players, design.means.by(cells.to_b(cells.count)), design.product)
        return cls(rows, design, given, free, priors)

    @cached_property
    def basis(self) -> Floats:
        """Directions (nE, Q, Q) of the players' covariance; none where it is held."""
        return vech_basis(self.rows.width)[: None if self.free[PLAYER] else 0]

    def at(self, S: Floats, ratios: Floats) -> RemlCriterion:
        """Set up the criterion at S (Q, Q) and the ratios (3,), the first of which is not used."""
        return RemlCriterion(self, S, ratios)


class RemlCriterion:
    """The penalised REML criterion and its derivatives at a players' covariance S (Q, Q) and ratios (3,).

    Coefficients and noise are at their best.

    Attributes
    ----------
    root : (p, p) lower root of Q'H^-1 Q
    gamma : (p,) coefficients of Q
    degrees, q, whole : degrees of freedom, y'Py, and y'y of the residual; the prior's share in the first two
    """

    def __init__(self, problem: RemlProblem, S: Floats, ratios: Floats):
        self.problem, self.S, self.ratios = problem, S, ratios
        self.design, self.free = problem.design, problem.free
        l_c, l_w = float(ratios[COPY]), float(ratios[INTERACTION])
        self.equations = MixedModelEquations(
            problem.rows, problem.given, self.design.means, S, l_c, l_w, interacting=bool(self.free[INTERACTION])
        )
        product, fixed = self.equations.product, self.design.fixed
        self.root = np.linalg.cholesky(product[:-1, :-1])
        self.gamma = cholesky_solve(self.root, product[:-1, -1])
        self.degrees = self.design.degrees + fixed.noise_degrees
        self.whole = float(self.design.product[-1, -1])
        q = float(product[-1, -1] - product[:-1, -1] @ self.gamma) + fixed.noise_squares
        self.q = max(q, np.finfo(np.float64).tiny)

    @cached_property
    def parameters(self) -> Floats:
        """Entries of S and ratios (m,), those that are sought."""
        return np.append(vech(self.S)[: len(self.problem.basis)], self.ratios[self._free_ratios])

    def moved(self, x: Floats) -> RemlCriterion:
        """Set up the criterion at other parameters (m,)."""
        nE, ratios = len(self.problem.basis), self.ratios.copy()
        ratios[self._free_ratios] = x[nE:]
        return self.problem.at(unvech(x[:nE], len(self.S)) if nE else self.S, ratios)

    @property
    def noise_variance(self) -> float:
        """sigma^2 in squared rating points."""
        return self.q / self.degrees

    @cached_property
    def criterion(self) -> float:
        """-2 log restricted likelihood with all constants; with a prior, less twice its log density."""
        determinants = self.equations.log_determinant + 2.0 * float(
            np.log(np.diagonal(self.root)).sum() + np.log(np.abs(np.diagonal(self.design.fixed.R))).sum()
        )
        value = determinants + self.degrees * (1.0 + np.log(2.0 * np.pi * self.q / self.degrees))
        priors = self.problem.priors
        return float(value) + (priors.value(self.parameters) if priors is not None else 0.0)

    @property
    def effective_parameters(self) -> float:
        """How many of the parameters that are sought the ratings identify: all without a prior, none without a rating.

        tr(I (I + I_0)^-1) of the information I of the ratings and I_0 of the prior (Spiegelhalter, Best, Carlin & van der
        Linde 2002, J. R. Stat. Soc. B 64: 583, sec. 2.3).
        """
        ratings = self.curvature
        if self.problem.priors is None:
            return float(len(ratings))
        return float(np.trace(np.linalg.solve(ratings + self.problem.priors.hessian(self.parameters), ratings)))

    @property
    def _free_ratios(self) -> Flags:
        return np.asarray(self.free & np.array([False, True, True]))

    @cached_property
    def effects(self) -> tuple[Floats, Floats, Floats]:
        """Z_i'Py (I, Q), Z_c'Py (K,) and Z_w'Py (J,); the last as zeros where interactions have no part."""
        weights, equations = np.append(-self.gamma, 1.0), self.equations
        players, copies = equations.players_times(weights), equations.copies @ weights
        if not self.free[INTERACTION] and self.ratios[INTERACTION] == 0.0:
            return players, copies, np.zeros(equations.w.size)
        means = equations.means.times(weights)[:, None]
        return players, copies, equations.in_cells(means, players[:, :, None], copies[:, None])[:, 0]

    @cached_property
    def _of_fixed(self) -> tuple[Floats, Floats, Floats, Floats]:
        """What is summed over Q's solutions, a few players at a time.

        Returns
        -------
        Sum of Z_i'H^-1 Q C Q'H^-1 Z_i (Q, Q), C = (Q'H^-1 Q)^-1; of the players' effects times Z_i'H^-1 Q (Q, Q, p); where
        interactions are sought, of the squares and products of Z_w'H^-1 Q (p, p), and of the cells' effects times it (p,).
        """
        equations, p, Q = self.equations, self.gamma.size, self.problem.rows.width
        own, along, squares, in_cells = np.zeros((Q, Q)), np.zeros((Q, Q, p)), np.zeros((p, p)), np.zeros(p)
        players, _, interactions = self.effects
        for piece in self.problem.rows.pieces:
            whole = equations.players(piece)
            known = whole[:, :, :-1]
            half = solve_lower(self.root, known.reshape(-1, p).T).reshape(p, -1, Q)
            own += np.tensordot(half, half, ((0, 1), (0, 1)))
            along += np.tensordot(players[piece.players], known, ((0,), (0,)))
            if self.free[INTERACTION]:
                solved = equations.in_cells_of(piece, whole)[:, :-1]
                squares += solved.T @ solved
                in_cells += interactions[piece.cells] @ solved
        return own, along, squares, in_cells

    def _known(self, squares: Floats) -> float:
        """tr(G C G') of G'G (p, p), C = (Q'H^-1 Q)^-1."""
        return float(np.trace(cholesky_solve(self.root, squares)))

    @cached_property
    def traces(self) -> tuple[Floats, float, float]:
        """Sum of Z_i'PZ_i (Q, Q), tr(Z_c'PZ_c) and tr(Z_w'PZ_w), zeros for ratios not sought."""
        own, copy, interaction = self.equations.traces
        through, _, squares, _ = self._of_fixed
        own, known = own - through, self.equations.copies[:, :-1]
        copy = copy - self._known(known.T @ known) if self.free[COPY] else 0.0
        interaction = interaction - self._known(squares) if self.free[INTERACTION] else 0.0
        return own, copy, interaction

    @cached_property
    def _squares(self) -> tuple[Floats, float, float]:
        """Sum of h_ih_i' (Q, Q), and h'h of copies and cells."""
        players, copies, interactions = self.effects
        return players.T @ players, float(copies @ copies), float(interactions @ interactions)

    def _along(self, parts: tuple[Floats, float, float]) -> Floats:
        """Values by parameter (nE + number of free ratios) of what is a matrix for the players and a number for ratios."""
        of_players = vech_sums(parts[0])[: len(self.problem.basis)]
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
        product = self.equations.product_of(working)
        alpha = product - along @ cholesky_solve(self.root, along.T)
        g = self._along(self._squares)
        return np.asarray(self.degrees * (alpha / self.q - np.outer(g, g) / self.q**2))

    @property
    def expected_curvature(self) -> Floats:
        """The average information; of intercepts alone scaled towards Fisher's, which leads further far from the optimum."""
        if self.problem.rows.width > 1:
            return self.curvature
        fisher, average = (self._along(parts) for parts in (self.traces, self._squares))
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = np.nan_to_num(fisher / average * self.q / self.degrees, nan=1.0, posinf=20.0)
        scale = np.sqrt(np.clip(ratio, 0.05, 20.0))
        return np.asarray(self.curvature * np.outer(scale, scale))

    def _variates(self) -> tuple[Rhs, Floats]:
        """Working variates f = Z_m h_m of the free parameters, and f'H^-1 Q (m, p)."""
        equations, rows = self.equations, self.problem.rows
        h_i, h_c, h_w = self.effects
        moved = np.tensordot(h_i, self.problem.basis, ((1,), (2,))).transpose(0, 2, 1)
        flat = moved.reshape(rows.cells.n_a * rows.width, moved.shape[2])
        players, copies = [equations.W @ moved], [equations.by_copy[0] @ flat]
        along = [np.tensordot(self.problem.basis, self._of_fixed[1], ((1, 2), (1, 0)))]
        if self.free[COPY]:
            players.append((equations.by_copy[1] @ h_c).reshape(-1, rows.width, 1))
            copies.append((equations.w_c * h_c)[:, None])
            along.append((h_c @ equations.copies[:, :-1])[None])
        if self.free[INTERACTION]:
            players.append(rows.total_of_cells((equations.shrunk * h_w)[:, None]))
            weighted = equations.w * h_w
            copies.append(np.bincount(rows.cells.b, weights=weighted, minlength=rows.cells.n_b)[:, None])
            along.append(self._of_fixed[3][None])
        stacked, by_copy = np.concatenate(players, axis=2), np.hstack(copies)
        players_of = Columns(stacked, np.zeros((*stacked.shape[:2], 0)))
        return Rhs(players_of, by_copy, self._inner(moved, stacked, by_copy)), np.vstack(along)

    def _inner(self, moved: Floats, players: Floats, copies: Floats) -> Floats:
        """f'R^-1 f of the working variates."""
        left = [np.tensordot(moved, players, ((0, 1), (0, 1)))]
        if self.free[COPY]:
            left.append((self.effects[1] @ copies)[None])
        if self.free[INTERACTION]:
            h_w, last = self.effects[2], np.concatenate([part[:, -1] for part in left])
            left.append(np.append(last, (self.equations.w * h_w) @ h_w)[None])
        return np.vstack(left)
