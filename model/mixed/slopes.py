"""Fits with tastes: what is shared by the responses rated on the same rows, and the fit of one of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from model.domain.arrays import Floats, Ints
from model.mixed.layout import Cells
from model.mixed.minque import Moments
from model.mixed.priors import Prior
from model.mixed.reml import PLAYER, Design, Fixed
from model.mixed.slope_columns import (
    Coordinates,
    TasteMoments,
    centred,
    enough_players,
    independent,
    scaled,
    settled,
    taste_forms,
    within_players,
)
from model.mixed.slope_optimise import TasteControl, search_on, search_tastes
from model.mixed.slope_reml import CovariancePrior, TasteProblem, TasteRestricted
from model.mixed.slope_solver import PlayerRows, TasteColumns


@dataclass(frozen=True, eq=False)
class TasteStructure:
    """Tastes of the rated rows, in the coordinates in which they are worked.

    Attributes
    ----------
    told : (q,) whether the ratings can tell each slope
    kept : (q,) whether there are slopes on each column
    rows : PlayerRows
    known : (I, Q, p) Z_i'Q of the fixed part's columns
    moments : gives `moment`, which a search that begins elsewhere does without
    prior : None where there is no prior
    """

    coordinates: Coordinates
    told: tuple[bool, ...]
    kept: tuple[bool, ...]
    rows: PlayerRows
    known: Floats
    moments: Callable[[], TasteMoments]
    prior: CovariancePrior | None

    @property
    def moment(self) -> TasteMoments:
        """What the moments of the ratings can tell."""
        return self.moments()

    @classmethod
    def of(cls, tastes: Floats, part: FixedPart, prior: Prior | None) -> TasteStructure:
        """Find which of the tastes (N, q) can be told, and sum their rows; those that cannot be told need a prior."""
        candidates = _candidates(part.cells, tastes) if part.told[PLAYER] else np.zeros(0, dtype=np.int64)
        made = cls._in(settled(part.cells, tastes, candidates), candidates, tastes, part, None)
        told = candidates[np.array(made.moment.told(part.told), dtype=bool)]
        flags = tuple(np.isin(np.arange(tastes.shape[1]), told).tolist())
        if prior is None and told.size == candidates.size:
            return replace(made, told=flags)
        return replace(made, told=flags).first(tastes.shape[1], tastes, part, prior)

    def first(self, number: int, tastes: Floats, part: FixedPart, prior: Prior | None) -> TasteStructure:
        """Return the same with slopes on the first `number` columns alone, so far as they can be told or a prior speaks of them."""
        told = np.flatnonzero(self.told)
        kept = told[told < number] if prior is None else np.arange(number)
        coordinates = settled(part.cells, tastes, kept) if prior is None else scaled(tastes, kept)
        return replace(self._in(coordinates, kept, tastes, part, prior), told=self.told)

    @classmethod
    def _in(
        cls, coordinates: Coordinates, kept: Ints, tastes: Floats, part: FixedPart, prior: Prior | None
    ) -> TasteStructure:
        """Sum the rows of tastes in these coordinates."""
        rows = PlayerRows.of(part.cells, coordinates.rows(tastes))
        known = rows.total(part.fixed.Q)
        same = part.fixed.outside.size == 0  # then Q is a basis of the fixed part on the rated rows
        means = part.fixed.means if same else part.cells.means(part.basis)

        @cache
        def moments() -> TasteMoments:
            return TasteMoments.of(rows, known if same else rows.total(part.basis), means, part.moment)

        believed = coordinates.prior(prior, kept) if prior is not None else None
        flags = tuple(np.isin(np.arange(tastes.shape[1]), kept).tolist())
        return cls(coordinates, (), flags, rows, known, moments, believed)


@dataclass(frozen=True, eq=False)
class FixedPart:
    """What is known of the ratings before their tastes.

    Attributes
    ----------
    basis : (N, r) orthonormal, of the fixed part on the rated rows
    moment : Moments
        Of player, copy, match and noise.
    told : (3,) bool
        Which of the first three can be told.
    """

    cells: Cells
    fixed: Fixed
    basis: Floats
    moment: Moments
    told: tuple[bool, bool, bool]


def _candidates(cells: Cells, tastes: Floats) -> Ints:
    """Columns that vary within players and do not follow from those before them, as many as there are players for."""
    centre, scale = centred(tastes)
    columns = (tastes - centre) / scale
    kept = independent(within_players(cells, columns), np.sqrt(len(columns)))
    return kept[: enough_players(cells, kept.size)]


Start = tuple[Floats, Floats]  # the players' covariance over sigma^2 in the search's coordinates, and ratios (3,)


ROUGH = TasteControl(decrease=1e-2, confirmed=0.1)  # far less than what criteria are told apart by


def fit_tastes(
    structure: TasteStructure,
    part: FixedPart,
    design: Design,
    start: Start,
    prior: Prior | None,
    control: TasteControl | None = None,
) -> tuple[TasteRestricted, int]:
    """Fit one response.

    Returns
    -------
    tuple of the criterion at its minimum and the number of steps
    """
    rows = structure.rows
    players = np.concatenate([structure.known, rows.total(design.residual[:, None])], axis=2)
    columns = TasteColumns(design.columns, players)
    problem = TasteProblem(rows, design, columns, np.array(part.told), prior, structure.prior)
    found, ended = search_tastes(problem, *start, control)
    return found, ended.iterations


def settled_fit(at: TasteRestricted) -> tuple[TasteRestricted, int]:
    """Go on from the end of a rough search."""
    found, control = search_on(at)
    return found, control.iterations


def start_by_moments(structure: TasteStructure, part: FixedPart, residual: Floats, ratios: Floats) -> Start:
    """Begin at MINQUE(0).

    Parameters
    ----------
    residual : (N,) what the fixed part leaves of the ratings
    ratios : (3,)
        Those of the prior, or zeros; of copy and match they stay where the ratings cannot tell them.
    """
    free, moment = np.array(part.told), structure.moment
    S, start = moment.start(taste_forms(structure.rows, residual, moment.basis), free)
    if structure.prior is not None:
        S = _near(S, structure.prior.mode) if free[PLAYER] else structure.prior.mode
        start = np.where(free, np.clip(start, 0.1 * ratios, 10.0 * ratios), ratios)
    return S, start


def start_from(structure: TasteStructure, larger: TasteStructure, at: TasteRestricted) -> Start:
    """Begin where a fit with more tastes has ended."""
    covariance = larger.coordinates.at_centre(at.S)
    return structure.coordinates.of_centre(covariance, np.flatnonzero(structure.kept)), at.ratios


def averaged(fits: Sequence[tuple[TasteStructure, TasteRestricted]], weights: Floats) -> TasteRestricted:
    """Set up the Gaussian model with the weighted mean of several fits' variances: the mixture's own, all being centred.

    A slope that a fit does not have is 0 in it. The structures' columns are within those of the first, whose coordinates serve.
    """
    structure, at = fits[0]
    noise = weights * np.array([each.noise_variance for _, each in fits])
    shares, kept = noise / noise.sum(), np.flatnonzero(structure.kept)
    covariances = [structure.coordinates.of_centre(of.coordinates.at_centre(each.S), kept) for of, each in fits]
    S = np.tensordot(shares, np.array(covariances), 1)
    return at.problem.at(S, shares @ np.array([each.ratios for _, each in fits]))


def _near(S: Floats, mode: Floats) -> Floats:
    """S (Q, Q) kept within a tenth and ten times the mode."""
    root = np.linalg.cholesky(mode)
    half = np.linalg.solve(root, S)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    turned = root @ vectors
    return np.asarray((turned * np.clip(values, 0.1, 10.0)) @ turned.T)
