"""Ratings of copies by players: crossed random effects, fitted by restricted maximum likelihood.

y = x'beta + b_player + a_copy + m_player,copy + e, with b ~ N(0, player_sd^2), a ~ N(0, copy_sd^2), the match
m ~ N(0, match_sd^2) and the noise of one rating e ~ N(0, repeat_sd^2).
"""

from __future__ import annotations

import copy as shallow
from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator, RegressorMixin
from sklearn.utils.validation import check_is_fitted

from model._posterior import (
    FittedResponse,
    KnownPlayers,
    Sheet,
    conditioned,
    known_players,
    new_player_variance,
    record,
)
from model._prior import Prior
from model._reml import Design, Fixed, Problem
from model._search import search
from model._start import Moments, first_ratios, moments, range_basis, told_apart
from model._structure import Cells, Floats, Ints, encode, find_cells, look_up

__all__ = ["CrossedRatings", "FittedResponse", "Prior"]

TERMS = ("player", "copy", "match")


@dataclass(frozen=True, eq=False)
class _Labels:
    """Codes (n,) and names of one factor; no names where it is left out."""

    codes: Ints
    levels: tuple[Hashable, ...]

    def at(self, rows: Ints) -> _Labels:
        """Keep the labels of some rows, levels without a rating left out."""
        codes = self.codes[rows]
        used = np.flatnonzero(np.bincount(codes, minlength=len(self.levels)))
        if used.size == len(self.levels) or not self.levels:
            return _Labels(codes, self.levels)
        place = np.zeros(len(self.levels), dtype=np.int64)
        place[used] = np.arange(used.size)
        return _Labels(place[codes], tuple(self.levels[level] for level in used.tolist()))


class CrossedRatings(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # scikit-learn has no types
    """Ratings by players of copies: fixed effects, player, copy and match, told apart by REML.

    Parameters
    ----------
    match : bool
        Whether a copy's match with one player has a variance of its own, told from the repeat noise only where a
        player rated a copy more than once.
    prior : Prior or None
        Without one, plain REML.

    Attributes
    ----------
    responses_ : tuple of FittedResponse
        One record for each response.
    coef_ : (p,) float, for several responses (k, p)
    player_sd_, copy_sd_, match_sd_, repeat_sd_ : float, or (k,)
        In rating points; 0.0 for a term left out, not estimable without a prior, or estimated as none.
    player_covariance_ : (1, 1) float, or (k, 1, 1)
    estimable_ : dict
        'player', 'copy', 'match': bool, or (k,) bool: whether the ratings can tell the term.
    reml_ : float, or (k,)
        The REML criterion with all constants (Bates, Maechler, Bolker & Walker 2015, J. Stat. Softw. 67(1)).
    n_features_in_ : int
        p.
    """

    def __init__(self, match: bool = False, prior: Prior | None = None):
        self.match = match
        self.prior = prior

    def fit(
        self,
        X: ArrayLike,
        Y: ArrayLike,
        player: Iterable[Hashable] | None = None,
        copy: Iterable[Hashable] | None = None,
    ) -> Self:
        """Estimate everything from ratings.

        Parameters
        ----------
        X : (n, p) array-like
            Fixed part, with its own intercept column; finite.
        Y : (n,) or (n, k) array-like
            Ratings, NaN = missing; each response is fitted on its own rows.
        player, copy : (n,) labels of any hashable type, or None for a factor left out

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
        X, Y, single = _check_columns(X), *_check_responses(Y)
        if X.shape[0] != Y.shape[0]:
            raise ValueError(f"got {X.shape[0]} rows of X and {Y.shape[0]} of Y, expected as many")
        if self.prior is not None and np.size(self.prior.mean) != X.shape[1]:
            raise ValueError(f"got {X.shape[1]} columns of X, expected the {np.size(self.prior.mean)} of the prior")
        labels = _Labels(*encode(player, X.shape[0], "player")), _Labels(*encode(copy, X.shape[0], "copy"))
        structures: dict[bytes, _Structure] = {}
        fits = []
        for place, y in enumerate(Y.T):
            rated = np.isfinite(y)
            if np.isinf(y).any():
                raise ValueError(f"response {place}: got an infinite rating, expected a number or NaN for missing")
            key = rated.tobytes()
            if key not in structures:
                structures[key] = _Structure.of(X, *labels, np.flatnonzero(rated), self.match, self.prior)
            fits.append(_fit_response(structures[key], y[rated], X.shape[0], self.prior, f"response {place}"))
        self._players: list[KnownPlayers | None] = [players for _, players in fits]
        return self._hold(tuple(fitted for fitted, _ in fits), single)

    @classmethod
    def from_responses(
        cls, responses: Sequence[FittedResponse], match: bool = False, prior: Prior | None = None
    ) -> Self:
        """Make a fitted object from its records alone: it knows copies, but no players of the fit.

        Parameters
        ----------
        responses : sequence of FittedResponse
            At least one, all with the same columns.

        Raises
        ------
        ValueError
            No record, or records with different columns.
        """
        if not responses or len({fitted.coef.shape for fitted in responses}) != 1:
            raise ValueError(f"got {len(responses)} records, expected at least one, all of the same columns")
        made = cls(match=match, prior=prior)
        made._players = [None] * len(responses)
        return made._hold(tuple(responses), len(responses) == 1)

    def _hold(self, responses: tuple[FittedResponse, ...], single: bool) -> Self:
        def gathered(values: list[Any]) -> Any:
            return values[0] if single else np.array(values)

        self.responses_ = responses
        self.n_features_in_ = responses[0].coef.size
        self.coef_ = gathered([fitted.coef for fitted in responses])
        for name in ("player_sd", "copy_sd", "match_sd", "repeat_sd", "reml"):
            setattr(self, f"{name}_", gathered([getattr(fitted, name) for fitted in responses]))
        self.player_covariance_ = gathered([np.array([[fitted.player_sd**2]]) for fitted in responses])
        self.estimable_ = {term: gathered([fitted.estimable[term] for fitted in responses]) for term in TERMS}
        self._single = single
        self._own: _Own | None = None
        return self

    def predict(
        self,
        X: ArrayLike,
        player: Iterable[Hashable] | None = None,
        copy: Iterable[Hashable] | None = None,
        return_std: bool = False,
    ) -> Any:
        """Predict ratings, and how far one not yet made may lie from its prediction.

        Parameters
        ----------
        X : (m, p) array-like
        player, copy : (m,) labels, or None
            A label that is None or not known stands for a new one. After `condition` the player is that player,
            whatever the label.
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
        X = _check_columns(X, self.n_features_in_)
        players, copies = _listed(player, X.shape[0], "player"), _listed(copy, X.shape[0], "copy")
        pairs = [self._moments(place, X, players, copies) for place in range(len(self.responses_))]
        mean = np.column_stack([mean for mean, _ in pairs])
        std = np.sqrt(np.column_stack([variance for _, variance in pairs]))
        mean, std = (mean[:, 0], std[:, 0]) if self._single else (mean, std)
        return (mean, std) if return_std else mean

    def _moments(self, place: int, X: Floats, players: list[Any], copies: list[Any]) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of one response's next ratings."""
        fitted, known = self.responses_[place], self._players[place]
        if self._own is not None:
            return self._own.predict(fitted, place, X, copies)
        k = look_up(copies, fitted.copy_index, X.shape[0], "copy")
        mean, variance = fitted.mean(X, k), new_player_variance(fitted, Sheet(X, k, k))
        i = look_up(players, known.index if known else {}, X.shape[0], "player")
        met = np.flatnonzero(i >= 0)
        if known is not None and met.size:
            mean[met], variance[met] = known.predict(fitted, X[met], i[met], k[met])
        return mean, variance

    def condition(self, X: ArrayLike, Y: ArrayLike, copy: Iterable[Hashable] | None = None) -> Self:
        """Take in a new player's own ratings, without a refit.

        Parameters
        ----------
        X : (r, p) array-like
        Y : (r,) or (r, k) array-like
            NaN = missing.
        copy : (r,) labels, or None
            A label not known is a new copy, the same wherever it comes again; None is a copy met nowhere else.

        Returns
        -------
        CrossedRatings
            Of the same fit, whose predictions are for this player; conditioning it again adds rows.

        Raises
        ------
        ValueError
            Shapes that do not fit.
        """
        check_is_fitted(self, "responses_")
        X, (Y, _) = _check_columns(X, self.n_features_in_), _check_responses(Y)
        if Y.shape != (X.shape[0], len(self.responses_)):
            raise ValueError(f"got Y of shape {Y.shape}, expected {(X.shape[0], len(self.responses_))}")
        if np.isinf(Y).any():
            raise ValueError("got an infinite rating, expected a number or NaN for missing")
        own = _Own(X, Y, _listed(copy, X.shape[0], "copy"))
        other = shallow.copy(self)
        other._own = own if self._own is None else self._own.joined(own)  # noqa: SLF001 - a copy of this object
        return other


@dataclass(frozen=True, eq=False)
class _Own:
    """A new player's own ratings: X (r, p), Y (r, k), labels of the copies (r)."""

    X: Floats
    Y: Floats
    copies: list[Any]

    def joined(self, later: _Own) -> _Own:
        """Join these rows and later ones."""
        X, Y = np.vstack([self.X, later.X]), np.vstack([self.Y, later.Y])
        return _Own(X, Y, self.copies + later.copies)

    def predict(self, fitted: FittedResponse, place: int, X: Floats, copies: list[Any]) -> tuple[Floats, Floats]:
        """Mean (m,) and variance (m,) of this player's next ratings of one response."""
        bow = _numbered(self.copies + copies)
        k = look_up(self.copies + copies, fitted.copy_index, bow.size, "copy")
        r, rated = self.X.shape[0], np.flatnonzero(np.isfinite(self.Y[:, place]))
        played = Sheet(self.X[rated], k[:r][rated], bow[:r][rated])
        return conditioned(fitted, played, self.Y[rated, place], Sheet(X, k[r:], bow[r:]))


def _numbered(labels: list[Any]) -> Ints:
    """Give each label a number, and each None one of its own."""
    table: dict[Any, int] = {}
    keys = [("none", place) if label is None else ("label", label) for place, label in enumerate(labels)]
    return np.fromiter((table.setdefault(key, len(table)) for key in keys), np.int64, len(labels))


@dataclass(frozen=True, eq=False)
class _Structure:
    """What the responses rated on the same rows share."""

    observed: Ints
    player: _Labels
    copy: _Labels
    basis: Floats
    cells: Cells
    fixed: Fixed
    moment: Moments
    told: tuple[bool, bool, bool]
    present: tuple[bool, bool, bool]

    @classmethod
    def of(
        cls, X: Floats, player: _Labels, copy: _Labels, observed: Ints, match: bool, prior: Prior | None
    ) -> _Structure:
        """Find the cells of the rated rows, and which terms their ratings can tell."""
        X, player, copy = X[observed], player.at(observed), copy.at(observed)
        basis, dependent = range_basis(X)
        if prior is None:
            _check_room(X, dependent)
        elif set(dependent) & set(np.flatnonzero(np.isinf(np.asarray(prior.sd))).tolist()):
            _check_proper(X, prior)
        nothing = observed.size == 0  # before the first rating every factor of a prior is there
        has_player, has_copy = bool(player.levels) or nothing, bool(copy.levels) or nothing
        present = has_player, has_copy, match and (bool(player.levels and copy.levels) or nothing)
        cells = find_cells(player.codes, copy.codes, max(1, len(player.levels)), max(1, len(copy.levels)))
        moment = moments(cells, present, cells.means(basis))
        told = (False, False, False) if nothing else told_apart(moment)
        kept = told if prior is None else present
        cells = replace(cells, coupled=kept[0] and kept[1])
        return cls(observed, player, copy, basis, cells, Fixed.of(X, cells, prior), moment, told, present)


def _fit_response(
    shared: _Structure, y: Floats, n: int, prior: Prior | None, name: str
) -> tuple[FittedResponse, KnownPlayers | None]:
    """Fit one response, `y` (N,) without gaps."""
    residual = y - shared.basis @ (shared.basis.T @ y)
    residual -= shared.basis @ (shared.basis.T @ residual)
    if prior is None:
        _check_spread(y, residual, name)
    free = np.array(shared.told)
    start = first_ratios(shared.moment, free, shared.cells, residual)
    if prior is not None:
        near = np.clip(start, 0.1 * prior.ratios, 10.0 * prior.ratios)
        start = np.where(free, near, np.array(shared.present) * prior.ratios)
    design = Design.of(shared.fixed, y, shared.cells)
    at, control = search(Problem(shared.cells, design, free, prior), start)
    estimable = dict(zip(TERMS, shared.told, strict=True))
    fitted = record(at, shared.copy.levels, estimable, shared.observed, n, control.iterations)
    return fitted, known_players(at, shared.player.levels, len(shared.copy.levels)) if shared.player.levels else None


def _check_columns(X: ArrayLike, columns: int | None = None) -> Floats:
    """X as (n, p) float64."""
    try:
        X = np.asarray(X, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError("X: got values that are not numbers, expected a table of numbers") from error
    if X.ndim != 2:
        raise ValueError(f"X: got {X.ndim} dimensions, expected 2 (rows and columns)")
    if columns is not None and X.shape[1] != columns:
        raise ValueError(f"X: got {X.shape[1]} columns, expected the {columns} of the fit")
    if not np.isfinite(X).all():
        row, column = np.argwhere(~np.isfinite(X))[0].tolist()
        raise ValueError(f"X: got {X[row, column]} in row {row}, column {column}, expected finite numbers")
    return X


def _check_responses(Y: ArrayLike) -> tuple[Floats, bool]:
    """Y as (n, k) float64, and whether it is one response."""
    try:
        Y = np.asarray(Y, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise ValueError("Y: got values that are not numbers, expected ratings or NaN") from error
    if Y.ndim not in (1, 2) or (Y.ndim == 2 and Y.shape[1] == 0):
        raise ValueError(f"Y: got shape {Y.shape}, expected (n,) or (n, k)")
    return Y.reshape(Y.shape[0], -1 if Y.size else (Y.shape[1] if Y.ndim == 2 else 1)), Y.ndim == 1 or Y.shape[1] == 1


def _listed(labels: Iterable[Hashable] | None, rows: int, name: str) -> list[Any]:
    """Labels as a list, None for each row where there are none."""
    if labels is None:
        return [None] * rows
    listed = labels.tolist() if isinstance(labels, np.ndarray) else list(labels)
    if len(listed) != rows:
        raise ValueError(f"{name}: got {len(listed)} labels, expected one for each of {rows} rows")
    try:
        hash(tuple(listed))
    except TypeError as error:
        raise ValueError(f"{name}: got a label that cannot be hashed, expected text, numbers or tuples") from error
    return listed


def _check_room(X: Floats, dependent: list[int]) -> None:
    """Refuse a fixed part that leaves nothing to estimate from."""
    n, p = X.shape
    if n == 0:
        raise ValueError("got no rating at all, expected at least one more than columns of X")
    if dependent:
        raise ValueError(
            f"X: got columns {dependent} that follow from the others on the rated rows, expected independent columns"
        )
    if n - p < 1:
        raise ValueError(f"got {n} ratings for {p} columns of X, expected at least {p + 1}")


def _check_proper(X: Floats, prior: Prior) -> None:
    """Refuse columns that neither the ratings nor the prior determine."""
    dependent = range_basis(np.vstack([X, prior.rows()[0]]))[1]
    if dependent:
        raise ValueError(
            f"X: got columns {dependent} that neither the ratings nor the prior determine, expected a finite prior.sd"
        )


def _check_spread(y: Floats, residual: Floats, name: str) -> None:
    """Refuse ratings without spread; `residual` is y less its fixed part."""
    if np.ptp(y) == 0.0:
        raise ValueError(f"{name}: got the same rating {y[0]:g} everywhere, expected ratings that differ")
    if np.linalg.norm(residual) <= 1e-13 * np.linalg.norm(y):
        raise ValueError(
            f"{name}: the ratings are reproduced exactly by the columns of X; got no spread about them, expected some"
        )
