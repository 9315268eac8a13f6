"""Newton's search for the players' covariance and the ratios of copy and match, on the covariance itself.

Not on its Cholesky factor: there the score vanishes at a column of zeros, and a search would stop early without a sign.
Each step goes to the minimum of the quadratic model over S >= 0 and ratios >= 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Flags, Floats
from model.mixed.optimise import _REPRODUCED, Control, _convex
from model.mixed.psd_cone import ConeModel, cone_minimum, entries
from model.mixed.reml import COPY, MATCH
from model.mixed.slope_reml import TasteProblem, TasteRestricted, along_entries, entry_places


class RanOffError(ValueError):
    """The ratings leave nothing for the noise."""


@dataclass(frozen=True)
class TasteControl(Control):
    """Tolerances as in `Control`, and what ends this search.

    Attributes
    ----------
    decrease : the search ends with a step by which the criterion is thought to fall by less
    confirmed : what average information alone may still promise then
    near : steps by which it is thought to fall by less than this correct the curvature of those after them
    patience : steps by average information; after them the score is differenced
    """

    decrease: float = 1e-8
    confirmed: float = 1e-6
    near: float = 1.0
    patience: int = 15


Steps = list[tuple[Floats, Floats]]  # by how much the parameters and the slope changed


def corrected(curvature: Floats, steps: Steps) -> Floats:
    """Correct a positive definite curvature by the changes of slope seen, the last counting most.

    Broyden, Fletcher, Goldfarb & Shanno's update (Nocedal & Wright 2006, Numerical Optimization, sec. 6.1), damped after
    Powell (sec. 18.3) so that the curvature stays positive.
    """
    for s, y in steps:
        along = curvature @ s
        expected, found = float(s @ along), float(s @ y)
        if expected <= 0.0:
            continue
        part = 1.0 if found >= 0.2 * expected else 0.8 * expected / (expected - found)
        y = part * y + (1.0 - part) * along  # noqa: PLW2901 - damped
        curvature = curvature + np.outer(y, y) / float(s @ y) - np.outer(along, along) / expected
    return curvature


def cone_model(at: TasteRestricted) -> ConeModel:
    """Model the criterion about `at`, by average information and the prior's own derivatives."""
    nE, chosen, curvature = len(at.problem.basis), _sought(at), at.curvature
    if at.prior is not None:
        curvature = curvature.copy()
        second = at.prior.penalty(at.ratios, _free_ratios(at))[2]
        curvature[range(nE, len(curvature)), range(nE, len(curvature))] += second[chosen]
    ratios, ways = at.ratios[chosen], _ways(at)
    low = np.zeros(len(chosen)) if at.prior is None else 0.1 * ratios
    curvature = _convex_along(ways, curvature) + _prior_curvature(at)
    high, closed = 10.0 * ratios + 1.0, at.prior is None
    return ConeModel(at.problem.basis, _place(at), _slope(at), curvature, low, high, None, closed)


def with_exact_prior(model: ConeModel, at: TasteRestricted) -> ConeModel:
    """Take the prior of S as it is, not as its derivatives: better far from the minimum."""
    if at.problem.covariance_prior is None or not len(model.basis):
        return model
    slope, curvature = model.slope - _prior_slope(at), model.curvature - _prior_curvature(at)
    return replace(model, slope=slope, curvature=curvature, prior=at.problem.covariance_prior)


def _prior_slope(at: TasteRestricted) -> Floats:
    """Slope (m,) of the prior of S."""
    found, chosen, nE = np.zeros(_place(at).size), at.problem.covariance_prior, len(at.problem.basis)
    if chosen is not None and nE:
        found[:nE] = along_entries(chosen.precision - np.linalg.inv(at.S))
    return found


def _prior_curvature(at: TasteRestricted) -> Floats:
    """Second derivatives (m, m) of the prior of S."""
    m, chosen, basis = _place(at).size, at.problem.covariance_prior, at.problem.basis
    found = np.zeros((m, m))
    if chosen is not None and len(basis):
        found[: len(basis), : len(basis)] = chosen.curvature(at.S, basis)
    return found


def _free_ratios(at: TasteRestricted) -> Flags:
    return np.asarray(at.free & np.array([False, True, True]))


def _ways(at: TasteRestricted) -> Floats:
    """Directions (m, m), one a row, of the size that S and the ratios have.

    For S they are vv' of v = Le_a and L (e_a + e_b), LL' = S lifted off the boundary: all of them stay within S >= 0.
    """
    Q, nE, m = len(at.S), len(at.problem.basis), _place(at).size
    ways = np.diag(np.append(np.ones(nE), np.maximum(at.ratios[_sought(at)], 1e-2)))
    if nE:
        size = np.maximum(np.diagonal(at.S), 1e-2)
        L = np.linalg.cholesky(at.S + 1e-3 * np.diag(size))
        a, b = entry_places(Q)
        v = np.where((a == b)[:, None], L.T[a], L.T[a] + L.T[b])
        ways[:nE, :nE] = v[:, a] * v[:, b]
    return ways.reshape(m, m)


def _convex_along(ways: Floats, curvature: Floats) -> Floats:
    """Make the curvature positive definite, seen along the ways."""
    back = np.linalg.inv(ways)
    return np.asarray(back @ _convex(ways @ curvature @ ways.T) @ back.T)


def _sought(at: TasteRestricted) -> list[int]:
    """Give the ratios that are sought, of copy and match."""
    return [place for place in (COPY, MATCH) if at.free[place]]


def _place(at: TasteRestricted) -> Floats:
    """Give the parameters: entries of S, where it is sought, and ratios."""
    return np.append(entries(at.S)[: len(at.problem.basis)], at.ratios[_sought(at)])


def _slope(at: TasteRestricted) -> Floats:
    """Differentiate the criterion by the parameters."""
    slope = at.score + _prior_slope(at)
    if at.prior is not None:
        gradient = at.prior.penalty(at.ratios, _free_ratios(at))[1]
        slope[len(at.problem.basis) :] += gradient[_sought(at)]
    return slope


def observed(at: TasteRestricted, model: ConeModel) -> Floats:
    """Second derivatives (m, m) of the criterion, by differences of its slope, made positive definite."""
    ways, part = _ways(at), 1e-5
    moved = [_moved(at, model, model.now + part * way) for way in ways]
    changes = np.array([_slope(there) - model.slope for there in moved]) / part
    found = np.linalg.solve(ways, changes)
    return _convex_along(ways, 0.5 * (found + found.T))


def _moved(at: TasteRestricted, model: ConeModel, x: Floats) -> TasteRestricted:
    """Set up the criterion at x, or next to it within the bounds."""
    nE, ratios, x = len(model.basis), at.ratios.copy(), model.within(x)
    ratios[_sought(at)] = x[nE:]
    return at.problem.at(model.covariance(x) if nE else at.S, ratios)


def _accept(at: TasteRestricted, model: ConeModel, goal: Floats, control: TasteControl) -> TasteRestricted:
    """Go to `goal`, or a third, a ninth ... of the way, until the criterion has fallen enough (Armijo)."""
    slack = 1e-12 * (1.0 + abs(at.criterion)) + 1e-14 * at.degrees * at.whole / at.q  # what rounding may add
    part, fall = 1.0, -model.value(goal)
    if fall < -control.decrease:
        raise RuntimeError(
            "the search for the players' tastes lost its way; expected tastes near their own zero, and a prior of their size"
        )
    for _ in range(25):
        there = _moved(at, model, model.now + part * (goal - model.now))
        if there.criterion <= at.criterion - 1e-4 * part * fall + slack:
            there = (
                _further(at, model, goal, there)
                if part == 1.0 and at.criterion - there.criterion > 1.5 * fall
                else there
            )
            if _largest(there) > control.largest_ratio:
                raise RanOffError(_REPRODUCED)
            return there
        part /= 3.0
    if _largest(at) > 0.1 * control.largest_ratio:
        raise RanOffError(_REPRODUCED)
    raise RuntimeError("the search for the players' tastes found no way down; the ratings may be degenerate")


def _further(at: TasteRestricted, model: ConeModel, goal: Floats, there: TasteRestricted) -> TasteRestricted:
    """Go beyond `goal`, twice as far each time, as long as the criterion falls: it fell by more than was foretold."""
    part = 2.0
    while (beyond := _moved(at, model, model.now + part * (goal - model.now))).criterion < there.criterion:
        there, part = beyond, 2.0 * part
    return there


def _largest(at: TasteRestricted) -> float:
    """Give the largest ratio that no prior holds back."""
    return float(max(np.diagonal(at.S).max(), at.ratios.max())) if at.prior is None else 0.0


def _descend(at: TasteRestricted, control: TasteControl) -> tuple[TasteRestricted, TasteControl]:
    """Go down to a minimum."""
    steps: Steps = []
    last: ConeModel | None = None
    for iteration in range(1, control.most_iterations + 1):
        average = cone_model(at)
        if last is not None:
            steps.append((average.now - last.now, average.slope - last.slope))
        if iteration > control.patience:
            steps, model = [], replace(average, curvature=observed(at, average))
        elif last is not None:
            model = replace(average, curvature=corrected(average.curvature, steps))
        else:
            model = with_exact_prior(average, at)
        goal = cone_minimum(model)
        fall = -model.value(goal)
        at = _accept(at, model, goal, control)
        if fall <= control.decrease:
            if not steps or -average.value(cone_minimum(average)) <= control.confirmed:
                return at, replace(control, iterations=iteration)
            steps = []  # they misled
        last = average if fall < control.near else None
    raise RuntimeError(f"the players' tastes did not settle within {control.most_iterations} steps")


def search_tastes(
    problem: TasteProblem, S: Floats, ratios: Floats, control: TasteControl | None = None
) -> tuple[TasteRestricted, TasteControl]:
    """Minimise the criterion over what is free, from S (Q, Q) and ratios (3,); returns and raises as `search_on`."""
    return search_on(problem.at(S, ratios), control)


def search_on(start: TasteRestricted, control: TasteControl | None = None) -> tuple[TasteRestricted, TasteControl]:
    """Minimise the criterion over what is free, from where it was set up.

    Returns
    -------
    tuple of the criterion at the minimum and the record of the search

    Raises
    ------
    RanOffError
        The covariance or a ratio runs off: the ratings leave nothing for the noise.
    RuntimeError
        The search does not end within its most iterations.
    """
    problem, control = start.problem, control or TasteControl()
    if not problem.free.any():
        return start, control
    found = _descend(start, control)
    few = problem.prior is None and problem.design.residual.size <= control.few
    return _from_elsewhere(found, start.ratios, control) if few and _on_edge(found[0]) else found


def _from_elsewhere(
    found: tuple[TasteRestricted, TasteControl], ratios: Floats, control: TasteControl
) -> tuple[TasteRestricted, TasteControl]:
    """Search again from variances like the noise's; few ratings may have two minima, and the lower one counts."""
    problem = found[0].problem
    S = np.eye(problem.rows.width) if problem.free[0] else found[0].S
    try:
        again = _descend(problem.at(S, np.where(problem.free, 0.5, ratios)), control)
    except (RanOffError, RuntimeError):  # found has settled, and stands
        return found
    return min(again, found, key=lambda one: one[0].criterion + 1e-9 * (one is again))


def _on_edge(at: TasteRestricted) -> bool:
    vanished = bool(np.any(at.free[1:] & (at.ratios[1:] == 0.0)))
    return vanished or bool(at.free[0] and np.linalg.eigvalsh(at.S)[0] <= 1e-8)
