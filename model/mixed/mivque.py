"""Covariances over several responses of every variance component, from mivque forms of their own rows.

With V = sum over components l of S_l (x) Z_l Z_l', P_c the projection of response c's own rows off its fixed part at common
variance ratios, and every Z_l over all rows, for each pair of responses c, d
    q_m = y_c' P_c Z_m Z_m' P_d y_d,   E q_m = sum_l tr(P_c Z_m Z_m' P_d Z_l Z_l') S_l,cd,
which is solved for S_cd: mivque minimum variance quadratic unbiased estimation (Rao 1971, J. Multivariate Anal. 1: 445;
Searle, Casella & McCulloch 1992, Variance Components, sec. 11.3). It is unbiased whatever responses are left out on which
rows. The variance of S_m,cd, the responses uncorrelated, is (F^-1)_mm times both noise variances, F the matrix of the traces.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats, Ints
from model.mixed.components import (
    COPY,
    INTERACTION,
    PLAYER,
    RESIDUAL,
    SLOPES,
    Components,
    deviations,
    player_parts,
)
from model.mixed.layout import Factor, cells_of
from model.mixed.linalg import cholesky_solve
from model.mixed.priors import Prior
from model.mixed.reml import OrthonormalDesign
from model.mixed.result import RemlFit
from model.mixed.solver import Columns, MixedModelEquations, RandomEffectsDesign, Rhs

LEAST_RATIO = 1e-3
"""Floor of a variance ratio in the weights: a vanishing one would give a component no weight at all."""
AT_ONCE = 650_000
"""Numbers held at a time for one criterion's columns."""


class Projection:
    """P of one criterion's own rows, and H^-1, at given ratios; applied to columns over all n + m rows.

    Nothing of the size of X is kept but X itself, which all criteria share: with Q = X R^-1,
    P = H^-1 (I - Q C Q'H^-1), C = (Q'H^-1 Q)^-1.

    Parameters
    ----------
    X : (n, p)
    player, copy : over all n rows
    rated : (N,) rows that were rated
    ratios : of player, copy and interaction to the residual noise

    Attributes
    ----------
    R, outside, target : as `OrthonormalDesign` has them
    """

    def __init__(
        self,
        X: Floats,
        player: Factor,
        copy: Factor,
        rated: Ints,
        ratios: tuple[float, float, float],
        prior: Prior | None,
    ):
        self.X, self.cells = X, cells_of(player.at(rated), copy.at(rated))
        fixed = OrthonormalDesign.of(X[rated], self.cells, prior)
        self.R, self.outside, self.target = fixed.R, fixed.outside, fixed.target
        players = RandomEffectsDesign.of(self.cells, np.ones((rated.size, 1)))
        no_rows, no_cells = (np.zeros((*shape, 0)) for shape in ((self.cells.n_a, 1), (self.cells.a.size,)))
        means = Columns(fixed.means, no_cells)
        by_player = Columns(players.total(fixed.Q), no_rows)
        given = Rhs(by_player, means.by(self.cells.to_b(self.cells.count)), np.eye(X.shape[1]))
        l_p, l_c, l_w = ratios
        self.equations = MixedModelEquations(players, given, means, np.array([[l_p]]), l_c, l_w, interacting=False)
        self.players = np.concatenate([self.equations.players(piece) for piece in players.pieces])
        self.equations.means = Columns(no_cells, no_cells)  # as large as X, and not asked for again
        self.equations.given = Rhs(Columns(no_rows, no_rows), given.copies, given.product)
        self.rows, self.total = (
            np.concatenate([rated, len(X) + np.arange(len(fixed.outside))]),
            len(X) + len(fixed.outside),
        )
        self._root = np.linalg.cholesky(self.equations.product)

    def _less_shared(self, U: Floats, means: Floats, players: Floats, copies: Floats) -> Floats:
        """H^-1 U for U (N + m, t) with these cell means, Z_i'H^-1 U (I, 1, t) and Z_c'H^-1 U (K, t)."""
        equations, cells, out = self.equations, self.cells, U.copy()
        in_cells = equations.in_cells(means, players, copies)
        taken = equations.S[0, 0] * players[cells.a, 0] + equations.l_c * copies[cells.b] + equations.l_w * in_cells
        out[: cells.row.size] -= taken[cells.row]
        return out

    def _inverse(self, U: Floats) -> Floats:
        """H^-1 U for U (N + m, t)."""
        equations, cells = self.equations, self.cells
        means = cells.means(U[: cells.row.size])
        by_player = equations.rows.total_of_cells(equations.shrunk[:, None] * means)
        by_copy = cells.to_b(equations.w) @ means
        columns = Columns(by_player, np.zeros((*by_player.shape[:2], 0)))
        players, copies = equations.solve(Rhs(columns, by_copy, np.zeros((0, 0))))
        return self._less_shared(U, means, players, copies)

    def _of_fixed(self, B: Floats) -> Floats:
        """H^-1 Q B (N + m, t) for B (p, t)."""
        equations, rated = self.equations, self.rows[: self.cells.row.size]
        U = np.vstack([(self.X @ np.linalg.solve(self.R, B))[rated], self.outside @ B])
        return self._less_shared(U, self.cells.means(U[: len(rated)]), self.players @ B, equations.copies @ B)

    def _over_all(self, U: Floats) -> Floats:
        """Put columns (N + m, t) at their places among all rows (n + m, t)."""
        whole = np.zeros((self.total, U.shape[1]))
        whole[self.rows] = U
        return whole

    def __call__(self, U: Floats) -> Floats:
        """P U (n + m, t), 0 on rows not rated."""
        solved = self._inverse(U[self.rows])
        whole, n = self._over_all(solved), len(self.X)
        along = np.linalg.solve(self.R.T, self.X.T @ whole[:n]) + self.outside.T @ whole[n:]
        return whole - self._over_all(self._of_fixed(cholesky_solve(self._root, along)))

    def coefficients(self, B: Floats) -> Floats:
        """W B (n + m, t) for B (p, t): the generalised least squares coefficients of columns T are W'T."""
        ahead = np.asarray(np.linalg.solve(self.R.T, B), dtype=np.float64)
        return self._over_all(self._of_fixed(cholesky_solve(self._root, ahead)))


@dataclass(frozen=True, eq=False)
class MivqueEstimates:
    """Covariances over the criteria, as the equations give them: unbiased, not necessarily of a positive definite matrix.

    Attributes
    ----------
    names : of the L components
    covariance : (L, k, k) S_l, 0 where it is not identified.
    information : (L, k, k) 1 / (F^-1)_ll, 0 where it is not identified.
    within, within_information : (k, k) what interaction and residual have together: the same without an interaction.
    weights : (L, k, k) of S_l in the covariance of the errors of x'beta, summed over the rows of X.
    """

    names: tuple[str, ...]
    covariance: Floats
    information: Floats
    within: Floats
    within_information: Floats
    weights: Floats


def mivque(
    X: Floats,
    Y: Floats,
    player: Iterable[Hashable] | None,
    copy: Iterable[Hashable] | None,
    responses: Sequence[RemlFit],
    *,
    interaction: bool = True,
    prior: Prior | None = None,
    slopes: Floats | None = None,
) -> MivqueEstimates:
    """Estimate the covariances of every component over the criteria; the parameters are those of `correlations`."""
    i, k = Factor.of(player, X.shape[0], "player"), Factor.of(copy, X.shape[0], "copy")
    rated, sds = np.isfinite(Y), deviations(responses, slopes)
    priors = [None if prior is None else prior.of(place) for place in range(len(responses))]
    m = 0 if priors[0] is None else priors[0].rows()[1].size
    who = Components.of(i, k, interaction, player_parts(responses, slopes, X.shape[0])[0], m)
    ratios = common_ratios(sds, np.asarray(rated.any(axis=0)), who.names)
    by_response = zip(rated.T, priors, strict=True)
    projections = [Projection(X, i, k, np.flatnonzero(of), ratios, own) for of, own in by_response]
    ahead: Floats = np.asarray(np.linalg.qr(X if X.shape[0] else np.eye(X.shape[1]), mode="r"), dtype=np.float64)
    step = max(1, AT_ONCE // max(1, X.shape[0]))
    weights = sum(
        (
            _forms(who, (P.coefficients(ahead.T[:, first : first + step]) for P in projections))
            for first in range(0, X.shape[1], step)
        ),
        start=np.zeros((len(who.names),) + (len(projections),) * 2),
    )
    F = _traces(who, projections)
    q = _forms(who, [_projected(X, y, P, fitted) for y, P, fitted in zip(Y.T, projections, responses, strict=True)])
    identified = _identified(who, rated, responses)
    covariance, information = _solved(F, q, identified)
    if INTERACTION not in who.names:
        both = covariance[who.names.index(RESIDUAL)], information[who.names.index(RESIDUAL)]
        return MivqueEstimates(who.names, covariance, information, *both, weights)
    w, e = who.names.index(INTERACTION), who.names.index(RESIDUAL)
    alone = identified & (np.arange(len(who.names)) != w)[:, None, None]
    within, of_within = _solved(F, q, alone)
    information[e] *= identified[w]
    return MivqueEstimates(who.names, covariance, information, within[e], of_within[e], weights)


def common_ratios(
    sds: dict[str, Floats], rated: NDArray[np.bool_], names: tuple[str, ...]
) -> tuple[float, float, float]:
    """Geometric mean over the rated criteria (k,) of each variance ratio, floored; 0 for a factor that is not there."""
    found = []
    for name in (PLAYER, COPY, INTERACTION):
        own = (sds[name][rated] / sds[RESIDUAL][rated]) ** 2
        there = name in names and own.size
        found.append(float(np.exp(np.mean(np.log(np.maximum(own, LEAST_RATIO))))) if there else 0.0)
    return found[0], found[1], found[2]


def _projected(X: Floats, y: Floats, P: Projection, fitted: RemlFit) -> Floats:
    """P y (n + m, 1) of one criterion, y less its fixed part first, for the sake of rounding."""
    outside = P.target - P.outside @ (P.R @ fitted.coef)
    return P(np.concatenate([np.nan_to_num(y - X @ fitted.coef), outside])[:, None])


def _forms(who: Components, columns: Iterable[Floats]) -> Floats:
    """Sum the products (L, k, k) of Z_l'U_c and Z_l'U_d over the criteria's columns U_c (n + m, t)."""
    gathered = [who.gathered(U) for U in columns]
    found = []
    for _ in who.names:
        rows = np.array([of.pop(0).ravel() for of in gathered])  # gone as soon as it is counted
        found.append(rows @ rows.T)
    return np.array(found, dtype=np.float64)


def _traces(who: Components, projections: Sequence[Projection]) -> Floats:
    """F (L, L, k, k) = tr(Z_l'P_c Z_m Z_m'P_d Z_l) = E sum over the columns u of (Z_m'P_c Z_l u)'(Z_m'P_d Z_l u)."""
    F = np.zeros((len(who.names),) * 2 + (len(projections),) * 2)
    for numbers, U in _columns(who):
        gathered = [who.gathered(P(U)) for P in projections]
        for number in np.unique(numbers).tolist():
            for other in range(len(who.names)):
                rows = np.array([of[other][:, numbers == number].ravel() for of in gathered])
                F[other, number] += rows @ rows.T
    return np.asarray((F + F.swapaxes(0, 1)) / 2.0, dtype=np.float64)


def _columns(who: Components) -> Iterator[tuple[Ints, Floats]]:
    """Give the columns Z_l u (n + m, t) of all components, as many side by side as are held `AT_ONCE`, and whose each is (t,)."""
    whose = np.repeat(np.arange(len(who.names)), [probes.shape[1] for probes in who.probes])
    first = np.arange(whose.size) - np.searchsorted(whose, whose)
    for some in np.array_split(np.arange(whose.size), -(-whose.size * who.sums[0].shape[1] // AT_ONCE)):
        parts = [(number, first[some[whose[some] == number]]) for number in np.unique(whose[some]).tolist()]
        yield whose[some], np.hstack([who.sums[number].T @ who.probes[number][:, at] for number, at in parts])


def _identified(who: Components, rated: NDArray[np.bool_], responses: Sequence[RemlFit]) -> NDArray[np.bool_]:
    """Whether the labels let each component's covariance be identified at all, (L, k, k).

    Player, slopes and copy: where both criteria's fits could. Match: where some cell holds a rating on the one criterion and
    another run's rating on the other; elsewhere it is the noise.
    """
    identified = np.ones((len(who.names), rated.shape[1], rated.shape[1]), dtype=bool)
    for number, name in enumerate(who.names):
        if name in (PLAYER, SLOPES, COPY):
            own = np.array([fitted.identifiable[name] for fitted in responses])
            identified[number] = own[:, None] & own
        elif name == INTERACTION:
            known = rated.astype(np.float64)
            count = who.sums[number][:, : len(known)] @ known
            identified[number] = count.T @ count > known.T @ known
    return identified


def _solved(F: Floats, q: Floats, identified: NDArray[np.bool_]) -> tuple[Floats, Floats]:
    """Solve F S = q for each pair of criteria, over the components that are identified.

    Returns
    -------
    S and the information on each component (L, k, k), 0 where it is not identified.
    """
    F, q, identified = np.moveaxis(F, (0, 1), (2, 3)), np.moveaxis(q, 0, 2), np.moveaxis(identified, 0, 2)
    size = np.sqrt(np.einsum("cdll->cdl", F))
    size = np.where(identified & (size > 1e-9 * size.max(initial=0.0)), size, np.inf)
    scaled = F / size[..., None, :] / size[..., :, None]
    inverse = np.linalg.pinv(scaled, rcond=1e-9, hermitian=True)
    variance = np.einsum("cdll->cdl", inverse)
    identified = (np.abs(np.einsum("cdlm,cdml->cdl", inverse, scaled) - 1.0) < 1e-6) & (variance > 0.0)
    covariance = np.einsum("cdlm,cdm->cdl", inverse, q / size) / size
    information = np.divide(size**2, variance, out=np.zeros_like(variance), where=identified)
    return np.moveaxis(np.where(identified, covariance, 0.0), 2, 0), np.moveaxis(information, 2, 0)
