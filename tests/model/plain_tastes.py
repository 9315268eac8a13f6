"""Ratings with tastes written out with full N x N matrices: slow, short, and sharing no line with the fast elimination."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats
from model.mixed import Prior
from tests.model.crossed import CrossedMixedModel

Labels = NDArray[np.int64]


@dataclass(frozen=True)
class Tasted:
    """Made-up ratings: X (n, p), y (n,), labels (n,), tastes (n, q)."""

    X: Floats
    y: Floats
    player: Labels
    copy: Labels
    tastes: Floats

    def fit(self, match: bool, prior: Prior | None) -> CrossedMixedModel:
        return CrossedMixedModel(interaction=match, prior=prior).fit(
            self.X, self.y, self.player, self.copy, self.tastes
        )

    def joined(self, other: "Tasted") -> "Tasted":
        names = ("X", "y", "player", "copy", "tastes")
        return Tasted(*(np.concatenate([getattr(self, name), getattr(other, name)]) for name in names))

    @property
    def Z(self) -> Floats:  # noqa: N802 - the matrix of the players' effects
        return np.column_stack([np.ones(self.y.size), self.tastes])


COVARIANCE = np.array([[1.0, 0.3, -0.1], [0.3, 0.5, 0.1], [-0.1, 0.1, 0.3]])
SINGULAR = np.outer([1.0, -0.6, 0.4], [1.0, -0.6, 0.4])


def unbalanced(
    seed: int,
    n: int = 160,
    covariance: Floats = COVARIANCE,
    components: int = 2,
    players: int = 14,
    copies: int = 7,
) -> Tasted:
    """Draw unbalanced ratings with repeats; players and copies fall into groups that never meet.

    The first taste is the copy's own, the same in each cell; the second varies within cells, as the place in a trial does.
    """
    rng = np.random.default_rng(seed)
    player = rng.integers(0, players, n)
    copy = rng.integers(0, copies, n) + copies * (player % components)
    tastes = np.column_stack([rng.normal(size=copies * components)[copy], rng.normal(size=n)])
    X = np.column_stack([np.ones(n), tastes[:, 1], rng.normal(size=n)])
    effects = rng.multivariate_normal(np.zeros(3), covariance, size=players)[player]
    match = 0.5 * rng.normal(size=(players, copies * components))[player, copy]
    own = np.sum(np.column_stack([np.ones(n), tastes]) * effects, axis=1)
    y = X @ [4.4, 0.2, 0.3] + own + 0.5 * rng.normal(size=copies * components)[copy] + match + 0.5 * rng.normal(size=n)
    return Tasted(X, y, player, copy, tastes)


def same(first: Labels, second: Labels) -> Floats:
    return np.asarray(first[:, None] == second[None, :], dtype=np.float64)


def directions(data: Tasted, copies: bool, match: bool) -> list[Floats]:
    """Derivatives (n, n) of H by the covariance's entries S_ab, a >= b, row by row, and the ratios of copy and match."""
    by_player, by_copy, Z = same(data.player, data.player), same(data.copy, data.copy), data.Z
    found = []
    for a in range(Z.shape[1]):
        for b in range(a + 1):
            product = np.outer(Z[:, a], Z[:, b])
            found.append(by_player * (product if a == b else product + product.T))
    return found + [by_copy] * copies + [by_player * by_copy] * match


def scaled_covariance(data: Tasted, S: Floats, copy: float, match: float) -> Floats:
    """H = V / sigma^2."""
    by_player, by_copy = same(data.player, data.player), same(data.copy, data.copy)
    return np.asarray(
        np.eye(data.y.size) + by_player * (data.Z @ S @ data.Z.T) + copy * by_copy + match * by_player * by_copy
    )


def criterion(data: Tasted, S: Floats, copy: float, match: float, prior: Prior | None) -> float:
    """-2 log restricted likelihood, all constants, less twice the prior's log density where there is one."""
    H, X, y, extra = scaled_covariance(data, S, copy, match), data.X, data.y, 0.0
    sum_of_squares, count = 0.0, float(y.size)
    if prior is not None:
        scale = prior.residual_sd / np.asarray(prior.sd)
        rows = np.zeros((y.size, scale.size))
        X, y = np.vstack([X, np.diag(scale)]), np.append(y, scale * np.asarray(prior.mean))
        H = np.block([[H, rows], [rows.T, np.eye(scale.size)]])
        sum_of_squares, count = prior.weight * prior.residual_sd**2, float(y.size) + prior.weight
        extra = penalty(S, copy, match, prior)
    inverse = np.linalg.inv(H)
    information = X.T @ inverse @ X
    residual = y - X @ np.linalg.solve(information, X.T @ inverse @ y)
    q = residual @ inverse @ residual + sum_of_squares
    degrees = count - X.shape[1]
    determinants = np.linalg.slogdet(H)[1] + np.linalg.slogdet(information)[1]
    return float(determinants + degrees * (1.0 + np.log(2.0 * np.pi * q / degrees)) + extra)


def penalty(S: Floats, copy: float, match: float, prior: Prior) -> float:
    """Wishart for the players, gamma(2) for the copies, Beta for the match's share, each with its mode at the prior's."""
    mode = np.diag(np.append(prior.player_sd, np.asarray(prior.slope_sd)) / prior.residual_sd) ** 2
    found = np.trace(np.linalg.solve(mode, S)) - np.linalg.slogdet(S)[1]
    found += -np.log(copy) + 2.0 * np.sqrt(copy) * prior.residual_sd / prior.copy_sd
    if match > 0.0:
        share, expected = (
            match / (1.0 + match),
            prior.interaction_sd**2 / (prior.interaction_sd**2 + prior.residual_sd**2),
        )
        found -= 2.0 * (np.log(share) + (1.0 / expected - 1.0) * np.log(1.0 - share))
    return float(found)


def parameters(fitted: CrossedMixedModel) -> tuple[Floats, float, float]:
    """S, and the ratios of copy and match, of a fit."""
    noise = fitted.residual_sd_**2
    return fitted.player_covariance_ / noise, fitted.copy_sd_**2 / noise, fitted.interaction_sd_**2 / noise


def predicted(
    fitted: CrossedMixedModel, coef: tuple[Floats, Floats] | None, told: Tasted, ahead: Tasted
) -> tuple[Floats, Floats]:
    """Mean and deviation of each of the next ratings; the parameters are those of `predicted_jointly`."""
    mean, cov = predicted_jointly(fitted, coef, told, ahead)
    return mean, np.sqrt(np.diagonal(cov))


def predicted_jointly(
    fitted: CrossedMixedModel, coef: tuple[Floats, Floats] | None, told: Tasted, ahead: Tasted
) -> tuple[Floats, Floats]:
    """Mean and covariance of the next ratings, from the joint normal law of all ratings.

    `coef` is the coefficients' prior mean (p,) and covariance (p, p); None: flat, by universal kriging (Cressie 1993,
    Statistics for Spatial Data, sec. 3.4). `ahead.y` is not used.
    """
    both, n = told.joined(ahead), told.y.size
    V = fitted.residual_sd_**2 * scaled_covariance(both, *parameters(fitted))
    mean: Floats = np.zeros(told.X.shape[1])
    gap = np.zeros((ahead.y.size, told.X.shape[1]))
    information = np.eye(told.X.shape[1])
    if coef is not None:
        mean, V = coef[0], V + both.X @ coef[1] @ both.X.T
    weights = np.linalg.solve(V[:n, :n], V[:n, n:]).T
    if coef is None:
        information = told.X.T @ np.linalg.solve(V[:n, :n], told.X)
        mean = np.asarray(np.linalg.solve(information, told.X.T @ np.linalg.solve(V[:n, :n], told.y)), dtype=np.float64)
        gap = ahead.X - weights @ told.X
    cov = V[n:, n:] - weights @ V[:n, n:] + gap @ np.linalg.inv(information) @ gap.T
    return ahead.X @ mean + weights @ (told.y - told.X @ mean), cov
