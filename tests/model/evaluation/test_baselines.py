"""The baselines against counting by hand, scikit-learn, and direct minimisation."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from sklearn.linear_model import Ridge, RidgeCV
from sklearn.model_selection import KFold

from model.evaluation.baselines import (
    ALPHAS,
    GlobalMean,
    RidgeRegression,
    Table,
    TierMean,
    TierMeanAndOffset,
    baselines,
)

rng = np.random.default_rng(5)
N = 240
TIER, COPY, PLAYER = np.repeat(np.arange(3), N // 3), np.arange(N) % 24, np.arange(N) // 4
TABLE = Table(
    np.column_stack([np.ones(N), rng.normal(size=N)]), TIER.astype(np.intp), COPY.astype(np.intp), PLAYER, PLAYER
)
Y = 4 + 0.5 * TIER + rng.normal(0, 0.6, 24)[COPY] + rng.normal(0, 0.7, PLAYER.max() + 1)[PLAYER] + rng.normal(0, 0.5, N)
Y[::17] = np.nan
KEPT = PLAYER < 50
AHEAD, TOLD = np.array([202, 203]), np.array([200, 201])
NONE = np.zeros(0, dtype=np.intp)


def test_means_are_of_the_rows_that_may_be_seen() -> None:
    seen = KEPT & np.isfinite(Y)
    assert GlobalMean().fit(TABLE, Y, KEPT).foretell(AHEAD, TOLD) == pytest.approx(Y[seen].mean())
    assert TierMean().fit(TABLE, Y, KEPT).foretell(AHEAD, TOLD) == pytest.approx(Y[seen & (TIER == 2)].mean())


def test_a_tier_without_a_rating_has_the_mean_of_all() -> None:
    rows = KEPT & (TIER < 2)
    assert TierMean().fit(TABLE, Y, rows).foretell(AHEAD, NONE) == pytest.approx(np.nanmean(Y[rows]))


def test_without_any_rating_the_middle_of_the_scale_is_foretold() -> None:
    for baseline in baselines(seed=1):
        assert baseline.fit(TABLE, Y, np.zeros(N, dtype=bool)).foretell(AHEAD, NONE) == pytest.approx(4.0)


def test_the_offset_is_the_mean_of_what_is_left_of_the_known_ratings() -> None:
    plain, moved = (kind().fit(TABLE, Y, KEPT) for kind in (TierMean, TierMeanAndOffset))
    left = Y[TOLD] - plain.foretell(TOLD, NONE)
    assert moved.foretell(AHEAD, TOLD) == pytest.approx(plain.foretell(AHEAD, NONE) + left.mean())
    assert moved.foretell(AHEAD, NONE) == pytest.approx(plain.foretell(AHEAD, NONE))


def test_a_rating_not_given_is_no_offset() -> None:
    told = np.array([17 * 12])  # not rated
    assert np.isnan(Y[told]).all()
    for baseline in (TierMeanAndOffset(), RidgeRegression(1)):
        fitted = baseline.fit(TABLE, Y, KEPT)
        assert fitted.foretell(AHEAD, told) == pytest.approx(fitted.foretell(AHEAD, NONE))


def test_ridge_is_scikit_learns_with_a_column_a_copy_and_a_column_a_player() -> None:
    fitted = RidgeRegression(1).fit(TABLE, Y, KEPT)
    seen = KEPT & np.isfinite(Y)
    Z = np.column_stack([TABLE.X, np.eye(24)[COPY], np.eye(PLAYER.max() + 1)[PLAYER]])
    direct = Ridge(fitted._penalty, solver="cholesky").fit(Z[seen], Y[seen])
    expected = Z[AHEAD, :26] @ direct.coef_[:26] + direct.intercept_
    np.testing.assert_allclose(fitted.foretell(AHEAD, NONE), expected, atol=1e-5)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_its_penalty_is_the_one_that_scikit_learn_chooses(seed: int) -> None:
    seen = KFold(3, shuffle=True, random_state=seed)
    rated = np.isfinite(Y)
    Z = np.column_stack([TABLE.X, np.eye(24)[COPY], np.eye(PLAYER.max() + 1)[PLAYER]])[rated]
    assert RidgeRegression(seed).fit(TABLE, Y, rated)._penalty == RidgeCV(ALPHAS, cv=seen).fit(Z, Y[rated]).alpha_


def test_a_new_players_column_minimises_the_penalised_squares_of_the_ratings_told() -> None:
    fitted = RidgeRegression(1).fit(TABLE, Y, KEPT)
    left = Y[TOLD] - fitted.foretell(TOLD, NONE)
    penalty = fitted._penalty
    assert penalty is not None
    best = minimize_scalar(lambda b: np.sum((left - b) ** 2) + penalty * b**2).x
    assert fitted.foretell(AHEAD, TOLD) - fitted.foretell(AHEAD, NONE) == pytest.approx(best, abs=1e-6)


def test_the_ratings_ahead_are_not_looked_at() -> None:
    other = Y.copy()
    other[AHEAD] = 1.0
    for one, changed in zip(baselines(1), baselines(1), strict=True):
        before, after = (of.fit(TABLE, y, KEPT).foretell(AHEAD, TOLD) for of, y in ((one, Y), (changed, other)))
        np.testing.assert_array_equal(before, after)
