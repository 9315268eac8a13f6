"""The prior of a ratings model: Gaussian coefficients, weakly informative variance components."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Flags, Floats
from model.mixed.linalg import unvech, vech_basis, vech_sums


@dataclass(frozen=True, eq=False)
class Prior:
    """What is believed before the first rating.

    Parameters
    ----------
    mean : (p,) array-like, or (k, p) where each of k responses has its own
        Prior means of the coefficients, in rating points.
    sd : (p,) array-like, or (k, p)
        Their prior standard deviations given a noise of `residual_sd`; `inf` leaves a coefficient flat. They scale with
        the noise: beta_j | sigma ~ N(mean_j, (sd_j sigma / residual_sd)^2), the conjugate form.
    player_sd, copy_sd, interaction_sd, residual_sd : float
        Standard deviations thought likely, in rating points, each > 0. (player_sd / residual_sd)^2 is the mode of a Wishart
        density, that of the level among slopes too; copy_sd / residual_sd that of a gamma(2) prior (Chung, Rabe-Hesketh,
        Dorie, Gelman & Liu 2013, Psychometrika 78: 685); interaction_sd^2 / (interaction_sd^2 + residual_sd^2) that of a Beta(2, b)
        prior of the interaction's share of the variance within player and copy.
    weight : float
        Ratings' worth of belief in `residual_sd`: a scaled inverse chi-square with this many degrees of freedom.
    slope_sd : (q,) array-like
        Standard deviations of the players' slopes thought likely, in rating points per unit of each column of slopes;
        empty for a fit without slopes. The covariance of the players' effects, level (where the slopes are 0) and
        slopes, has a Wishart density with its mode at diag(player_sd^2, slope_sd^2) residual_sd^-2 sigma^2 that vanishes
        on the boundary (Chung, Gelman, Rabe-Hesketh, Liu & Dorie 2015, J. Educ. Behav. Stat. 40: 136).
    slope_prior_players : float
        Players' worth of belief in slopes on all columns, where sets of columns are weighed against each other; at least 0.

    Raises
    ------
    ValueError
        Shapes that differ, a mean that is not finite, a deviation that is not above 0.
    """

    mean: ArrayLike
    sd: ArrayLike
    player_sd: float
    copy_sd: float
    interaction_sd: float
    residual_sd: float
    weight: float = 5.0
    slope_sd: ArrayLike = ()
    slope_prior_players: float = 0.0

    def __post_init__(self) -> None:
        mean, sd = np.array(self.mean, dtype=np.float64), np.array(self.sd, dtype=np.float64)
        if mean.ndim not in (1, 2) or mean.shape != sd.shape:
            raise ValueError(f"prior: got mean of shape {mean.shape} and sd of {sd.shape}, expected two of one length")
        if not np.isfinite(mean).all():
            raise ValueError("prior.mean: got a value that is not finite, expected rating points")
        if not (sd > 0).all():
            raise ValueError("prior.sd: got a value that is not above 0, expected standard deviations (inf: flat)")
        if sd.ndim == 2 and (np.isfinite(sd) != np.isfinite(sd[:1])).any():
            raise ValueError("prior.sd: got a coefficient that is flat for some responses only, expected all or none")
        for name in ("player_sd", "copy_sd", "interaction_sd", "residual_sd", "weight"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"prior.{name}: got {value!r}, expected a finite number above 0")
        slope_sd = np.array(self.slope_sd, dtype=np.float64)
        if slope_sd.ndim != 1 or not (np.isfinite(slope_sd) & (slope_sd > 0)).all():
            raise ValueError(f"prior.slope_sd: got {self.slope_sd!r}, expected finite numbers above 0, one a column")
        if not (np.isfinite(self.slope_prior_players) and self.slope_prior_players >= 0):
            raise ValueError(
                f"prior.slope_prior_players: got {self.slope_prior_players!r}, expected a finite number, 0 or more"
            )
        object.__setattr__(self, "slope_sd", slope_sd)
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "sd", sd)

    @property
    def ratios(self) -> Floats:
        """Prior variance ratios (3,) of player, copy and interaction to the residual noise."""
        return (np.array([self.player_sd, self.copy_sd, self.interaction_sd]) / self.residual_sd) ** 2

    def of(self, response: int) -> Prior:
        """Return the prior of one response."""
        mean, sd = np.asarray(self.mean), np.asarray(self.sd)
        return self if mean.ndim == 1 else replace(self, mean=mean[response], sd=sd[response])

    def rows(self) -> tuple[Floats, Floats]:
        """Rows X (m, p) and y (m,) that carry one response's prior of the coefficients, m the number of finite deviations."""
        mean, sd = np.asarray(self.mean), np.asarray(self.sd)
        proper = np.flatnonzero(np.isfinite(sd))
        scale = self.residual_sd / sd[proper]
        X = np.zeros((proper.size, mean.size))
        X[np.arange(proper.size), proper] = scale
        return X, scale * mean[proper]

    def variances(self, covariance: CovariancePrior, free: Flags) -> VariancePriors:
        """Priors of the parameters that are sought, `free` (3,) of player, copy and interaction."""
        copy, interaction = self.ratios[1:]
        ratios: list[RatioPrior] = [partial(root_gamma, copy)] * bool(free[1])
        ratios += [partial(share_beta, interaction)] * bool(free[2])
        return VariancePriors(covariance if free[0] else None, tuple(ratios))


@dataclass(frozen=True, eq=False)
class CovariancePrior:
    """-2 log density of S: -log|S| + tr(S0^-1 S), a Wishart density with its mode at S0 that keeps off the boundary.

    Chung, Gelman, Rabe-Hesketh, Liu & Dorie 2015, J. Educ. Behav. Stat. 40: 136. Derivatives are by the entries of S, a >= b.

    Attributes
    ----------
    mode : (Q, Q) S0
    constant : float
        Added to the value: twice the log determinant that leads from these units to the caller's, negative.
    """

    mode: Floats
    constant: float

    @cached_property
    def _precision(self) -> Floats:
        return np.asarray(np.linalg.inv(self.mode))

    def value(self, S: Floats) -> float:
        """-2 log density at S; infinite on the boundary."""
        sign, log_determinant = np.linalg.slogdet(S)
        return float(np.sum(self._precision * S) - log_determinant) + self.constant if sign > 0 else np.inf

    def gradient(self, S: Floats) -> Floats:
        """Its derivatives (nE,)."""
        return vech_sums(self._precision - np.linalg.inv(S))

    def hessian(self, S: Floats) -> Floats:
        """Its second derivatives (nE, nE)."""
        turned = np.linalg.inv(S) @ vech_basis(len(S))
        nE = len(turned)
        return np.asarray(turned.reshape(nE, -1) @ turned.transpose(0, 2, 1).reshape(nE, -1).T)


RatioPrior = Callable[[float], tuple[float, float, float]]
"""-2 log density of one ratio, its derivative and second derivative; infinite at 0."""


def root_gamma(mode: float, ratio: float) -> tuple[float, float, float]:
    """gamma(2) of the ratio's root, with its mode there (Chung et al. 2013, Psychometrika 78: 685)."""
    if ratio <= 0.0:
        return np.inf, -np.inf, np.inf
    root = np.sqrt(ratio / mode)
    return -np.log(ratio) + 2.0 * root, (root - 1.0) / ratio, (1.0 - 0.5 * root) / ratio**2


def share_beta(mode: float, ratio: float) -> tuple[float, float, float]:
    """Beta(2, b) of the share ratio / (1 + ratio), with its mode there: b = 1 / mode."""
    if ratio <= 0.0:
        return np.inf, -np.inf, np.inf
    b, whole = 1.0 + 1.0 / mode, 1.0 + ratio
    value = -2.0 * np.log(ratio) + 2.0 * b * np.log(whole)
    return value, 2.0 * (b / whole - 1.0 / ratio), 2.0 * (1.0 / ratio**2 - b / whole**2)


@dataclass(frozen=True, eq=False)
class VariancePriors:
    """-2 log density of the parameters: entries of the players' covariance S, where it is sought, then ratios.

    Attributes
    ----------
    covariance : of S; None where it is not sought
    ratios : of each parameter after the entries of S
    """

    covariance: CovariancePrior | None
    ratios: tuple[RatioPrior, ...]

    @property
    def without_covariance(self) -> VariancePriors:
        """Those of the ratios alone."""
        return replace(self, covariance=None)

    def _parts(self, x: Floats) -> tuple[Floats, list[tuple[float, float, float]]]:
        nE = x.size - len(self.ratios)
        parts = [prior(float(ratio)) for prior, ratio in zip(self.ratios, x[nE:], strict=True)]
        return unvech(x[:nE], round(np.sqrt(2.0 * nE + 0.25) - 0.5)), parts

    def value(self, x: Floats) -> float:
        """-2 log density at the parameters (m,); infinite on a boundary."""
        S, parts = self._parts(x)
        return (self.covariance.value(S) if self.covariance is not None else 0.0) + sum(part[0] for part in parts)

    def gradient(self, x: Floats) -> Floats:
        """Its derivatives (m,)."""
        S, parts = self._parts(x)
        own = self.covariance.gradient(S) if self.covariance is not None else np.zeros(0)
        return np.append(own, [part[1] for part in parts])

    def hessian(self, x: Floats) -> Floats:
        """Its second derivatives (m, m), those of a ratio l kept above a tenth of 1 / l^2."""
        S, parts = self._parts(x)
        nE, found = x.size - len(parts), np.zeros((x.size, x.size))
        if self.covariance is not None:
            found[:nE, :nE] = self.covariance.hessian(S)
        kept = [max(part[2], 0.1 / ratio**2) for part, ratio in zip(parts, x[nE:], strict=True)]
        found[range(nE, x.size), range(nE, x.size)] = kept
        return found
