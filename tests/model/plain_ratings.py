"""The ratings model written out with full N x N matrices: slow, short, and sharing no line with the fast one."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats
from model.mixed import Prior
from tests.model.crossed import CrossedMixedModel

Labels = NDArray[np.int64]


@dataclass(frozen=True)
class Ratings:
    """Made-up ratings: X (n, p), y (n,), labels (n,)."""

    X: Floats
    y: Floats
    player: Labels
    copy: Labels

    def fit(self, match: bool, prior: Prior | None) -> CrossedMixedModel:
        return CrossedMixedModel(interaction=match, prior=prior).fit(self.X, self.y, self.player, self.copy)


def unbalanced(seed: int, n: int = 90, components: int = 2, players: int = 12, copies: int = 9) -> Ratings:
    """Unbalanced ratings with repeats; players and copies fall into groups that never meet."""
    rng = np.random.default_rng(seed)
    X = np.column_stack([np.ones(n), rng.normal(size=n)])
    player = rng.integers(0, players, n)
    copy = rng.integers(0, copies, n) + copies * (player % components)
    levels = copies * components
    effects = rng.normal(size=players)[player] + 0.6 * rng.normal(size=levels)[copy]
    match = 0.6 * rng.normal(size=(players, levels))[player, copy]
    return Ratings(X, X @ [4.4, 0.3] + effects + match + 0.5 * rng.normal(size=n), player, copy)


def same(first: Labels, second: Labels) -> Floats:
    return np.asarray(first[:, None] == second[None, :], dtype=np.float64)


def scaled_covariance(data: Ratings, ratios: Floats) -> Floats:
    """H = V / sigma^2 at the ratios of player, copy and match."""
    by_player, by_copy = same(data.player, data.player), same(data.copy, data.copy)
    return np.asarray(
        np.eye(data.y.size) + ratios[0] * by_player + ratios[1] * by_copy + ratios[2] * by_player * by_copy
    )


def criterion(data: Ratings, ratios: Floats, prior: Prior | None, match: bool = True) -> float:
    """-2 log restricted likelihood, all constants, with twice the prior's negative log density where there is one."""
    H, X, y, extra = scaled_covariance(data, ratios), data.X, data.y, 0.0
    sum_of_squares, count = 0.0, float(y.size)
    if prior is not None:
        scale = prior.residual_sd / np.asarray(prior.sd)
        X, y = np.vstack([X, np.diag(scale)]), np.append(y, scale * np.asarray(prior.mean))
        H = np.block(
            [[H, np.zeros((data.y.size, scale.size))], [np.zeros((scale.size, data.y.size)), np.eye(scale.size)]]
        )
        sum_of_squares, count = prior.weight * prior.residual_sd**2, float(y.size) + prior.weight
        player, copy = (np.array([prior.player_sd, prior.copy_sd]) / prior.residual_sd) ** 2
        extra = float(ratios[0] / player - np.log(ratios[0]))  # Wishart, as of level and slopes
        extra += float(2.0 * np.sqrt(ratios[1] / copy) - np.log(ratios[1]))
        if match:
            share = ratios[2] / (1.0 + ratios[2])
            mode = prior.interaction_sd**2 / (prior.interaction_sd**2 + prior.residual_sd**2)
            extra -= 2.0 * float(np.log(share) + (1.0 / mode - 1.0) * np.log(1.0 - share))
    inverse = np.linalg.inv(H)
    information = X.T @ inverse @ X
    coef = np.linalg.solve(information, X.T @ inverse @ y)
    residual = y - X @ coef
    q = residual @ inverse @ residual + sum_of_squares
    degrees = count - X.shape[1]
    determinants = np.linalg.slogdet(H)[1] + np.linalg.slogdet(information)[1]
    return float(determinants + degrees * (1.0 + np.log(2.0 * np.pi * q / degrees)) + extra)


def predicted(
    fitted: CrossedMixedModel, coef: tuple[Floats, Floats], told: Ratings, ahead: Ratings
) -> tuple[Floats, Floats]:
    """Mean and deviation of the next ratings, from the joint normal law of all ratings.

    `coef` is the coefficients' prior mean (p,) and covariance (p, p); `ahead.y` is not used.
    """
    X = np.vstack([told.X, ahead.X])
    player, copy = np.append(told.player, ahead.player), np.append(told.copy, ahead.copy)
    shared = (
        X @ coef[1] @ X.T
        + fitted.player_sd_**2 * same(player, player)
        + fitted.copy_sd_**2 * same(copy, copy)
        + fitted.interaction_sd_**2 * same(player, player) * same(copy, copy)
    )
    n = told.y.size
    gram = shared[:n, :n] + fitted.residual_sd_**2 * np.eye(n)
    weights = np.linalg.solve(gram, shared[:n, n:]).T
    variance = np.diag(shared[n:, n:] - weights @ shared[:n, n:]) + fitted.residual_sd_**2
    return ahead.X @ coef[0] + weights @ (told.y - told.X @ coef[0]), np.sqrt(variance)


def predicted_flat(fitted: CrossedMixedModel, told: Ratings, ahead: Ratings) -> tuple[Floats, Floats]:
    """The same with a flat prior of the coefficients: universal kriging (Cressie 1993, Statistics for Spatial Data, sec. 3.4)."""
    p = told.X.shape[1]
    n = told.y.size
    both = Ratings(
        *(np.concatenate([getattr(told, name), getattr(ahead, name)]) for name in ("X", "y", "player", "copy"))
    )
    ratios = np.array([fitted.player_sd_, fitted.copy_sd_, fitted.interaction_sd_]) ** 2 / fitted.residual_sd_**2
    V = fitted.residual_sd_**2 * scaled_covariance(both, ratios)
    G, across = V[:n, :n], V[:n, n:]
    information = told.X.T @ np.linalg.solve(G, told.X)
    coef = np.linalg.solve(information, told.X.T @ np.linalg.solve(G, told.y))
    mean, sd = predicted(fitted, (np.asarray(coef, dtype=np.float64), np.zeros((p, p))), told, ahead)
    gap = ahead.X - across.T @ np.linalg.solve(G, told.X)
    return mean, np.sqrt(sd**2 + np.einsum("ij,ij->i", gap @ np.linalg.inv(information), gap))
