"""Newton's search for the players' covariance and the ratios of copy and interaction, on the covariance itself.

Not on its Cholesky factor: there the score vanishes at a column of zeros, and a search would stop early without a sign.
Each step goes to the minimum of the quadratic model over S >= 0 and ratios >= 0.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Floats
from model.mixed.linalg import vech_places
from model.mixed.psd_cone import ConeQuadratic, psd_cone_qp
from model.mixed.reml import COPY, PLAYER, RemlCriterion, RemlProblem

_REPRODUCED = (
    "the ratings are reproduced exactly by players and copies: got nothing left for the noise of a repeated rating, "
    "expected some spread there"
)
_VANISHED = 1e-8  # an eigenvalue of S that is none
_DRIFTS = 1e-4  # of a parameter: a last step as large as this is none to a minimum


class DegenerateFitError(ValueError):
    """The ratings leave nothing for the noise."""


@dataclass(frozen=True)
class OptimizerOptions:
    """Tolerances of the search.

    Attributes
    ----------
    decrease : the search ends with a step by which the criterion is thought to fall by less
    confirmed : what average information alone may still promise then
    near : steps by which it is thought to fall by less than this correct the curvature of those after them
    largest_ratio : a ratio above this means that nothing is left for the noise
    most_iterations : Newton steps before the search is given up
    patience : steps by average information, at most two a parameter; after them the score is differenced, which costs one
        score a parameter
    foresees : whether the search also ends before a step that is thought to lower the criterion by less than `decrease`,
        and with a step after which the next one is, falls shrinking as they did, and at most to 1 in 2,500
    before : by how much the step before the first one was thought to lower the criterion
    few : up to this many ratings, a search that ends on a boundary is made again from far inside: few ratings may
        have two minima
    """

    decrease: float = 1e-8
    confirmed: float = 1e-6
    near: float = 1.0
    largest_ratio: float = 1e5
    most_iterations: int = 100
    patience: int = 15
    foresees: bool = False
    before: float = 0.0
    few: int = 5000

    @classmethod
    def of(cls, problem: RemlProblem) -> OptimizerOptions:
        """Options for intercepts alone, where a parameter is soon far within its standard error, or for slopes."""
        if problem.rows.width > 1:
            return cls()
        few = problem.design.residual.size <= cls.few
        return cls(decrease=1e-10 if few else 1e-6, foresees=not few)


SETTLED = OptimizerOptions(decrease=1e-7, foresees=True)
"""Of one of several sets whose variances are averaged, with a prior: parameters within a thousandth of their standard errors."""

Steps = list[tuple[Floats, Floats]]  # by how much the parameters and the slope changed


def damped_bfgs(curvature: Floats, steps: Steps) -> Floats:
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


def _convex(matrix: Floats) -> Floats:
    """Scale to unit diagonal, make the eigenvalues positive, at least 1e-6, and scale back."""
    scale = np.sqrt(np.maximum(np.abs(np.diagonal(matrix)), 1e-200))
    values, vectors = np.linalg.eigh(matrix / scale / scale[:, None])
    return np.asarray((vectors * np.maximum(np.abs(values), 1e-6)) @ vectors.T * scale * scale[:, None])


def cone_quadratic(at: RemlCriterion, *, exact: bool = False) -> ConeQuadratic:
    """Model the criterion about `at` by average information and the priors' own derivatives.

    With `exact` the convex part of the priors is taken as it is, not as its derivatives: better far from the minimum.
    """
    problem, nE, priors = at.problem, len(at.problem.basis), at.problem.priors
    slope, curvature, prior = _slope(at), at.expected_curvature, None
    ratios = at.parameters[nE:]
    if priors is not None:
        prior = priors.covariance if exact else None
        curvature = curvature + (priors if prior is None else priors.without_covariance).hessian(at.parameters)
    if prior is not None:
        slope[:nE] -= prior.gradient(at.S)
    kept = 0.0 if priors is None else 0.1  # of each variance, where a prior keeps it off 0
    floor = (kept if prior is None else 0.0) * at.S
    low, high = kept * ratios, 10.0 * ratios + 1.0
    curvature = _convex_along(_ways(at), curvature)
    return ConeQuadratic(problem.basis, at.parameters, slope, curvature, floor, low, high, prior, priors is None)


def _ways(at: RemlCriterion) -> Floats:
    """Directions (m, m), one a row, of the size that S and the ratios have.

    For S they are vv' of v = Le_a and L (e_a + e_b), LL' = S lifted off the boundary: all of them stay within S >= 0.
    """
    Q, nE, m = len(at.S), len(at.problem.basis), at.parameters.size
    ways = np.diag(np.append(np.ones(nE), np.maximum(at.parameters[nE:], 1e-2)))
    if nE:
        size = np.maximum(np.diagonal(at.S), 1e-2)
        L = np.linalg.cholesky(at.S + 1e-3 * np.diag(size))
        a, b = vech_places(Q)
        v = np.where((a == b)[:, None], L.T[a], L.T[a] + L.T[b])
        ways[:nE, :nE] = v[:, a] * v[:, b]
    return ways.reshape(m, m)


def _convex_along(ways: Floats, curvature: Floats) -> Floats:
    """Make the curvature positive definite, seen along the ways."""
    back = np.linalg.inv(ways)
    return np.asarray(back @ _convex(ways @ curvature @ ways.T) @ back.T)


def _slope(at: RemlCriterion) -> Floats:
    """Differentiate the criterion by the parameters."""
    priors = at.problem.priors
    return at.score.copy() if priors is None else at.score + priors.gradient(at.parameters)


def finite_difference_hessian(at: RemlCriterion, model: ConeQuadratic) -> Floats:
    """Second derivatives (m, m) of the criterion, by differences of its slope, made positive definite."""
    ways, part = _ways(at), 1e-5
    moved = [_moved(at, model, model.now + part * way) for way in ways]
    changes = np.array([_slope(there) - model.slope for there in moved]) / part
    found = np.linalg.solve(ways, changes)
    return _convex_along(ways, 0.5 * (found + found.T))


def _moved(at: RemlCriterion, model: ConeQuadratic, x: Floats) -> RemlCriterion:
    """Set up the criterion at x, or next to it within the bounds."""
    return at.moved(model.within(x))


def _accept(at: RemlCriterion, model: ConeQuadratic, goal: Floats, options: OptimizerOptions) -> RemlCriterion:
    """Go to `goal`, or a third, a ninth ... of the way, until the criterion has fallen enough (Armijo)."""
    slack = 1e-12 * (1.0 + abs(at.criterion)) + 1e-14 * at.degrees * at.whole / at.q  # what rounding may add
    part, fall = _part_within_reach(at, model, goal), -model.value(goal)
    if fall < -options.decrease:
        raise RuntimeError(
            "the search for the variance components lost its way; expected columns of slopes near their own zero, and a prior "
            "of their size"
        )
    for _ in range(25):
        there = _moved(at, model, model.now + part * (goal - model.now))
        if there.criterion <= at.criterion - 1e-4 * part * fall + slack:
            if part == 1.0 and at.criterion - there.criterion > 1.5 * fall:
                there = _further(at, model, goal, there)
            if _largest(there) > options.largest_ratio:
                raise DegenerateFitError(_REPRODUCED)
            return there
        part /= 3.0
    if _largest(at) > 0.1 * options.largest_ratio:
        raise DegenerateFitError(_REPRODUCED)
    raise RuntimeError("the search for the variance components found no way down; the ratings may be degenerate")


def _part_within_reach(at: RemlCriterion, model: ConeQuadratic, goal: Floats) -> float:
    """Give the part of the way on which no variance grows beyond a hundred times the largest one and one."""
    if not len(model.basis):
        return 1.0
    now, there = (float(np.diagonal(S).max()) for S in (at.S, model.covariance(goal)))
    reach = 100.0 * (now + 1.0)
    return 1.0 if there - now <= reach else reach / (there - now)


def _further(at: RemlCriterion, model: ConeQuadratic, goal: Floats, there: RemlCriterion) -> RemlCriterion:
    """Go beyond `goal`, twice as far each time, as long as the criterion falls: it fell by more than was predicted."""
    part = 2.0
    while (beyond := _moved(at, model, model.now + part * (goal - model.now))).criterion < there.criterion:
        there, part = beyond, 2.0 * part
    return there


def _largest(at: RemlCriterion) -> float:
    """Give the largest ratio that no prior holds back."""
    return float(max(np.diagonal(at.S).max(), at.ratios.max())) if at.problem.priors is None else 0.0


Found = tuple[RemlCriterion, int]  # the criterion at a minimum and the steps taken there


def _descend(at: RemlCriterion, options: OptimizerOptions) -> Found:
    """Go down to a minimum."""
    steps: Steps = []
    last: ConeQuadratic | None = None
    before = options.before
    for iteration in range(1, options.most_iterations + 1):
        average = cone_quadratic(at)
        if last is not None:
            steps.append((average.now - last.now, average.slope - last.slope))
        if iteration > min(options.patience, 2 * len(average.now)):
            steps, model = [], replace(average, curvature=finite_difference_hessian(at, average))
        elif last is not None:
            model = replace(average, curvature=damped_bfgs(average.curvature, steps))
        else:
            model = cone_quadratic(at, exact=True)
        goal = psd_cone_qp(model)
        fall = -model.value(goal)
        if options.foresees and fall <= options.decrease and not _vanishes(model, goal):
            return at, iteration
        at = _accept(at, model, goal, options)
        ahead = fall * max(fall / before, 4e-4) if options.foresees and before > fall > 0.0 else np.inf
        before = fall
        if min(fall, ahead) <= options.decrease:
            far = np.abs(goal - model.now) > _DRIFTS * np.abs(goal)
            if far.any() and _largest(at) > 0.1 * options.largest_ratio:  # rounding hides the slope that leads on
                raise DegenerateFitError(_REPRODUCED)
            if ahead <= options.decrease or not steps or -average.value(psd_cone_qp(average)) <= options.confirmed:
                return at, iteration
            steps = []  # they misled
        last = average if fall < options.near else None
    raise RuntimeError(f"the variance components did not settle within {options.most_iterations} steps")


def _vanishes(model: ConeQuadratic, goal: Floats) -> bool:
    """Whether the way leads to a ratio of exactly 0."""
    return bool(np.any((goal == 0.0) & (model.now > 0.0)))


def search(problem: RemlProblem, S: Floats, ratios: Floats, options: OptimizerOptions | None = None) -> Found:
    """Minimise the criterion over what is free, from S (Q, Q) and ratios (3,), the first of which is not used.

    Returns
    -------
    tuple of the criterion at the minimum and the number of steps

    Raises
    ------
    DegenerateFitError
        The covariance or a ratio runs off: the ratings leave nothing for the noise.
    RuntimeError
        The search does not end within its most iterations.
    """
    options = options or OptimizerOptions.of(problem)
    if not problem.free.any():
        return problem.at(S, ratios), 0
    # Made where it is left again: its block of copies may be as large as all else together.
    return _lower_minimum(_descend(problem.at(S, ratios), options), options)


def settle(at: RemlCriterion, before: float = 0.0) -> Found:
    """Go on from the end of a rough search, `before` the last fall that it looked for; returns and raises as `search`."""
    options = OptimizerOptions.of(at.problem)
    if at.problem.priors is not None:
        options = replace(SETTLED, before=before)
    return _lower_minimum(_descend(at, options), options) if at.free.any() else (at, 0)


def _lower_minimum(found: Found, options: OptimizerOptions) -> Found:
    """Search again from where what has vanished is large; few ratings may have two minima, and the lower one counts."""
    at = found[0]
    problem, S = at.problem, at.S
    if problem.priors is not None or problem.design.residual.size > options.few or not _on_edge(at):
        return found
    if problem.free[PLAYER]:
        values, vectors = np.linalg.eigh(S)
        S = (vectors * np.where(values <= _VANISHED, 10.0, values)) @ vectors.T
    lifted = np.where(problem.free & (at.ratios == 0.0), 10.0, at.ratios)
    try:
        again = _descend(problem.at(S, lifted), options)
    except (DegenerateFitError, RuntimeError):  # found has settled, and stands
        return found
    return min(again, found, key=lambda one: one[0].criterion + 1e-9 * (one is again))


def _on_edge(at: RemlCriterion) -> bool:
    vanished = bool(np.any(at.free[COPY:] & (at.ratios[COPY:] == 0.0)))
    return vanished or bool(at.free[PLAYER] and np.linalg.eigvalsh(at.S)[0] <= _VANISHED)
