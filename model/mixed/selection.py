"""The fit of one response: what the ratings can identify, the fits that are asked for, and which of them stands."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Floats, Ints
from model.mixed.averaging import left_out_densities, set_weights
from model.mixed.layout import Factor, cells_of
from model.mixed.minque import column_range
from model.mixed.optimise import SETTLED, DegenerateFitError, settle
from model.mixed.priors import Prior
from model.mixed.reml import PLAYER, RemlCriterion, ResponseOnDesign
from model.mixed.result import RemlFit, SetEstimate, StartingPoint, record
from model.mixed.slope_sets import ROUGH, FixedPart, SlopeSet, averaged, slope_sets
from model.mixed.validation import check_proper, check_room, check_spread

TERMS = ("player", "copy", "interaction")
SLIGHT = 0.1
"""A set with less weight than this is averaged as its rough search left it: that it errs by hardly counts."""


@dataclass(frozen=True, eq=False)
class ModelSpec:
    """What is asked of every response.

    Attributes
    ----------
    slopes : (n, q), or None
    sets : which numbers of columns, from the first, may have slopes; the largest first
    start : from where to begin, its sets of slopes and their weights with it; or None
    """

    interaction: bool
    prior: Prior | None
    slopes: Floats | None
    sets: tuple[int, ...]
    start: StartingPoint | None = None

    def columns(self, rows: Ints) -> Floats:
        """Columns of slopes (N, q) of some rows."""
        return np.zeros((rows.size, 0)) if self.slopes is None else self.slopes[rows]


@dataclass(frozen=True, eq=False)
class SharedStructure:
    """What the responses rated on the same rows share.

    Attributes
    ----------
    slopes : (q,) whether the ratings can identify those on each column
    begun : whether the sets are those of the starting point
    """

    spec: ModelSpec
    observed: Ints
    player: Factor
    copy: Factor
    part: FixedPart
    slopes: tuple[bool, ...]
    sets: tuple[SlopeSet, ...]
    begun: bool = False

    @classmethod
    def of(cls, X: Floats, player: Factor, copy: Factor, observed: Ints, spec: ModelSpec) -> SharedStructure:
        """Find the cells of the rated rows, and which terms their ratings can identify."""
        X = X if observed.size == len(X) else X[observed]
        player, copy, prior = player.at(observed).used(), copy.at(observed).used(), spec.prior
        kept, dependent, root = column_range(X)
        if prior is None:
            check_room(X, dependent)
        elif set(dependent) & set(np.flatnonzero(np.isinf(np.asarray(prior.sd))).tolist()):
            check_proper(X, prior)
        nothing = observed.size == 0  # before the first rating every factor of a prior is there
        has_player, has_copy = bool(player.names) or nothing, bool(copy.names) or nothing
        present = has_player, has_copy, spec.interaction and (bool(player.names and copy.names) or nothing)
        part = FixedPart.of(X, kept, root, cells_of(player, copy), present, prior)
        columns, start = spec.columns(observed), spec.start
        if start is not None and prior is not None and start.sets and part.identified[PLAYER]:
            given = tuple(SlopeSet.given(each.kept, columns, part) for each in start.sets)
            return cls(spec, observed, player, copy, part, start.identifiable, given, begun=True)
        return cls(spec, observed, player, copy, part, *slope_sets(columns, part, spec.sets))

    def identifiable(self, slopes: tuple[bool, ...]) -> dict[str, bool]:
        """Whether the ratings can identify each term."""
        found = dict(zip(TERMS, self.part.identified, strict=True))
        return found | {"slopes": all(slopes)} if slopes else found

    @property
    def levels(self) -> SlopeSet:
        """The set without any slope."""
        return SlopeSet.first(0, np.zeros(0, dtype=np.int64), self.spec.columns(self.observed), self.part)


@dataclass(frozen=True, eq=False)
class Candidate:
    """One of the fits of a response.

    Attributes
    ----------
    slopes : (q,) whether the ratings can identify each column's
    rough : whether the search has come only as far as weights need
    sets : the fits that it is the average of
    """

    at: RemlCriterion
    steps: int
    chosen: SlopeSet
    slopes: tuple[bool, ...]
    rough: bool
    sets: tuple[SetEstimate, ...] = ()


def fit_response(shared: SharedStructure, y: Floats, n: int, name: str) -> RemlFit:
    """Fit one response, `y` (N,) without gaps, of `n` rows in all."""
    if shared.begun and shared.spec.start is not None:
        fit = _averaged(*_begun(shared, shared.spec.start, y))
    else:
        residual = shared.part.residual(y)
        if shared.spec.prior is None:
            check_spread(y, residual, name)
        fit = _joined(list(_candidates(shared, y, residual)), shared.spec.prior)
    return replace(
        record(fit.at, fit.chosen.scaling, shared.copy.names, shared.observed, n),
        identifiable=shared.identifiable(fit.slopes),
        iterations=fit.steps,
        slopes_identifiable=fit.slopes,
        slopes_in_model=fit.chosen.kept,
        sets=fit.sets,
    )


def _begun(shared: SharedStructure, start: StartingPoint, y: Floats) -> tuple[list[Candidate], Floats]:
    """Fit the sets of the starting point from there, and give their weights."""
    design = ResponseOnDesign.of(shared.part.fixed, y, shared.part.cells)
    fits = []
    for chosen, each in zip(shared.sets, start.sets, strict=True):
        rough = each.weight < SLIGHT
        at, steps = chosen.fit(design, chosen.start_at(each), ROUGH if rough else SETTLED)
        fits.append(Candidate(at, steps, chosen, shared.slopes, rough))
    return fits, np.array([each.weight for each in start.sets])


def _candidates(shared: SharedStructure, y: Floats, residual: Floats) -> Iterator[Candidate]:
    """Give the fits of all sets, that with most slopes first; `residual` (N,) is what the fixed part leaves."""
    design = ResponseOnDesign.of(shared.part.fixed, y, shared.part.cells)
    last: Candidate | None = None
    rough = len(shared.sets) > 1
    for chosen in shared.sets:
        start = chosen.start_from(last.chosen, last.at) if last else chosen.start_by_moments(residual)
        try:
            last = Candidate(*chosen.fit(design, start, ROUGH if rough else None), chosen, shared.slopes, rough)
        except DegenerateFitError:  # slopes that leave nothing for the noise cannot be identified from it
            if not any(chosen.kept):
                raise
            continue
        yield last
    if last is None:
        chosen = shared.levels
        at, steps = chosen.fit(design, chosen.start_by_moments(residual), None)
        yield Candidate(at, steps, chosen, (False,) * len(shared.slopes), rough=False)


def _joined(fits: list[Candidate], prior: Prior | None) -> Candidate:
    """Average the sets' fits by how they predict players left out, for which rough searches do."""
    weights = np.ones(1)
    if len(fits) > 1:
        densities = np.array([left_out_densities(fit.at) for fit in fits])
        worth = prior.slope_prior_players if prior is not None else 0.0
        weights = set_weights(densities, [fit.at.effective_parameters for fit in fits], worth)
        kept = np.flatnonzero(weights)
        fits, weights = [fits[place] for place in kept.tolist()], weights[kept]
    fits.reverse()
    # Each is gone from the one list once it is in the other: an end of a search holds tables of all players.
    return _averaged([_settled(fits.pop()) if weight >= SLIGHT else fits.pop() for weight in weights], weights)


def _averaged(fits: list[Candidate], weights: Floats) -> Candidate:
    """Join fits by their weights (S,), which add up to 1; the list is left empty."""
    found = zip(fits, weights.tolist(), strict=True)
    sets = tuple(fit.chosen.estimate(fit.at, weight) for fit, weight in found)
    if len(fits) == 1:
        return replace(fits.pop(), sets=sets)
    noise = np.array([fit.at.noise_variance for fit in fits])
    problem, chosen, slopes, rough = fits[0].at.problem, fits[0].chosen, fits[0].slopes, fits[0].rough
    steps = sum(fit.steps for fit in fits)
    fits.clear()
    return Candidate(averaged(problem, chosen, sets, noise), steps, chosen, slopes, rough, sets)


def _settled(fit: Candidate) -> Candidate:
    """Go on from the end of a rough search."""
    if not fit.rough:
        return fit
    at, steps = settle(fit.at, ROUGH.decrease)
    return replace(fit, at=at, steps=fit.steps + steps, rough=False)
