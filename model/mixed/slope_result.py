"""The outcome of a fit with tastes: its record, and predictions for the players of the fit."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy import sparse
from scipy.linalg import solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.reml import COPY, MATCH
from model.mixed.result import FittedResponse, _scatter, at_zero, known_cells, quadratic
from model.mixed.slope_columns import Coordinates
from model.mixed.slope_reml import TasteRestricted


@dataclass(frozen=True, eq=False)
class KnownTastes:
    """What predictions for a player of the fit need besides the record: sums over the player's own ratings.

    Attributes
    ----------
    index : dict
        Place of each player's label.
    coordinates : Coordinates
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
    coordinates: Coordinates
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

    def predict(
        self, fitted: FittedResponse, X: Floats, i: Ints, k: Ints, tastes: Floats | None
    ) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of the next ratings of known players `i` (m,)."""
        Z = self.coordinates.rows(np.asarray(tastes))
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


def taste_record(
    at: TasteRestricted,
    coordinates: Coordinates,
    labels: tuple[Hashable, ...],
    estimable: dict[str, bool],
    told: tuple[bool, ...],
    observed: Ints,
    n: int,
    iterations: int,
) -> FittedResponse:
    """Record a fit with tastes.

    Parameters
    ----------
    at : TasteRestricted
        At the estimated covariance and ratios.
    labels : tuple of the copies' labels, () where copies are left out
    told : (q,) whether the ratings can tell each slope
    observed : (N,) rows of the n rated
    """
    design, elimination, ratios, noise = at.design, at.elimination, at.ratios, at.noise_variance
    back = np.linalg.inv(design.fixed.R)
    half = back @ solve_triangular(at.root, np.eye(at.root.shape[0]), lower=True).T
    covariance = noise * coordinates.at_centre(at.S)
    count = len(labels)
    copy = ratios[COPY] * at.effects[1]
    marginal = design.residual - design.fixed.Q @ at.gamma
    return FittedResponse(
        coef=design.start + back @ at.gamma,
        coef_covariance=noise * half @ half.T,
        player_sd=float(np.sqrt(at_zero(coordinates.centre, covariance)[0, 0])),
        copy_sd=float(np.sqrt(ratios[COPY] * noise)),
        match_sd=float(np.sqrt(ratios[MATCH] * noise)),
        repeat_sd=float(np.sqrt(noise)),
        estimable=estimable,
        reml=at.criterion,
        rows=observed.size,
        iterations=iterations,
        copies=labels,
        copy_effect=copy[:count],
        copy_coupling=(ratios[COPY] * elimination.copies[:, :-1] @ design.fixed.R)[:count],
        copy_blocks=_copy_blocks(at) if count else [],
        residual=_scatter(marginal - _random_part(at, copy), observed, n),
        marginal=_scatter(marginal, observed, n),
        taste_centre=coordinates.centre,
        taste_covariance=covariance,
        tastes_estimable=told,
    )


def _random_part(at: TasteRestricted, copy: Floats) -> Floats:
    """Player, copy and match (N,), as expected."""
    rows, cells = at.problem.rows, at.problem.rows.cells
    players, _, matches = at.effects
    own = rows.rows @ (players @ at.S).ravel()
    return np.asarray(own + copy[cells.b[cells.row]] + (at.ratios[MATCH] * matches)[cells.row])


def _copy_blocks(at: TasteRestricted) -> list[tuple[Ints, Floats]]:
    """Cov(xi | data) = sigma^2 l_c M^-1, block by block; uses the elimination up."""
    blocks, cells = at.elimination.blocks, at.problem.rows.cells
    scale = at.noise_variance * at.ratios[COPY]
    flat = blocks.hand_over(scale) if blocks is not None else np.zeros(cells.blocks.matrix_size)
    return cells.blocks.split(flat)


def known_tastes(
    at: TasteRestricted, coordinates: Coordinates, labels: tuple[Hashable, ...], copies: int
) -> KnownTastes:
    """Keep the players' part of a fit, with that many copies known."""
    elimination, cells = at.elimination, at.problem.rows.cells
    means, working = elimination.given.columns.means, elimination.working.players
    weights = np.append(-at.gamma, 1.0)
    R = at.design.fixed.R
    return KnownTastes(
        index={label: place for place, label in enumerate(labels)},
        coordinates=coordinates,
        shrink=elimination.K,
        residual=working @ weights,
        fixed=working[:, :, :-1] @ R,
        by_copy=elimination.by_copy[:copies],
        keys=cells.a * cells.n_b + cells.b,
        share=elimination.l_w * elimination.w,
        cell_residual=means @ weights,
        cell_fixed=means[:, :-1] @ R,
        cell_tastes=at.problem.rows.sums / cells.count[:, None],
        match_ratio=elimination.l_w,
    )
