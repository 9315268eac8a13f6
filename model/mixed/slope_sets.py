"""Sets of slopes: the design of the players' effects for each, its prior, and the fit of one response with it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from model.domain.arrays import Floats, Ints
from model.mixed.layout import Cells
from model.mixed.minque import Minque0System, quadratic_forms
from model.mixed.optimise import OptimizerOptions, search
from model.mixed.priors import CovariancePrior, Prior
from model.mixed.reml import PLAYER, OrthonormalDesign, RemlCriterion, RemlProblem, ResponseOnDesign
from model.mixed.result import SetEstimate
from model.mixed.slope_columns import (
    SlopeScaling,
    centred,
    enough_players,
    independent,
    standardised,
    whitened,
    within_players,
)
from model.mixed.solver import RandomEffectsDesign

ROUGH = OptimizerOptions(decrease=1e-2, confirmed=0.1)  # far less than what criteria are separated by
Terms = tuple[bool, bool, bool]  # of player, copy and interaction


@dataclass(frozen=True, eq=False)
class FixedPart:
    """What is known of the rated rows before their slopes.

    Attributes
    ----------
    turn : (p, r) makes of Q an orthonormal basis of the fixed part on the rated rows, without the prior's
    intercepts : each player's effects where they are an intercept alone
    system : of these
    present, identified : which terms there are, and which of them the ratings can identify
    """

    cells: Cells
    fixed: OrthonormalDesign
    turn: Floats
    intercepts: RandomEffectsDesign
    system: Minque0System
    present: Terms
    identified: Terms
    prior: Prior | None

    @classmethod
    def of(cls, X: Floats, kept: Ints, root: Floats, cells: Cells, present: Terms, prior: Prior | None) -> FixedPart:
        """Find which terms the rows X (N, p) in these cells can identify; of its columns `kept` (r,) `root` (r, r) is the root."""
        fixed = OrthonormalDesign.of(X, cells, prior)
        turn = fixed.R[:, kept] @ np.linalg.inv(root)
        intercepts = RandomEffectsDesign.of(cells, np.ones((len(X), 1)))
        system = Minque0System.of(intercepts, intercepts.total(fixed.Q) @ turn, fixed.means @ turn, present)
        identified = system.identified() if len(X) else (False, False, False)
        crossed = identified if prior is None else present
        if not (crossed[0] and crossed[1]):
            cells = replace(cells, coupled=False)
            intercepts = replace(intercepts, cells=cells)
        return cls(cells, fixed, turn, intercepts, system, present, identified, prior)

    def residual(self, y: Floats) -> Floats:
        """Give what the fixed part leaves of y (N,), taken off twice."""
        for _ in range(2):
            y = y - self.fixed.Q @ (self.turn @ (self.turn.T @ (self.fixed.Q.T @ y)))
        return y


@dataclass(frozen=True, eq=False)
class SlopeSet:
    """Slopes on some columns, in the coordinates in which they are worked.

    Attributes
    ----------
    kept : (q,) whether there are slopes on each column
    rows : RandomEffectsDesign
    known : (I, Q, p) Z_i'Q of the fixed part's columns
    prior : None where there is no prior
    """

    part: FixedPart
    scaling: SlopeScaling
    kept: tuple[bool, ...]
    rows: RandomEffectsDesign
    known: Floats
    prior: CovariancePrior | None

    @classmethod
    def of(cls, scaling: SlopeScaling, kept: Ints, slopes: Floats, part: FixedPart) -> SlopeSet:
        """Sum the rows of the columns `kept` of slopes (N, q) in these coordinates."""
        rows = part.intercepts if not kept.size else RandomEffectsDesign.of(part.cells, scaling.rows(slopes))
        believed = scaling.prior(part.prior, kept) if part.prior is not None else None
        flags = tuple(np.isin(np.arange(slopes.shape[1]), kept).tolist())
        return cls(part, scaling, flags, rows, rows.total(part.fixed.Q), believed)

    @classmethod
    def first(cls, number: int, identified: Ints, slopes: Floats, part: FixedPart) -> SlopeSet:
        """Slopes on the first `number` columns, so far as they are among those `identified` or a prior speaks of them."""
        kept = identified[identified < number] if part.prior is None else np.arange(number)
        scaling = whitened(part.cells, slopes, kept) if part.prior is None else standardised(slopes, kept)
        return cls.of(scaling, kept, slopes, part)

    @cached_property
    def system(self) -> Minque0System:
        """What MINQUE(0) can identify, which a search that begins elsewhere does without."""
        part = self.part
        if not any(self.kept):
            return part.system
        return Minque0System.of(self.rows, self.known @ part.turn, part.fixed.means @ part.turn, part.present)

    def fit(
        self, design: ResponseOnDesign, start: Start, options: OptimizerOptions | None
    ) -> tuple[RemlCriterion, int]:
        """Fit one response; return the criterion at its minimum and the number of steps."""
        free = np.array(self.part.identified)
        prior, own = self.part.prior, self.prior
        priors = prior.variances(own, free) if prior is not None and own is not None else None
        return search(RemlProblem.of(self.rows, self.known, design, free, priors), *start, options)

    def start_by_moments(self, residual: Floats) -> Start:
        """Begin at MINQUE(0); what the ratings cannot identify stays at its prior, or at none.

        Parameters
        ----------
        residual : (N,) what the fixed part leaves of the ratings
        """
        part, free, system = self.part, np.array(self.part.identified), self.system
        believed = np.zeros(3) if part.prior is None else np.array(part.present) * part.prior.ratios
        S, start = system.start(quadratic_forms(self.rows, residual, system.basis), free)
        if self.prior is not None:
            start = np.where(free, np.clip(start, 0.1 * believed, 10.0 * believed), believed)
        if not free[PLAYER]:
            return (self.prior.mode if self.prior is not None and part.present[PLAYER] else 0.0 * S), start
        return (_near(S, self.prior.mode) if self.prior is not None else S), start

    def start_from(self, larger: SlopeSet, at: RemlCriterion) -> Start:
        """Begin where a fit with more slopes has ended."""
        covariance = larger.scaling.from_internal(at.S)
        return self.scaling.to_internal(covariance, np.flatnonzero(self.kept)), at.ratios

    @classmethod
    def given(cls, kept: tuple[bool, ...], slopes: Floats, part: FixedPart) -> SlopeSet:
        """Slopes on columns that a prior speaks of, chosen elsewhere."""
        columns = np.flatnonzero(kept)
        return cls.of(standardised(slopes, columns), columns, slopes, part)

    def start_at(self, estimate: SetEstimate) -> Start:
        """Begin where a fit to more of the same ratings has ended; what these cannot identify stays at its prior."""
        part = self.part
        believed = np.zeros(3) if part.prior is None else np.array(part.present) * part.prior.ratios
        S = self.scaling.to_internal(estimate.covariance, np.flatnonzero(self.kept))
        return S, np.where(part.identified, estimate.ratios, believed)

    def estimate(self, at: RemlCriterion, weight: float) -> SetEstimate:
        """Say where a search ended."""
        return SetEstimate(self.kept, weight, self.scaling.from_internal(at.S), at.ratios)


Start = tuple[Floats, Floats]  # the players' covariance over sigma^2 in the search's coordinates, and ratios (3,)


def slope_sets(
    slopes: Floats, part: FixedPart, numbers: Sequence[int]
) -> tuple[tuple[bool, ...], tuple[SlopeSet, ...]]:
    """Return which of the slopes (N, q) the ratings can identify, and a set for each number of first columns, no two alike.

    Where the ratings cannot identify players at all, they do not choose: a prior speaks of the largest set.
    """
    candidates = _candidates(part.cells, slopes) if part.identified[PLAYER] else np.zeros(0, dtype=np.int64)
    identified, found = candidates, dict[tuple[bool, ...], SlopeSet]()
    if candidates.size:
        whole = SlopeSet.of(whitened(part.cells, slopes, candidates), candidates, slopes, replace(part, prior=None))
        identified = candidates[np.array(whole.system.identified_slopes(part.identified), dtype=bool)]
        if part.prior is None and identified.size == candidates.size and numbers[0] == slopes.shape[1]:
            found[whole.kept] = whole  # made already
        del whole  # as large as the sets together
    for number in numbers if part.identified[PLAYER] else numbers[:1]:
        if not (found and number == slopes.shape[1]):
            made = SlopeSet.first(number, identified, slopes, part)
            found.setdefault(made.kept, made)
    return tuple(np.isin(np.arange(slopes.shape[1]), identified).tolist()), tuple(found.values())


def _candidates(cells: Cells, slopes: Floats) -> Ints:
    """Columns that vary within players and do not follow from those before them, as many as there are players for."""
    centre, scale = centred(slopes)
    columns = (slopes - centre) / scale
    kept = independent(within_players(cells, columns), np.sqrt(len(columns)))
    return kept[: enough_players(cells, kept.size)]


def averaged(problem: RemlProblem, first: SlopeSet, sets: Sequence[SetEstimate], noise: Floats) -> RemlCriterion:
    """Set up the Gaussian model with the weighted mean of several fits' variances: the mixture's own, all being centred.

    A slope that a fit does not have is 0 in it. The sets' columns are within those of the first, whose problem serves; `noise`
    (S,) is their sigma^2.
    """
    weighed, kept = noise * np.array([each.weight for each in sets]), np.flatnonzero(first.kept)
    shares = weighed / weighed.sum()
    S = np.tensordot(shares, np.array([first.scaling.to_internal(each.covariance, kept) for each in sets]), 1)
    return problem.at(S, shares @ np.array([each.ratios for each in sets]))


def _near(S: Floats, mode: Floats) -> Floats:
    """S (Q, Q) kept within a tenth and ten times the mode."""
    root = np.linalg.cholesky(mode)
    half = np.linalg.solve(root, S)
    values, vectors = np.linalg.eigh(np.linalg.solve(root, half.T))
    turned = root @ vectors
    return np.asarray((turned * np.clip(values, 0.1, 10.0)) @ turned.T)
