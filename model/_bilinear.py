"""Covariances over several responses of every variance component, from bilinear forms of their own rows.

With V = sum over components l of S_l (x) Z_l Z_l', P_c the projection of response c's own rows off its fixed part at common
variance ratios, and every Z_l over all rows, for each pair of responses c, d
    q_m = y_c' P_c Z_m Z_m' P_d y_d,   E q_m = sum_l tr(P_c Z_m Z_m' P_d Z_l Z_l') S_l,cd,
which is solved for S_cd: bilinear minimum variance quadratic unbiased estimation (Rao 1971, J. Multivariate Anal. 1: 445;
Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3). It is unbiased whatever responses are left out on which
rows. The variance of S_m,cd, the responses uncorrelated, is (F^-1)_mm times both noise variances, F the matrix of the traces.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.linalg import solve_triangular

from model._elimination import Columns, Elimination
from model._posterior import FittedResponse
from model._prior import Prior
from model._reml import Fixed
from model._structure import Floats, Ints, encode, find_cells

PLAYER, COPY, MATCH, REPEAT, COEFFICIENTS = "player", "copy", "match", "repeat", "coefficients"
LEAST_RATIO = 1e-3
"""Floor of a variance ratio in the weights: a vanishing one would give a component no weight at all."""
EXACT_UP_TO = 400
"""Rows up to which traces are summed over all unit vectors; beyond, over random signs."""
MOST_PROBES, FEWEST_PROBES, PROBED_ROWS = 64, 16, 200_000
"""Vectors of random signs: PROBED_ROWS over the rows, within these. A trace is off by sqrt(2 / (probes levels)) of itself."""
AT_ONCE = 10_000_000
"""Numbers held at a time for one criterion's probes."""
SEED = 1971


@dataclass(frozen=True, eq=False)
class Components:
    """Who is who in the rows: n of ratings, then m of the coefficients' prior, which belong to no player and no copy.

    Attributes
    ----------
    codes, levels : of each factor that is there, player, copy and match in this order: (n,) and their number.
    names : of the components: the factors, 'repeat', and 'coefficients' where there are prior rows.
    """

    n: int
    m: int
    codes: tuple[Ints, ...]
    levels: tuple[int, ...]
    names: tuple[str, ...]

    @classmethod
    def of(cls, player: Ints, copy: Ints, counts: tuple[int, int], match: bool, m: int) -> Components:
        """Take codes (n,) and numbers of levels, 0 for a factor left out."""
        cells = find_cells(player, copy, max(1, counts[0]), max(1, counts[1]))
        factors = [(PLAYER, player, counts[0]), (COPY, copy, counts[1])]
        factors += [(MATCH, cells.row, cells.count.size if match and all(counts) else 0)]
        there = [factor for factor in factors if factor[2]]
        names = *(name for name, _, _ in there), REPEAT, *([COEFFICIENTS] if m else [])
        return cls(player.size, m, tuple(codes for _, codes, _ in there), tuple(size for *_, size in there), names)

    @cached_property
    def _sums(self) -> list[sparse.csr_array]:
        """Z_l' of each factor."""
        ones, rows = np.ones(self.n), np.arange(self.n)
        pairs = zip(self.codes, self.levels, strict=True)
        return [sparse.csr_array((ones, (codes, rows)), shape=(size, self.n)) for codes, size in pairs]

    def gathered(self, U: Floats) -> list[Floats]:
        """Z_l'U of each component for U (n + m, t)."""
        found = [np.asarray(sums @ U[: self.n]) for sums in self._sums]
        return [*found, U[: self.n], *([U[self.n :]] if self.m else [])]

    def spread(self, U: Floats) -> list[Floats]:
        """Z_l Z_l'U (n + m, t) of each component for U (n + m, t)."""
        found = []
        for number, part in enumerate(self.gathered(U)):
            whole = np.zeros_like(U)
            rows = slice(self.n, None) if self.names[number] == COEFFICIENTS else slice(0, self.n)
            whole[rows] = part[self.codes[number]] if number < len(self.codes) else part
            found.append(whole)
        return found


class Projection:
    """P of one criterion's own rows, and H^-1, at given ratios; applied to columns over all n + m rows.

    Parameters
    ----------
    X : (n, p)
    labels : codes (n,) and numbers of levels of players and copies
    rated : (N,) rows that were rated
    ratios : of player, copy and match to the repeat noise
    """

    def __init__(
        self,
        X: Floats,
        labels: tuple[tuple[Ints, int], tuple[Ints, int]],
        rated: Ints,
        ratios: tuple[float, float, float],
        prior: Prior | None,
    ):
        (player, players), (copy, copies) = labels
        self.cells = find_cells(player[rated], copy[rated], max(1, players), max(1, copies), bool(players and copies))
        self.fixed = Fixed.of(X[rated], self.cells, prior)
        p, outside = X.shape[1], self.fixed.outside.shape[0]
        self.elimination = Elimination(self.cells, Columns.of(self.cells, self.fixed.means, np.eye(p)), ratios)
        self.rows, self.total = np.concatenate([rated, X.shape[0] + np.arange(outside)]), X.shape[0] + outside
        self._solved = self._inverse(np.vstack([self.fixed.Q, self.fixed.outside]))
        self._root = np.linalg.cholesky(self.elimination.solved.product)
        self._half = solve_triangular(self._root, self._solved.T, lower=True)

    def _inverse(self, U: Floats) -> Floats:
        """H^-1 U for U (N + m, t)."""
        elimination, cells = self.elimination, self.cells
        means = cells.means(U[: cells.row.size])
        summed = cells.to_a(elimination.w) @ means, cells.to_b(elimination.w) @ means
        solved = elimination.solve(*summed, np.zeros((U.shape[1],) * 2))
        in_cells = elimination.in_cells(means, solved.a, solved.b)
        out = U.copy()
        taken = elimination.l_a * solved.a[cells.a] + elimination.l_b * solved.b[cells.b] + elimination.l_w * in_cells
        out[: cells.row.size] -= taken[cells.row]
        return out

    def _over_all(self, U: Floats) -> Floats:
        """Put columns (N + m, t) at their places among all rows (n + m, t)."""
        whole = np.zeros((self.total, U.shape[1]))
        whole[self.rows] = U
        return whole

    def __call__(self, U: Floats) -> Floats:
        """P U (n + m, t), 0 on rows not rated."""
        inverse = self._inverse(U[self.rows])
        return self._over_all(inverse - self._half.T @ (self._half @ U[self.rows]))

    @property
    def coefficients(self) -> Floats:
        """W (n + m, p): the generalised least squares coefficients of columns T are W'T."""
        ahead = solve_triangular(self._root, self._half, lower=True, trans="T")
        return self._over_all(np.linalg.solve(self.fixed.R, ahead).T)


@dataclass(frozen=True, eq=False)
class Bilinear:
    """Covariances over the criteria, as the equations give them: unbiased, not necessarily of a positive definite matrix.

    Attributes
    ----------
    names : of the L components
    covariance : (L, k, k) S_l, 0 where it is not told.
    information : (L, k, k) 1 / (F^-1)_ll, 0 where it is not told.
    residual, residual_information : (k, k) what match and repeat have together: the same without a match.
    weights : (L, k, k) of S_l in the covariance of the errors of x'beta, summed over the rows of X.
    """

    names: tuple[str, ...]
    covariance: Floats
    information: Floats
    residual: Floats
    residual_information: Floats
    weights: Floats


def bilinear(
    X: Floats,
    Y: Floats,
    player: Iterable[Hashable] | None,
    copy: Iterable[Hashable] | None,
    responses: Sequence[FittedResponse],
    *,
    match: bool = True,
    prior: Prior | None = None,
) -> Bilinear:
    """Estimate the covariances of every component over the criteria; the parameters are those of `correlations`."""
    (i, players), (k, copies) = encode(player, X.shape[0], "player"), encode(copy, X.shape[0], "copy")
    labels = (i, len(players)), (k, len(copies))
    m = 0 if prior is None else prior.rows()[1].size
    who = Components.of(i, k, (len(players), len(copies)), match, m)
    rated = np.isfinite(Y)
    ratios = common_ratios([fitted for fitted, of in zip(responses, rated.T, strict=True) if of.any()], who.names)
    projections = [Projection(X, labels, np.flatnonzero(of), ratios, prior) for of in rated.T]
    F = _traces(who, projections)
    q = _forms(who, [_projected(X, y, P, fitted) for y, P, fitted in zip(Y.T, projections, responses, strict=True)])
    covariance, information = _solved(F, q)
    apart = [number for number, name in enumerate(who.names) if name != MATCH]
    residual, of_residual = _solved(F[np.ix_(apart, apart)], q[apart])
    place = apart.index(who.names.index(REPEAT))
    ahead: Floats = np.asarray(np.linalg.qr(X if X.shape[0] else np.eye(X.shape[1]), mode="r"), dtype=np.float64)
    weights = _forms(who, [P.coefficients @ ahead.T for P in projections])
    return Bilinear(who.names, covariance, information, residual[place], of_residual[place], weights)


def common_ratios(rated: Sequence[FittedResponse], names: tuple[str, ...]) -> tuple[float, float, float]:
    """Geometric mean over the rated criteria of each variance ratio, floored; 0 for a factor that is not there."""
    found = []
    for name in (PLAYER, COPY, MATCH):
        own = [(getattr(fitted, f"{name}_sd") / fitted.repeat_sd) ** 2 for fitted in rated if name in names]
        found.append(float(np.exp(np.mean(np.log(np.maximum(own, LEAST_RATIO))))) if own else 0.0)
    return found[0], found[1], found[2]


def _projected(X: Floats, y: Floats, P: Projection, fitted: FittedResponse) -> Floats:
    """P y (n + m, 1) of one criterion, y less its fixed part first, for the sake of rounding."""
    outside = P.fixed.target - P.fixed.outside @ (P.fixed.R @ fitted.coef)
    return P(np.concatenate([np.nan_to_num(y - X @ fitted.coef), outside])[:, None])


def _forms(who: Components, columns: Sequence[Floats]) -> Floats:
    """Sum the products (L, k, k) of Z_l'U_c and Z_l'U_d over the criteria's columns U_c (n + m, t)."""
    gathered = [who.gathered(U) for U in columns]
    stacked = [np.array([of[number].ravel() for of in gathered]) for number in range(len(who.names))]
    return np.array([rows @ rows.T for rows in stacked], dtype=np.float64)


def _probes(rows: int) -> Floats:
    """Columns Z (rows, s) with E ZZ' = I: unit vectors, or random signs (Hutchinson 1990, Commun. Stat. Simul. 19: 433)."""
    if rows <= EXACT_UP_TO:
        return np.eye(rows)
    count = min(max(PROBED_ROWS // rows, FEWEST_PROBES), MOST_PROBES)
    signs = np.random.default_rng(SEED).choice([-1.0, 1.0], (rows, count))
    return np.asarray(signs / np.sqrt(count), dtype=np.float64)


def _traces(who: Components, projections: Sequence[Projection]) -> Floats:
    """F (L, L, k, k) = tr(P_c Z_m Z_m' P_d Z_l Z_l'), symmetric in the criteria and in the components."""
    probes, L = _probes(who.n + who.m), len(who.names)
    step = max(1, AT_ONCE // (L * len(probes)))
    F = np.zeros((L, L, len(projections), len(projections)))
    for first in range(0, probes.shape[1], step):
        Z = probes[:, first : first + step]
        F += _probed(who, projections, Z)
    F += F.swapaxes(2, 3).copy()
    F += F.swapaxes(0, 1).copy()
    F /= 4.0
    return F


def _probed(who: Components, projections: Sequence[Projection], Z: Floats) -> Floats:
    """Sum over the columns z (n + m,) of Z of (Z_m'P_c Z_l Z_l'z)'(Z_m'P_d z), (L, L, k, k) by m, l, c, d."""
    L, spread = len(who.names), np.hstack(who.spread(Z))
    from_all = [who.gathered(P(Z)) for P in projections]
    from_each = [who.gathered(P(spread)) for P in projections]
    F = np.empty((L, L, len(projections), len(projections)))
    for number in range(L):
        right = np.array([of[number] for of in from_all])
        left = [of[number].reshape(-1, L, Z.shape[1]) for of in from_each]
        for c, part in enumerate(left):
            F[number, :, c] = np.einsum("vls,dvs->ld", part, right, optimize=True)
    return F


def _solved(F: Floats, q: Floats) -> tuple[Floats, Floats]:
    """Solve F S = q for each pair of criteria; S and the information on each component (L, k, k), 0 where it is not told."""
    F, q = np.moveaxis(F, (0, 1), (2, 3)), np.moveaxis(q, 0, 2)
    size = np.sqrt(np.maximum(np.einsum("cdll->cdl", F), 0.0))
    size = np.where(size > 1e-9 * size.max(initial=0.0), size, np.inf)
    scaled = F / size[..., None, :] / size[..., :, None]
    inverse = np.linalg.pinv(scaled, rcond=1e-9, hermitian=True)
    variance = np.einsum("cdll->cdl", inverse)
    told = (np.abs(np.einsum("cdlm,cdml->cdl", inverse, scaled) - 1.0) < 1e-6) & (variance > 0.0)
    covariance = np.einsum("cdlm,cdm->cdl", inverse, q / size) / size
    information = np.divide(size**2, variance, out=np.zeros_like(variance), where=told)
    return np.moveaxis(np.where(told, covariance, 0.0), 2, 0), np.moveaxis(information, 2, 0)
