"""What the model has to beat: means, a mean with the player's own offset, and ridge regression, on the same ratings.

Each is fitted to some rows of one table of ratings and asked for others, being told the player's own ratings so far. None
tells a deviation; their scores take the one that turned out (`model.evaluation.metrics`).
"""

from dataclasses import dataclass
from typing import Protocol, Self

import numpy as np
from scipy import sparse

from model.domain.arrays import Flags, Floats, Ints
from model.domain.vocabulary import HIGHEST, LOWEST

ALPHAS = (0.3, 1.0, 3.0, 10.0, 30.0)
"""Penalties that ridge regression chooses from, by cross-validation in so many folds."""
FOLDS = 3
TOLERANCE, MOST_STEPS = 1e-9, 5_000
"""Of the search for coefficients: what is left of the normal equations, as a share of their right side; and its steps."""


def shuffled_folds(number: int, of: int, seed: int) -> list[Ints]:
    """Return 0 ... of - 1 in a number of folds, shuffled: those of scikit-learn's `KFold`, whose import takes longer than a fit."""
    places = np.arange(of, dtype=np.intp)
    np.random.RandomState(seed).shuffle(places)
    return np.array_split(places, number)


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

    def fit(self, table: Table, y: Floats, rows: Flags) -> Self:
        """Learn from the rated ones among some rows (N,) of y (N,), NaN where not rated."""

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """Return (n,) ratings of the rows ``ahead``; of each trial the rows ``told`` are known."""


class GlobalMean:
    """The mean of all ratings."""

    name = "global mean"

    def fit(self, table: Table, y: Floats, rows: Flags) -> Self:
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

    def fit(self, table: Table, y: Floats, rows: Flags) -> Self:
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

    def fit(self, table: Table, y: Floats, rows: Flags) -> Self:
        """See `Baseline`."""
        super().fit(table, y, rows)
        rated = np.flatnonzero(rows & np.isfinite(y))
        self._penalty: float | None = None
        if len(rated) < 2 * FOLDS:
            return self  # too few to choose a penalty from: the tier's mean stays
        of_bows = sparse.csr_array(sparse.hstack([np.ones((len(y), 1)), table.X, _dummies(table.copy)]))
        Z = sparse.csr_array(sparse.hstack([of_bows, _dummies(table.player)]))[rated]
        known, counted = y[rated], np.ones((len(rated), FOLDS))
        for number, held in enumerate(shuffled_folds(FOLDS, len(rated), self._seed)):
            counted[held, number] = 0.0
        alphas = np.array(ALPHAS)
        found = _ridge(Z, known, np.repeat(counted, alphas.size, axis=1), np.tile(alphas, FOLDS))
        self._penalty = float(alphas[np.argmax(_explained(known, Z @ found, 1.0 - counted))])
        best = _ridge(Z, known, np.ones((len(rated), 1)), np.array([self._penalty]))[:, 0]
        self._without_player = np.asarray(of_bows @ best[: of_bows.shape[1]])
        return self

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """See `Baseline`."""
        if self._penalty is None:
            return super().foretell(ahead, told)
        left, count = self._left(ahead, told, self._without_player[told])
        return np.asarray(self._without_player[ahead] + left / (count + self._penalty))


def _ridge(Z: sparse.csr_array, y: Floats, counted: Floats, penalty: Floats) -> Floats:
    """Return (q, k) the coefficients that minimise the squares of the rows counted (N, k) and the penalties (k,), side by side.

    The first column, the intercept, has none. By conjugate gradients on the normal equations (Hestenes & Stiefel 1952, J. Res.
    Natl. Bur. Stand. 49: 409), preconditioned by their diagonal.

    Raises
    ------
    RuntimeError
        They were not found within `MOST_STEPS` steps.
    """
    turned, held = Z.T.tocsr(), np.tile(penalty, (Z.shape[1], 1))
    held[0] = 0.0
    right = turned @ (counted * y[:, None])
    ahead = 1.0 / np.maximum((turned.multiply(turned)) @ counted + held, np.finfo(np.float64).tiny)
    found, left = np.zeros(right.shape), right.copy()
    scaled = ahead * left
    along, size = scaled, np.sum(left * scaled, axis=0)
    enough = TOLERANCE**2 * size
    for _ in range(MOST_STEPS):
        if (size <= enough).all():
            return found
        turn = turned @ (counted * (Z @ along)) + held * along
        down = np.sum(along * turn, axis=0)
        step = np.divide(size, down, out=np.zeros_like(size), where=(size > enough) & (down > 0.0))
        found, left = found + step * along, left - step * turn
        scaled, before = ahead * left, size
        size = np.sum(left * scaled, axis=0)
        along = scaled + np.divide(size, before, out=np.zeros_like(size), where=before > 0.0) * along
    msg = f"the ridge regression was not found within {MOST_STEPS} steps"
    raise RuntimeError(msg)


def _explained(y: Floats, foretold: Floats, held: Floats) -> Floats:
    """Return (a,) the mean over the folds of R^2 on the rows held (N, FOLDS), of what each of a penalties foretells (N, FOLDS a)."""
    mean = (held.T @ y) / held.sum(axis=0)
    whole = np.sum(held * (y[:, None] - mean) ** 2, axis=0)
    left = np.sum((held[:, :, None] * (y[:, None, None] - foretold.reshape(len(y), FOLDS, -1))) ** 2, axis=0)
    share = np.divide(left, whole[:, None], out=np.ones_like(left), where=whole[:, None] > 0.0)
    return np.asarray(np.mean(1.0 - share, axis=0))


def _dummies(code: Ints) -> sparse.csr_array:
    shape = (len(code), int(code.max(initial=-1)) + 1)
    return sparse.csr_array((np.ones(len(code)), (np.arange(len(code)), code)), shape=shape)


def baselines(seed: int) -> tuple[Baseline, ...]:
    """Return one of each, not fitted yet."""
    return GlobalMean(), TierMean(), TierMeanAndOffset(), RidgeRegression(seed)
