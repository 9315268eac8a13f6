"""Fits with tastes: what is shared by the responses rated on the same rows, and the fit of one of them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from model._prior import Prior
from model._reml import PLAYER, Design, Fixed
from model._start import Moments
from model._structure import Cells, Floats, Ints
from model._tastes_columns import (
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
from model._tastes_elimination import PlayerRows, TasteColumns
from model._tastes_reml import CovariancePrior, TasteProblem, TasteRestricted
from model._tastes_search import search_tastes


@dataclass(frozen=True, eq=False)
class TasteStructure:
    """Tastes of the rated rows, in the coordinates in which they are worked.

    Attributes
    ----------
    told : (q,) whether the ratings can tell each slope
    rows : PlayerRows
    known : (I, Q, p) Z_i'Q of the fixed part's columns
    moment : TasteMoments
    prior : None where there is no prior
    """

    coordinates: Coordinates
    told: tuple[bool, ...]
    rows: PlayerRows
    known: Floats
    moment: TasteMoments
    prior: CovariancePrior | None

    @classmethod
    def of(cls, tastes: Floats, part: FixedPart, prior: Prior | None) -> TasteStructure:
        """Find which of the tastes (N, q) can be told, and sum their rows."""
        kept = _candidates(part.cells, tastes) if part.told[PLAYER] else np.zeros(0, dtype=np.int64)
        made = cls._in(settled(part.cells, tastes, kept), tastes, part, None)
        found = np.array(made.moment.told(part.told), dtype=bool)
        if not found.all():
            kept = kept[found]
            made = cls._in(settled(part.cells, tastes, kept), tastes, part, None)
        if prior is not None:
            made = cls._in(scaled(tastes), tastes, part, prior)
        return replace(made, told=tuple(np.isin(np.arange(tastes.shape[1]), kept).tolist()))

    @classmethod
    def _in(cls, coordinates: Coordinates, tastes: Floats, part: FixedPart, prior: Prior | None) -> TasteStructure:
        """Sum the rows of tastes in these coordinates."""
        rows = PlayerRows.of(part.cells, coordinates.rows(tastes))
        known = rows.total(part.fixed.Q)
        same = part.fixed.outside.size == 0  # then Q is a basis of the fixed part on the rated rows
        means = part.fixed.means if same else part.cells.means(part.basis)
        moment = TasteMoments.of(rows, known if same else rows.total(part.basis), means, part.moment)
        return cls(coordinates, (), rows, known, moment, coordinates.prior(prior) if prior is not None else None)


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


def fit_tastes(
    structure: TasteStructure, part: FixedPart, y: Floats, residual: Floats, ratios: Floats, prior: Prior | None
) -> tuple[TasteRestricted, int]:
    """Fit one response.

    Parameters
    ----------
    y, residual : (N,) ratings, and what the fixed part leaves of them
    ratios : (3,)
        Those of the prior, or zeros; of copy and match they stay where the ratings cannot tell them.

    Returns
    -------
    tuple of the criterion at its minimum and the number of steps
    """
    rows, free = structure.rows, np.array(part.told)
    design = Design.of(part.fixed, y, part.cells)
    players = np.concatenate([structure.known, rows.total(design.residual[:, None])], axis=2)
    columns = TasteColumns(design.columns, players)
    problem = TasteProblem(rows, design, columns, free, prior, structure.prior)
    S, start = structure.moment.start(taste_forms(rows, residual, structure.moment.basis), free)
    if structure.prior is not None:
        S = _near(S, structure.prior.mode) if free[PLAYER] else structure.prior.mode
        start = np.where(free, np.clip(start, 0.1 * ratios, 10.0 * ratios), ratios)
    found, control = search_tastes(problem, S, start)
    return found, control.iterations


def _near(S: Floats, mode: Floats) -> Floats:
    """S (Q, Q) kept within a tenth and ten times the mode."""
    root = np.linalg.cholesky(mode)
    half = np.linalg.solve(root, S)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    turned = root @ vectors
    return np.asarray((turned * np.clip(values, 0.1, 10.0)) @ turned.T)
