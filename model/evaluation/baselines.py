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
TOLERANCE = 1e-7


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
        of_bows = sparse.csr_array(sparse.hstack([table.X, _dummies(table.copy)]))
        Z = sparse.csr_array(sparse.hstack([of_bows, _dummies(table.player)]))[rated]
        # Where a service answers nobody asks for it, and it would be a sixth of each process's memory.
        from sklearn.linear_model import Ridge  # noqa: PLC0415
        from sklearn.model_selection import GridSearchCV, KFold  # noqa: PLC0415

        folds = KFold(FOLDS, shuffle=True, random_state=self._seed)
        search = GridSearchCV(Ridge(solver="sparse_cg", tol=TOLERANCE), {"alpha": ALPHAS}, cv=folds).fit(Z, y[rated])
        self._penalty, best = float(search.best_params_["alpha"]), search.best_estimator_
        self._without_player = np.asarray(of_bows @ best.coef_[: of_bows.shape[1]] + best.intercept_)
        return self

    def foretell(self, ahead: Ints, told: Ints) -> Floats:
        """See `Baseline`."""
        if self._penalty is None:
            return super().foretell(ahead, told)
        left, count = self._left(ahead, told, self._without_player[told])
        return np.asarray(self._without_player[ahead] + left / (count + self._penalty))


def _dummies(code: Ints) -> sparse.csr_array:
    shape = (len(code), int(code.max(initial=-1)) + 1)
    return sparse.csr_array((np.ones(len(code)), (np.arange(len(code)), code)), shape=shape)


def baselines(seed: int) -> tuple[Baseline, ...]:
    """Return one of each, not fitted yet."""
    return GlobalMean(), TierMean(), TierMeanAndOffset(), RidgeRegression(seed)
