"""Criteria together: how players, copies, interactions and residual noise correlate over the criteria of one sheet.

Each criterion keeps its own standard deviations; here come the correlations, one matrix a component, from the covariances
that mivque forms of the criteria's own rows tell (see `model.mixed.mivque`). No gap is filled: a filled gap biases the
correlations where a whole trial leaves a criterion out, for then nothing of that player is known on it.

How far a correlation is trusted: the variance of the covariance S_cd of a component, the criteria uncorrelated, is
1 / information_cd in units of both noise variances. So
    information_cd (s_c s_d)^2 / (sigma_c sigma_d)^2, s the component's and sigma the noise's standard deviation,
levels of the factor seen on both criteria without any noise would tell as much. That many observations count against a
belief: fewer than the factor has levels, and fewer still where levels are rated seldom, or on one criterion only.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats
from model.mixed.components import COEFFICIENTS, COPY, INTERACTION, PLAYER, RESIDUAL, SLOPES, deviations
from model.mixed.mivque import MivqueEstimates, mivque
from model.mixed.priors import Prior
from model.mixed.result import RemlFit
from model.mixed.validation import check_slopes

LEAST_EIGENVALUE = 1e-6
"""Floor of a correlation matrix's eigenvalues, before its diagonal is made 1 again."""
LEAST_OF_NOISE = 0.05
"""The same of the noise of one sheet: whole marks alone leave it as much, 1/12 of a point squared of each criterion's own.

Nothing is identified exactly by one sheet. With a smaller floor few players with repeats bore coefficients of twelve prior deviations.
"""


@dataclass(frozen=True, eq=False)
class CorrelationEstimates:
    """Correlation matrices (k, k) over the criteria: positive semi-definite, unit diagonal.

    Attributes
    ----------
    player, copy, interaction, residual : of the player's leniency, the copy's effect, the interaction of both, and the noise of one rating.
    slopes : of the player's slopes, so far as they do not go along with the leniency; pooled without slopes. With L_c
        the lower root of the covariance of (leniency, slopes) for criterion c, the slopes centred on their means over the rows,
        Cov(b_c, b_d) = L_c diag(player_cd, tastes_cd, tastes_cd, ...) L_d'.
    pooled : of all that the fixed part leaves, the components together.
    prior_coefficients : of the coefficients' deviations from their prior means.
    coefficients : of what is still unknown of the fixed part x'beta after the ratings, averaged over the rated rows.
    effective_levels : for 'player', 'slopes', 'copy', 'interaction', 'residual' and 'prior_coefficients' the (k, k) numbers of levels, seen without noise,
        that would tell each correlation as well as the ratings do; 0 where they cannot identify it.
    """

    player: Floats
    slopes: Floats
    copy: Floats
    interaction: Floats
    residual: Floats
    pooled: Floats
    prior_coefficients: Floats
    coefficients: Floats
    effective_levels: dict[str, Floats]


def correlations(
    X: ArrayLike,
    Y: ArrayLike,
    player: Iterable[Hashable] | None,
    copy: Iterable[Hashable] | None,
    responses: Sequence[RemlFit],
    *,
    interaction: bool = True,
    prior_correlation: float = 0.5,
    prior_size: float = 50.0,
    prior: Prior | None = None,
    slopes: ArrayLike | None = None,
) -> CorrelationEstimates:
    """Estimate one correlation matrix over the criteria for each component.

    Parameters
    ----------
    X, Y, player, copy : as they were given to `fit_mixed_model`: (n, p), (n, k) with NaN for a criterion not rated, labels.
    responses : the k records of that fit.
    interaction : whether that fit had an interaction of player and copy.
    prior_correlation : believed of every two criteria, within [-1 / (k - 1), 1].
    prior_size : observations that a belief counts, > 0. The pooled correlation is drawn towards ``prior_correlation``, each
        component's towards the pooled, interaction's and residual's towards the one that both have together: a component that the
        ratings cannot identify takes over what they do tell.
    prior : the prior of that fit, or None.
    slopes : (n, q) as they were given to that fit, or None.

    Raises
    ------
    ValueError
        Shapes that do not fit, or a belief out of its range.
    """
    X, Y = np.asarray(X, dtype=np.float64), np.asarray(Y, dtype=np.float64)
    _check(X, Y, responses, prior_correlation, prior_size)
    slopes = check_slopes(slopes, X.shape[0], responses[0].slope_centre.size)
    believed = np.full((len(responses),) * 2, prior_correlation)
    marginal = Y - X @ np.array([fitted.coef for fitted in responses]).T
    pooled = nearest_correlation(_pooled(marginal, believed, prior_size))
    found = mivque(X, Y, player, copy, responses, interaction=interaction, prior=prior, slopes=slopes)
    sds = deviations(responses, slopes)
    R, levels = _components(found, sds, pooled, prior_size)
    return CorrelationEstimates(
        player=R[PLAYER],
        slopes=R[SLOPES],
        copy=R[COPY],
        interaction=R[INTERACTION],
        residual=R[RESIDUAL],
        pooled=pooled,
        prior_coefficients=R[COEFFICIENTS],
        coefficients=_of_unknown(found, sds, R),
        effective_levels=levels,
    )


def nearest_correlation(R: Floats, least: float = LEAST_EIGENVALUE) -> Floats:
    """Clip the eigenvalues of a symmetric (k, k) matrix at the least one allowed and rescale it to unit diagonal."""
    R = 0.5 * (R + R.T)
    np.fill_diagonal(R, 1.0)
    values, vectors = np.linalg.eigh(R)
    if values[0] < least:
        R = (vectors * np.maximum(values, least)) @ vectors.T
    return _to_unit_diagonal(R)


def _to_unit_diagonal(covariance: Floats) -> Floats:
    sd = np.sqrt(np.diagonal(covariance))
    R = np.asarray(covariance / np.outer(sd, sd))
    np.fill_diagonal(R, 1.0)
    return R


def _pooled(marginal: Floats, believed: Floats, prior_size: float) -> Floats:
    """Return (k, k) the correlation of residuals (n, k), pair by pair of criteria, drawn towards the belief."""
    known = np.isfinite(marginal)
    given, there = np.where(known, marginal, 0.0), known.astype(np.float64)
    squares = (given**2).T @ there
    scale = np.sqrt(squares * squares.T)
    observed = np.divide(given.T @ given, scale, out=np.zeros_like(scale), where=scale > 0)
    pairs = there.T @ there
    return np.asarray((pairs * observed + prior_size * believed) / (pairs + prior_size))


def _components(
    found: MivqueEstimates, sds: dict[str, Floats], pooled: Floats, prior_size: float
) -> tuple[dict[str, Floats], dict[str, Floats]]:
    """Return each component's correlation matrix and the numbers of levels that would tell it."""
    both, noise = np.hypot(sds[INTERACTION], sds[RESIDUAL]), sds[RESIDUAL]
    within, of_within = _drawn(found.within, found.within_information, both, noise, pooled, prior_size)
    R = {PLAYER: pooled, SLOPES: pooled, COPY: pooled, INTERACTION: within, RESIDUAL: within, COEFFICIENTS: pooled}
    levels = {name: np.zeros_like(pooled) for name in R} | {RESIDUAL: of_within}
    for name, S, information in zip(found.names, found.covariance, found.information, strict=True):
        if name != RESIDUAL or INTERACTION in found.names:
            R[name], levels[name] = _drawn(S, information, sds[name], noise, R[name], prior_size)
    levels["prior_coefficients"] = levels.pop(COEFFICIENTS)
    least = {RESIDUAL: LEAST_OF_NOISE}
    return {name: nearest_correlation(matrix, least.get(name, LEAST_EIGENVALUE)) for name, matrix in R.items()}, levels


def _drawn(
    covariance: Floats, information: Floats, sd: Floats, noise: Floats, target: Floats, prior_size: float
) -> tuple[Floats, Floats]:
    """Draw an estimated correlation towards ``target``; return it and its weight in levels seen without noise (k, k)."""
    product = np.outer(sd, sd) / np.outer(noise, noise)
    levels = information * product**2
    estimated = information * product * covariance / np.outer(noise, noise)
    return (estimated + prior_size * target) / (levels + prior_size), levels


def _of_unknown(found: MivqueEstimates, sds: dict[str, Floats], R: dict[str, Floats]) -> Floats:
    """Return the correlation of the errors in x'beta: every component's, by the share of the errors that it makes."""
    parts = [
        weight * R[name] * np.outer(sds[name], sds[name])
        for name, weight in zip(found.names, found.weights, strict=True)
    ]
    return nearest_correlation(_to_unit_diagonal(np.sum(parts, axis=0)))


def _check(X: Floats, Y: Floats, responses: Sequence[RemlFit], prior_correlation: float, prior_size: float) -> None:
    k = len(responses)
    if X.ndim != 2 or Y.shape != (X.shape[0], k):
        raise ValueError(
            f"got X of shape {X.shape} and Y of shape {Y.shape}, expected (n, p) and (n, {k}) for {k} records"
        )
    if any(fitted.coef.size != X.shape[1] for fitted in responses):
        raise ValueError(f"got {X.shape[1]} columns of X, expected those of the records")
    lowest = -1.0 / max(1, k - 1)
    if not lowest <= prior_correlation <= 1.0:
        raise ValueError(f"prior_correlation: got {prior_correlation!r}, expected a number from {lowest:g} to 1")
    if not (np.isfinite(prior_size) and prior_size > 0):
        raise ValueError(f"prior_size: got {prior_size!r}, expected a finite number above 0")
