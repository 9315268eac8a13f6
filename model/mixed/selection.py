"""The fit of one response: what the ratings can tell, the fits that are asked for, and which of them stands."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Floats, Ints
from model.mixed.averaging import left_out_densities, set_weights
from model.mixed.layout import Cells, find_cells
from model.mixed.minque import Moments, first_ratios, moments, range_basis, told_apart
from model.mixed.optimise import search
from model.mixed.priors import Prior
from model.mixed.reml import PLAYER, Design, Fixed, Problem, Restricted
from model.mixed.result import FittedResponse, KnownPlayers, known_players, record
from model.mixed.slope_optimise import RanOffError
from model.mixed.slope_reml import TasteRestricted
from model.mixed.slope_result import KnownTastes, known_tastes, taste_record
from model.mixed.slopes import (
    ROUGH,
    FixedPart,
    TasteStructure,
    averaged,
    fit_tastes,
    settled_fit,
    start_by_moments,
    start_from,
)
from model.mixed.validation import check_proper, check_room, check_spread

TERMS = ("player", "copy", "match")
SLIGHT = 0.1
"""A set with less weight than this is averaged as its rough search left it: that it errs by hardly counts."""
Known = KnownPlayers | KnownTastes


@dataclass(frozen=True, eq=False)
class Labels:
    """Codes (n,) and names of one factor; no names where it is left out."""

    codes: Ints
    levels: tuple[Hashable, ...]

    def at(self, rows: Ints) -> Labels:
        """Keep the labels of some rows, levels without a rating left out."""
        codes = self.codes[rows]
        used = np.flatnonzero(np.bincount(codes, minlength=len(self.levels)))
        if used.size == len(self.levels) or not self.levels:
            return Labels(codes, self.levels)
        place = np.zeros(len(self.levels), dtype=np.int64)
        place[used] = np.arange(used.size)
        return Labels(place[codes], tuple(self.levels[level] for level in used.tolist()))


@dataclass(frozen=True, eq=False)
class Asked:
    """What is asked of every response.

    Attributes
    ----------
    tastes : (n, q), or None
    sets : which numbers of columns, from the first, may have slopes; the largest first
    """

    match: bool
    prior: Prior | None
    tastes: Floats | None
    sets: tuple[int, ...]

    @property
    def columns(self) -> int:
        """q, 0 without tastes."""
        return 0 if self.tastes is None else int(self.tastes.shape[1])

    def structures(self, part: FixedPart, observed: Ints) -> tuple[tuple[bool, ...], tuple[TasteStructure, ...]]:
        """Return which slopes (q,) some rows can tell, and their tastes for each set, no two alike; none without any slope.

        Where the ratings cannot tell players at all, they do not choose: a prior speaks of all columns.
        """
        if self.tastes is None or not observed.size:
            return (False,) * self.columns, ()
        tastes = self.tastes[observed]
        whole = TasteStructure.of(tastes, part, self.prior)
        found = {whole.kept: whole} if self.sets[0] == self.columns else {}
        for number in self.sets if part.told[PLAYER] else self.sets[:1]:
            if number != self.columns:
                made = whole.first(number, tastes, part, self.prior)
                found.setdefault(made.kept, made)
        return whole.told, tuple(found.values()) if any(map(any, found)) else ()


@dataclass(frozen=True, eq=False)
class Structure:
    """What the responses rated on the same rows share; `slopes` (q,): whether the ratings can tell those on each column."""

    asked: Asked
    observed: Ints
    player: Labels
    copy: Labels
    basis: Floats
    cells: Cells
    fixed: Fixed
    moment: Moments
    told: tuple[bool, bool, bool]
    present: tuple[bool, bool, bool]
    slopes: tuple[bool, ...]
    tastes: tuple[TasteStructure, ...]

    @classmethod
    def of(cls, X: Floats, player: Labels, copy: Labels, observed: Ints, asked: Asked) -> Structure:
        """Find the cells of the rated rows, and which terms their ratings can tell."""
        X, player, copy, prior = X[observed], player.at(observed), copy.at(observed), asked.prior
        basis, dependent = range_basis(X)
        if prior is None:
            check_room(X, dependent)
        elif set(dependent) & set(np.flatnonzero(np.isinf(np.asarray(prior.sd))).tolist()):
            check_proper(X, prior)
        nothing = observed.size == 0  # before the first rating every factor of a prior is there
        has_player, has_copy = bool(player.levels) or nothing, bool(copy.levels) or nothing
        present = has_player, has_copy, asked.match and (bool(player.levels and copy.levels) or nothing)
        cells = find_cells(player.codes, copy.codes, max(1, len(player.levels)), max(1, len(copy.levels)))
        moment = moments(cells, present, cells.means(basis))
        told = (False, False, False) if nothing else told_apart(moment)
        kept = told if prior is None else present
        cells = replace(cells, coupled=kept[0] and kept[1])
        fixed = Fixed.of(X, cells, prior)
        tastes = asked.structures(FixedPart(cells, fixed, basis, moment, told), observed)
        return cls(asked, observed, player, copy, basis, cells, fixed, moment, told, present, *tastes)

    @property
    def part(self) -> FixedPart:
        """What is known before the tastes."""
        return FixedPart(self.cells, self.fixed, self.basis, self.moment, self.told)

    def estimable(self, slopes: tuple[bool, ...]) -> dict[str, bool]:
        """Whether the ratings can tell each term."""
        found = dict(zip(TERMS, self.told, strict=True))
        return found | {"tastes": all(slopes)} if self.asked.columns else found


@dataclass(frozen=True, eq=False)
class Fit:
    """One of the fits of a response.

    Attributes
    ----------
    structure : None without slopes
    slopes : (q,) whether the ratings can tell each column's
    rough : whether the search has come only as far as weights need
    """

    at: Restricted | TasteRestricted
    steps: int
    structure: TasteStructure | None
    slopes: tuple[bool, ...]
    rough: bool = False


def fit_response(shared: Structure, y: Floats, n: int, name: str) -> tuple[FittedResponse, Known | None]:
    """Fit one response, `y` (N,) without gaps, of `n` rows in all."""
    residual = y - shared.basis @ (shared.basis.T @ y)
    residual -= shared.basis @ (shared.basis.T @ residual)
    if shared.asked.prior is None:
        check_spread(y, residual, name)
    return _recorded(shared, _joined(list(_fits(shared, y, residual)), shared.asked.prior), n)


def _fits(shared: Structure, y: Floats, residual: Floats) -> Iterator[Fit]:
    """Give the fits of all sets, that with most tastes first; `residual` (N,) is what the fixed part leaves."""
    design, last = Design.of(shared.fixed, y, shared.cells), None
    for structure in shared.tastes:
        try:
            last = _fit_tastes(shared, structure, design, residual, last)
        except RanOffError:  # slopes that leave nothing for the noise cannot be told from it
            continue
        yield last
    if last is None:
        ran_off = bool(shared.tastes) and last is None
        slopes = (False,) * shared.asked.columns if ran_off else shared.slopes
        yield replace(_fit_levels(shared, design, residual), slopes=slopes)


def _joined(fits: list[Fit], prior: Prior | None) -> Fit:
    """Average the sets' fits by how they foretell players left out, for which rough searches do."""
    if len(fits) > 1:
        densities = np.array([left_out_densities(_with_tastes(fit)[1]) for fit in fits])
        worth = prior.taste_worth if prior is not None else 0.0
        weights = set_weights(densities, [fit.at.told for fit in fits], worth)
        kept = np.flatnonzero(weights)
        fits, weights = [fits[place] for place in kept.tolist()], weights[kept]
    if len(fits) == 1:
        return _settled(fits[0])
    fits = [_settled(fit) if weight >= SLIGHT else fit for fit, weight in zip(fits, weights, strict=True)]
    at = averaged([_with_tastes(fit) for fit in fits], weights)
    return replace(fits[0], at=at, steps=sum(fit.steps for fit in fits))


def _with_tastes(fit: Fit) -> tuple[TasteStructure, TasteRestricted]:
    """Return the structure and the end of one fit of several: a fit of levels alone stands by itself."""
    assert fit.structure is not None and isinstance(fit.at, TasteRestricted)  # noqa: S101, PT018
    return fit.structure, fit.at


def _settled(fit: Fit) -> Fit:
    """Go on from the end of a rough search."""
    if not fit.rough:
        return fit
    at, steps = settled_fit(_with_tastes(fit)[1])
    return replace(fit, at=at, steps=fit.steps + steps, rough=False)


def _fit_levels(shared: Structure, design: Design, residual: Floats) -> Fit:
    """Fit one response without tastes."""
    free, prior = np.array(shared.told), shared.asked.prior
    start = first_ratios(shared.moment, free, shared.cells, residual)
    if prior is not None:
        near = np.clip(start, 0.1 * prior.ratios, 10.0 * prior.ratios)
        start = np.where(free, near, np.array(shared.present) * prior.ratios)
    at, control = search(Problem(shared.cells, design, free, prior), start)
    return Fit(at, control.iterations, None, ())


def _fit_tastes(
    shared: Structure, structure: TasteStructure, design: Design, residual: Floats, larger: Fit | None
) -> Fit:
    """Fit one response with tastes, from where a fit with more of them ended if there is one."""
    prior = shared.asked.prior
    if larger and larger.structure and isinstance(larger.at, TasteRestricted):
        start = start_from(structure, larger.structure, larger.at)
    else:
        ratios = np.zeros(3) if prior is None else np.array(shared.present) * prior.ratios
        start = start_by_moments(structure, shared.part, residual, ratios)
    rough = len(shared.tastes) > 1
    at, steps = fit_tastes(structure, shared.part, design, start, prior, ROUGH if rough else None)
    return Fit(at, steps, structure, shared.slopes, rough)


def _recorded(shared: Structure, fit: Fit, n: int) -> tuple[FittedResponse, Known | None]:
    """Record the fit that stands, and what it knows of its players."""
    players, copies, at = shared.player.levels, shared.copy.levels, fit.at
    estimable = shared.estimable(fit.slopes)
    if isinstance(at, Restricted):
        fitted = record(at, copies, estimable, shared.observed, n, fit.steps)
        own = known_players(at, players, len(copies)) if players else None
        return (_without_slopes(fitted, shared, fit.slopes) if shared.asked.columns else fitted), own
    assert fit.structure is not None  # noqa: S101 - a fit with tastes has their structure
    of, kept = fit.structure.coordinates, fit.structure.kept
    known = known_tastes(at, of, players, len(copies))
    fitted = taste_record(at, of, copies, estimable, fit.slopes, shared.observed, n, fit.steps)
    return replace(fitted, tastes_kept=kept), known


def _without_slopes(fitted: FittedResponse, shared: Structure, slopes: tuple[bool, ...]) -> FittedResponse:
    """Record that no slope was fitted: there is none, or the prior's own before the first rating."""
    q, prior = shared.asked.columns, shared.asked.prior
    believed = prior is not None and shared.observed.size == 0
    sd = np.zeros(q)
    if prior is not None and believed:
        sd = np.asarray(prior.taste_sd) * fitted.repeat_sd / prior.repeat_sd
    return replace(
        fitted,
        taste_centre=np.zeros(q),
        taste_covariance=np.diag(np.append(fitted.player_sd, sd) ** 2),
        tastes_estimable=slopes,
        tastes_kept=(believed,) * q,
    )
