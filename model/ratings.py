"""Ratings of copies by players: crossed random effects, fitted by restricted maximum likelihood.

y = x'beta + b_player + a_copy + m_player,copy + e, with b ~ N(0, player_sd^2), a ~ N(0, copy_sd^2), the match
m ~ N(0, match_sd^2) and the noise of one rating e ~ N(0, repeat_sd^2). With tastes a player's part is z'b_player,
z = [1, tastes] and b ~ N(0, player_covariance): slopes of the player's own beside the level.
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

from model._input import (
    check_columns,
    check_proper,
    check_responses,
    check_room,
    check_spread,
    check_tastes,
    check_use_of_tastes,
    listed,
)
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
from model._tastes import FixedPart, TasteStructure, fit_tastes
from model._tastes_posterior import KnownTastes, known_tastes, taste_record
from model._tastes_search import RanOffError

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
    player_covariance_ : (q + 1, q + 1) float, or (k, q + 1, q + 1)
        Of a player's level where all tastes are 0 and the slopes on the q columns, in the columns' own units;
        player_sd_ is the root of its first entry. Without tastes q is 0.
    estimable_ : dict
        'player', 'copy', 'match': bool, or (k,) bool: whether the ratings can tell the term. With tastes, 'tastes':
        whether they can tell all slopes; `responses_[...].tastes_estimable` says so column by column. Without a prior,
        slopes that cannot be told are left out.
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
        if self.prior is not None and np.size(self.prior.mean) != X.shape[1]:
            raise ValueError(f"got {X.shape[1]} columns of X, expected the {np.size(self.prior.mean)} of the prior")
        tastes = check_tastes(tastes, X.shape[0])
        if tastes is not None:
            check_use_of_tastes(tastes, player, self.prior)
        labels = _Labels(*encode(player, X.shape[0], "player")), _Labels(*encode(copy, X.shape[0], "copy"))
        structures: dict[bytes, _Structure] = {}
        fits = []
        for place, y in enumerate(Y.T):
            rated = np.isfinite(y)
            if np.isinf(y).any():
                raise ValueError(f"response {place}: got an infinite rating, expected a number or NaN for missing")
            key = rated.tobytes()
            if key not in structures:
                structures[key] = _Structure.of(X, *labels, np.flatnonzero(rated), self.match, self.prior, tastes)
            fits.append(_fit_response(structures[key], y[rated], X.shape[0], self.prior, f"response {place}"))
        self._players: list[_Known | None] = [players for _, players in fits]
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
        if not responses or len({(fitted.coef.shape, fitted.taste_centre.shape) for fitted in responses}) != 1:
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
        CrossedRatings
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


_Known = KnownPlayers | KnownTastes


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

    def predict(self, fitted: FittedResponse, place: int, ahead: _Rows) -> tuple[Floats, Floats]:
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
    tastes: TasteStructure | None
    columns_of_tastes: int

    @classmethod
    def of(
        cls,
        X: Floats,
        player: _Labels,
        copy: _Labels,
        observed: Ints,
        match: bool,
        prior: Prior | None,
        tastes: Floats | None,
    ) -> _Structure:
        """Find the cells of the rated rows, and which terms their ratings can tell."""
        X, player, copy = X[observed], player.at(observed), copy.at(observed)
        basis, dependent = range_basis(X)
        if prior is None:
            check_room(X, dependent)
        elif set(dependent) & set(np.flatnonzero(np.isinf(np.asarray(prior.sd))).tolist()):
            check_proper(X, prior)
        nothing = observed.size == 0  # before the first rating every factor of a prior is there
        has_player, has_copy = bool(player.levels) or nothing, bool(copy.levels) or nothing
        present = has_player, has_copy, match and (bool(player.levels and copy.levels) or nothing)
        cells = find_cells(player.codes, copy.codes, max(1, len(player.levels)), max(1, len(copy.levels)))
        moment = moments(cells, present, cells.means(basis))
        told = (False, False, False) if nothing else told_apart(moment)
        kept = told if prior is None else present
        cells = replace(cells, coupled=kept[0] and kept[1])
        fixed, found = Fixed.of(X, cells, prior), None
        if tastes is not None and not nothing:
            found = TasteStructure.of(tastes[observed], FixedPart(cells, fixed, basis, moment, told), prior)
        columns = 0 if tastes is None else tastes.shape[1]
        return cls(observed, player, copy, basis, cells, fixed, moment, told, present, found, columns)

    @property
    def part(self) -> FixedPart:
        """What is known before the tastes."""
        return FixedPart(self.cells, self.fixed, self.basis, self.moment, self.told)


def _fit_response(
    shared: _Structure, y: Floats, n: int, prior: Prior | None, name: str
) -> tuple[FittedResponse, _Known | None]:
    """Fit one response, `y` (N,) without gaps."""
    residual = y - shared.basis @ (shared.basis.T @ y)
    residual -= shared.basis @ (shared.basis.T @ residual)
    if prior is None:
        check_spread(y, residual, name)
    if shared.tastes is not None and (prior is not None or any(shared.tastes.told)):
        try:
            return _fit_tastes(shared, shared.tastes, y, residual, n, prior)
        except RanOffError:  # slopes that leave nothing for the noise cannot be told from it
            pass
    fitted, players = _fit_levels(shared, y, residual, n, prior)
    return (_without_slopes(fitted, shared, prior) if shared.columns_of_tastes else fitted), players


def _fit_levels(
    shared: _Structure, y: Floats, residual: Floats, n: int, prior: Prior | None
) -> tuple[FittedResponse, KnownPlayers | None]:
    """Fit one response without tastes; `residual` (N,) is what the fixed part leaves."""
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


def _fit_tastes(
    shared: _Structure, structure: TasteStructure, y: Floats, residual: Floats, n: int, prior: Prior | None
) -> tuple[FittedResponse, KnownTastes]:
    """Fit one response with tastes."""
    ratios = np.zeros(3) if prior is None else np.array(shared.present) * prior.ratios
    at, steps = fit_tastes(structure, shared.part, y, residual, ratios, prior)
    estimable = dict(zip(TERMS, shared.told, strict=True)) | {"tastes": all(structure.told)}
    known = known_tastes(at, structure.coordinates, shared.player.levels, len(shared.copy.levels))
    copies, observed = shared.copy.levels, shared.observed
    fitted = taste_record(at, structure.coordinates, copies, estimable, structure.told, observed, n, steps)
    return fitted, known


def _without_slopes(fitted: FittedResponse, shared: _Structure, prior: Prior | None) -> FittedResponse:
    """Record that no slope was fitted: none without a prior, and the prior's own before the first rating."""
    q = shared.columns_of_tastes
    sd = np.zeros(q) if prior is None else np.asarray(prior.taste_sd) * fitted.repeat_sd / prior.repeat_sd
    return replace(
        fitted,
        estimable=fitted.estimable | {"tastes": False},
        taste_centre=np.zeros(q),
        taste_covariance=np.diag(np.append(fitted.player_sd, sd) ** 2),
        tastes_estimable=(False,) * q,
    )
