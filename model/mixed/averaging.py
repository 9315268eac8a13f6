"""Weights of nested sets of slopes: how well each predicts the ratings of players left out.

Leaving a player out at fixed components takes no other fit. With P = H^-1 - H^-1 Q (Q'H^-1 Q)^-1 Q'H^-1, the player's ratings
given all others' have the residual P_ii^-1 (Py)_i and the covariance sigma^2 P_ii^-1 (Searle, Casella & McCulloch 1992, Variance
Components, ch. 7; for one row it is the leave-one-out residual). P_ii^-1 = V (V - G)^-1 V, V the player's own covariance over
sigma^2 and G that of what the fit leaves open of x'beta + a_k.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import ArrayLike, NDArray

from model.domain.arrays import Floats, Ints
from model.mixed.linalg import solve_lower
from model.mixed.reml import RemlCriterion

_CHUNK = 400_000  # entries of the players' (rows x rows) matrices that are worked at a time
_UNIDENTIFIED = 1e-9  # of a direction's variance: what no other player tells of it, so that it cannot be predicted
_LEAST = 1e-3  # a weight below this is none


def left_out_densities(at: RemlCriterion) -> Floats:
    """Return (I,) the log density of each player's ratings given those of all others, at the fit's components."""
    design, cells = at.design, at.problem.rows.cells
    residual = design.residual - design.fixed.Q @ at.gamma - at.equations.l_c * at.effects[1][cells.b[cells.row]]
    found = np.zeros(cells.n_a)
    for players, rows in _by_player(cells.a[cells.row], cells.n_a):
        V, known = _own_covariance(at, rows), _left_open(at, rows)
        L = np.linalg.cholesky(V)
        half = np.linalg.solve(L, V - known)
        values, vectors = np.linalg.eigh(np.linalg.solve(L, half.transpose(0, 2, 1)))
        r = vectors.transpose(0, 2, 1) @ np.linalg.solve(L, residual[rows][:, :, None])
        identified = values > _UNIDENTIFIED
        kept = np.where(identified, values, 1.0)
        squares = np.sum(np.where(identified, r[:, :, 0] ** 2 / kept, 0.0), axis=1) / at.noise_variance
        determinant = 2.0 * np.log(np.diagonal(L, axis1=1, axis2=2)).sum(axis=1) - np.log(kept).sum(axis=1)
        determinant -= _of_unidentified(L @ vectors, identified)
        found[players] = -0.5 * (
            identified.sum(axis=1) * np.log(2.0 * np.pi * at.noise_variance) + determinant + squares
        )
    return found


def _of_unidentified(directions: Floats, identified: NDArray[np.bool_]) -> Floats | float:
    """Log determinants (m,) of the unidentified directions' products: so that the density is that of contrasts free of them."""
    if identified.all():
        return 0.0
    either = identified[:, :, None] | identified[:, None, :]
    products = np.where(either, np.eye(identified.shape[1]), directions.transpose(0, 2, 1) @ directions)
    return np.asarray(np.linalg.slogdet(products)[1])


def _by_player(player: Ints, players: int) -> Iterator[tuple[Ints, Ints]]:
    """Give players (m,) with equally many rows, and these rows (m, c); none without a row."""
    count = np.bincount(player, minlength=players)
    order, start = np.argsort(player, kind="stable"), np.cumsum(count) - count
    for c in np.unique(count[count > 0]).tolist():
        members = np.flatnonzero(count == c)
        for some in np.array_split(members, -(-members.size * c * c // _CHUNK)):
            yield some, order[start[some][:, None] + np.arange(c)]


def _own_covariance(at: RemlCriterion, rows: Ints) -> Floats:
    """Covariance over sigma^2 (m, c, c) of the players' own part of their rows (m, c): effects, interactions, noise."""
    cells = at.problem.rows.cells
    Z = at.problem.rows.rows.data.reshape(cells.row.size, -1)[rows]
    same = cells.row[rows][:, :, None] == cells.row[rows][:, None, :]
    return np.asarray(Z @ at.S @ Z.transpose(0, 2, 1) + at.equations.l_w * same + np.eye(rows.shape[1]))


def _left_open(at: RemlCriterion, rows: Ints) -> Floats:
    """Covariance over sigma^2 (m, c, c) of x'beta + a_k on these rows (m, c), given all ratings."""
    equations, cells = at.equations, at.problem.rows.cells
    copies, p = cells.b[cells.row[rows]], at.gamma.size
    weights = at.design.fixed.Q[rows] - equations.l_c * equations.copies[copies][:, :, :-1]
    half = solve_lower(at.root, weights.reshape(-1, p).T).T.reshape(*rows.shape, p)
    found = half @ half.transpose(0, 2, 1)
    if equations.blocks is not None:
        layout = cells.blocks
        places = layout.base[copies][:, :, None] + layout.position[copies][:, None, :]
        found += equations.l_c * equations.blocks.inverse[places]
    return found


def set_weights(densities: Floats, parameters: ArrayLike, prior_players: float = 0.0) -> Floats:
    """Return the weights (S,) of sets of slopes, each within the one before it.

    The densities of the sets' mixture are stacked: its weights give the players left out the highest density (Yao, Vehtari,
    Simpson & Gelman 2018, Bayesian Anal. 13: 917, sec. 3). Of what they give to a larger set, from the largest on, a part goes to
    the next smaller one: with a lead of z standard errors over it the share (1 - 1 / z^2)+ stays, as in the positive-part
    estimator of Stein's (Baranchik 1964; Efron & Morris 1973, J. Am. Stat. Assoc. 68: 117), and within one standard error none.

    Parameters
    ----------
    densities : (S, I) log densities of the players left out, by set, the largest set first.
    parameters : (S,) how many of its variances the ratings identify: by so much, over all players, a density gains from having seen them.
    prior_players : players' worth of belief in the largest set, against those there are.
    """
    sets, players = densities.shape
    if not players or sets == 1:
        return np.asarray(np.eye(sets)[0])
    predicted = densities - np.asarray(parameters)[:, None] / players
    likely = np.exp(predicted - predicted.max(axis=0))
    weights = _stacked(likely)
    for place in range(sets - 1):
        smaller = weights.copy()
        smaller[place : place + 2] = 0.0, weights[place : place + 2].sum()
        lead = np.log(weights @ likely) - np.log(smaller @ likely)
        share = _share_kept(float(lead.sum()), float(players * lead.var()))
        weights = share * weights + (1.0 - share) * smaller
    weights = np.where(weights < _LEAST, 0.0, weights)
    return np.asarray((players * weights / weights.sum() + prior_players * np.eye(sets)[0]) / (players + prior_players))


def _share_kept(lead: float, variance: float) -> float:
    """(1 - 1 / z^2)+ of a lead with this variance."""
    return max(0.0, 1.0 - variance / lead**2) if lead > 0.0 else 0.0


def _stacked(likely: Floats) -> Floats:
    """Return the weights (S,) of the mixture of densities (S, I) with the highest likelihood, by expectation-maximisation."""
    weights = np.full(len(likely), 1.0 / len(likely))
    for _ in range(500):
        before, weights = weights, weights * (likely @ (1.0 / (weights @ likely))) / likely.shape[1]
        if np.abs(weights - before).max() < 1e-6:
            break
    return np.asarray(weights)
