"""Restricted maximum likelihood of the variance ratios: criterion, score, average information.

Criterion and constants as in Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1); average information after
Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over sigma^2.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from model.domain.arrays import Flags, Floats
from model.mixed.layout import Cells
from model.mixed.linalg import inverse_of_root
from model.mixed.minque import orthonormal
from model.mixed.priors import Prior
from model.mixed.solver import Columns, Elimination

PLAYER, COPY, MATCH = 0, 1, 2


@dataclass(frozen=True, eq=False)
class Fixed:
    """Columns of the fixed part made orthonormal, X = Q R, with the prior's rows where there are any.

    Attributes
    ----------
    Q : (N, p), `outside` (m, p)
        Orthonormal together; the outside rows belong to no player and no copy.
    R : (p, p)
    target : (m,)
        What the outside rows say.
    means : (J, p) cell means of Q
    """

    Q: Floats
    outside: Floats
    R: Floats
    target: Floats
    means: Floats

    @classmethod
    def of(cls, X: Floats, cells: Cells, prior: Prior | None) -> Fixed:
        """Make X (N, p) orthonormal; together with the prior's rows it has full rank."""
        N, p = X.shape
        rows, target = prior.rows() if prior is not None else (np.zeros((0, p)), np.zeros(0))
        whole, R = orthonormal(np.vstack([X, rows]))
        return cls(whole[:N], whole[N:], R, target, cells.means(whole[:N]))


@dataclass(frozen=True, eq=False)
class Design:
    """One response on its fixed part: y = X start + residual.

    Attributes
    ----------
    start : (p,)
    residual : (N,), `outside` (m,)
    columns : Columns
        Of [Q, residual].
    degrees : int
        Rows, prior rows included, less p.
    """

    fixed: Fixed
    start: Floats
    residual: Floats
    columns: Columns
    degrees: int

    @classmethod
    def of(cls, fixed: Fixed, y: Floats, cells: Cells) -> Design:
        """Take the fixed part off y (N,), twice."""
        start, residual, outside = np.zeros(fixed.R.shape[0]), y, fixed.target
        for _ in range(2):
            along = fixed.Q.T @ residual + fixed.outside.T @ outside
            residual, outside = residual - fixed.Q @ along, outside - fixed.outside @ along
            start = start + np.linalg.solve(fixed.R, along)
        edge = fixed.Q.T @ residual + fixed.outside.T @ outside
        corner = residual @ residual + outside @ outside
        product = np.block([[np.eye(edge.size), edge[:, None]], [edge, np.array([[corner]])]])
        columns = Columns.of(cells, np.column_stack([fixed.means, cells.means(residual[:, None])]), product)
        return cls(fixed, start, residual, columns, y.size + outside.size - edge.size)


class Profiled(ABC):
    """The criterion with coefficients and noise at their best, whatever was eliminated before.

    Attributes
    ----------
    design : Design
    prior : Prior or None
    log_determinant : float, log|H|
    root : (r, r) lower root of Q'H^-1 Q
    gamma : (r,) coefficients of Q
    degrees, q, whole : degrees of freedom, y'Py, and y'y of the residual; the prior's share in the first two
    """

    def __init__(self, design: Design, prior: Prior | None, product: Floats, log_determinant: float):
        self.design, self.prior, self.log_determinant = design, prior, log_determinant
        self.root = np.linalg.cholesky(product[:-1, :-1])
        self.gamma = self._inverse_information(product[:-1, -1])
        self.degrees = float(design.degrees)
        self.whole = float(design.columns.product[-1, -1])
        self.q = float(product[-1, -1] - product[:-1, -1] @ self.gamma)
        if prior is not None:
            self.degrees += prior.weight
            self.q += prior.weight * prior.repeat_sd**2
        self.q = max(self.q, np.finfo(np.float64).tiny)

    def _inverse_information(self, right: Floats) -> Floats:
        """C `right`, C = (Q'H^-1 Q)^-1."""
        return inverse_of_root(self.root, right)

    @property
    def noise_variance(self) -> float:
        """sigma^2 in squared rating points."""
        return self.q / self.degrees

    @cached_property
    def criterion(self) -> float:
        """-2 log restricted likelihood with all constants; with a prior, less twice its log density."""
        determinants = self.log_determinant + 2.0 * float(
            np.log(np.diagonal(self.root)).sum() + np.log(np.abs(np.diagonal(self.design.fixed.R))).sum()
        )
        value = determinants + self.degrees * (1.0 + np.log(2.0 * np.pi * self.q / self.degrees))
        return float(value) + self._penalty

    @property
    @abstractmethod
    def _penalty(self) -> float:
        """-2 log density of the prior, 0 without one."""

    @property
    @abstractmethod
    def informations(self) -> tuple[Floats, Floats]:
        """What the ratings and the prior tell of the parameters that are sought, second derivatives (m, m) each."""

    @property
    def told(self) -> float:
        """How many of the parameters that are sought the ratings tell: all without a prior, none without a rating.

        tr(I (I + I_0)^-1) of the information I of the ratings and I_0 of the prior (Spiegelhalter, Best, Carlin & van der
        Linde 2002, J. R. Stat. Soc. B 64: 583, sec. 2.3).
        """
        ratings, prior = self.informations
        if self.prior is None:
            return float(len(ratings))
        return float(np.trace(np.linalg.solve(ratings + prior, ratings)))


class Restricted(Profiled):
    """The penalised REML criterion and its derivatives at given ratios.

    Parameters
    ----------
    cells : Cells
    swapped : bool
        Whether copies, not players, are eliminated first.
    design : Design
    columns : Columns
        The design's, on these cells.
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
        self.ratios, self.free, self._swapped = ratios, free, swapped
        l_a, l_b = (ratios[COPY], ratios[PLAYER]) if swapped else (ratios[PLAYER], ratios[COPY])
        self.elimination = Elimination(cells, columns, (float(l_a), float(l_b), float(ratios[MATCH])))
        product = self.elimination.solved.product
        self.information = product[:-1, :-1]
        super().__init__(design, prior, product, self.elimination.log_determinant)

    @property
    def _penalty(self) -> float:
        return 0.0 if self.prior is None else self.prior.penalty(self.ratios, self.free)[0]

    @property
    def informations(self) -> tuple[Floats, Floats]:
        """Of the free ratios; the average information of the ratings."""
        second = np.zeros(3) if self.prior is None else self.prior.penalty(self.ratios, self.free)[2]
        sought = np.ix_(self.free, self.free)
        prior = np.diag(second)[sought]
        return self.curvature[sought] - prior, prior

    @cached_property
    def _solutions(self) -> list[Floats]:
        """Z_m'H^-1 Q for players, copies and, where sought, cells."""
        solved = self.elimination.solved
        a, b = solved.a[:, :-1], solved.b[:, :-1]
        found = [b, a] if self._swapped else [a, b]
        if self.free[MATCH]:
            found.append(self.elimination.in_cells(self.elimination.columns.means[:, :-1], a, b))
        return found

    def _trace(self, term: int) -> float:
        """tr(Z_m'PZ_m)."""
        elimination = self.elimination
        traces = [elimination.trace_a, elimination.trace_b]
        trace = elimination.trace_cells if term == MATCH else traces[::-1][term] if self._swapped else traces[term]
        G = self._solutions[term]
        return trace() - float(np.sum(self._inverse_information(G.T @ G).diagonal()))

    @cached_property
    def traces(self) -> Floats:
        """(3,) tr(Z_m'PZ_m), 0 for terms not sought."""
        return np.array([self._trace(term) if self.free[term] else 0.0 for term in (PLAYER, COPY, MATCH)])

    @cached_property
    def effects(self) -> list[Floats]:
        """h_m = Z_m'Py for players, copies and cells; zeros for cells without a variance."""
        weights, elimination = np.append(-self.gamma, 1.0), self.elimination
        h_a, h_b = elimination.solved.a @ weights, elimination.solved.b @ weights
        if self.free[MATCH] or self.ratios[MATCH] > 0.0:
            h_w = elimination.in_cells(elimination.columns.means @ weights, h_a, h_b)
        else:
            h_w = np.zeros(elimination.w.size)
        return [h_b, h_a, h_w] if self._swapped else [h_a, h_b, h_w]

    @cached_property
    def score(self) -> Floats:
        """(3,) derivative of the criterion by the ratios, 0 for terms not sought."""
        squares = np.array([h @ h for h in self.effects])
        data = np.where(self.free, self.traces - self.degrees * squares / self.q, 0.0)
        return data if self.prior is None else data + self.prior.penalty(self.ratios, self.free)[1]

    @cached_property
    def curvature(self) -> Floats:
        """(3, 3) average information of the free ratios, scaled towards Fisher's far from the optimum."""
        h, elimination, turned = self.effects, self.elimination, slice(None, None, -1 if self._swapped else 1)
        along = np.zeros((3, self.gamma.size))
        alpha = np.zeros((3, 3))
        used = [PLAYER, COPY][turned] + [MATCH] * bool(self.free[MATCH])
        for term in used:
            along[term] = self._solutions[term].T @ h[term]
        h_a, h_b = h[used[0]], h[used[1]]
        alpha[np.ix_(used, used)] = elimination.working(h_a, h_b, h[MATCH] if self.free[MATCH] else None)
        alpha -= along @ self._inverse_information(along.T)
        g = np.array([v @ v for v in h])
        average = self.degrees * (alpha / self.q - np.outer(g, g) / self.q**2)
        with np.errstate(divide="ignore", invalid="ignore"):
            rho = np.nan_to_num(self.traces * self.q / (self.degrees * g), nan=1.0, posinf=20.0)
        scale = np.sqrt(np.clip(rho, 0.05, 20.0))
        average = average * np.outer(scale, scale)
        if self.prior is not None:
            average = average + np.diag(self.prior.penalty(self.ratios, self.free)[2])
        return np.asarray(average, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Problem:
    """One response's search: what is fixed while the ratios move. Players are factor a of `cells`."""

    cells: Cells
    design: Design
    free: Flags
    prior: Prior | None

    @cached_property
    def _turned(self) -> tuple[Cells, Columns]:
        """Cells and columns with copies as factor a."""
        cells, order = self.cells.swapped()
        return cells, self.design.columns.swapped(order)

    @property
    def swapped(self) -> bool:
        """Whether the copies, being more, are better eliminated first."""
        return self.cells.coupled and self.cells.n_b > self.cells.n_a

    def at(self, ratios: Floats, *, swapped: bool = False) -> Restricted:
        """Set up the criterion at `ratios` (3,)."""
        cells, columns = self._turned if swapped else (self.cells, self.design.columns)
        return Restricted(cells, swapped, self.design, columns, ratios, self.free, self.prior)
