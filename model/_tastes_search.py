"""Newton's search for the players' covariance and the ratios of copy and match, on the covariance itself.

Not on its Cholesky factor: there the score vanishes at a column of zeros, and a search would stop early without a sign.
Each step goes to the minimum of the quadratic model over S >= 0 and ratios >= 0, found by following the central path of
the logarithmic barrier (Boyd & Vandenberghe 2004, Convex Optimization, ch. 11), whose distance from the minimum is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from model._reml import COPY, MATCH
from model._search import _REPRODUCED, Control, _convex
from model._structure import Floats
from model._tastes_reml import CovariancePrior, TasteProblem, TasteRestricted

_BARRIERS = 10.0 ** -np.arange(0, 11)  # the last leaves the model 1e-9 above its minimum, by the barrier's own bound


class RanOffError(ValueError):
    """The ratings leave nothing for the noise."""


@dataclass(frozen=True)
class TasteControl(Control):
    """Tolerances as in `Control`, and what ends this search.

    Attributes
    ----------
    decrease : the search ends with a step by which the criterion is thought to fall by less
    near : steps by which it is thought to fall by less than this correct the curvature of those after them
    """

    decrease: float = 1e-8
    near: float = 1.0


@dataclass(frozen=True, eq=False)
class ConeModel:
    """slope'd + d'curvature d / 2 of d = x - now, over x = (entries of S, ratios) with S >= 0 and low <= ratios <= high.

    With a prior of S, its exact value is added, not its quadratic approximation.

    Attributes
    ----------
    basis : (nE, Q, Q)
    now, slope : (m,)
    curvature : (m, m) positive definite
    low, high : (m - nE,)
    """

    basis: Floats
    now: Floats
    slope: Floats
    curvature: Floats
    low: Floats
    high: Floats
    prior: CovariancePrior | None

    def covariance(self, x: Floats) -> Floats:
        """S (Q, Q) of x."""
        return np.asarray(np.tensordot(x[: len(self.basis)], self.basis, ((0,), (0,))))

    def value(self, x: Floats) -> float:
        """Give the model at x, 0 at `now`."""
        d = x - self.now
        change = float(self.slope @ d + 0.5 * d @ self.curvature @ d)
        if self.prior is not None and len(self.basis):
            change += self.prior.value(self.covariance(x)) - self.prior.value(self.covariance(self.now))
        return change

    def inside(self) -> Floats:
        """Find a place off every boundary, near `now`."""
        nE, x = len(self.basis), self.now.copy()
        if nE and self.prior is None:  # with a prior it is inside already
            S = self.covariance(x)
            values, vectors = np.linalg.eigh(S)
            least = 1e-3 * max(float(values[-1]), 1e-2)
            x[:nE] = _entries((vectors * np.maximum(values, least)) @ vectors.T)
        room = self.high - self.low
        x[nE:] = np.clip(x[nE:], self.low + 1e-3 * room, self.high - 1e-3 * room)
        return x

    def barrier(self, x: Floats, mu: float) -> float:
        """Give the model plus mu times the barrier; infinite outside."""
        nE, ratios = len(self.basis), x[len(self.basis) :]
        if not (np.all(ratios > self.low) and np.all(ratios < self.high)):
            return np.inf
        d = x - self.now
        found = float(self.slope @ d + 0.5 * d @ self.curvature @ d)
        found -= mu * float(np.log(ratios - self.low).sum() + np.log(self.high - ratios).sum())
        if not nE:
            return found
        S = self.covariance(x)
        try:
            log_determinant = 2.0 * float(np.log(np.diagonal(np.linalg.cholesky(S))).sum())
        except np.linalg.LinAlgError:
            return np.inf
        found -= (mu + (self.prior is not None)) * log_determinant
        return found + (float(np.sum(self.prior.precision * S)) if self.prior is not None else 0.0)

    def newton(self, x: Floats, mu: float) -> tuple[Floats, float]:
        """Newton's step (m,) of `barrier` at x inside, and the fall that it foretells.

        The system is solved for D of S + L D L', S = L L', and for the ratios by their distance from `low`: there the
        barrier's Hessian is about mu times one, however near the boundary is.
        """
        nE, ratios = len(self.basis), x[len(self.basis) :]
        gradient, turn = self.slope + self.curvature @ (x - self.now), np.zeros((x.size, x.size))
        own, around = np.zeros(x.size), np.zeros(x.size)
        above, below = ratios - self.low, self.high - ratios
        turn[range(nE, x.size), range(nE, x.size)] = above
        own[nE:], around[nE:] = mu * (above / below - 1.0), mu * (1.0 + (above / below) ** 2)
        if nE:
            L = np.linalg.cholesky(self.covariance(x))
            turn[:nE, :nE] = (L @ self.basis @ L.T)[:, *np.tril_indices(len(L))].T
            weight, diagonal = mu + (self.prior is not None), np.trace(self.basis, axis1=1, axis2=2)
            own[:nE], around[:nE] = -weight * diagonal, weight * (2.0 - diagonal)
            if self.prior is not None:
                gradient[:nE] += np.tensordot(self.basis, self.prior.precision, ((1, 2), (0, 1)))
        slope = turn.T @ gradient + own
        step = -np.linalg.solve(turn.T @ self.curvature @ turn + np.diag(around), slope)
        return turn @ step, -float(slope @ step)


def _entries(S: Floats) -> Floats:
    """Entries S_ab, a >= b, row by row."""
    return np.asarray(S[np.tril_indices(len(S))])


def _centre(model: ConeModel, x: Floats, mu: float) -> Floats:
    """Go to the minimum of the model with barrier, by damped Newton steps from x inside."""
    value = model.barrier(x, mu)
    for _ in range(60):
        step, fall = model.newton(x, mu)
        if fall <= 0.1 * mu:
            return x
        part, there = 1.0, model.barrier(x + step, mu)
        while there > value - 0.1 * part * fall and part > 1e-10:
            part *= 0.5
            there = model.barrier(x + part * step, mu)
        if there >= value:  # rounding: the path ends here, as near as it can be told
            return x
        x, value = x + part * step, there
    return x


def cone_minimum(model: ConeModel) -> Floats:
    """Minimise the model; what lies on the boundary is put there exactly.

    Returns
    -------
    (m,) float
    """
    x = model.inside()
    for mu in _BARRIERS.tolist():
        x = _centre(model, x, mu)
    return _on_boundary(model, x)


def _on_boundary(model: ConeModel, x: Floats) -> Floats:
    """Put ratios and eigenvalues to 0 where the model does not rise by it."""
    nE, most = len(model.basis), model.value(x) + 1e-9
    found = x.copy()
    for place in range(nE, x.size):
        trial = found.copy()
        trial[place] = model.low[place - nE]
        found = trial if model.value(trial) <= most else found
    if nE and model.prior is None:
        values, vectors = np.linalg.eigh(model.covariance(found))
        for k in range(values.size):
            trial, values[k] = found.copy(), 0.0
            trial[:nE] = _entries((vectors * values) @ vectors.T)
            if model.value(trial) > most:
                break
            found = trial
    return found


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
    """Model the criterion about `at`."""
    problem, nE = at.problem, len(at.problem.basis)
    chosen = [place for place in (COPY, MATCH) if at.free[place]]
    slope, curvature, ratios = at.score.copy(), at.curvature, at.ratios[chosen]
    if at.prior is not None:
        flags = at.free & np.array([False, True, True])
        _, gradient, second = at.prior.penalty(at.ratios, flags)
        slope[nE:] += gradient[chosen]
        curvature = curvature + np.diag(np.append(np.zeros(nE), second[chosen]))
    low = np.zeros(len(chosen)) if at.prior is None else 0.1 * ratios
    now = np.append(_entries(at.S)[:nE], ratios)
    return ConeModel(problem.basis, now, slope, _convex(curvature), low, 10.0 * ratios + 1.0, problem.covariance_prior)


def _moved(at: TasteRestricted, model: ConeModel, x: Floats) -> TasteRestricted:
    """Set up the criterion at x."""
    nE, ratios = len(model.basis), at.ratios.copy()
    ratios[[place for place in (COPY, MATCH) if at.free[place]]] = x[nE:]
    return at.problem.at(model.covariance(x) if nE else at.S, ratios)


def _accept(at: TasteRestricted, model: ConeModel, goal: Floats, control: TasteControl) -> TasteRestricted:
    """Go to `goal`, or a third, a ninth ... of the way, until the criterion has fallen enough (Armijo)."""
    slack = 1e-12 * (1.0 + abs(at.criterion)) + 1e-14 * at.degrees * at.whole / at.q  # what rounding may add
    part, fall = 1.0, -model.value(goal)
    for _ in range(25):
        there = _moved(at, model, model.now + part * (goal - model.now))
        if there.criterion <= at.criterion - 1e-4 * part * fall + slack:
            return there
        part /= 3.0
    if _largest(at) > 0.1 * control.largest_ratio:
        raise RanOffError(_REPRODUCED)
    raise RuntimeError("the search for the players' tastes found no way down; the ratings may be degenerate")


def _largest(at: TasteRestricted) -> float:
    """Give the largest ratio that no prior holds back."""
    return float(max(np.diagonal(at.S).max(), at.ratios.max())) if at.prior is None else 0.0


def _descend(at: TasteRestricted, control: TasteControl) -> tuple[TasteRestricted, TasteControl]:
    """Go down to a minimum."""
    steps: Steps = []
    last: ConeModel | None = None
    for iteration in range(1, control.most_iterations + 1):
        model = cone_model(at)
        if last is not None:
            steps.append((model.now - last.now, model.slope - last.slope))
            model = replace(model, curvature=corrected(model.curvature, steps))
        goal = cone_minimum(model)
        fall = -model.value(goal)
        last = model if fall < control.near else None
        if fall < -control.decrease:
            raise RuntimeError(
                "the search for the players' tastes lost its way; expected tastes near their own zero and with a prior of their size"
            )
        at = _accept(at, model, goal, control) if fall > 0.0 else at
        if _largest(at) > control.largest_ratio:
            raise RanOffError(_REPRODUCED)
        if fall <= control.decrease:
            return at, replace(control, iterations=iteration)
    raise RuntimeError(f"the players' tastes did not settle within {control.most_iterations} steps")


def search_tastes(
    problem: TasteProblem, S: Floats, ratios: Floats, control: TasteControl | None = None
) -> tuple[TasteRestricted, TasteControl]:
    """Minimise the criterion over what is free, from S (Q, Q) and ratios (3,).

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
    control = control or TasteControl()
    start = problem.at(S, ratios)
    if not problem.free.any():
        return start, control
    found = _descend(start, control)
    if problem.prior is None and problem.design.residual.size <= control.few and _on_edge(found[0]):
        again = _descend(problem.at(*_within(found[0])), control)
        found = min(again, found, key=lambda one: one[0].criterion + 1e-9 * (one is again))
    return found


def _on_edge(at: TasteRestricted) -> bool:
    vanished = bool(np.any(at.free[1:] & (at.ratios[1:] == 0.0)))
    return vanished or bool(at.free[0] and np.linalg.eigvalsh(at.S)[0] <= 1e-8)


def _within(at: TasteRestricted) -> tuple[Floats, Floats]:
    """Find a place to begin again, off the boundary."""
    values, vectors = np.linalg.eigh(at.S)
    ratios = np.where(at.free & (at.ratios == 0.0), 1.0, at.ratios)
    return (vectors * np.maximum(values, 1.0)) @ vectors.T if at.free[0] else at.S, ratios
