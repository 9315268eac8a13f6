"""The coefficients and the copies' effects of several responses, predicted together at given covariances.

For row r of player i and level k, and response c,

    y_rc = x_r' beta_c + a_kc + z_r' u_ic + m_ikc + e_rc,

with all random parts correlated over the responses. The best linear unbiased prediction of theta = (beta, a) solves Henderson's
mixed-model equations with the players eliminated one by one,

    (sum_i D_i' V_i^-1 D_i + P) theta = sum_i D_i' V_i^-1 y_i + P mu,

V_i the covariance of a player's ratings around D_i theta, P the prior precision of theta (Henderson & Quaas 1976, J. Anim. Sci.
43: 1188; Searle, Casella & McCulloch 1992, Variance Components, sec. 7.4). A response that was rated seldom so learns of a
copy from the others. The equations are solved by conjugate gradients (Hestenes & Stiefel 1952, J. Res. Natl. Bur. Stand. 49:
409), preconditioned by the coefficients' block and by each level's own.
"""

from collections.abc import Callable, Iterator
from copy import copy
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve
from scipy.sparse.linalg import LinearOperator, cg

from model.domain.arrays import Floats, Ints

PADDING = 1.25
"""Players whose numbers of ratings differ by no more than this factor are worked side by side."""
MOST_ENTRIES = 2_000_000
"""Numbers in the covariances that are held at a time while they are made."""
PRECISE = 1e-9
"""The search ends where the equations' residual is below this share of the right side."""
MOST_STEPS = 2_000


@dataclass(frozen=True, eq=False)
class Ratings:
    """What was rated.

    Attributes
    ----------
    X : (n, p) columns of the coefficients.
    Z : (n, Q) columns of the players' own effects.
    Y : (n, C) NaN where a response was not rated.
    player, level : (n,) codes from 0; the levels' go up to K - 1.
    levels : K
    """

    X: Floats
    Z: Floats
    Y: Floats
    player: Ints
    level: Ints
    levels: int


@dataclass(frozen=True, eq=False)
class EffectCovariances:
    """The covariances of all effects over the C responses, in squared units of the responses.

    Attributes
    ----------
    player_root : (C, Q, Q) roots L_c; two responses' effects of a player covary by L_c diag(R_cd of each part) L_d'.
    player_parts : which columns of the roots go together, and the correlations (C, C) of the responses in them.
    copy, interaction, residual : (C, C)
    coef_mean : (C, p) prior means, or (p,) the same for every response.
    coef_sd : (C, p) prior deviations, infinite where nothing is believed.
    coef_correlation : (C, C) of the deviations from the prior means.
    chains : of each copy with several levels their places (S,) and the correlation (S, S) of its effect from level to level.
    """

    player_root: Floats
    player_parts: tuple[tuple[slice, Floats], ...]
    copy: Floats
    interaction: Floats
    residual: Floats
    coef_mean: Floats
    coef_sd: Floats
    coef_correlation: Floats
    chains: tuple[tuple[Ints, Floats], ...] = ()


@dataclass(frozen=True, eq=False)
class _Batch:
    """Some players side by side: their ratings (T, O) among all, -1 where one has fewer, and V^-1 (T, O, O), 0 there."""

    at: Ints
    weight: Floats

    def apply(self, of: Floats, out: Floats) -> None:
        """Put V^-1 times the values ``of`` (N + 1,), the last 0, at the batch's ratings in ``out`` (N + 1,)."""
        out[self.at] = (self.weight @ of[self.at][..., None])[..., 0]


class _Equations:
    """The mixed-model equations, ready to be multiplied with and to be solved.

    A vector theta is (C, p + K): the coefficients, then the levels' effects.
    """

    def __init__(self, ratings: Ratings, covariances: EffectCovariances) -> None:
        self.ratings, self.covariances = ratings, covariances
        known = np.isfinite(ratings.Y)
        row, response = np.nonzero(known)
        order = np.argsort(ratings.player[row], kind="stable")
        self.row, self.response = row[order], response[order]
        self.level = ratings.level[self.row]
        self.value = ratings.Y[self.row, self.response]
        self.shape = (ratings.Y.shape[1], ratings.X.shape[1] + ratings.levels)
        self.batches = tuple(self._batches())
        self._copy_precision = np.linalg.inv(covariances.copy)
        self._along = _precision_along(covariances.chains, ratings.levels)
        self._coef_precision = _coefficients_precision(covariances)
        self.counted = np.ones(len(self.row))

    def only(self, counted: NDArray[np.bool_]) -> Self:
        """Give the equations of some of the ratings (N,) alone: of every player all or none."""
        some = copy(self)
        some.counted = counted.astype(np.float64)
        return some

    def _batches(self) -> Iterator[_Batch]:
        if not len(self.row):
            return
        player = self.ratings.player[self.row]
        start = np.flatnonzero(np.diff(player, prepend=player[0] - 1))
        size = np.diff(np.append(start, len(player)))
        for group in _alike_in_size(size):
            most = int(size[group].max())
            at = start[group][:, None] + np.arange(most)
            at = np.where(np.arange(most) < size[group][:, None], at, -1)
            yield _Batch(at, self._inverse_covariance(at))

    def _inverse_covariance(self, at: Ints) -> Floats:
        """Give V^-1 (T, O, O) of the ratings ``at`` (T, O)."""
        covariances, there = self.covariances, at >= 0
        c, level, row = self.response[at], np.where(there, self.level[at], -1), np.where(there, self.row[at], -1)
        own = np.einsum("toq,toqr->tor", self.ratings.Z[self.row[at]], covariances.player_root[c])
        own[~there] = 0.0
        pair = c[:, :, None], c[:, None, :]
        V = _alike(level) * covariances.interaction[pair] + _alike(row) * covariances.residual[pair]
        for part, R in covariances.player_parts:
            V += own[..., part] @ own[..., part].swapaxes(1, 2) * R[pair]
        every = np.arange(at.shape[1])
        V[:, every, every] += ~there
        weight = np.linalg.inv(V)
        return np.asarray(np.where(there[:, :, None] & there[:, None, :], weight, 0.0))

    def _weigh(self, of: Floats) -> Floats:
        """Give V^-1 times values (N,), player by player."""
        padded, out = np.append(of, 0.0), np.zeros(len(of) + 1)
        for batch in self.batches:
            batch.apply(padded, out)
        return out[:-1] * self.counted

    def moments(self, theta: Floats, column: Floats) -> tuple[float, float]:
        """Give c'V^-1 c and c'V^-1 (y - D theta) of a column c (N,) of the ratings."""
        weighed = self._weigh(column)
        return float(column @ weighed), float(weighed @ (self.value - self._expected(theta)))

    def _gather(self, of: Floats) -> Floats:
        """Give D' times values (N,): (C, p + K)."""
        X, levels = self.ratings.X, self.ratings.levels
        spread = np.zeros((len(X), self.shape[0]))
        spread[self.row, self.response] = of
        effects = np.bincount(self.response * levels + self.level, weights=of, minlength=self.shape[0] * levels)
        return np.hstack([spread.T @ X, effects.reshape(self.shape[0], levels)])

    def _expected(self, theta: Floats) -> Floats:
        """Give D theta (N,)."""
        p = self.ratings.X.shape[1]
        fixed = (self.ratings.X @ theta[:, :p].T)[self.row, self.response]
        return np.asarray(fixed + theta[self.response, p + self.level])

    def _prior(self, theta: Floats) -> Floats:
        """Give P theta (C, p + K)."""
        p = self.ratings.X.shape[1]
        fixed = np.einsum("jcd,dj->cj", self._coef_precision, theta[:, :p])
        effects = self._copy_precision @ (self._along.T @ theta[:, p:].T).T
        return np.hstack([fixed, effects])

    def times(self, theta: Floats) -> Floats:
        """Give the left side's matrix times theta (C, p + K)."""
        return self._gather(self._weigh(self._expected(theta))) + self._prior(theta)

    def right_side(self) -> Floats:
        """Give the right side (C, p + K)."""
        believed = np.zeros(self.shape)
        believed[:, : self.ratings.X.shape[1]] = self.covariances.coef_mean
        return self._gather(self._weigh(self.value)) + self._prior(believed)

    def preconditioner(self) -> "_Preconditioner":
        """Give the inverse of the coefficients' block and of each level's own."""
        C, p, K = self.shape[0], self.ratings.X.shape[1], self.ratings.levels
        fixed = np.zeros((C, p, C, p))
        effects = np.zeros(K * C * C)
        for batch in self.batches:
            self._add_fixed(batch, fixed)
            effects += self._of_levels(batch)
        for j, precision in enumerate(self._coef_precision):
            fixed[:, j, :, j] += precision
        blocks = effects.reshape(K, C, C) + self._along.diagonal()[:, None, None] * self._copy_precision
        return _Preconditioner(cho_factor(fixed.reshape(C * p, C * p)), np.linalg.inv(blocks))

    def _add_fixed(self, batch: _Batch, out: Floats) -> None:
        there = batch.at >= 0
        X, c = self.ratings.X[self.row[batch.at]], np.where(there, self.response[batch.at], -1)
        of = [np.nonzero(c == d) for d in range(self.shape[0])]
        for d in range(self.shape[0]):
            ahead = batch.weight @ np.where((c == d)[..., None], X, 0.0)
            for e, where in enumerate(of):
                out[e, :, d] += X[where].T @ ahead[where]

    def _of_levels(self, batch: _Batch) -> Floats:
        C = self.shape[0]
        there = batch.at >= 0
        c, level = self.response[batch.at], np.where(there, self.level[batch.at], -1)
        t, first, second = np.nonzero(_alike(level))
        place = (level[t, first] * C + c[t, first]) * C + c[t, second]
        summed = np.bincount(place, weights=batch.weight[t, first, second], minlength=self.ratings.levels * C * C)
        return np.asarray(summed, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class _Preconditioner:
    """Inverse of the block diagonal part: ``fixed`` a Cholesky factor (C p, C p), ``effects`` (K, C, C)."""

    fixed: tuple[Floats, bool]
    effects: Floats

    def __call__(self, of: Floats) -> Floats:
        """Give the preconditioned (C, p + K)."""
        C, p = of.shape[0], self.fixed[0].shape[0] // of.shape[0]
        fixed = cho_solve(self.fixed, of[:, :p].ravel()).reshape(C, p)
        return np.hstack([fixed, np.einsum("kcd,dk->ck", self.effects, of[:, p:])])


def joint_effects(ratings: Ratings, covariances: EffectCovariances) -> tuple[Floats, Floats]:
    """Predict the coefficients and the levels' effects of all responses together.

    Returns
    -------
    coefficients (C, p) and effects (C, K); a level that was not rated on a response is identified by its others.

    Raises
    ------
    numpy.linalg.LinAlgError
        A covariance that is not positive definite.
    RuntimeError
        The equations were not solved within `MOST_STEPS` steps.
    """
    equations = _Equations(ratings, covariances)
    precondition = equations.preconditioner()
    theta = _solved(equations, precondition, precondition(equations.right_side()))
    p = ratings.X.shape[1]
    return theta[:, :p], theta[:, p:]


def cross_fitted_moments(
    ratings: Ratings,
    covariances: EffectCovariances,
    start: tuple[Floats, Floats],
    fold: Ints,
    column: Callable[[Floats, Floats], Floats],
) -> tuple[float, float]:
    """Return what ratings tell of the coefficient of one more column, which itself is made of the effects.

    The column of each fold's players comes from the effects predicted without them: made of their own ratings it would be
    predicted in part from itself.

    Parameters
    ----------
    start : coefficients (C, p) and effects (C, K) of all the ratings, as `joint_effects` gives them.
    fold : (n,) of each row, the same for all of one player.
    column : makes the column (n, C) of coefficients and effects.

    Returns
    -------
    Precision and precision times estimate, by generalised least squares with the covariance of the players' ratings.
    """
    equations, p = _Equations(ratings, covariances), ratings.X.shape[1]
    precondition, begin = equations.preconditioner(), np.hstack(start)
    precision = pull = 0.0
    for number in np.unique(fold).tolist():
        held = fold[equations.row] == number
        theta = _solved(equations.only(~held), precondition, begin)
        of_fold = column(theta[:, :p], theta[:, p:])[equations.row, equations.response]
        found = equations.only(held).moments(theta, np.where(held, of_fold, 0.0))
        precision, pull = precision + found[0], pull + found[1]
    return precision, pull


def _solved(equations: _Equations, precondition: "_Preconditioner", theta: Floats) -> Floats:
    """Solve by preconditioned conjugate gradients, from a first theta (C, p + K)."""

    def operator(times: Callable[[Floats], Floats]) -> LinearOperator:
        return LinearOperator((theta.size,) * 2, lambda of: times(of.reshape(theta.shape)).ravel(), dtype=np.float64)

    right = equations.right_side().ravel()
    ahead = operator(precondition)
    found, steps = cg(operator(equations.times), right, theta.ravel(), rtol=PRECISE, maxiter=MOST_STEPS, M=ahead)
    if steps:
        msg = f"the effects of all criteria together were not found within {MOST_STEPS} steps"
        raise RuntimeError(msg)
    return np.asarray(found).reshape(theta.shape)


def _alike(codes: Ints) -> NDArray[np.bool_]:
    """Whether every two of the codes (T, O) are the same, and not -1: (T, O, O)."""
    return np.asarray((codes[:, :, None] == codes[:, None, :]) & (codes >= 0)[:, :, None])


def _alike_in_size(size: Ints) -> Iterator[Ints]:
    """Give the places of sizes (n,) in groups that differ little."""
    order = np.argsort(size, kind="stable")
    first = 0
    for last in range(1, len(order) + 1):
        done = last == len(order)
        if (
            done
            or size[order[last]] > PADDING * size[order[first]]
            or ((last - first + 1) * size[order[last]] ** 2 > MOST_ENTRIES)
        ):
            yield order[first:last]
            first = last


def _precision_along(chains: tuple[tuple[Ints, Floats], ...], levels: int) -> sparse.csr_array:
    """Give the inverse (K, K) of the correlations from level to level of each copy."""
    alone = np.ones(levels, dtype=bool)
    rows, columns, values = [], [], []
    for places, correlation in chains:
        alone[places] = False
        rows.append(np.repeat(places, len(places)))
        columns.append(np.tile(places, len(places)))
        values.append(np.linalg.inv(correlation).ravel())
    single = np.flatnonzero(alone)
    where = (np.concatenate([single, *rows]), np.concatenate([single, *columns]))
    return sparse.csr_array((np.concatenate([np.ones(len(single)), *values]), where), shape=(levels, levels))


def _coefficients_precision(covariances: EffectCovariances) -> Floats:
    """Give the prior precision (p, C, C) of each column's coefficients, 0 where nothing is believed."""
    sd = covariances.coef_sd
    C, p = sd.shape
    out = np.zeros((p, C, C))
    inverse = np.linalg.inv(covariances.coef_correlation)
    for j in range(p):
        if np.isfinite(sd[:, j]).all():
            out[j] = inverse / np.outer(sd[:, j], sd[:, j])
    return out
