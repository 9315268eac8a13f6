"""Conditional logit: choices from sets of options, by maximum likelihood or with a Gaussian prior.

Each option of a set is chosen with probability proportional to exp(z'gamma) (McFadden 1974, Conditional logit analysis of
qualitative choice behavior, in Zarembka, Frontiers in Econometrics).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from model.choice.logit import Penalised, Sets, not_told_apart, told_exactly
from model.domain.arrays import Flags, Floats
from model.domain.labels import encode


@dataclass(frozen=True, eq=False)
class ChoicePrior:
    """Independent Gaussian beliefs about the coefficients.

    Parameters
    ----------
    mean : (q,) array-like
    sd : (q,) array-like
        Each above 0; `inf` leaves a coefficient flat.

    Raises
    ------
    ValueError
        Shapes that differ, a mean that is not finite, a deviation that is not above 0.
    """

    mean: ArrayLike
    sd: ArrayLike

    def __post_init__(self) -> None:
        mean, sd = np.array(self.mean, dtype=np.float64), np.array(self.sd, dtype=np.float64)
        if mean.ndim != 1 or mean.shape != sd.shape:
            raise ValueError(f"prior: got mean of shape {mean.shape} and sd of {sd.shape}, expected two of one length")
        if not np.isfinite(mean).all():
            raise ValueError(f"prior.mean: got {mean.tolist()}, expected finite numbers")
        if not (sd > 0).all():
            raise ValueError(f"prior.sd: got {sd.tolist()}, expected numbers above 0 (inf: flat)")
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "sd", sd)

    @property
    def precision(self) -> Floats:
        """1 / sd ** 2, (q,)."""
        return np.asarray(1.0 / np.asarray(self.sd) ** 2)


class ConditionalLogit(BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Choices from sets of options, each set of its own size and make-up.

    With sets of two and one indicator column an item it is the model of Bradley & Terry 1952 (Biometrika 39: 324).

    Parameters
    ----------
    prior : ChoicePrior or None
        Without one, plain maximum likelihood.
    nonnegative : sequence of int
        Columns whose coefficients must not be below 0.

    Attributes
    ----------
    coef_ : (q,) float
        The maximum of the likelihood, with a prior that of the posterior density.
    covariance_ : (q, q) float
        Inverse of the information at the maximum, the prior's included. A coefficient held at 0 keeps its row: how far the
        data (and prior) could have moved it.
    loglik_ : float
        Sum of the logarithms of the probabilities of what was chosen, without the prior.
    deviance_ : float
        Twice the distance to the best that any model could do (one free probability an option).
    n_iter_, n_features_in_ : int
    """

    def __init__(self, prior: ChoicePrior | None = None, nonnegative: Sequence[int] = ()):
        self.prior = prior
        self.nonnegative = nonnegative

    def fit(self, Z: ArrayLike, choice: Iterable[Hashable], chosen: ArrayLike) -> Self:
        """Estimate the coefficients by Newton's method.

        Parameters
        ----------
        Z : (n, q) array-like
            One row an option: what its value is made of. Columns that are constant within every set tell nothing.
        choice : (n,) labels of any hashable type
            The set that the option belongs to; rows of a set need not stand together.
        chosen : (n,) bool or numbers of 0 or more
            Whether, or how often, the option was chosen.

        Returns
        -------
        self

        Raises
        ------
        ValueError
            Input that cannot be fitted; the sentence says what was found and what is needed.
        RuntimeError
            The search did not settle: there is no result that has not converged.
        """
        Z = _check_columns(Z)
        sets = _sets(Z, choice, _check_chosen(chosen, len(Z)))
        q = Z.shape[1]
        prior = self.prior or ChoicePrior(np.zeros(q), np.full(q, np.inf))
        if np.size(prior.mean) != q:
            raise ValueError(f"got {q} columns of Z, expected the {np.size(prior.mean)} of the prior")
        bound = _bound(self.nonnegative, q)
        _check_has_maximum(sets, prior.precision == 0, bound)
        problem = Penalised(sets, np.asarray(prior.mean), prior.precision, bound)
        self.coef_, self.n_iter_ = problem.maximise()
        self.covariance_: Floats = np.asarray(np.linalg.inv(problem.derivatives(self.coef_)[1]))
        self.loglik_ = sets.loglik(self.coef_)
        self.deviance_ = 2.0 * (sets.saturated() - self.loglik_)
        self.n_features_in_ = q
        return self

    def predict_proba(self, Z: ArrayLike, choice: Iterable[Hashable]) -> Floats:
        """Return (n,) the probability that each option is the one chosen of its set.

        Raises
        ------
        ValueError
            Columns or labels of the wrong shape, or a number that is not finite.
        """
        check_is_fitted(self)
        Z = _check_columns(Z)
        if Z.shape[1] != self.n_features_in_:
            raise ValueError(f"got {Z.shape[1]} columns of Z, expected the {self.n_features_in_} of the fit")
        codes, _ = encode(choice, len(Z), "choice")
        p, _ = Sets.of_rows(Z, np.zeros(len(Z)), codes).probability(self.coef_)
        out = np.empty(len(Z))
        out[np.argsort(codes, kind="stable")] = p
        return out


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


def _sets(Z: Floats, choice: Iterable[Hashable], count: Floats) -> Sets:
    codes, names = encode(choice, len(Z), "choice")
    if not names:
        raise ValueError("choice: got None, expected the label of its set for every row")
    sets = Sets.of_rows(Z, count, codes)
    for wrong, what in ((sets.size < 2, "one option only"), (sets.total == 0, "no option that was chosen")):
        if wrong.any():
            name = names[int(np.flatnonzero(wrong)[0])]
            raise ValueError(f"choice {name!r}: got {what}, expected two options or more and a choice among them")
    return sets


def _bound(nonnegative: Sequence[int], q: int) -> Flags:
    if any(not 0 <= column < q for column in nonnegative):
        raise ValueError(f"nonnegative: got {list(nonnegative)}, expected columns from 0 to {q - 1}")
    bound = np.zeros(q, dtype=bool)
    bound[list(nonnegative)] = True
    return bound


def _check_has_maximum(sets: Sets, flat: Flags, bound: Flags) -> None:
    if not flat.any():
        return
    alike = not_told_apart(sets, flat)
    if len(alike):
        raise ValueError(
            f"{_columns(alike)}: the options of a set never differ in a way that could tell the coefficients; "
            "leave a column out or give a prior"
        )
    exact = told_exactly(sets, flat, bound)
    if len(exact):
        raise ValueError(
            f"the choices are told exactly by {_columns(exact)}, the likelihood has no maximum; give a prior"
        )


def _columns(places: Iterable[int]) -> str:
    listed = [str(place) for place in places]
    return f"column{'s' * (len(listed) > 1)} {', '.join(listed)}"
