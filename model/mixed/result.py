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
from model.mixed.reml import COPY, MATCH, RemlCriterion
from model.mixed.slope_columns import SlopeScaling

_CHUNK = 2048  # rows whose dense weights on one block's copies are held at a time


def _no_rows() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class RemlFit:
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


def shared_covariance(fitted: RemlFit, first: Sheet, second: Sheet) -> Floats:
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


def new_player_variance(fitted: RemlFit, sheet: Sheet) -> Floats:
    """Variance (m,) of a new player's rating not yet made, repeat noise included."""
    weights = fitted.fixed_weights(sheet.X, sheet.k)
    fixed = np.einsum("ij,ij->i", weights @ fitted.coef_covariance, weights)
    others = fitted.player_variance(sheet.tastes) + fitted.match_sd**2 + fitted.repeat_sd**2
    return np.asarray(fixed + fitted.copy_variance(sheet.k) + others)


def conditioned(fitted: RemlFit, played: Sheet, y: Floats, ahead: Sheet) -> tuple[Floats, Floats]:
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
    """What predictions for a player of the fit need besides the record: sums over the player's own ratings.

    Attributes
    ----------
    index : dict
        Place of each player's label.
    scaling : SlopeScaling
        Of the columns z that the rest is in.
    shrink : (I, Q, Q) K_i, the covariance of the player's effects given the rest over sigma^2
    residual, fixed : (I, Q), (I, Q, p) Z_i'R^-1 of the marginal residual and of X
    by_copy : (K, I Q) sparse, B'
    keys : (J,) i K + k, ascending
    share : (J,) l_w w_j, how far a cell's match follows its own ratings
    cell_residual, cell_fixed, cell_tastes : (J,), (J, p), (J, Q) cell means
    match_ratio : float
        l_w
    """

    index: dict[Hashable, int]
    scaling: SlopeScaling
    shrink: Floats
    residual: Floats
    fixed: Floats
    by_copy: Any
    keys: Ints
    share: Floats
    cell_residual: Floats
    cell_fixed: Floats
    cell_tastes: Floats
    match_ratio: float

    def predict(self, fitted: RemlFit, X: Floats, i: Ints, k: Ints, tastes: Floats | None) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of the next ratings of known players `i` (m,)."""
        Z = self.scaling.rows(np.zeros((len(X), 0)) if tastes is None else tastes)
        cell = known_cells(self.keys, i, k, self.by_copy.shape[0])
        share = np.where(cell >= 0, self.share[cell], 0.0)
        leaning = np.einsum("mab,mb->ma", self.shrink[i], Z - share[:, None] * self.cell_tastes[cell])
        on_copies = self._copy_weights(share, leaning, i, k)
        mean = X @ fitted.coef + share * self.cell_residual[cell] + on_copies @ fitted.copy_effect
        mean += np.einsum("ma,ma->m", leaning, self.residual[i])
        weights = X - share[:, None] * self.cell_fixed[cell] - np.einsum("ma,map->mp", leaning, self.fixed[i])
        weights = weights - on_copies @ fitted.copy_coupling
        variance = np.einsum("ij,ij->i", weights @ fitted.coef_covariance, weights)
        variance += quadratic(on_copies, fitted.copy_blocks) + np.where(k < 0, fitted.copy_sd**2, 0.0)
        own = np.einsum("ma,ma->m", leaning, Z - share[:, None] * self.cell_tastes[cell])
        return mean, variance + fitted.repeat_sd**2 * (own + self.match_ratio * (1.0 - share) + 1.0)

    def _copy_weights(self, share: Floats, leaning: Floats, i: Ints, k: Ints) -> sparse.csr_matrix:
        """(1 - s) e_k - B_i'K_i(z - s z_j), sparse (m, K): weights of the copies' effects in the prediction."""
        m, Q = leaning.shape
        known = np.flatnonzero(k >= 0)
        own = sparse.csr_matrix((1.0 - share[known], (known, k[known])), shape=(m, self.by_copy.shape[0]))
        columns = (i * Q)[:, None] + np.arange(Q)
        chosen = sparse.csr_matrix(
            (leaning.ravel(), columns.ravel(), np.arange(m + 1) * Q), shape=(m, self.by_copy.shape[1])
        )
        return sparse.csr_matrix(own - chosen @ self.by_copy.T)


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


def record(at: RemlCriterion, scaling: SlopeScaling, labels: tuple[Hashable, ...], observed: Ints, n: int) -> RemlFit:
    """Record a fit, but for what is told and how it was found.

    Parameters
    ----------
    at : RemlCriterion
        At the estimated covariance and ratios.
    labels : tuple of the copies' labels, () where copies are left out
    observed : (N,) rows of the n rated
    """
    design, equations, ratios, noise = at.design, at.equations, at.ratios, at.noise_variance
    back = np.linalg.inv(design.fixed.R)
    half = back @ solve_triangular(at.root, np.eye(at.root.shape[0]), lower=True).T
    covariance = noise * scaling.from_internal(at.S)
    count = len(labels)
    copy = ratios[COPY] * at.effects[1]
    marginal = design.residual - design.fixed.Q @ at.gamma
    return RemlFit(
        coef=design.start + back @ at.gamma,
        coef_covariance=noise * half @ half.T,
        player_sd=float(np.sqrt(at_zero(scaling.centre, covariance)[0, 0])),
        copy_sd=float(np.sqrt(ratios[COPY] * noise)),
        match_sd=float(np.sqrt(ratios[MATCH] * noise)),
        repeat_sd=float(np.sqrt(noise)),
        estimable={},
        reml=at.criterion,
        rows=observed.size,
        iterations=0,
        copies=labels,
        copy_effect=copy[:count],
        copy_coupling=(ratios[COPY] * equations.copies[:, :-1] @ design.fixed.R)[:count],
        copy_blocks=_copy_blocks(at) if count else [],
        residual=_scatter(marginal - _random_part(at, copy), observed, n),
        marginal=_scatter(marginal, observed, n),
        taste_centre=scaling.centre,
        taste_covariance=covariance if scaling.centre.size else _no_rows(),
    )


def _scatter(values: Floats, observed: Ints, n: int) -> Floats:
    whole = np.full(n, np.nan)
    whole[observed] = values
    return whole


def _random_part(at: RemlCriterion, copy: Floats) -> Floats:
    """Player, copy and match (N,), as expected."""
    cells = at.problem.rows.cells
    players, _, matches = at.effects
    Z = at.problem.rows.rows.data.reshape(cells.row.size, at.problem.rows.width)
    own = np.einsum("nq,nq->n", Z, (players @ at.S)[cells.a[cells.row]])
    return np.asarray(own + copy[cells.b[cells.row]] + (at.ratios[MATCH] * matches)[cells.row])


def _copy_blocks(at: RemlCriterion) -> list[tuple[Ints, Floats]]:
    """Cov(xi | data) = sigma^2 l_c M^-1, block by block; uses the equations up."""
    blocks, cells = at.equations.blocks, at.problem.rows.cells
    scale = at.noise_variance * at.ratios[COPY]
    flat = blocks.scaled_inverse_inplace(scale) if blocks is not None else np.zeros(cells.blocks.matrix_size)
    return cells.blocks.split(flat)


def known_players(at: RemlCriterion, scaling: SlopeScaling, labels: tuple[Hashable, ...], copies: int) -> KnownPlayers:
    """Keep the players' part of a fit, with that many copies known."""
    equations, cells = at.equations, at.problem.rows.cells
    means, working = equations.given.means, equations.working.players
    weights = np.append(-at.gamma, 1.0)
    R = at.design.fixed.R
    return KnownPlayers(
        index={label: place for place, label in enumerate(labels)},
        scaling=scaling,
        shrink=equations.K,
        residual=working @ weights,
        fixed=working[:, :, :-1] @ R,
        by_copy=equations.by_copy[:copies],
        keys=cells.a * cells.n_b + cells.b,
        share=equations.l_w * equations.w,
        cell_residual=means @ weights,
        cell_fixed=means[:, :-1] @ R,
        cell_tastes=at.problem.rows.sums / cells.count[:, None],
        match_ratio=equations.l_w,
    )
