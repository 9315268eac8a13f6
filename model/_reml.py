"""Restricted maximum likelihood of the variance ratios: criterion, score, average information, projected Newton.

Criterion and constants as in Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1); average information after
Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over sigma^2.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.optimize import nnls

from model._elimination import Columns, Elimination, Solved
from model._prior import Prior
from model._start import triangle
from model._structure import Cells, Floats

Flags = NDArray[np.bool_]

PLAYER, COPY, MATCH = 0, 1, 2


@dataclass(frozen=True)
class Control:
    """Tolerances of the search and its outcome.

    Attributes
    ----------
    relative_step : the search ends when no ratio moves by more than this part of itself (1e-4 at least)
    largest_ratio : a ratio above this means that nothing is left for the noise
    most_iterations : Newton steps before the search is given up
    iterations : steps taken
    """

    relative_step: float = 3e-7
    largest_ratio: float = 1e5
    most_iterations: int = 100
    iterations: int = 0


@dataclass(frozen=True, eq=False)
class Design:
    """The fixed part of one response, turned to orthonormal columns.

    Attributes
    ----------
    Q : (n, p) orthonormal together with its outside rows, X = Q R
    R : (p, p) upper triangular
    start : (p,) coefficients taken off the response, y = X start + residual
    residual : (n,)
    product : (p + 1, p + 1) cross-product of [Q, residual], prior rows included
    degrees : int
        Rows, prior rows included, less p.
    """

    Q: Floats
    R: Floats
    start: Floats
    residual: Floats
    product: Floats
    degrees: int

    @property
    def columns(self) -> Floats:
        """[Q, residual] (n, p + 1)."""
        return np.column_stack([self.Q, self.residual])


def orthogonal(X: Floats, y: Floats, outside: tuple[Floats, Floats] | None) -> Design:
    """Orthonormal columns of X (n, p), of full rank with the rows `outside` (m, p), (m,); y residualised twice."""
    n = X.shape[0]
    whole, target = (X, y) if outside is None else (np.vstack([X, outside[0]]), np.concatenate([y, outside[1]]))
    R = triangle(whole)
    Q = solve_triangular(R, whole.T, trans="T").T
    correction = triangle(Q)  # a second turn restores orthogonality lost to a bad condition
    Q, R = solve_triangular(correction, Q.T, trans="T").T, correction @ R
    start, residual = np.zeros(X.shape[1]), target
    for _ in range(2):
        along = Q.T @ residual
        residual = residual - Q @ along
        start = start + solve_triangular(R, along)
    both = np.column_stack([Q, residual])
    return Design(Q[:n], R, start, residual[:n], both.T @ both, whole.shape[0] - X.shape[1])


class Restricted:
    """The penalised REML criterion and its derivatives at given ratios.

    Parameters
    ----------
    cells : Cells
    swapped : bool
        Whether copies, not players, are eliminated first.
    design : Design
    columns : Columns
        Of the design, on these cells.
    ratios : (3,) float
        Player, copy and match variance over the noise's, >= 0.
    free : (3,) bool
        Which of them are sought.
    prior : Prior or None
    """

    def __init__(
        self,
        cells: Cells,
        swapped: bool,
        design: Design,
        columns: Columns,
        ratios: Floats,
        free: Flags,
        prior: Prior | None,
    ):
        self.design, self.ratios, self.free, self.prior, self._swapped = design, ratios, free, prior, swapped
        l_a, l_b = (ratios[COPY], ratios[PLAYER]) if swapped else (ratios[PLAYER], ratios[COPY])
        self.elimination = Elimination(cells, columns, (float(l_a), float(l_b), float(ratios[MATCH])))
        product = self.elimination.solved.product
        self.information = product[:-1, :-1]
        self.root = np.linalg.cholesky(self.information)
        self.gamma = self._inverse_information(product[:-1, -1])
        self.degrees = float(design.degrees)
        self.q = float(product[-1, -1] - product[:-1, -1] @ self.gamma)
        if prior is not None:
            self.degrees += prior.weight
            self.q += prior.weight * prior.repeat_sd**2
        self.q = max(self.q, np.finfo(np.float64).tiny)

    def _inverse_information(self, right: Floats) -> Floats:
        """C `right`, C = (Q'H^-1 Q)^-1."""
        half = solve_triangular(self.root, right, lower=True)
        return np.asarray(solve_triangular(self.root, half, lower=True, trans="T"))

    @property
    def noise_variance(self) -> float:
        """sigma^2 in squared rating points."""
        return self.q / self.degrees

    @cached_property
    def criterion(self) -> float:
        """-2 log restricted likelihood with all constants; with a prior, less twice its log density."""
        determinants = self.elimination.log_determinant + 2.0 * float(
            np.log(np.diagonal(self.root)).sum() + np.log(np.abs(np.diagonal(self.design.R))).sum()
        )
        value = determinants + self.degrees * (1.0 + np.log(2.0 * np.pi * self.q / self.degrees))
        return float(value) + (0.0 if self.prior is None else self.prior.penalty(self.ratios, self.free)[0])

    def _parts(self, solved: Solved) -> list[Floats]:
        """Z'H^-1 T for players, copies, cells."""
        return [solved.b, solved.a, solved.cell] if self._swapped else [solved.a, solved.b, solved.cell]

    def _trace(self, term: int) -> float:
        """tr(Z_m'PZ_m)."""
        elimination = self.elimination
        traces = [elimination.trace_a, elimination.trace_b]
        trace = elimination.trace_cells if term == MATCH else traces[::-1][term] if self._swapped else traces[term]
        G = self._parts(elimination.solved)[term][:, :-1]
        return trace() - float(np.sum(self._inverse_information(G.T @ G).diagonal()))

    @cached_property
    def traces(self) -> Floats:
        """(3,) tr(Z_m'PZ_m), 0 for terms not sought."""
        return np.array([self._trace(term) if self.free[term] else 0.0 for term in (PLAYER, COPY, MATCH)])

    @cached_property
    def effects(self) -> list[Floats]:
        """h_m = Z_m'Py for players, copies and cells."""
        weights = np.append(-self.gamma, 1.0)
        return [G @ weights for G in self._parts(self.elimination.solved)]

    @cached_property
    def score(self) -> Floats:
        """(3,) derivative of the criterion by the ratios, 0 for terms not sought."""
        squares = np.array([h @ h for h in self.effects])
        data = np.where(self.free, self.traces - self.degrees * squares / self.q, 0.0)
        return data if self.prior is None else data + self.prior.penalty(self.ratios, self.free)[1]

    @cached_property
    def curvature(self) -> Floats:
        """(3, 3) average information of the free ratios, scaled towards Fisher's far from the optimum."""
        cells, h = self.elimination.cells, self.effects
        codes = (cells.b, cells.a) if self._swapped else (cells.a, cells.b)
        working = np.column_stack([h[PLAYER][codes[0]], h[COPY][codes[1]], h[MATCH]])
        along = np.array([G[:, :-1].T @ v for G, v in zip(self._parts(self.elimination.solved), h, strict=True)])
        alpha = self.elimination.solve(working).product - along @ self._inverse_information(along.T)
        g = np.array([v @ v for v in h])
        average = self.degrees * (alpha / self.q - np.outer(g, g) / self.q**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            rho = np.nan_to_num(self.traces * self.q / (self.degrees * g), nan=1.0, posinf=20.0)
        scale = np.sqrt(np.clip(rho, 0.05, 20.0))
        average = average * np.outer(scale, scale)
        if self.prior is not None:
            average = average + np.diag(self.prior.penalty(self.ratios, self.free)[2])
        return np.asarray(average, dtype=np.float64)


def _floored(matrix: Floats) -> Floats:
    """Scale to unit diagonal, keep the eigenvalues above 1e-6, and scale back."""
    scale = np.sqrt(np.maximum(np.diagonal(matrix), np.finfo(np.float64).tiny))
    values, vectors = np.linalg.eigh(matrix / np.outer(scale, scale))
    return np.asarray((vectors * np.maximum(values, 1e-6)) @ vectors.T * np.outer(scale, scale))


def newton_step(at: Restricted) -> Floats:
    """Step (3,) to the minimum of the quadratic model over ratios >= 0, with exact zeros; capped."""
    free = np.flatnonzero(at.free)
    root = np.linalg.cholesky(_floored(at.curvature[np.ix_(free, free)]))
    now = at.ratios[free]
    there = nnls(root.T, root.T @ now - solve_triangular(root, at.score[free], lower=True))[0]
    step = np.zeros(3)
    step[free] = there - now
    lower = 0.0 if at.prior is None else 0.1
    beyond = np.maximum((at.ratios + step) / (10.0 * at.ratios + 1.0), 1.0).max()
    short = np.where(step < 0, -step / np.maximum((1.0 - lower) * at.ratios, np.finfo(np.float64).tiny), 1.0).max()
    return np.asarray(step / max(beyond, short, 1.0), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Problem:
    """One response's search: what is fixed while the ratios move."""

    cells: Cells
    swapped: bool
    design: Design
    columns: Columns
    free: Flags
    prior: Prior | None

    def at(self, ratios: Floats) -> Restricted:
        """Set up the criterion at `ratios` (3,)."""
        return Restricted(self.cells, self.swapped, self.design, self.columns, ratios, self.free, self.prior)


def _accept(problem: Problem, at: Restricted, step: Floats) -> Restricted:
    """Go along the step until the criterion has fallen enough (Armijo), halving it as often as needed."""
    slope, slack = float(at.score @ step), 1e-12 * (1.0 + abs(at.criterion))
    part = 1.0
    for _ in range(40):
        there = problem.at(at.ratios + part * step)
        if there.criterion <= at.criterion + 1e-4 * part * slope + slack:
            return there
        part *= 0.5
    raise RuntimeError("the search for the variance components found no way down; the ratings may be degenerate")


def search(problem: Problem, start: Floats, control: Control | None = None) -> tuple[Restricted, Control]:
    """Minimise the criterion over the free ratios from `start` (3,).

    Returns
    -------
    tuple of the criterion at the minimum and the record of the search

    Raises
    ------
    ValueError
        A ratio runs off: the ratings leave nothing for the noise.
    RuntimeError
        The search does not end within its most iterations.
    """
    control = control or Control()
    at = problem.at(start)
    if not problem.free.any():
        return at, control
    for iteration in range(1, control.most_iterations + 1):
        step = newton_step(at)
        moved = float((np.abs(step) / np.maximum(at.ratios, 1e-4)).max())
        if moved == 0.0:
            return at, replace(control, iterations=iteration)
        at = _accept(problem, at, step)
        if at.ratios.max() > control.largest_ratio:
            raise ValueError(
                "the ratings are reproduced exactly by players and copies: nothing is left for the noise of a "
                "repeated rating; got no spread there, expected some"
            )
        if moved <= control.relative_step:
            return at, replace(control, iterations=iteration)
    raise RuntimeError(f"the variance components did not settle within {control.most_iterations} steps")
