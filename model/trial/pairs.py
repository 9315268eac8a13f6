"""What blind pairs tell of the likings: each preference is an observation of a difference, laid on the joint normal law.

Of two bows played one after the other the one that pleases more at that moment is preferred: each moment adds the noise of one
rating, so the first is preferred with probability Phi((u_i - u_j) / (sigma sqrt 2)) (Thurstone 1927, Psychol. Rev. 34: 273,
case V). The law after the pairs is the normal law of the same mean and covariance: exact where all pairs are of the same two bows,
else by expectation propagation over the differences (Minka 2001, UAI 17: 362). Every factor is log-concave, so that its precision
is never negative. When to stop asking plays no part: given the answers, the likelihood is the same.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import log_ndtr

from model.domain.arrays import Floats
from model.trial.joint import JointPosterior

GRID = np.linspace(-10.0, 10.0, 1601)
"""Where a difference is integrated, in deviations around what is known without its own pairs."""
SWEEPS, SETTLED = 100, 1e-10
"""Rounds over the factors at most, and the change from which on no more are made."""


@dataclass(frozen=True, slots=True)
class Compared:
    """Two bows put against each other, blind: serials, None the own bow; the first was preferred ``won`` times, the other ``lost``.

    Raises
    ------
    ValueError : the same bow twice, or a number below 0.
    """

    first: str | None
    second: str | None
    won: int
    lost: int

    def __post_init__(self) -> None:
        if self.first == self.second:
            msg = f"compared: got the bow {self.first!r} against itself, expected two"
            raise ValueError(msg)
        if min(self.won, self.lost) < 0:
            msg = f"compared: got {self.won} and {self.lost} pairs, expected 0 or more"
            raise ValueError(msg)

    @property
    def pairs(self) -> int:
        """How many were answered."""
        return self.won + self.lost


def condition_on_pairs(law: JointPosterior, compared: Sequence[Compared]) -> JointPosterior:
    """Return the law with what the pairs tell; both bows of each have to be among its bows.

    Raises
    ------
    ValueError : a bow that the law does not hold.
    """
    asked = [each for each in compared if each.pairs]
    if not asked:
        return law
    contrast = np.zeros((len(asked), len(law.mean)))
    for row, each in zip(contrast, asked, strict=True):
        row[[_place(law, each.first), _place(law, each.second)]] = 1.0, -1.0
    counts = np.array([[each.won, each.lost] for each in asked], dtype=np.float64)
    mean, cov = after_preferences(law.mean, law.cov, contrast, counts, law.noise)
    return replace(law, mean=mean, cov=cov)


def _place(law: JointPosterior, bow: str | None) -> int:
    if bow not in law.bows:
        msg = f"compared: got the bow {bow!r}, expected one of {list(law.bows)}"
        raise ValueError(msg)
    return len(law.tiers) + law.bows.index(bow)


def after_preferences(
    mean: Floats, cov: Floats, contrast: Floats, counts: Floats, noise: float
) -> tuple[Floats, Floats]:
    """Return mean and covariance after preferences.

    Parameters
    ----------
    mean, cov : (n,), (n, n) of the likings before.
    contrast : (L, n) each row gives one difference d of two likings.
    counts : (L, 2) how often d was found above 0, and below.
    noise : deviation of the noise of one rating, above 0.

    Raises
    ------
    ValueError : the noise is not above 0.
    """
    if not (math.isfinite(noise) and noise > 0):
        msg = f"noise: got {noise}, expected a deviation above 0"
        raise ValueError(msg)
    cross = cov @ contrast.T
    m, S = contrast @ mean, contrast @ cross
    nu, tau = _sites(m, S, counts, math.sqrt(2.0) * noise)
    W = _weight(S, tau)
    after = cov - cross @ W @ cross.T
    return mean + cross @ (nu - W @ (m + S @ nu)), (after + after.T) / 2.0


def _weight(S: Floats, tau: Floats) -> Floats:
    """Return (diag(1 / tau) + S)^-1, also where a tau is 0."""
    root = np.sqrt(tau)
    inner = np.eye(len(tau)) + root[:, None] * S * root
    return np.asarray(root[:, None] * np.linalg.inv(inner) * root)


def _sites(m: Floats, S: Floats, counts: Floats, scale: float) -> tuple[Floats, Floats]:
    """Return for each difference the normal factor, exp(nu d - tau d^2 / 2), that stands for its preferences: (L,), (L,)."""
    nu, tau = np.zeros(len(m)), np.zeros(len(m))
    for _ in range(SWEEPS):
        before = np.concatenate([nu, tau])
        for at in range(len(m)):
            W = _weight(S, tau)
            variance = float(S[at, at] - S[at] @ W @ S[at])
            centre = float(m[at] + S[at] @ (nu - W @ (m + S @ nu)))
            left = 1.0 / variance - tau[at]
            apart_var, apart_mean = 1.0 / left, (centre / variance - nu[at]) / left
            found_mean, found_var = _moments(apart_mean, apart_var, counts[at], scale)
            tau[at] = max(1.0 / found_var - left, 0.0)
            nu[at] = found_mean / found_var - apart_mean * left
        if np.max(np.abs(np.concatenate([nu, tau]) - before)) < SETTLED:
            break
    return nu, tau


def _moments(mean: float, variance: float, counts: Floats, scale: float) -> tuple[float, float]:
    """Return mean and variance of N(mean, variance) times Phi(d / scale)^above Phi(-d / scale)^below."""
    d = mean + math.sqrt(variance) * GRID
    log = -0.5 * GRID**2 + counts[0] * log_ndtr(d / scale) + counts[1] * log_ndtr(-d / scale)
    weight = np.exp(log - log.max())
    weight /= weight.sum()
    centre = float(weight @ d)
    return centre, float(weight @ (d - centre) ** 2)
