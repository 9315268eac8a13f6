"""The mixed-model equations of several responses' coefficients and copies' effects, as they are summed player by player.

For row r of player i and level k, and response c,

    y_rc = x_r' beta_c + a_kc + z_r' u_ic + m_ikc + e_rc,

with all random parts correlated over the responses. The best linear unbiased prediction of theta = (beta, a) solves Henderson's
mixed-model equations with the players eliminated one by one,

    (sum_i D_i' V_i^-1 D_i + P) theta = sum_i D_i' V_i^-1 y_i + P mu,

V_i the covariance of a player's ratings around D_i theta, P the prior precision of theta (Henderson & Quaas 1976, J. Anim. Sci.
43: 1188; Searle, Casella & McCulloch 1992, Variance Components, sec. 7.4).
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from model.domain.arrays import Floats, Ints

PADDING = 1.25
"""Players whose numbers of ratings differ by no more than this factor are worked side by side."""
MOST_ENTRIES = 2_000_000
"""Numbers in the covariances that are held at a time while they are made."""


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
class Batch:
    """Some players side by side.

    Attributes
    ----------
    players : (T,) places among those with ratings
    at : (T, O) their ratings among all, -1 where one has fewer
    weight : (T, O, O) V^-1, 0 where one has fewer
    """

    players: Ints
    at: Ints
    weight: Floats

    @property
    def there(self) -> NDArray[np.bool_]:
        """Whether there is a rating at each place (T, O)."""
        return np.asarray(self.at >= 0)


class Equations:
    """The equations' parts: which ratings there are, the players' covariances of them, and the prior.

    A vector theta is (C, p + K): the coefficients, then the levels' effects.

    Attributes
    ----------
    row, response, level, value, whose : (N,) of the ratings, player by player, and row by row; the player's place
    player : (I,) codes of the players with ratings
    start, size : (I,) first of their ratings, and how many
    along : (K, K) inverse of the correlations from level to level of each copy
    coef_precision : (p, C, C) prior precision of each column's coefficients, 0 where nothing is believed
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
        self.player, self.start, self.whose, self.size = np.unique(
            ratings.player[self.row], return_index=True, return_inverse=True, return_counts=True
        )
        self.along = _precision_along(covariances.chains, ratings.levels)
        self.coef_precision = _coefficients_precision(covariances)

    @cached_property
    def copy_precision(self) -> Floats:
        """(C, C) inverse covariance of one level's effects."""
        return np.asarray(np.linalg.inv(self.covariances.copy))

    def batches(self, players: Ints | None = None) -> Iterator[Batch]:
        """Make the batches of all players, or of some (places among those with ratings)."""
        some = np.arange(len(self.player)) if players is None else players
        for group in _alike_in_size(self.size[some]):
            of = some[group]
            most = int(self.size[of].max())
            at = self.start[of][:, None] + np.arange(most)
            at = np.where(np.arange(most) < self.size[of][:, None], at, -1)
            yield Batch(of, at, self._inverse_covariance(at))

    def _inverse_covariance(self, at: Ints) -> Floats:
        """Give V^-1 (T, O, O) of the ratings ``at`` (T, O)."""
        covariances, there = self.covariances, at >= 0
        c, level, row = self.response[at], np.where(there, self.level[at], -1), np.where(there, self.row[at], -1)
        own = np.einsum("toq,toqr->tor", self.ratings.Z[self.row[at]], covariances.player_root[c])
        own[~there] = 0.0
        pair = c[:, :, None] * len(covariances.copy) + c[:, None, :]
        V = alike(level) * covariances.interaction.take(pair) + alike(row) * covariances.residual.take(pair)
        for part, R in covariances.player_parts:
            V += own[..., part] @ own[..., part].swapaxes(1, 2) * R.take(pair)
        every = np.arange(at.shape[1])
        V[:, every, every] += ~there
        weight = np.linalg.inv(V)
        return np.asarray(np.where(there[:, :, None] & there[:, None, :], weight, 0.0))

    def gather(self, of: Floats) -> Floats:
        """Give D' times values (N,): (C, p + K)."""
        X, levels = self.ratings.X, self.ratings.levels
        spread = np.zeros((len(X), self.shape[0]))
        spread[self.row, self.response] = of
        effects = np.bincount(self.response * levels + self.level, weights=of, minlength=self.shape[0] * levels)
        return np.hstack([spread.T @ X, effects.reshape(self.shape[0], levels)])

    def expected(self, theta: Floats) -> Floats:
        """Give D theta (N,)."""
        p = self.ratings.X.shape[1]
        fixed = (self.ratings.X @ theta[:, :p].T)[self.row, self.response]
        return np.asarray(fixed + theta[self.response, p + self.level])

    def prior(self, theta: Floats) -> Floats:
        """Give P theta (C, p + K)."""
        p = self.ratings.X.shape[1]
        fixed = np.einsum("jcd,dj->cj", self.coef_precision, theta[:, :p])
        effects = self.copy_precision @ (self.along.T @ theta[:, p:].T).T
        return np.hstack([fixed, effects])

    @property
    def believed(self) -> Floats:
        """P mu (C, p + K)."""
        mean = np.zeros(self.shape)
        mean[:, : self.ratings.X.shape[1]] = self.covariances.coef_mean
        return self.prior(mean)


def alike(codes: Ints) -> NDArray[np.bool_]:
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
