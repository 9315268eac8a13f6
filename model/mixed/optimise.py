"""Projected Newton search for the variance ratios, on ratios >= 0 and not on their logarithms: zeros are exact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from model.domain.arrays import Floats
from model.mixed.reml import Problem, Restricted

_REPRODUCED = (
    "the ratings are reproduced exactly by players and copies: got nothing left for the noise of a repeated rating, "
    "expected some spread there"
)


@dataclass(frozen=True)
class Control:
    """Tolerances of the search and its outcome.

    Attributes
    ----------
    precision : the search ends when no ratio is thought to be off by more than this part of itself (or of 1e-4): half
        of it in a standard deviation; ten times that with more than `few` ratings, where it is less than a hundredth
        of its standard error
    largest_ratio : a ratio above this means that nothing is left for the noise
    most_iterations : Newton steps before the search is given up
    patience : steps by average information; after them the score is differenced, which costs three scores a step
    few : up to this many ratings, a search that ends on a boundary is made again from far inside: few ratings may
        have two minima
    iterations : steps taken
    ran_off : whether a ratio went beyond the largest
    """

    precision: float = 2e-6
    largest_ratio: float = 1e5
    most_iterations: int = 100
    patience: int = 5
    few: int = 5000
    iterations: int = 0
    ran_off: bool = False


def _convex(matrix: Floats) -> Floats:
    """Scale to unit diagonal, make the eigenvalues positive, at least 1e-6, and scale back."""
    scale = np.sqrt(np.maximum(np.abs(np.diagonal(matrix)), 1e-200))
    values, vectors = np.linalg.eigh(matrix / scale / scale[:, None])
    return np.asarray((vectors * np.maximum(np.abs(values), 1e-6)) @ vectors.T * scale * scale[:, None])


def box_minimum(slope: Floats, curvature: Floats, low: Floats, high: Floats) -> Floats:
    """Minimise slope'x + x'curvature x / 2 over low <= x <= high, exactly, by trying every face of the box.

    Parameters
    ----------
    slope, low, high : (f,), f <= 3
    curvature : (f, f), positive definite
    """
    best, least = low, np.inf
    for sides in product((0, -1, 1), repeat=slope.size):
        side = np.array(sides)
        inside = side == 0
        x = np.where(side < 0, low, high)
        pull = slope[inside] + curvature[np.ix_(inside, ~inside)] @ x[~inside]
        x[inside] = np.linalg.solve(curvature[np.ix_(inside, inside)], -pull)
        value = float(slope @ x + 0.5 * x @ curvature @ x)
        if value < least and bool(np.all((x >= low) & (x <= high))):
            best, least = x, value
            if inside.all():
                break
    return best


def newton_step(at: Restricted, curvature: Floats) -> Floats:
    """Step (3,) to the minimum of the quadratic model over ratios >= 0, none growing beyond ten times itself and one."""
    held = (at.ratios == 0.0) & (at.score >= 0.0)  # it would fall below 0: its curvature says nothing of the others
    free = np.flatnonzero(at.free & ~held)
    now, slope = at.ratios[free], at.score[free]
    high = 9.0 * now + 1.0
    low = -now if at.prior is None else -0.9 * now
    least = 0.01 * np.abs(slope) / high  # where the data show no curvature, the model still has a minimum
    chosen = curvature[np.ix_(free, free)]
    chosen = chosen + np.diag(np.maximum(least - np.abs(np.diagonal(chosen)), 0.0))
    step = np.zeros(3)
    step[free] = box_minimum(slope, _convex(chosen), low, high)
    return step


def observed(problem: Problem, at: Restricted) -> Floats:
    """Second derivatives (3, 3) of the criterion, by differences of the score."""
    found = np.zeros((3, 3))
    for term in np.flatnonzero(at.free).tolist():
        ratios = at.ratios.copy()
        ratios[term] += 1e-5 * max(ratios[term], 1e-2)
        found[term] = (problem.at(ratios, swapped=problem.swapped).score - at.score) / (ratios[term] - at.ratios[term])
    return 0.5 * (found + found.T)


def _accept(problem: Problem, at: Restricted, step: Floats) -> Restricted | None:
    """Go along the step until the criterion has fallen enough (Armijo), halving it as often as needed; None: never."""
    slope = float(at.score @ step)
    slack = 1e-12 * (1.0 + abs(at.criterion)) + 1e-14 * at.degrees * at.whole / at.q  # what rounding may add
    part = 1.0
    for _ in range(40):
        there = problem.at(at.ratios + part * step, swapped=problem.swapped)
        if there.criterion <= at.criterion + 1e-4 * part * slope + slack:
            return there
        part *= 0.5
    return None


def _stuck(at: Restricted, control: Control, iteration: int) -> tuple[Restricted, Control]:
    """End a search without a minimum: far out, rounding hides the slope that leads beyond all bounds."""
    if at.ratios.max() > 0.1 * control.largest_ratio:
        return at, replace(control, iterations=iteration, ran_off=True)
    raise RuntimeError(f"the search for the variance components did not settle; it was given up after step {iteration}")


def _descend(problem: Problem, start: Floats, control: Control) -> tuple[Restricted, Control]:
    """Go down from `start` (3,) to a minimum."""
    at, before = problem.at(start, swapped=problem.swapped), 0.0
    precision = control.precision * (1.0 if problem.design.residual.size <= control.few else 10.0)
    for iteration in range(1, control.most_iterations + 1):
        step = newton_step(at, at.curvature if iteration <= control.patience else observed(problem, at))
        moved = float((np.abs(step) / np.maximum(at.ratios, 1e-4)).max())
        vanishing = bool(np.any((step < 0.0) & (at.ratios + step == 0.0)))
        if moved <= precision and not vanishing:
            return at, replace(control, iterations=iteration)
        there = _accept(problem, at, step)
        if there is None:
            return _stuck(at, control, iteration)
        at = there
        if at.ratios.max() > control.largest_ratio:
            return at, replace(control, iterations=iteration, ran_off=True)
        if before > moved and moved * max(moved / before, 0.02) <= precision:  # the next step shrinks likewise
            return at, replace(control, iterations=iteration)
        before = moved
    return _stuck(at, control, control.most_iterations)


def search(problem: Problem, start: Floats, control: Control | None = None) -> tuple[Restricted, Control]:
    """Minimise the criterion over the free ratios from `start` (3,).

    Returns
    -------
    tuple of the criterion at the minimum, players as factor a, and the record of the search

    Raises
    ------
    ValueError
        A ratio runs off: the ratings leave nothing for the noise.
    RuntimeError
        The search does not end within its most iterations.
    """
    control = control or Control()
    if not problem.free.any():
        return problem.at(start), control
    found = _descend(problem, start, control)
    edge = problem.free & (found[0].ratios == 0.0)
    if edge.any() and problem.design.residual.size <= control.few:
        again = _descend(problem, np.where(edge, 10.0, found[0].ratios), control)
        found = min(again, found, key=lambda one: one[0].criterion + 1e-9 * (one is again))
    if found[1].ran_off:
        raise ValueError(_REPRODUCED)
    return (problem.at(found[0].ratios) if problem.swapped else found[0]), found[1]
