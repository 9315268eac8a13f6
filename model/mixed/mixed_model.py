"""Ratings of copies by players: crossed random effects, fitted by restricted maximum likelihood.

y = x'beta + b_player + a_copy + m_player,copy + e, with b ~ N(0, player_sd^2), a ~ N(0, copy_sd^2), the interaction
m ~ N(0, interaction_sd^2) and the noise of one rating e ~ N(0, residual_sd^2). With slopes a player's part is z'b_player,
z = [1, slopes] and b ~ N(0, player_covariance): slopes of the player's own beside the level.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence

import numpy as np
from numpy.typing import ArrayLike

from model.mixed.layout import Factor
from model.mixed.priors import Prior
from model.mixed.result import RemlFit, StartingPoint
from model.mixed.selection import ModelSpec, SharedStructure, fit_response
from model.mixed.validation import (
    check_columns,
    check_responses,
    check_slope_sets,
    check_slopes,
    check_use_of_slopes,
)


def fit_mixed_model(
    X: ArrayLike,
    Y: ArrayLike,
    player: Iterable[Hashable] | None = None,
    copy: Iterable[Hashable] | None = None,
    slopes: ArrayLike | None = None,
    *,
    interaction: bool = False,
    prior: Prior | None = None,
    slope_sets: Sequence[int] | None = None,
    start: Sequence[StartingPoint] | None = None,
) -> tuple[RemlFit, ...]:
    """Estimate fixed effects, player, copy and interaction from ratings, separated by REML.

    Parameters
    ----------
    X : (n, p) array-like
        Fixed part, with its own intercept column; finite.
    Y : (n,) or (n, k) array-like
        Ratings, NaN = missing; each response is fitted on its own rows.
    player, copy : (n,) labels of any hashable type, or None for a factor left out
    slopes : (n, q) array-like, or None
        Columns on which each player has a slope of their own, q up to 8; finite. The first matter most: where
        there are too few players for all, the last are left out.
    interaction : bool
        Whether a copy's interaction with one player has a variance of its own, identified from the residual noise only where a
        player rated a copy more than once.
    prior : Prior or None
        Without one, plain REML.
    slope_sets : sequence of int, or None
        Which numbers of columns, counted from the first, may have slopes: each response is fitted with each of
        them, and their variances are averaged by weights that tell how well each predicts players left out (stacking;
        Yao, Vehtari, Simpson & Gelman 2018, Bayesian Anal. 13: 917), the smaller sets first: a larger one has what it wins
        beyond a standard error, and the prior's worth (`Prior.slope_prior_players`). The ratings of the fit alone decide.
        None: all columns that are given have slopes.
    start : (k,) StartingPoint of each response, or None
        Of a fit to more of the same ratings, with a prior and the same columns of slopes: the search begins where that one
        ended, with the sets of columns and the weights that were found there.

    Returns
    -------
    tuple of RemlFit, one record for each response

    Raises
    ------
    ValueError
        Input that cannot be fitted; the sentence says what was found and what is needed.
    RuntimeError
        The search did not settle.
    """
    X, Y = check_columns(X), check_responses(Y)
    if X.shape[0] != Y.shape[0]:
        raise ValueError(f"got {X.shape[0]} rows of X and {Y.shape[0]} of Y, expected as many")
    priors = _priors(prior, X.shape[1], Y.shape[1])
    slopes = check_slopes(slopes, X.shape[0])
    if slopes is not None:
        check_use_of_slopes(slopes, player, prior)
    labels = Factor.of(player, X.shape[0], "player"), Factor.of(copy, X.shape[0], "copy")
    sets = check_slope_sets(slope_sets, slopes)
    alike: dict[tuple[bytes, ...], list[int]] = {}
    for place, (y, own) in enumerate(zip(Y.T, priors, strict=True)):
        if np.isinf(y).any():
            raise ValueError(f"response {place}: got an infinite rating, expected a number or NaN for missing")
        begins_alone = (bytes([place]),) if start is not None else ()
        alike.setdefault((np.isfinite(y).tobytes(), *_coefficients(own), *begins_alone), []).append(place)
    fits: dict[int, RemlFit] = {}
    for places in alike.values():  # what responses on the same rows share is gone before the next ones' is made
        rated, begin = np.isfinite(Y[:, places[0]]), None if start is None else start[places[0]]
        spec = ModelSpec(interaction, priors[places[0]], slopes, sets, begin)
        shared = SharedStructure.of(X, *labels, np.flatnonzero(rated), spec)
        fits |= {place: fit_response(shared, Y[rated, place], len(X), f"response {place}") for place in places}
        del shared
    return tuple(fits[place] for place in range(len(priors)))


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
