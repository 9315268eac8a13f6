"""The prior of a ratings model: Gaussian coefficients, weakly informative variance components."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from model.domain.arrays import Floats


@dataclass(frozen=True, eq=False)
class Prior:
    """What is believed before the first rating.

    Parameters
    ----------
    mean : (p,) array-like, or (k, p) where each of k responses has its own
        Prior means of the coefficients, in rating points.
    sd : (p,) array-like, or (k, p)
        Their prior standard deviations given a noise of `repeat_sd`; `inf` leaves a coefficient flat. They scale with
        the noise: beta_j | sigma ~ N(mean_j, (sd_j sigma / repeat_sd)^2), the conjugate form.
    player_sd, copy_sd, match_sd, repeat_sd : float
        Standard deviations thought likely, in rating points, each > 0. (player_sd / repeat_sd)^2 is the mode of a Wishart
        density, that of the level among slopes too; copy_sd / repeat_sd that of a gamma(2) prior (Chung, Rabe-Hesketh,
        Dorie, Gelman & Liu 2013, Psychometrika 78: 685); match_sd^2 / (match_sd^2 + repeat_sd^2) that of a Beta(2, b)
        prior of the match's share of the variance within player and copy.
    weight : float
        Ratings' worth of belief in `repeat_sd`: a scaled inverse chi-square with this many degrees of freedom.
    taste_sd : (q,) array-like
        Standard deviations of the players' slopes thought likely, in rating points per unit of each column of tastes;
        empty for a fit without tastes. The covariance of the players' effects, level (where the tastes are 0) and
        slopes, has a Wishart density with its mode at diag(player_sd^2, taste_sd^2) repeat_sd^-2 sigma^2 that vanishes
        on the boundary (Chung, Gelman, Rabe-Hesketh, Liu & Dorie 2015, J. Educ. Behav. Stat. 40: 136).
    taste_worth : float
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
    match_sd: float
    repeat_sd: float
    weight: float = 5.0
    taste_sd: ArrayLike = ()
    taste_worth: float = 0.0

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
        for name in ("player_sd", "copy_sd", "match_sd", "repeat_sd", "weight"):
            value = getattr(self, name)
            if not (np.isfinite(value) and value > 0):
                raise ValueError(f"prior.{name}: got {value!r}, expected a finite number above 0")
        taste_sd = np.array(self.taste_sd, dtype=np.float64)
        if taste_sd.ndim != 1 or not (np.isfinite(taste_sd) & (taste_sd > 0)).all():
            raise ValueError(f"prior.taste_sd: got {self.taste_sd!r}, expected finite numbers above 0, one a column")
        if not (np.isfinite(self.taste_worth) and self.taste_worth >= 0):
            raise ValueError(f"prior.taste_worth: got {self.taste_worth!r}, expected a finite number, 0 or more")
        object.__setattr__(self, "taste_sd", taste_sd)
        object.__setattr__(self, "mean", mean)
        object.__setattr__(self, "sd", sd)

    @property
    def ratios(self) -> Floats:
        """Prior variance ratios (3,) of player, copy and match to the repeat noise."""
        return (np.array([self.player_sd, self.copy_sd, self.match_sd]) / self.repeat_sd) ** 2

    def of(self, response: int) -> Prior:
        """Return the prior of one response."""
        mean, sd = np.asarray(self.mean), np.asarray(self.sd)
        return self if mean.ndim == 1 else replace(self, mean=mean[response], sd=sd[response])

    def rows(self) -> tuple[Floats, Floats]:
        """Rows X (m, p) and y (m,) that carry one response's prior of the coefficients, m the number of finite deviations."""
        mean, sd = np.asarray(self.mean), np.asarray(self.sd)
        proper = np.flatnonzero(np.isfinite(sd))
        scale = self.repeat_sd / sd[proper]
        X = np.zeros((proper.size, mean.size))
        X[np.arange(proper.size), proper] = scale
        return X, scale * mean[proper]

    def penalty(self, ratios: Floats, free: np.ndarray) -> tuple[float, Floats, Floats]:
        """-2 log density of the free ratios: value, gradient (3,) and curvature (3,), kept positive.

        Notes
        -----
        Wishart of the player's l, whose mode is l0: -log l + l / l0, as for a covariance of level and slopes. gamma(2) of the
        copy's sqrt(l) with mode sqrt(l0): -log l + 2 sqrt(l / l0). Beta(2, b) of the match's s = l / (1 + l), b = 1 / mode:
        -2 log l + 2 b log(1 + l).
        """
        l0 = self.ratios
        with np.errstate(divide="ignore"):
            x = np.where(free, ratios, 1.0)
            value = -np.log(x) + 2.0 * np.sqrt(x / l0)
            gradient = -1.0 / x + 1.0 / np.sqrt(x * l0)
            curvature = 1.0 / x**2 - 0.5 / np.sqrt(x**3 * l0)
            value[0] = -np.log(x[0]) + x[0] / l0[0]
            gradient[0], curvature[0] = -1.0 / x[0] + 1.0 / l0[0], 1.0 / x[0] ** 2
            b = 1.0 + 1.0 / l0[2]
            value[2] = -2.0 * np.log(x[2]) + 2.0 * b * np.log1p(x[2])
            gradient[2] = -2.0 / x[2] + 2.0 * b / (1.0 + x[2])
            curvature[2] = 2.0 / x[2] ** 2 - 2.0 * b / (1.0 + x[2]) ** 2
        curvature = np.maximum(curvature, 0.1 / x**2)
        return float(value[free].sum()), np.where(free, gradient, 0.0), np.where(free, curvature, 0.0)
