"""The outcome of a fit of one response: estimates, the copies' posterior, and Gaussian predictions from them."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from scipy.linalg import solve_triangular

from model.domain.arrays import Floats, Ints
from model.mixed.reml import COPY, INTERACTION, RemlCriterion
from model.mixed.slope_columns import SlopeScaling


def _no_rows() -> Floats:
    return np.zeros(0)


@dataclass(frozen=True, eq=False)
class SetEstimate:
    """Where the search with one set of slopes ended.

    Attributes
    ----------
    kept : (q,) whether there are slopes on each column
    weight : of the set in the average
    covariance : (q + 1, q + 1) of a player's level at the columns' centre and the slopes, over sigma^2
    ratios : (3,) of the variances; the first is not used
    """

    kept: tuple[bool, ...]
    weight: float
    covariance: Floats
    ratios: Floats


@dataclass(frozen=True, eq=False)
class StartingPoint:
    """From where a fit to some of the same ratings begins: its sets of slopes and their weights are these.

    Attributes
    ----------
    identifiable : (q,) whether the ratings can identify each column's slopes
    """

    identifiable: tuple[bool, ...]
    sets: tuple[SetEstimate, ...]


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
    player_sd, copy_sd, interaction_sd, residual_sd : float
        Standard deviations in rating points; 0.0 for a term that is left out or vanishes.
    identifiable : dict
        'player', 'copy', 'interaction': whether the ratings can identify the term from the others.
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
    copy_blocks : sequence of (indices (m,), V (m, m))
        Covariance of xi, one block for each set of copies linked through players; made when it is first read.
    residual : (n,) float
        y - x'coef - player - copy - interaction, NaN where not rated; empty in a record without its ratings.
    marginal : (n,) float
        y - x'coef, likewise.
    slope_centre : (q,) float
        Of a fit with slopes: where their columns are centred, in the caller's units; empty otherwise.
    random_effects_covariance : (q + 1, q + 1) float
        Covariance of a player's level at that centre and the slopes on the columns; empty without slopes.
    slopes_identifiable : (q,) bool
        Whether the ratings can identify each column's slopes.
    slopes_in_model : (q,) bool
        Which columns have slopes.
    sets : tuple of SetEstimate
        Those that were averaged.
    """

    coef: Floats
    coef_covariance: Floats
    player_sd: float
    copy_sd: float
    interaction_sd: float
    residual_sd: float
    identifiable: dict[str, bool]
    reml: float
    rows: int
    iterations: int
    copies: tuple[Hashable, ...]
    copy_effect: Floats
    copy_coupling: Floats
    copy_blocks: Sequence[tuple[Ints, Floats]]
    residual: Floats = field(default_factory=_no_rows)
    marginal: Floats = field(default_factory=_no_rows)
    slope_centre: Floats = field(default_factory=_no_rows)
    random_effects_covariance: Floats = field(default_factory=_no_rows)
    slopes_identifiable: tuple[bool, ...] = ()
    slopes_in_model: tuple[bool, ...] = ()
    sets: tuple[SetEstimate, ...] = ()

    @property
    def starting_point(self) -> StartingPoint:
        """Where a fit to some of these ratings can begin."""
        return StartingPoint(self.slopes_identifiable, self.sets)

    @cached_property
    def player_covariance(self) -> Floats:
        """Covariance (q + 1, q + 1) of a player's level where all slopes are 0 and the slopes on their columns."""
        if not self.slope_centre.size:
            return np.array([[self.player_sd**2]])
        return recentre(self.slope_centre, self.random_effects_covariance)

    @cached_property
    def copy_index(self) -> dict[Hashable, int]:
        """Place of each copy in `copies`."""
        return {label: place for place, label in enumerate(self.copies)}


def recentre(centre: Floats, covariance: Floats) -> Floats:
    """Turn the covariance (q + 1, q + 1) of level and slopes with the level at `centre` (q,) into that at zero."""
    move = np.eye(centre.size + 1)
    move[0, 1:] = -centre
    return np.asarray(move @ covariance @ move.T)


def record(at: RemlCriterion, scaling: SlopeScaling, labels: tuple[Hashable, ...], observed: Ints, n: int) -> RemlFit:
    """Record a fit, but for what is identified and how it was found.

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
        player_sd=float(np.sqrt(recentre(scaling.centre, covariance)[0, 0])),
        copy_sd=float(np.sqrt(ratios[COPY] * noise)),
        interaction_sd=float(np.sqrt(ratios[INTERACTION] * noise)),
        residual_sd=float(np.sqrt(noise)),
        identifiable={},
        reml=at.criterion,
        rows=observed.size,
        iterations=0,
        copies=labels,
        copy_effect=copy[:count],
        copy_coupling=(ratios[COPY] * equations.copies[:, :-1] @ design.fixed.R)[:count],
        copy_blocks=CopyBlocks(at) if count else (),
        residual=_scatter(marginal - _random_part(at, copy), observed, n),
        marginal=_scatter(marginal, observed, n),
        slope_centre=scaling.centre,
        random_effects_covariance=covariance if scaling.centre.size else _no_rows(),
    )


def _scatter(values: Floats, observed: Ints, n: int) -> Floats:
    whole = np.full(n, np.nan)
    whole[observed] = values
    return whole


def _random_part(at: RemlCriterion, copy: Floats) -> Floats:
    """Player, copy and interaction (N,), as expected."""
    cells = at.problem.rows.cells
    players, _, interactions = at.effects
    Z = at.problem.rows.rows.data.reshape(cells.row.size, at.problem.rows.width)
    own = np.einsum("nq,nq->n", Z, (players @ at.S)[cells.a[cells.row]])
    return np.asarray(own + copy[cells.b[cells.row]] + (at.ratios[INTERACTION] * interactions)[cells.row])


class CopyBlocks(Sequence[tuple[Ints, Floats]]):
    """Cov(xi | data) = sigma^2 l_c M^-1, block by block, inverted when it is first read; uses the equations' blocks up."""

    def __init__(self, at: RemlCriterion) -> None:
        self._layout, self._blocks = at.problem.rows.cells.blocks, at.equations.blocks
        self._scale = float(at.noise_variance * at.ratios[COPY])

    @cached_property
    def _made(self) -> list[tuple[Ints, Floats]]:
        blocks, self._blocks = self._blocks, None
        flat = np.zeros(self._layout.matrix_size) if blocks is None else blocks.scaled_inverse_inplace(self._scale)
        return self._layout.split(flat)

    def __len__(self) -> int:
        return len(self._made)

    def __getitem__(self, place: Any) -> Any:
        return self._made[place]
