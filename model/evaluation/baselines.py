"""What the model has to beat: means, a mean with the player's own offset, and ridge regression, on the same ratings.

Each is fitted to some rows of one table of ratings and asked for others, being told the player's own ratings so far. None
tells a deviation; their scores take the one that turned out (`model.evaluation.metrics`).
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.linalg import cho_factor, cho_solve
from sklearn.model_selection import KFold

from model.domain.arrays import Floats, Ints
from model.domain.vocabulary import HIGHEST, LOWEST

Bools = NDArray[np.bool_]

ALPHAS = (0.3, 1.0, 3.0, 10.0, 30.0)
"""Penalties that ridge regression chooses from, by cross-validation in so many folds."""
FOLDS = 3
TOLERANCE, TINY = 1e-6, 1e-12
DENSE_UP_TO = 1500
"""Columns up to which a factorisation costs less than it saves."""


@dataclass(frozen=True, slots=True)
class Table:
    """N ratings of copies: columns X (N, p) and codes (N,) of tier, copy, player and trial."""

    X: Floats
    tier: Ints
    copy: Ints
    player: Ints
    trial: Ints


class Baseline(Protocol):
    """One way to foretell ratings."""

    name: str

    def fit(self, table: Table, y: Floats, rows: Bools) -> Self:
        """Learn from the rated ones among some rows (N,) of y (N,), NaN where not rated."""

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """Return (n,) ratings of the rows ``ahead``; of each trial the rows ``told`` are known."""


class GlobalMean:
    """The mean of all ratings."""

    name = "global mean"

    def fit(self, table: Table, y: Floats, rows: Bools) -> Self:
        """See `Baseline`."""
        given = y[rows & np.isfinite(y)]
        self._table, self._y = table, y
        self._mean = float(given.mean()) if given.size else (LOWEST + HIGHEST) / 2.0
        return self

    def foretell(self, ahead: Ints, told: Ints) -> Floats:  # noqa: ARG002 - one call for all baselines
        """See `Baseline`."""
        return np.full(len(ahead), self._mean)

    def _left(self, ahead: Ints, told: Ints, foretold: Floats) -> tuple[Floats, Ints]:
        """Return (n,), (n,) the sum of what is left of the known ratings of each row's trial, and their number."""
        left, trial = self._y[told] - foretold, self._table.trial
        known, size = np.isfinite(left), int(trial.max(initial=-1)) + 1
        count = np.bincount(trial[told[known]], minlength=size)
        sums = np.bincount(trial[told[known]], left[known], minlength=size)
        return np.asarray(sums[trial[ahead]], dtype=np.float64), count[trial[ahead]]


class TierMean(GlobalMean):
    """The mean of the copy's tier."""

    name = "tier mean"

    def fit(self, table: Table, y: Floats, rows: Bools) -> Self:
        """See `Baseline`."""
        super().fit(table, y, rows)
        rated = rows & np.isfinite(y)
        size = int(table.tier.max(initial=-1)) + 1
        count = np.bincount(table.tier[rated], minlength=size)
        sums = np.bincount(table.tier[rated], y[rated], minlength=size)
        self._of_tier = np.divide(sums, count, out=np.full(size, self._mean), where=count > 0)
        return self

    def foretell(self, ahead: Ints, told: Ints) -> Floats:  # noqa: ARG002 - one call for all baselines
        """See `Baseline`."""
        return np.asarray(self._of_tier[self._table.tier[ahead]])


class TierMeanAndOffset(TierMean):
    """The mean of the copy's tier, moved by the mean of the player's own deviations so far, in full."""

    name = "tier mean + offset"

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """See `Baseline`."""
        left, count = self._left(ahead, told, super().foretell(told, told))
        return super().foretell(ahead, told) + left / np.maximum(count, 1)


class RidgeRegression(TierMean):
    """Ridge regression on the columns of the model, a column a copy and a column a player.

    The penalty is chosen by cross-validation. A new player's own column has the coefficient that minimises the penalised
    squares of the ratings told so far, the other coefficients held: sum of what is left / (number + penalty).
    """

    name = "ridge"

    def __init__(self, seed: int) -> None:
        self._seed = seed

    def fit(self, table: Table, y: Floats, rows: Bools) -> Self:
        """See `Baseline`."""
        super().fit(table, y, rows)
        rated = np.flatnonzero(rows & np.isfinite(y))
        self._penalty: float | None = None
        if len(rated) < 2 * FOLDS:
            return self  # too few to choose a penalty from: the tier's mean stays
        columns = sparse.csr_array(sparse.hstack([np.ones((len(y), 1)), table.X, _dummies(table.copy)]))
        Z = sparse.csr_array(sparse.hstack([columns, _dummies(table.player)]))[rated]
        self._penalty = _best_penalty(Z, y[rated], self._seed)
        coef = ridge(Z, y[rated], np.ones((len(rated), 1)), np.array([self._penalty]))[:, 0]
        self._without_player = np.asarray(columns @ coef[: columns.shape[1]])
        return self

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """See `Baseline`."""
        if self._penalty is None:
            return super().foretell(ahead, told)
        left, count = self._left(ahead, told, self._without_player[told])
        return np.asarray(self._without_player[ahead] + left / (count + self._penalty))


def _best_penalty(Z: sparse.csr_array, y: Floats, seed: int) -> float:
    """Return the penalty with the highest coefficient of determination, on average over the folds held out."""
    held = np.zeros((len(y), FOLDS))
    for place, (_, rows) in enumerate(KFold(FOLDS, shuffle=True, random_state=seed).split(y)):
        held[rows, place] = 1.0
    fold, penalty = np.repeat(np.arange(FOLDS), len(ALPHAS)), np.tile(ALPHAS, FOLDS)
    left = (y[:, None] - Z @ ridge(Z, y, 1.0 - held[:, fold], penalty)) * held[:, fold]
    spread = ((y[:, None] - y @ held / held.sum(axis=0)) * held)[:, fold]
    lost = np.sum(left**2, axis=0) / np.maximum(np.sum(spread**2, axis=0), TINY)
    return float(ALPHAS[np.argmin(lost.reshape(FOLDS, -1).sum(axis=0))])


def ridge(Z: sparse.csr_array, y: Floats, weights: Floats, penalty: Floats) -> Floats:
    """Return coefficients (p, t) of t ridge regressions of y (n,) on Z (n, p), each with its own weights of the rows (n, t).

    The penalties (t,) leave out the first column. All are solved at once by conjugate gradients (Hestenes & Stiefel 1952,
    J. Res. Natl. Bur. Stand. 49: 409), preconditioned by the mean of their equations, until what is left of each right hand
    side is `TOLERANCE` of it: a factorisation for each takes three times as long.
    """
    of_rows, penalised = sparse.csr_array(Z.T), np.outer(np.arange(Z.shape[1]) > 0, penalty)
    typical = of_rows @ Z * weights.mean() + sparse.diags_array(np.exp(np.log(penalty).mean()) * (penalised[:, 0] > 0))
    solve = _preconditioner(sparse.csr_array(typical))
    left = of_rows @ (weights * y[:, None])
    coef, ahead, before = np.zeros_like(left), np.zeros_like(left), np.ones(left.shape[1])
    enough = TOLERANCE * np.linalg.norm(left, axis=0)
    for _ in range(Z.shape[1]):
        if np.all(np.linalg.norm(left, axis=0) <= enough):
            break
        scaled = solve(left)
        now = np.sum(left * scaled, axis=0)
        ahead, before = scaled + now / before * ahead, np.maximum(now, TINY)
        moved = of_rows @ (weights * (Z @ ahead)) + penalised * ahead
        part = now / np.maximum(np.sum(ahead * moved, axis=0), TINY)
        coef, left = coef + part * ahead, left - part * moved
    return np.asarray(coef)


def _preconditioner(matrix: sparse.csr_array) -> Callable[[Floats], Floats]:
    """Return what solves equations (p, t) of a positive definite matrix, of a large one those of its diagonal alone."""
    diagonal = np.maximum(matrix.diagonal(), TINY)
    if len(diagonal) > DENSE_UP_TO:
        return lambda right: right / diagonal[:, None]
    factor = cho_factor(matrix.toarray() + TINY * np.diag(diagonal), lower=True)
    return lambda right: np.asarray(cho_solve(factor, right, check_finite=False))


def _dummies(code: Ints) -> sparse.csr_array:
    shape = (len(code), int(code.max(initial=-1)) + 1)
    return sparse.csr_array((np.ones(len(code)), (np.arange(len(code)), code)), shape=shape)


def baselines(seed: int) -> tuple[Baseline, ...]:
    """Return one of each, not fitted yet."""
    return GlobalMean(), TierMean(), TierMeanAndOffset(), RidgeRegression(seed)
