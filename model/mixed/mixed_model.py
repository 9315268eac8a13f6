"""Ratings of copies by players: crossed random effects, fitted by restricted maximum likelihood.

y = x'beta + b_player + a_copy + m_player,copy + e, with b ~ N(0, player_sd^2), a ~ N(0, copy_sd^2), the match
m ~ N(0, match_sd^2) and the noise of one rating e ~ N(0, repeat_sd^2). With tastes a player's part is z'b_player,
z = [1, tastes] and b ~ N(0, player_covariance): slopes of the player's own beside the level.
"""

from __future__ import annotations

import copy as shallow
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted

from model.domain.arrays import Floats, Ints
from model.domain.labels import encode, look_up
from model.mixed.priors import Prior
from model.mixed.result import KnownPlayers, RemlFit, Sheet, conditioned, new_player_variance
from model.mixed.selection import TERMS, Labels, ModelSpec, SharedStructure, fit_response
from model.mixed.validation import (
    check_columns,
    check_responses,
    check_taste_sets,
    check_tastes,
    check_use_of_tastes,
    listed,
)

__all__ = ["CrossedMixedModel", "Prior", "RemlFit"]


class CrossedMixedModel(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Ratings by players of copies: fixed effects, player, copy and match, told apart by REML.

    Parameters
    ----------
    match : bool
        Whether a copy's match with one player has a variance of its own, told from the repeat noise only where a
        player rated a copy more than once.
    prior : Prior or None
        Without one, plain REML.
    taste_sets : sequence of int, or None
        Which numbers of taste columns, counted from the first, may have slopes: each response is fitted with each of
        them, and their variances are averaged by weights that tell how well each foretells players left out (stacking;
        Yao, Vehtari, Simpson & Gelman 2018, Bayesian Anal. 13: 917), the smaller sets first: a larger one has what it wins
        beyond a standard error, and the prior's worth (`Prior.taste_worth`). The ratings of the fit alone decide.
        None: all columns that are given have slopes.

    Attributes
    ----------
    responses_ : tuple of RemlFit
        One record for each response.
    coef_ : (p,) float, for several responses (k, p)
    player_sd_, copy_sd_, match_sd_, repeat_sd_ : float, or (k,)
        In rating points; 0.0 for a term left out, not estimable without a prior, or estimated as none.
    player_covariance_ : (q + 1, q + 1) float, or (k, q + 1, q + 1)
        Of a player's level where all tastes are 0 and the slopes on the q columns, in the columns' own units;
        player_sd_ is the root of its first entry. Without tastes q is 0; a column without slopes has zeros.
    estimable_ : dict
        'player', 'copy', 'match': bool, or (k,) bool: whether the ratings can tell the term. With tastes, 'tastes':
        whether they can tell all slopes; `responses_[...].tastes_estimable` says so column by column. Without a prior,
        slopes that cannot be told are left out; `responses_[...].tastes_kept` says which columns have slopes.
    reml_ : float, or (k,)
        The REML criterion with all constants (Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1)).
    n_features_in_ : int
        p.
    """

    def __init__(self, match: bool = False, prior: Prior | None = None, taste_sets: Sequence[int] | None = None):
        self.match = match
        self.prior = prior
        self.taste_sets = taste_sets

    def fit(
        self,
        X: ArrayLike,
        Y: ArrayLike,
        player: Iterable[Hashable] | None = None,
        copy: Iterable[Hashable] | None = None,
        tastes: ArrayLike | None = None,
    ) -> Self:
        """Estimate everything from ratings.

        Parameters
        ----------
        X : (n, p) array-like
            Fixed part, with its own intercept column; finite.
        Y : (n,) or (n, k) array-like
            Ratings, NaN = missing; each response is fitted on its own rows.
        player, copy : (n,) labels of any hashable type, or None for a factor left out
        tastes : (n, q) array-like, or None
            Columns on which each player has a slope of their own, q up to 8; finite. The first matter most: where
            there are too few players for all, the last are left out.

        Returns
        -------
        self

        Raises
        ------
        ValueError
            Input that cannot be fitted; the sentence says what was found and what is needed.
        RuntimeError
            The search did not settle.
        """
        X, Y, single = check_columns(X), *check_responses(Y)
        if X.shape[0] != Y.shape[0]:
            raise ValueError(f"got {X.shape[0]} rows of X and {Y.shape[0]} of Y, expected as many")
        priors = _priors(self.prior, X.shape[1], Y.shape[1])
        tastes = check_tastes(tastes, X.shape[0])
        if tastes is not None:
            check_use_of_tastes(tastes, player, self.prior)
        labels = Labels(*encode(player, X.shape[0], "player")), Labels(*encode(copy, X.shape[0], "copy"))
        sets = check_taste_sets(self.taste_sets, tastes)
        structures: dict[tuple[bytes, ...], SharedStructure] = {}
        fits = []
        for place, (y, prior) in enumerate(zip(Y.T, priors, strict=True)):
            rated = np.isfinite(y)
            if np.isinf(y).any():
                raise ValueError(f"response {place}: got an infinite rating, expected a number or NaN for missing")
            key = rated.tobytes(), *_coefficients(prior)
            if key not in structures:
                spec = ModelSpec(self.match, prior, tastes, sets)
                structures[key] = SharedStructure.of(X, *labels, np.flatnonzero(rated), spec)
            fits.append(fit_response(structures[key], y[rated], X.shape[0], f"response {place}"))
        self._players: list[KnownPlayers | None] = [players for _, players in fits]
        return self._hold(tuple(fitted for fitted, _ in fits), single)

    @classmethod
    def from_responses(cls, responses: Sequence[RemlFit], match: bool = False, prior: Prior | None = None) -> Self:
        """Make a fitted object from its records alone: it knows copies, but no players of the fit.

        Parameters
        ----------
        responses : sequence of RemlFit
            At least one, all with the same columns.

        Raises
        ------
        ValueError
            No record, or records with different columns.
        """
        if not responses or len({(fitted.coef.shape, fitted.taste_centre.shape) for fitted in responses}) != 1:
            raise ValueError(f"got {len(responses)} records, expected at least one, all of the same columns")
        made = cls(match=match, prior=prior)
        made._players = [None] * len(responses)
        return made._hold(tuple(responses), len(responses) == 1)

    def _hold(self, responses: tuple[RemlFit, ...], single: bool) -> Self:
        def gathered(values: list[Any]) -> Any:
            return values[0] if single else np.array(values)

        self.responses_ = responses
        self.n_features_in_ = responses[0].coef.size
        self.coef_ = gathered([fitted.coef for fitted in responses])
        for name in ("player_sd", "copy_sd", "match_sd", "repeat_sd", "reml"):
            setattr(self, f"{name}_", gathered([getattr(fitted, name) for fitted in responses]))
        self.player_covariance_ = gathered([fitted.player_covariance for fitted in responses])
        terms = (*TERMS, "tastes") if responses[0].taste_centre.size else TERMS
        self.estimable_ = {term: gathered([fitted.estimable[term] for fitted in responses]) for term in terms}
        self._single = single
        self._own: _Own | None = None
        return self

    def predict(
        self,
        X: ArrayLike,
        player: Iterable[Hashable] | None = None,
        copy: Iterable[Hashable] | None = None,
        tastes: ArrayLike | None = None,
        return_std: bool = False,
    ) -> Any:
        """Predict ratings, and how far one not yet made may lie from its prediction.

        Parameters
        ----------
        X : (m, p) array-like
        player, copy : (m,) labels, or None
            A label that is None or not known stands for a new one. After `condition` the player is that player,
            whatever the label.
        tastes : (m, q) array-like
            Only, and always, where the fit has tastes.
        return_std : bool
            Whether to return the predictive standard deviation too, all sources counted: coefficients, player, copy,
            match and the noise of the rating itself.

        Returns
        -------
        mean : (m,), for several responses (m, k)
        std : likewise, only with `return_std`

        Raises
        ------
        ValueError
            Shapes that do not fit.
        """
        check_is_fitted(self, "responses_")
        X = check_columns(X, self.n_features_in_)
        rows = _Rows(X, self._tastes_of(tastes, X.shape[0]), listed(copy, X.shape[0], "copy"))
        players = listed(player, X.shape[0], "player")
        pairs = [self._moments(place, rows, players) for place in range(len(self.responses_))]
        mean = np.column_stack([mean for mean, _ in pairs])
        std = np.sqrt(np.column_stack([variance for _, variance in pairs]))
        mean, std = (mean[:, 0], std[:, 0]) if self._single else (mean, std)
        return (mean, std) if return_std else mean

    def _tastes_of(self, tastes: ArrayLike | None, rows: int) -> Floats | None:
        """Tastes (rows, q) as those of the fit."""
        return check_tastes(tastes, rows, self.responses_[0].taste_centre.size)

    def _moments(self, place: int, rows: _Rows, players: list[Any]) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of one response's next ratings."""
        fitted, known, X = self.responses_[place], self._players[place], rows.X
        if self._own is not None:
            return self._own.predict(fitted, place, rows)
        k = look_up(rows.copies, fitted.copy_index, X.shape[0], "copy")
        mean, variance = fitted.mean(X, k), new_player_variance(fitted, Sheet(X, k, k, rows.tastes))
        i = look_up(players, known.index if known else {}, X.shape[0], "player")
        met = np.flatnonzero(i >= 0)
        if known is not None and met.size:
            mean[met], variance[met] = known.predict(fitted, X[met], i[met], k[met], _at(rows.tastes, met))
        return mean, variance

    def condition(
        self,
        X: ArrayLike,
        Y: ArrayLike,
        copy: Iterable[Hashable] | None = None,
        tastes: ArrayLike | None = None,
    ) -> Self:
        """Take in a new player's own ratings, without a refit.

        Parameters
        ----------
        X : (r, p) array-like
        Y : (r,) or (r, k) array-like
            NaN = missing.
        copy : (r,) labels, or None
            A label not known is a new copy, the same wherever it comes again; None is a copy met nowhere else.
        tastes : (r, q) array-like
            Only, and always, where the fit has tastes.

        Returns
        -------
        CrossedMixedModel
            Of the same fit, whose predictions are for this player; conditioning it again adds rows.

        Raises
        ------
        ValueError
            Shapes that do not fit.
        """
        check_is_fitted(self, "responses_")
        X, (Y, _) = check_columns(X, self.n_features_in_), check_responses(Y)
        if Y.shape != (X.shape[0], len(self.responses_)):
            raise ValueError(f"got Y of shape {Y.shape}, expected {(X.shape[0], len(self.responses_))}")
        if np.isinf(Y).any():
            raise ValueError("got an infinite rating, expected a number or NaN for missing")
        own = _Own(_Rows(X, self._tastes_of(tastes, X.shape[0]), listed(copy, X.shape[0], "copy")), Y)
        other = shallow.copy(self)
        other._own = own if self._own is None else self._own.joined(own)  # noqa: SLF001 - a copy of this object
        return other


def _priors(prior: Prior | None, columns: int, responses: int) -> list[Prior | None]:
    """Return each response's prior of that many coefficients."""
    if prior is None:
        return [None] * responses
    shape = np.shape(prior.mean)
    if shape[-1] != columns:
        raise ValueError(f"got {columns} columns of X, expected the {shape[-1]} of the prior")
    if shape[:-1] not in ((), (responses,)):
        raise ValueError(f"got {responses} columns of Y, expected the {shape[0]} responses of the prior")
    return [prior.of(place) for place in range(responses)]


def _coefficients(prior: Prior | None) -> tuple[bytes, ...]:
    """Return what makes two responses' priors of the coefficients the same."""
    return () if prior is None else (np.asarray(prior.mean).tobytes(), np.asarray(prior.sd).tobytes())


@dataclass(frozen=True, eq=False)
class _Rows:
    """X (r, p), tastes (r, q) where there are any, and labels of the copies (r)."""

    X: Floats
    tastes: Floats | None
    copies: list[Any]

    def joined(self, later: _Rows) -> _Rows:
        """Join these rows and later ones."""
        tastes = None if self.tastes is None or later.tastes is None else np.vstack([self.tastes, later.tastes])
        return _Rows(np.vstack([self.X, later.X]), tastes, self.copies + later.copies)


@dataclass(frozen=True, eq=False)
class _Own:
    """A new player's own ratings: Y (r, k) of r rows."""

    rows: _Rows
    Y: Floats

    def joined(self, later: _Own) -> _Own:
        """Join these ratings and later ones."""
        return _Own(self.rows.joined(later.rows), np.vstack([self.Y, later.Y]))

    def predict(self, fitted: RemlFit, place: int, ahead: _Rows) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of this player's next ratings of one response."""
        own, copies = self.rows, self.rows.copies + ahead.copies
        bow = _numbered(copies)
        k = look_up(copies, fitted.copy_index, bow.size, "copy")
        r, rated = own.X.shape[0], np.flatnonzero(np.isfinite(self.Y[:, place]))
        played = Sheet(own.X[rated], k[:r][rated], bow[:r][rated], _at(own.tastes, rated))
        return conditioned(fitted, played, self.Y[rated, place], Sheet(ahead.X, k[r:], bow[r:], ahead.tastes))


def _at(tastes: Floats | None, rows: Ints) -> Floats | None:
    """Tastes of some rows, where there are any."""
    return None if tastes is None else tastes[rows]


def _numbered(labels: list[Any]) -> Ints:
    """Give each label a number, and each None one of its own."""
    table: dict[Any, int] = {}
    keys = [("none", place) if label is None else ("label", label) for place, label in enumerate(labels)]
    return np.fromiter((table.setdefault(key, len(table)) for key in keys), np.int64, len(labels))
