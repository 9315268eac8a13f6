"""The minimum of a quadratic model over positive semi-definite covariances and ratios >= 0.

It is found by following the central path of the logarithmic barrier (Boyd & Vandenberghe 2004, Convex Optimization, ch. 11),
whose distance from the minimum is known.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats
from model.mixed.linalg import unvech, vech, vech_places
from model.mixed.priors import CovariancePrior

_LAST = 1e-10  # this barrier leaves the model 1e-9 above its minimum, by the barrier's own bound
_OPEN_STEPS, _SHORTEST = 12, 0.1  # of Newton's search without barrier: more and shorter ones mean that a bound holds it


@dataclass(frozen=True, eq=False)
class ConeQuadratic:
    """slope'd + d'curvature d / 2 of d = x - now, over x = (entries of S, ratios), S >= floor and low <= ratios <= high.

    Where a prior of S is given, its exact value is added; where it is not, the quadratic may hold its approximation.

    Attributes
    ----------
    basis : (nE, Q, Q)
    now, slope : (m,)
    curvature : (m, m) positive definite
    floor : (Q, Q) S less this is positive semi-definite
    low, high : (m - nE,)
    closed : bool
        Whether S may lie on the boundary; a prior keeps it off.
    """

    basis: Floats
    now: Floats
    slope: Floats
    curvature: Floats
    floor: Floats
    low: Floats
    high: Floats
    prior: CovariancePrior | None
    closed: bool

    def covariance(self, x: Floats) -> Floats:
        """S (Q, Q) of x."""
        return unvech(x[: len(self.basis)], self.basis.shape[1])

    def above(self, x: Floats) -> Floats:
        """S less its floor (Q, Q)."""
        return self.covariance(x) - self.floor

    def within(self, x: Floats) -> Floats:
        """Bring x within the bounds: ratios to the nearest, S to its part above 0."""
        nE = len(self.basis)
        found = np.append(x[:nE], np.clip(x[nE:], self.low, self.high))
        values, vectors = np.linalg.eigh(self.above(x)) if nE else (np.zeros(1), np.eye(1))
        if values[0] < 0.0:
            found[:nE] = vech(self.floor + (vectors * np.maximum(values, 0.0)) @ vectors.T)
        return found

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
        if nE and self.closed:
            S = self.covariance(x)
            values, vectors = np.linalg.eigh(S)
            least = 1e-3 * max(float(values[-1]), 1e-2)
            x[:nE] = vech((vectors * np.maximum(values, least)) @ vectors.T)
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
        try:
            log_determinant = 2.0 * float(np.log(np.diagonal(np.linalg.cholesky(self.above(x)))).sum())
        except np.linalg.LinAlgError:
            return np.inf
        return found - mu * log_determinant + (self.prior.value(self.covariance(x)) if self.prior is not None else 0.0)

    def newton(self, x: Floats, mu: float) -> tuple[Floats, float]:
        """Newton's step (m,) of `barrier` at x inside, and the fall that it predicts.

        The system is solved for D of S + L D L', S = L L', and for the ratios by their distance from `low`: there the
        barrier's Hessian is about mu times one, however near the boundary is.
        """
        nE, ratios = len(self.basis), x[len(self.basis) :]
        gradient, curvature = self.slope + self.curvature @ (x - self.now), self.curvature
        turn = np.zeros((x.size, x.size))
        own, around = np.zeros(x.size), np.zeros(x.size)
        above, below = ratios - self.low, self.high - ratios
        turn[range(nE, x.size), range(nE, x.size)] = above
        own[nE:], around[nE:] = mu * (above / below - 1.0), mu * (1.0 + (above / below) ** 2)
        if nE:
            S = self.covariance(x)
            L, diagonal = np.linalg.cholesky(self.above(x)), np.trace(self.basis, axis1=1, axis2=2)
            turn[:nE, :nE] = (L @ self.basis @ L.T)[:, *vech_places(len(L))].T
            own[:nE], around[:nE] = -mu * diagonal, mu * (2.0 - diagonal)
            if self.prior is not None:
                gradient[:nE] += self.prior.gradient(S)
                curvature = curvature.copy()
                curvature[:nE, :nE] += self.prior.hessian(S)
        slope = turn.T @ gradient + own
        step = -np.linalg.solve(turn.T @ curvature @ turn + np.diag(around), slope)
        return turn @ step, -float(slope @ step)


def _centre(model: ConeQuadratic, x: Floats, mu: float) -> Floats:
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
        if there >= value:  # rounding: the path ends here, as near as rounding lets it
            return x
        x, value = x + part * step, there
    return x


def psd_cone_qp(model: ConeQuadratic) -> Floats:
    """Minimise the model; what lies on the boundary is put there exactly.

    Returns
    -------
    (m,) float
    """
    if (found := _in_the_open(model)) is not None:
        return _on_boundary(model, found)
    x = model.inside()
    mu = max(1.0, model.newton(x, 1.0)[1])  # from here Newton's steps are whole ones from the first
    less = 0.1 if model.closed else 1e-3  # a prior keeps off the boundary, where long steps along the path lose it
    while mu > _LAST:
        x, mu = _centre(model, x, mu), less * mu
    return _on_boundary(model, _centre(model, x, _LAST))


def _in_the_open(model: ConeQuadratic) -> Floats | None:
    """Return the minimum without any barrier where it lies within all bounds: the model is convex, so it is the minimum."""
    if model.prior is None or not len(model.basis):
        x = model.now - np.linalg.solve(model.curvature, model.slope)
        return x if np.isfinite(model.barrier(x, 0.0)) else None
    x, value = model.now, model.barrier(model.now, 0.0)
    for _ in range(_OPEN_STEPS if np.isfinite(value) else 0):
        step, fall = model.newton(x, 0.0)
        if fall <= _LAST:
            return x + step if np.isfinite(model.barrier(x + step, 0.0)) else x
        part, there = 1.0, model.barrier(x + step, 0.0)
        while there > value - 0.1 * part * fall and part > _SHORTEST:
            part *= 0.5
            there = model.barrier(x + part * step, 0.0)
        if not there < value:
            return None
        x, value = x + part * step, there
    return None


def _on_boundary(model: ConeQuadratic, x: Floats) -> Floats:
    """Put ratios and eigenvalues to 0 where the model does not rise by it."""
    nE, most = len(model.basis), model.value(x) + 1e-9
    found = x.copy()
    for place in range(nE, x.size):
        trial = found.copy()
        trial[place] = model.low[place - nE]
        found = trial if model.value(trial) <= most else found
    if nE and model.closed:
        values, vectors = np.linalg.eigh(model.covariance(found))
        for k in range(values.size):
            trial, values[k] = found.copy(), 0.0
            trial[:nE] = vech((vectors * values) @ vectors.T)
            if model.value(trial) > most:
                break
            found = trial
    return found
