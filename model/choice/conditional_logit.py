"""Conditional logit: choices from sets of options, with a Gaussian prior of the coefficients.

Option i of a set is chosen with probability p_i = exp(z_i'gamma) / sum over the set of exp(z_j'gamma) (McFadden 1974,
Conditional logit analysis of qualitative choice behavior, in Zarembka, Frontiers in Econometrics). With sets of two and one
indicator column an item it is the model of Bradley & Terry 1952 (Biometrika 39: 324).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Flags, Floats, Ints
from model.domain.labels import encode

LEVEL = 1e-6
"""The search ends where no free coefficient's slope of the log density is above this; a Newton step makes it next to none."""


@dataclass(frozen=True, eq=False)
class ChoicePrior:
    """Independent Gaussian beliefs about the coefficients: with them every set of choices has one best fit.

    Parameters
    ----------
    mean : (q,) array-like
    sd : (q,) array-like
        Each finite and above 0.

    Raises
    ------
    ValueError
        Shapes that differ, a mean that is not finite, a deviation that is not finite and above 0.
    """

    mean: ArrayLike
    sd: ArrayLike

    def __post_init__(self) -> None:
        mean, sd = np.array(self.mean, dtype=np.float64), np.array(self.sd, dtype=np.float64)
        if mean.ndim != 1 or mean.shape != sd.shape:
            raise ValueError(f"prior: got mean of shape {mean.shape} and sd of {sd.shape}, expected two of one length")
        if not np.isfinite(mean).all():
            raise ValueError(f"prior.mean: got {mean.tolist()}, expected finite numbers")
        if not (np.isfinite(sd) & (sd > 0)).all():
            raise ValueError(f"prior.sd: got {sd.tolist()}, expected finite numbers above 0")
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "sd", sd)

    @property
    def precision(self) -> Floats:
        """1 / sd ** 2, (q,)."""
        return np.asarray(1.0 / np.asarray(self.sd) ** 2)


@dataclass(frozen=True, eq=False)
class ChoiceFit:
    """What was estimated.

    Attributes
    ----------
    coef : (q,) the maximum of the posterior density.
    covariance : (q, q) inverse of the information there, the prior's included. A coefficient held at 0 keeps its row: how far
        data and prior could have moved it.
    loglik : sum of the logarithms of the probabilities of what was chosen, without the prior.
    """

    coef: Floats
    covariance: Floats
    loglik: float


def fit_conditional_logit(
    Z: ArrayLike,
    choice: Iterable[Hashable],
    chosen: ArrayLike,
    prior: ChoicePrior,
    nonnegative: Sequence[int] = (),
) -> ChoiceFit:
    """Estimate the coefficients of choices from sets, each of its own size and make-up.

    Parameters
    ----------
    Z : (n, q) array-like
        One row an option: what its value is made of. Columns that are constant within every set tell nothing.
    choice : (n,) labels of any hashable type
        The set that the option belongs to; rows of a set need not stand together.
    chosen : (n,) bool or numbers of 0 or more
        Whether, or how often, the option was chosen.
    prior : of the q coefficients
    nonnegative : columns whose coefficients must not be below 0.

    Raises
    ------
    ValueError
        Input that cannot be fitted; the sentence says what was found and what is needed.
    RuntimeError
        The search did not settle: there is no result that has not converged.
    """
    Z = _check_columns(Z)
    if np.size(prior.mean) != Z.shape[1]:
        raise ValueError(f"got {Z.shape[1]} columns of Z, expected the {np.size(prior.mean)} of the prior")
    posterior = _LogPosterior(_choice_sets(Z, choice, _check_chosen(chosen, len(Z))), prior)
    coef = posterior.maximum(_bound(nonnegative, Z.shape[1]))
    covariance: Floats = np.asarray(np.linalg.inv(posterior.information(coef)), dtype=np.float64)
    return ChoiceFit(coef, covariance, posterior.sets.loglik(coef)[0])


@dataclass(frozen=True, eq=False)
class _ChoiceSets:
    """Options, those of a set side by side.

    Attributes
    ----------
    Z : (n, q) columns, less their mean within the set; that leaves every probability as it is.
    count : (n,) how often each was chosen, `total` (n,) any of its set.
    start : (S,) first row of each set.
    of : (n,) the set of each row.
    """

    Z: Floats
    count: Floats
    total: Floats
    start: Ints
    of: Ints

    @classmethod
    def of_rows(cls, Z: Floats, count: Floats, codes: Ints) -> _ChoiceSets:
        """Bring rows (n, q) with set codes 0 ... S - 1 into the order of their sets."""
        order, size = np.argsort(codes, kind="stable"), np.bincount(codes)
        Z, of, start = Z[order], codes[order], np.cumsum(size) - size
        centred = Z - (np.add.reduceat(Z, start) / size[:, None])[of]
        return cls(centred, count[order], np.asarray(np.bincount(codes, weights=count)[of]), start, of)

    def loglik(self, gamma: Floats) -> tuple[float, Floats]:
        """Return the log-likelihood, the orders of a set's several choices not counted, and the probabilities (n,)."""
        v = self.Z @ gamma
        v = v - np.maximum.reduceat(v, self.start)[self.of]
        log_p = v - np.log(np.add.reduceat(np.exp(v), self.start))[self.of]
        return float(self.count @ log_p), np.exp(log_p)


@dataclass(frozen=True, eq=False)
class _LogPosterior:
    """The log-likelihood less half of precision times squared distance from the prior's mean."""

    sets: _ChoiceSets
    prior: ChoicePrior

    def descent(self, gamma: Floats) -> tuple[float, Floats]:
        """Return minus the log density, up to a constant, and its gradient (q,)."""
        loglik, p = self.sets.loglik(gamma)
        gap = gamma - np.asarray(self.prior.mean, dtype=np.float64)
        pull = self.prior.precision * gap
        return 0.5 * float(pull @ gap) - loglik, pull - self.sets.Z.T @ (self.sets.count - self.sets.total * p)

    def information(self, gamma: Floats) -> Floats:
        """Return minus the second derivatives (q, q) of the log density."""
        sets, p = self.sets, self.sets.loglik(gamma)[1]
        apart = sets.Z - np.add.reduceat(p[:, None] * sets.Z, sets.start)[sets.of]
        return np.asarray(apart.T @ ((sets.total * p)[:, None] * apart) + np.diag(self.prior.precision))

    def maximum(self, bound: Flags) -> Floats:
        """Return the maximum (q,), coefficients that are bound at 0 or above."""
        low = np.where(bound, 0.0, -np.inf)
        from scipy.optimize import minimize  # noqa: PLC0415 - only a fit needs it, and it is slow to load

        start = np.maximum(np.asarray(self.prior.mean), low)
        scale = 1.0 / np.sqrt(np.diagonal(self.information(start)))

        def scaled(x: Floats) -> tuple[float, Floats]:
            value, slope = self.descent(scale * x)
            return value, scale * slope

        found = minimize(
            scaled,
            start / scale,
            jac=True,
            method="L-BFGS-B",
            bounds=[(at, None) for at in low],
            options={"ftol": 0.0, "gtol": LEVEL, "maxcor": 20},
        )
        gamma: Floats = scale * found.x
        slope = self.descent(gamma)[1]
        free = np.flatnonzero(~bound | (gamma > 0.0) | (slope < 0.0))
        if np.abs(scale * slope)[free].max(initial=0.0) > 1e3 * LEVEL:
            raise RuntimeError(f"the choice model did not settle: {found.message}")
        gamma[free] -= np.linalg.solve(self.information(gamma)[np.ix_(free, free)], slope[free])
        return np.asarray(np.maximum(gamma, low))


def _check_columns(Z: ArrayLike) -> Floats:
    array = np.asarray(Z, dtype=np.float64)
    if array.ndim != 2 or array.size == 0:
        raise ValueError(f"Z: got an array of shape {array.shape}, expected one row an option and at least one column")
    if not np.isfinite(array).all():
        row, column = np.argwhere(~np.isfinite(array))[0]
        raise ValueError(f"Z: got {array[row, column]} in row {row}, column {column}, expected finite numbers")
    return array


def _check_chosen(chosen: ArrayLike, rows: int) -> Floats:
    count = np.asarray(chosen, dtype=np.float64)
    if count.shape != (rows,):
        raise ValueError(f"chosen: got an array of shape {count.shape}, expected one value for each of {rows} rows")
    if not (np.isfinite(count) & (count >= 0)).all():
        raise ValueError("chosen: got a value that is negative or not finite, expected true or false, or counts")
    return count


def _choice_sets(Z: Floats, choice: Iterable[Hashable], count: Floats) -> _ChoiceSets:
    codes, names = encode(choice, len(Z), "choice")
    if not names:
        raise ValueError("choice: got None, expected the label of its set for every row")
    alone, unchosen = np.bincount(codes) < 2, np.bincount(codes, weights=count) == 0
    for wrong, what in ((alone, "one option only"), (unchosen, "no option that was chosen")):
        if wrong.any():
            name = names[int(np.flatnonzero(wrong)[0])]
            raise ValueError(f"choice {name!r}: got {what}, expected two options or more and a choice among them")
    return _ChoiceSets.of_rows(Z, count, codes)


def _bound(nonnegative: Sequence[int], q: int) -> Flags:
    if any(not 0 <= column < q for column in nonnegative):
        raise ValueError(f"nonnegative: got {list(nonnegative)}, expected columns from 0 to {q - 1}")
    return np.isin(np.arange(q), nonnegative)
