"""Effects of several responses predicted together: against a textbook's animals, dense algebra, and the separate fits."""

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

from model.domain.arrays import Floats, Ints
from model.mixed import EffectCovariances, Ratings, elimination, joint_effects, joint_prediction


def calves() -> tuple[Ratings, EffectCovariances]:
    """Five calves' gain before and after weaning, their sires and dams (R. A. Mrode, Linear Models for the Prediction of
    Animal Breeding Values, 2nd ed. 2005, example 5.1; the figures from memory)."""
    parents = {4: (1, None), 5: (3, 2), 6: (1, 2), 7: (4, 5), 8: (3, 6)}
    relation = np.eye(8)
    for animal, known in parents.items():
        for other in range(1, animal):
            shared = sum(0.5 * relation[parent - 1, other - 1] for parent in known if parent)
            relation[animal - 1, other - 1] = relation[other - 1, animal - 1] = shared
    males = np.array([1.0, 0.0, 0.0, 1.0, 1.0])
    ratings = Ratings(
        X=np.column_stack([males, 1.0 - males]),
        Z=np.zeros((5, 1)),
        Y=np.array([[4.5, 6.8], [2.9, 5.0], [3.9, 6.8], [3.5, 6.0], [5.0, 7.5]]),
        player=np.arange(5),
        level=np.arange(3, 8),
        levels=8,
    )
    covariances = EffectCovariances(
        player_root=np.zeros((2, 1, 1)),
        player_parts=((slice(0, 1), np.eye(2)),),
        copy=np.array([[20.0, 18.0], [18.0, 40.0]]),
        interaction=np.zeros((2, 2)),
        residual=np.array([[40.0, 11.0], [11.0, 30.0]]),
        coef_mean=np.zeros(2),
        coef_sd=np.full((2, 2), np.inf),
        coef_correlation=np.eye(2),
        chains=((np.arange(8), relation),),
    )
    return ratings, covariances


def test_two_traits_of_five_calves_are_the_textbooks() -> None:
    coef, effect = together(*calves())
    np.testing.assert_allclose(coef, [[4.361, 3.397], [6.800, 5.880]], atol=6e-4)
    before = [0.151, -0.015, -0.078, -0.010, -0.270, 0.276, -0.316, 0.244]
    after = [0.280, -0.008, -0.170, -0.013, -0.478, 0.517, -0.479, 0.392]
    np.testing.assert_allclose(effect, [before, after], atol=6e-4)


def together(ratings: Ratings, covariances: EffectCovariances) -> tuple[Floats, Floats]:
    found = joint_effects(ratings, covariances)
    return found.coef, found.effect


def drawn(seed: int, players: int = 12, responses: int = 3) -> tuple[Ratings, EffectCovariances]:
    """Draw a small history: gaps, repeats, slopes, two copies with two and three levels, one level never rated."""
    rng = np.random.default_rng(seed)
    n, levels = players * 5, 9
    player = np.repeat(np.arange(players), 5)
    Y = rng.normal(4.0, 1.0, (n, responses))
    Y[rng.random(Y.shape) < 0.3] = np.nan
    Y[player == 3] = np.nan
    Z = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    ratings = Ratings(
        X=np.column_stack([np.ones(n), rng.normal(size=(n, 2))]),
        Z=Z,
        Y=Y,
        player=player,
        level=rng.integers(0, levels - 1, n),
        levels=levels,
    )
    root = np.tril(rng.normal(0.0, 0.4, (responses, 3, 3)))
    parts = ((slice(0, 1), correlation(rng, responses)), (slice(1, 3), correlation(rng, responses)))
    covariances = EffectCovariances(
        player_root=root,
        player_parts=parts,
        copy=0.3 * correlation(rng, responses),
        interaction=0.2 * correlation(rng, responses),
        residual=0.5 * correlation(rng, responses),
        coef_mean=np.array([4.0, 0.2, 0.0]),
        coef_sd=np.array([[1.0, 0.5, np.inf]] * responses),
        coef_correlation=correlation(rng, responses),
        chains=(
            (np.array([0, 1]), np.array([[1.0, 0.7], [0.7, 1.0]])),
            (np.array([4, 5, 6]), np.array([[1.0, 0.5, 0.35], [0.5, 1.0, 0.7], [0.35, 0.7, 1.0]])),
        ),
    )
    return ratings, covariances


def shops(ratings: Ratings, of: EffectCovariances) -> tuple[Ratings, EffectCovariances]:
    """Return the same with players of even number at another shop, whose copies nobody else plays."""
    level = np.where(ratings.player % 2 == 0, ratings.level, ratings.level + ratings.levels)
    return replace(ratings, level=level, levels=2 * ratings.levels), of


def correlation(rng: np.random.Generator, size: int) -> Floats:
    draws = rng.normal(size=(size, 2 * size))
    covariance = draws @ draws.T
    sd = np.sqrt(np.diagonal(covariance))
    return np.asarray(covariance / np.outer(sd, sd))


def by_dense_algebra(ratings: Ratings, of: EffectCovariances) -> tuple[Floats, Floats]:
    """Condition the whole joint normal law of coefficients, effects and ratings, nothing eliminated: flat ones get 1e4."""
    row, c = np.nonzero(np.isfinite(ratings.Y))
    C, p, K = ratings.Y.shape[1], ratings.X.shape[1], ratings.levels
    along = np.eye(K)
    for places, R in of.chains:
        along[np.ix_(places, places)] = R
    prior = np.zeros((C * (p + K),) * 2)
    for j in range(p):
        at = np.arange(C) * (p + K) + j
        sd = np.where(np.isfinite(of.coef_sd[:, j]), of.coef_sd[:, j], 1e4)
        flat = not np.isfinite(of.coef_sd[:, j]).all()
        prior[np.ix_(at, at)] = np.outer(sd, sd) * (np.eye(C) if flat else of.coef_correlation)
    for d in range(C):
        for e in range(C):
            to, fro = d * (p + K) + p, e * (p + K) + p
            prior[to : to + K, fro : fro + K] = of.copy[d, e] * along
    D = np.zeros((len(row), C * (p + K)))
    rated = list(zip(row.tolist(), c.tolist(), strict=True))
    for o, (r, d) in enumerate(rated):
        D[o, d * (p + K) : d * (p + K) + p] = ratings.X[r]
        D[o, d * (p + K) + p + ratings.level[r]] = 1.0
    V = D @ prior @ D.T
    for o, (r, d) in enumerate(rated):
        for q, (s, e) in enumerate(rated):
            if ratings.player[r] == ratings.player[s]:
                R = np.zeros(len(ratings.Z[0]))
                for part, correlations in of.player_parts:
                    R[part] = correlations[d, e]
                V[o, q] += ratings.Z[r] @ of.player_root[d] @ np.diag(R) @ of.player_root[e].T @ ratings.Z[s]
                V[o, q] += of.interaction[d, e] * (ratings.level[r] == ratings.level[s])
            V[o, q] += of.residual[d, e] * (r == s)
    mean = np.zeros((C, p + K))
    mean[:, :p] = of.coef_mean
    believed = mean.ravel()
    found = believed + prior @ D.T @ np.linalg.solve(V, ratings.Y[row, c] - D @ believed)
    both = found.reshape(C, p + K)
    return both[:, :p], both[:, p:]


@pytest.fixture(params=["at once", "part by part", "searched"])
def way(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Solve by elimination of all components at once or one by one, or by conjugate gradients as where one is too large."""
    if request.param == "part by part":
        monkeypatch.setattr(elimination, "AT_ONCE", 1)
        monkeypatch.setattr(elimination, "MOST_KEPT", 0)
    if request.param == "searched":
        monkeypatch.setattr(joint_prediction, "LARGEST", 0)


@pytest.mark.usefixtures("way")
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_prediction_is_that_of_dense_algebra(seed: int) -> None:
    ratings, covariances = shops(*drawn(seed))
    found, expected = together(ratings, covariances), by_dense_algebra(ratings, covariances)
    for ours, dense in zip(found, expected, strict=True):
        np.testing.assert_allclose(ours, dense, rtol=0, atol=1e-6)


def test_before_the_first_rating_what_is_believed_stands() -> None:
    ratings, covariances = drawn(1)
    nothing = Ratings(ratings.X, ratings.Z, np.full_like(ratings.Y, np.nan), ratings.player, ratings.level, 9)
    proper = EffectCovariances(
        **{name: getattr(covariances, name) for name in covariances.__dataclass_fields__ if name != "coef_sd"},
        coef_sd=np.ones((3, 3)),
    )
    coef, effect = together(nothing, proper)
    np.testing.assert_allclose(coef, [[4.0, 0.2, 0.0]] * 3, atol=1e-9)
    np.testing.assert_allclose(effect, 0.0, atol=1e-9)


def test_a_level_without_ratings_keeps_its_share_of_its_copys_other_levels() -> None:
    """Of an autoregressive chain the next level, unrated, has rho times the mean of the one before (Kalman 1960)."""
    ratings, covariances = drawn(4)
    chained = EffectCovariances(
        **{name: getattr(covariances, name) for name in covariances.__dataclass_fields__ if name != "chains"},
        chains=((np.array([7, 8]), np.array([[1.0, 0.6], [0.6, 1.0]])),),
    )
    _coef, effect = together(ratings, chained)
    np.testing.assert_allclose(effect[:, 8], 0.6 * effect[:, 7], atol=1e-7)


def test_players_of_very_different_diligence_are_worked_alike() -> None:
    ratings, covariances = drawn(5, players=14)
    sparse = ratings.Y.copy()
    sparse[ratings.player > 6] = np.where(np.arange(3) == 0, sparse[ratings.player > 6], np.nan)
    thinned = Ratings(ratings.X, ratings.Z, sparse, ratings.player, ratings.level, ratings.levels)
    for ours, dense in zip(together(thinned, covariances), by_dense_algebra(thinned, covariances), strict=True):
        np.testing.assert_allclose(ours, dense, rtol=0, atol=1e-6)


@pytest.mark.usefixtures("way")
def test_a_column_made_of_the_effects_is_told_by_players_that_they_were_not_fitted_to() -> None:
    # Written out: for each fold the effects of the others' ratings, then generalised least squares player by player.
    ratings, of = shops(*drawn(seed=6))
    fold = ratings.player % 3
    care = np.random.default_rng(1).normal(size=(len(fold), 3))

    def column(coef: Floats, effect: Floats) -> Floats:
        out = np.zeros(ratings.Y.shape)
        out[:, 0] = np.einsum("nc,nc->n", care, ratings.X[:, 1:2] * coef[:, 1] + effect[:, ratings.level].T)
        return out

    precision = pull = 0.0
    for number in range(3):
        held = fold == number
        coef, effect = together(replace(ratings, Y=np.where(held[:, None], np.nan, ratings.Y)), of)
        h, expected = column(coef, effect), ratings.X @ coef.T + effect[:, ratings.level].T
        for player in np.unique(ratings.player[held]):
            row, c = np.nonzero(np.isfinite(ratings.Y) & (ratings.player == player)[:, None])
            if len(row):
                solved = np.linalg.solve(_of_player(ratings, of, row, c), h[row, c])
                precision += float(h[row, c] @ solved)
                pull += float((ratings.Y - expected)[row, c] @ solved)
    found = joint_effects(ratings, of, fold).cross_fitted_moments(column)
    np.testing.assert_allclose(found, (precision, pull), rtol=1e-6)


def test_what_is_held_on_the_way_does_not_grow_with_the_shops(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 40 columns the way back from coefficients to 9 copies takes 90 kB a shop, were it kept for all."""
    monkeypatch.setattr(elimination, "AT_ONCE", 1)
    monkeypatch.setattr(elimination, "MOST_KEPT", 0)

    def peak(number: int) -> int:
        ratings, of = drawn(7, players=6 * number)
        wide = np.random.default_rng(1).normal(size=(len(ratings.X), 40))
        many = replace(ratings, X=wide, level=ratings.level + 9 * (ratings.player % number), levels=9 * number)
        of = replace(of, coef_mean=np.zeros(40), coef_sd=np.ones((3, 40)), chains=())
        tracemalloc.start()
        joint_effects(many, of, ratings.player % 3)
        held = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return held

    assert peak(20) - peak(10) < 10 * 30_000


def _of_player(ratings: Ratings, of: EffectCovariances, row: Ints, c: Ints) -> Floats:
    """The covariance of one player's ratings around the coefficients and the copies' effects."""
    V = np.zeros((len(row), len(row)))
    for i in range(len(row)):
        for j in range(len(row)):
            for part, R in of.player_parts:
                own = [ratings.Z[row[k]] @ of.player_root[c[k]][:, part] for k in (i, j)]
                V[i, j] += R[c[i], c[j]] * (own[0] @ own[1])
            V[i, j] += (ratings.level[row[i]] == ratings.level[row[j]]) * of.interaction[c[i], c[j]]
            V[i, j] += (row[i] == row[j]) * of.residual[c[i], c[j]]
    return V
