"""The outcome of a fit of one response: estimates, the copies' posterior, and Gaussian predictions from them."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve, solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.reml import COPY, MATCH, PLAYER, Restricted

_CHUNK = 2048  # rows whose dense weights on one block's copies are held at a time


def _no_rows() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class FittedResponse:
    """What a fit says of one response; enough to predict for the population and to condition on a new player.

    Given everything rated, a copy's effect is a_k = copy_effect_k - copy_coupling_k (beta - coef) + xi_k, with xi
    independent of beta. So x'beta + a_k has mean x'coef + copy_effect_k and variance
    (x - T_k)' coef_covariance (x - T_k) + V_kk, T = copy_coupling; copies of different blocks are independent given
    beta. A copy never rated has effect 0, coupling 0 and variance copy_sd^2.

    Attributes
    ----------
    coef : (p,) float
        Coefficients, rating points per unit of each column.
    coef_covariance : (p, p) float
        Their posterior (generalised least squares) covariance, noise variance included.
    player_sd, copy_sd, match_sd, repeat_sd : float
        Standard deviations in rating points; 0.0 for a term that is left out or vanishes.
    estimable : dict
        'player', 'copy', 'match': whether the ratings can tell the term from the others.
    reml : float
        The REML criterion, -2 log restricted likelihood with all constants; with a prior, less twice its log density.
    rows : int
        Ratings used.
    iterations : int
        Newton steps until convergence.
    copies : tuple of labels (K)
        Copies with at least one rating.
    copy_effect : (K,) float
    copy_coupling : (K, p) float
    copy_blocks : list of (indices (m,), V (m, m))
        Covariance of xi, one block for each set of copies linked through players.
    residual : (n,) float
        y - x'coef - player - copy - match, NaN where not rated; empty in a record without its ratings.
    marginal : (n,) float
        y - x'coef, likewise.
    taste_centre : (q,) float
        Of a fit with tastes: where their columns are centred, in the caller's units; empty otherwise.
    taste_covariance : (q + 1, q + 1) float
        Covariance of a player's level at that centre and the slopes on the columns; empty without tastes.
    tastes_estimable : (q,) bool
        Whether the ratings can tell each column's slopes.
    tastes_kept : (q,) bool
        Which columns have slopes.
    """

    coef: Floats
    coef_covariance: Floats
    player_sd: float
    copy_sd: float
    match_sd: float
    repeat_sd: float
    estimable: dict[str, bool]
    reml: float
    rows: int
    iterations: int
    copies: tuple[Hashable, ...]
    copy_effect: Floats
    copy_coupling: Floats
    copy_blocks: list[tuple[Ints, Floats]]
    residual: Floats = field(default_factory=_no_rows)
    marginal: Floats = field(default_factory=_no_rows)
    taste_centre: Floats = field(default_factory=_no_rows)
    taste_covariance: Floats = field(default_factory=_no_rows)
    tastes_estimable: tuple[bool, ...] = ()
    tastes_kept: tuple[bool, ...] = ()

    @cached_property
    def player_covariance(self) -> Floats:
        """Covariance (q + 1, q + 1) of a player's level where all tastes are 0 and the slopes on their columns."""
        if not self.taste_centre.size:
            return np.array([[self.player_sd**2]])
        return at_zero(self.taste_centre, self.taste_covariance)

    def player_shared(self, first: Floats | None, second: Floats | None) -> Floats | float:
        """Covariance (m, l) of a new player's part between rows of tastes (m, q) and (l, q); None without tastes."""
        if first is None or second is None:
            return self.player_sd**2
        left, right = (np.column_stack([np.ones(len(rows)), rows - self.taste_centre]) for rows in (first, second))
        return np.asarray(left @ self.taste_covariance @ right.T)

    def player_variance(self, tastes: Floats | None) -> Floats | float:
        """Variance (m,) of a new player's part on rows of tastes (m, q); None without tastes."""
        if tastes is None:
            return self.player_sd**2
        rows = np.column_stack([np.ones(len(tastes)), tastes - self.taste_centre])
        return np.asarray(np.einsum("mi,ij,mj->m", rows, self.taste_covariance, rows))

    @cached_property
    def copy_index(self) -> dict[Hashable, int]:
        """Place of each copy in `copies`."""
        return {label: place for place, label in enumerate(self.copies)}

    @cached_property
    def _places(self) -> tuple[Ints, Ints, Floats]:
        """Block (K,), place in it (K,) and variance (K,) of each copy."""
        block, place = np.zeros(len(self.copies), np.int64), np.zeros(len(self.copies), np.int64)
        variance = np.zeros(len(self.copies))
        for number, (members, V) in enumerate(self.copy_blocks):
            block[members], place[members], variance[members] = number, np.arange(members.size), np.diagonal(V)
        return block, place, variance

    def copy_variance(self, k: Ints) -> Floats:
        """Variance (m,) of xi for copies `k` (m,), -1 for a copy never rated."""
        known = k >= 0
        variance = np.full(k.size, self.copy_sd**2)
        variance[known] = self._places[2][k[known]]
        return variance

    def copy_covariance(self, first: Ints, second: Ints) -> Floats:
        """Covariance (m, l) of xi between known copies; 0 with a copy never rated (-1)."""
        covariance = np.zeros((first.size, second.size))
        block, place, _ = self._places
        own, other = (np.where(k >= 0, np.append(block, 0)[k], -1) for k in (first, second))
        for number in np.unique(own[own >= 0]).tolist():
            rows, columns = np.flatnonzero(own == number), np.flatnonzero(other == number)
            V = self.copy_blocks[number][1]
            covariance[np.ix_(rows, columns)] = V[np.ix_(place[first[rows]], place[second[columns]])]
        return covariance

    def fixed_weights(self, X: Floats, k: Ints) -> Floats:
        """Give x - T_k (m, p), the weights of beta in x'beta + a_k."""
        weights = X.copy()
        known = k >= 0
        weights[known] -= self.copy_coupling[k[known]]
        return weights

    def mean(self, X: Floats, k: Ints) -> Floats:
        """Give x'coef + a_k (m,), for the population's mean player."""
        return np.asarray(X @ self.coef + np.where(k >= 0, np.append(self.copy_effect, 0.0)[k], 0.0))


def at_zero(centre: Floats, covariance: Floats) -> Floats:
    """Turn the covariance (q + 1, q + 1) of level and slopes with the level at `centre` (q,) into that at zero."""
    move = np.eye(centre.size + 1)
    move[0, 1:] = -centre
    return np.asarray(move @ covariance @ move.T)


@dataclass(frozen=True, eq=False)
class Sheet:
    """Rows of one player.

    Attributes
    ----------
    X : (m, p)
    k : (m,) known copies, or -1
    bow : (m,) equal where the copy is the same
    tastes : (m, q), None where the fit has none
    """

    X: Floats
    k: Ints
    bow: Ints
    tastes: Floats | None = None


def shared_covariance(fitted: FittedResponse, first: Sheet, second: Sheet) -> Floats:
    """Covariance (m, l) of one new player's ratings on two sheets, the repeat noise left out."""
    same = first.bow[:, None] == second.bow[None, :]
    known = (first.k >= 0)[:, None]
    left, right = fitted.fixed_weights(first.X, first.k), fitted.fixed_weights(second.X, second.k)
    copies = fitted.copy_covariance(first.k, second.k) + np.where(same & ~known, fitted.copy_sd**2, 0.0)
    return np.asarray(
        left @ fitted.coef_covariance @ right.T
        + copies
        + fitted.player_shared(first.tastes, second.tastes)
        + fitted.match_sd**2 * same
    )


def new_player_variance(fitted: FittedResponse, sheet: Sheet) -> Floats:
    """Variance (m,) of a new player's rating not yet made, repeat noise included."""
    weights = fitted.fixed_weights(sheet.X, sheet.k)
    fixed = np.einsum("ij,ij->i", weights @ fitted.coef_covariance, weights)
    others = fitted.player_variance(sheet.tastes) + fitted.match_sd**2 + fitted.repeat_sd**2
    return np.asarray(fixed + fitted.copy_variance(sheet.k) + others)


def conditioned(fitted: FittedResponse, played: Sheet, y: Floats, ahead: Sheet) -> tuple[Floats, Floats]:
    """Mean (m,) and variance (m,) of a player's next ratings, given the ratings `y` of the sheet `played`."""
    mean, variance = fitted.mean(ahead.X, ahead.k), new_player_variance(fitted, ahead)
    if y.size == 0:
        return mean, variance
    gram = shared_covariance(fitted, played, played) + fitted.repeat_sd**2 * np.eye(y.size)
    across = shared_covariance(fitted, played, ahead)
    factor = cho_factor(gram, lower=True)
    mean = mean + across.T @ cho_solve(factor, y - fitted.mean(played.X, played.k))
    half = solve_triangular(factor[0], across, lower=True)
    return mean, variance - np.einsum("ij,ij->j", half, half)


@dataclass(frozen=True, eq=False)
class KnownPlayers:
    """What predictions for a player of the fit need besides the record: sums over the player's own cells.

    Attributes
    ----------
    index : dict
        Place of each player's label.
    shrink : (I,) l_p d_i, the player's variance given the rest over sigma^2
    residual : (I,) sum of w_j times the cell's mean marginal residual
    fixed : (I, p) sum of w_j times the cell's mean row
    cross : (I, K) sparse, w_j at the cells
    keys : (J,) i K + k, ascending
    share : (J,) l_w w_j, how far a cell's match follows its own ratings
    cell_residual, cell_fixed : (J,), (J, p) cell means
    match_ratio : float
        l_w
    """

    index: dict[Hashable, int]
    shrink: Floats
    residual: Floats
    fixed: Floats
    cross: Any
    keys: Ints
    share: Floats
    cell_residual: Floats
    cell_fixed: Floats
    match_ratio: float

    def predict(
        self, fitted: FittedResponse, X: Floats, i: Ints, k: Ints, tastes: Floats | None = None
    ) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of the next ratings of known players `i` (m,); without tastes of their own."""
        del tastes  # a fit whose slopes could not be told
        cell = known_cells(self.keys, i, k, self.cross.shape[1])
        share = np.where(cell >= 0, self.share[cell], 0.0)
        player = self.shrink[i] * (self.residual[i] - self.cross[i] @ fitted.copy_effect)
        bow = np.where(k >= 0, np.append(fitted.copy_effect, 0.0)[k], 0.0)
        mean = X @ fitted.coef + (1.0 - share) * (player + bow) + share * self.cell_residual[cell]
        weights = X - share[:, None] * self.cell_fixed[cell]
        weights = weights - ((1.0 - share) * self.shrink[i])[:, None] * self.fixed[i]
        return mean, self._variance(fitted, weights, share, i, k)

    def _variance(self, fitted: FittedResponse, weights: Floats, share: Floats, i: Ints, k: Ints) -> Floats:
        noise = fitted.repeat_sd**2
        on_copies = self._copy_weights(share, i, k)
        weights = weights - on_copies @ fitted.copy_coupling
        variance = np.einsum("ij,ij->i", weights @ fitted.coef_covariance, weights)
        variance += quadratic(on_copies, fitted.copy_blocks) + np.where(k < 0, fitted.copy_sd**2, 0.0)
        variance += noise * ((1.0 - share) ** 2 * self.shrink[i] + self.match_ratio * (1.0 - share) + 1.0)
        return np.asarray(variance)

    def _copy_weights(self, share: Floats, i: Ints, k: Ints) -> sparse.csr_matrix:
        """(1 - s)(e_k - l_p d_i B_i), sparse (m, K): weights of the copies' effects in the prediction."""
        known = np.flatnonzero(k >= 0)
        own = sparse.csr_matrix((np.ones(known.size), (known, k[known])), shape=(k.size, self.cross.shape[1]))
        others = sparse.diags_array(self.shrink[i]) @ self.cross[i]
        return sparse.csr_matrix(sparse.diags_array(1.0 - share) @ (own - others))


def known_cells(keys: Ints, i: Ints, k: Ints, copies: int) -> Ints:
    """Cell (m,) of player and copy by their ascending keys (J,), -1 where the player never played it."""
    key = i * copies + k
    place = np.minimum(np.searchsorted(keys, key), keys.size - 1)
    return np.where((k >= 0) & (keys[place] == key), place, -1)


def quadratic(weights: sparse.csr_matrix, blocks: list[tuple[Ints, Floats]]) -> Floats:
    """Diagonal (m,) of W V W' for sparse W (m, K) and V in diagonal blocks."""
    total = np.zeros(weights.shape[0])
    by_copy = weights.tocsc()
    for members, V in blocks:
        part = by_copy[:, members].tocsr()
        touched = np.flatnonzero(np.diff(part.indptr))
        for first in range(0, touched.size, _CHUNK):
            rows = touched[first : first + _CHUNK]
            dense = part[rows].toarray()
            total[rows] += np.einsum("ij,ij->i", dense @ V, dense)
    return total


def record(
    at: Restricted, labels: tuple[Hashable, ...], estimable: dict[str, bool], observed: Ints, n: int, iterations: int
) -> FittedResponse:
    """Record a fit whose elimination has players as factor a.

    Parameters
    ----------
    at : Restricted
        At the estimated ratios.
    labels : tuple of the copies' labels, () where copies are left out
    observed : (N,) rows of the n rated
    """
    design, elimination, ratios = at.design, at.elimination, at.ratios
    noise, cells = at.noise_variance, at.elimination.cells
    back = np.linalg.inv(design.fixed.R)
    half = back @ solve_triangular(at.root, np.eye(at.root.shape[0]), lower=True).T
    player, copy, match = (ratio * effect for ratio, effect in zip(ratios, at.effects, strict=True))
    marginal = design.residual - design.fixed.Q @ at.gamma
    residual = marginal - player[cells.a[cells.row]] - copy[cells.b[cells.row]] - match[cells.row]
    sd = np.sqrt(ratios * noise)
    count = len(labels)
    return FittedResponse(
        coef=design.start + back @ at.gamma,
        coef_covariance=noise * half @ half.T,
        player_sd=float(sd[PLAYER]),
        copy_sd=float(sd[COPY]),
        match_sd=float(sd[MATCH]),
        repeat_sd=float(np.sqrt(noise)),
        estimable=estimable,
        reml=at.criterion,
        rows=observed.size,
        iterations=iterations,
        copies=labels,
        copy_effect=copy[:count],
        copy_coupling=(ratios[COPY] * elimination.solved.b[:, :-1] @ design.fixed.R)[:count],
        copy_blocks=copy_blocks(at) if count else [],
        residual=_scatter(residual, observed, n),
        marginal=_scatter(marginal, observed, n),
    )


def _scatter(values: Floats, observed: Ints, n: int) -> Floats:
    whole = np.full(n, np.nan)
    whole[observed] = values
    return whole


def copy_blocks(at: Restricted) -> list[tuple[Ints, Floats]]:
    """Cov(xi | data) = sigma^2 l_b M^-1, block by block; uses the elimination up."""
    scaled = at.elimination.blocks.hand_over(at.noise_variance * at.ratios[COPY])
    return at.elimination.cells.blocks.split(scaled)


def known_players(at: Restricted, labels: tuple[Hashable, ...], copies: int) -> KnownPlayers:
    """Keep the players' part of a fit whose elimination has players as factor a, with that many copies known."""
    elimination, cells = at.elimination, at.elimination.cells
    residual = elimination.columns.means @ np.append(-at.gamma, 1.0)
    fixed = elimination.columns.means[:, :-1] @ at.design.fixed.R
    by_player = cells.to_a(elimination.w)
    return KnownPlayers(
        index={label: place for place, label in enumerate(labels)},
        shrink=np.asarray(elimination.l_a * elimination.d, dtype=np.float64),
        residual=by_player @ residual,
        fixed=by_player @ fixed,
        cross=elimination.cross[:, :copies],
        keys=cells.a * cells.n_b + cells.b,
        share=elimination.l_w * elimination.w,
        cell_residual=residual,
        cell_fixed=fixed,
        match_ratio=elimination.l_w,
    )
