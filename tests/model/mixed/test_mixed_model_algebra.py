"""The fast elimination against the same model written out with full matrices, which shares no line with it."""

import tracemalloc

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import approx_fprime, minimize

from model.domain.arrays import Floats
from model.mixed import Prior, solver
from model.mixed.block_cholesky import BlockCholesky
from model.mixed.layout import find_cells, lay_out
from model.mixed.minque import Minque0System, orthonormal
from model.mixed.priors import CovariancePrior
from model.mixed.reml import OrthonormalDesign, RemlCriterion, RemlProblem, ResponseOnDesign
from model.mixed.solver import RandomEffectsDesign
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_ratings import Ratings, criterion, predicted, predicted_flat, same, unbalanced
from tests.model.plain_record import copies_covariance
from tests.model.plain_record import predicted as of_record

PRIOR = Prior(mean=[4.4, 0.2], sd=[0.5, 0.2], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)
PRIORS = pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
SHAPES = pytest.mark.parametrize(
    "shape",
    [
        {},
        {"components": 1},
        {"components": 3, "copies": 4},
        {"players": 5, "copies": 14},
        {"copies": 2, "components": 6},
    ],
    ids=["two groups", "one block", "three small groups", "more copies than players", "pairs of copies"],
)
RATIOS = np.array([1.3, 0.4, 0.7])


def problem(data: Ratings, prior: Prior | None, match: bool = True) -> RemlProblem:
    players, copies = (np.unique(labels, return_inverse=True)[1] for labels in (data.player, data.copy))
    cells = find_cells(players, copies, players.max() + 1, copies.max() + 1)
    design = ResponseOnDesign.of(OrthonormalDesign.of(data.X, cells, prior), data.y, cells)
    rows, free = RandomEffectsDesign.of(cells, np.ones((data.y.size, 1))), np.array([True, True, match])
    priors = None if prior is None else prior.variances(CovariancePrior(prior.ratios[:1, None], 0.0), free)
    return RemlProblem.of(rows, rows.total(design.fixed.Q), design, free, priors)


def at(data: Ratings, ratios: NDArray[np.float64], prior: Prior | None) -> RemlCriterion:
    return problem(data, prior, match=bool(ratios[2] > 0)).at(ratios[:1, None], ratios)


def test_nothing_as_large_as_players_and_columns_is_made_at_a_step_of_the_search(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What the steps share is one such table: at 47,000 players, 6 effects each and 54 columns it has 120 MB."""
    monkeypatch.setattr(solver, "_EFFECTS", 100)
    rng, n, players, columns = np.random.default_rng(1), 4000, 1000, 100
    cells = find_cells(rng.permutation(np.arange(n) % players), rng.integers(0, 40, n), players, 40)
    design = ResponseOnDesign.of(
        OrthonormalDesign.of(rng.normal(size=(n, columns)), cells, None), rng.normal(size=n), cells
    )
    rows = RandomEffectsDesign.of(cells, np.column_stack([np.ones(n), rng.normal(size=(n, 2))]))
    known = rows.total(design.fixed.Q)
    begin = RemlProblem.of(rows, known, design, np.array([True, True, True]), None)
    begin.at(np.eye(3), RATIOS).expected_curvature  # noqa: B018 - makes what every step shares
    tracemalloc.start()
    there = begin.at(0.5 * np.eye(3), RATIOS)
    there.score, there.expected_curvature  # noqa: B018
    held = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert held < known.nbytes


def slope(there: RemlCriterion) -> NDArray[np.float64]:
    """Derivatives (3,) of the penalised criterion by the ratios of player, copy and match."""
    priors = there.problem.priors
    return np.asarray(there.score + (0.0 if priors is None else priors.gradient(there.parameters)))


@PRIORS
@SHAPES
@pytest.mark.parametrize("match", [True, False])
def test_the_criterion_at_fixed_ratios_is_that_of_the_full_matrices(
    prior: Prior | None, shape: dict[str, int], match: bool
) -> None:
    data, ratios = unbalanced(1, **shape), RATIOS * [1, 1, match]
    plain = criterion(data, ratios, prior, match)
    assert at(data, ratios, prior).criterion == pytest.approx(plain, rel=1e-11)


@PRIORS
@SHAPES
def test_the_score_is_the_slope_of_the_full_matrices_criterion(prior: Prior | None, shape: dict[str, int]) -> None:
    data = unbalanced(2, **shape)
    up = np.array([criterion(data, RATIOS + step, prior) for step in 1e-5 * np.eye(3)])
    down = np.array([criterion(data, RATIOS - step, prior) for step in 1e-5 * np.eye(3)])
    assert slope(at(data, RATIOS, prior)) == pytest.approx((up - down) / 2e-5, rel=1e-5, abs=1e-6)


@pytest.mark.parametrize("player", [0.0, 0.8])
def test_the_score_at_the_boundary_is_the_one_sided_slope(player: float) -> None:
    data, ratios = unbalanced(3), np.array([player, 0.0, 0.0])
    plain = approx_fprime(ratios, lambda moved: criterion(data, moved, None), 1e-7)
    there = problem(data, None).at(ratios[:1, None], ratios)
    assert there.score == pytest.approx(plain, rel=1e-4, abs=1e-4)


def test_the_curvature_is_the_average_information_of_the_full_matrices() -> None:
    """Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over the noise, at the optimum."""
    data = unbalanced(7, n=200)
    fitted = data.fit(match=True, prior=None)
    ratios = np.array([fitted.player_sd_, fitted.copy_sd_, fitted.interaction_sd_]) ** 2 / fitted.residual_sd_**2
    by_player, by_copy = same(data.player, data.player), same(data.copy, data.copy)
    parts = [by_player, by_copy, by_player * by_copy]
    H = np.eye(data.y.size) + sum(ratio * part for ratio, part in zip(ratios, parts, strict=True))
    inverse = np.linalg.inv(H)
    P = inverse - inverse @ data.X @ np.linalg.solve(data.X.T @ inverse @ data.X, data.X.T @ inverse)
    working = np.column_stack([part @ P @ data.y for part in parts])
    q, g = data.y @ P @ data.y, data.y @ P @ working
    degrees = data.y.size - data.X.shape[1]
    expected = degrees * (working.T @ P @ working / q - np.outer(g, g) / q**2)
    assert problem(data, None).at(ratios[:1, None], ratios).curvature == pytest.approx(expected, rel=1e-4)


@PRIORS
@SHAPES
@pytest.mark.parametrize("match", [True, False])
def test_the_fit_is_the_minimum_of_the_full_matrices_criterion(
    prior: Prior | None, shape: dict[str, int], match: bool
) -> None:
    data = unbalanced(4, **shape)
    fitted = data.fit(match, prior)
    sds = np.array([fitted.player_sd_, fitted.copy_sd_, fitted.interaction_sd_]) / fitted.residual_sd_
    kept = slice(0, 3 if match else 2)

    def plain(sd: NDArray[np.float64]) -> float:
        return criterion(data, np.append(sd**2, np.zeros(3 - sd.size)), prior, match)

    found = minimize(
        plain, sds[kept] + 0.1, bounds=[(1e-6, None)] * sds[kept].size, options={"ftol": 1e-14, "gtol": 1e-7}
    )
    assert fitted.reml_ == pytest.approx(plain(sds[kept]), rel=1e-10)
    assert fitted.reml_ <= found.fun + 1e-7
    assert sds[kept] == pytest.approx(found.x, abs=2e-4)


def ahead_of(data: Ratings, seed: int) -> Ratings:
    """Rows ahead: known and new players, known and new copies, known cells."""
    rng, m = np.random.default_rng(seed), 60
    X = np.column_stack([np.ones(m), rng.normal(size=m)])
    player, copy = rng.integers(0, data.player.max() + 3, m), rng.integers(0, data.copy.max() + 3, m)
    player[:20], copy[:20] = data.player[:20], data.copy[:20]
    return Ratings(X, np.zeros(m), player, copy)


def jointly(fitted: CrossedMixedModel, prior: Prior | None, told: Ratings, ahead: Ratings) -> tuple[Floats, Floats]:
    """Mean and deviation of the next ratings by the joint law of all of them."""
    if prior is None:
        return predicted_flat(fitted, told, ahead)
    sd = np.asarray(prior.sd) * fitted.residual_sd_ / prior.residual_sd
    return predicted(fitted, (np.asarray(prior.mean), np.diag(sd**2)), told, ahead)


NEW = 999  # a player of no fit


def own_ratings() -> Ratings:
    """A new player's five ratings: a known copy, one known rated twice, a new one, one of another group."""
    rng = np.random.default_rng(8)
    X = np.column_stack([np.ones(5), rng.normal(size=5)])
    return Ratings(X, 5.0 + rng.normal(size=5), np.full(5, NEW), np.array([0, 1, 1, 77, 10]))


@PRIORS
@SHAPES
@pytest.mark.parametrize("match", [True, False])
def test_the_record_is_all_that_conditioning_on_a_new_player_needs(
    prior: Prior | None, shape: dict[str, int], match: bool
) -> None:
    data, own = unbalanced(9, **shape), own_ratings()
    fitted, ahead = data.fit(match, prior), ahead_of(data, 9)
    ahead.copy[:3] = [77, 78, 1]
    ahead.player[:] = NEW
    told = Ratings(
        *(np.concatenate([getattr(data, name), getattr(own, name)]) for name in ("X", "y", "player", "copy"))
    )
    mean, sd = of_record(fitted.responses_[0], ahead.X, ahead.copy, own=(own.X, own.y, own.copy, None))
    plain = jointly(fitted, prior, told, ahead)
    assert mean == pytest.approx(plain[0], abs=1e-8)
    assert sd == pytest.approx(plain[1], abs=1e-8)


@PRIORS
@SHAPES
def test_the_copies_posterior_in_the_record_is_that_of_the_joint_law(
    prior: Prior | None, shape: dict[str, int]
) -> None:
    data = unbalanced(11, **shape)
    fitted = data.fit(True, prior)
    record = fitted.responses_[0]
    rows = np.column_stack([np.ones(len(record.copies)), np.linspace(-1.0, 1.0, len(record.copies))])
    gap = rows - record.copy_coupling
    ahead = Ratings(rows, np.zeros(len(rows)), np.full(len(rows), NEW), np.array(record.copies))
    plain = jointly(fitted, prior, data, ahead)
    others = record.player_sd**2 + record.interaction_sd**2 + record.residual_sd**2
    mean = rows @ record.coef + record.copy_effect
    assert mean == pytest.approx(plain[0], abs=1e-8)
    variance = np.diagonal(gap @ record.coef_covariance @ gap.T + copies_covariance(record)) + others
    assert variance == pytest.approx(plain[1] ** 2, abs=1e-8)


@PRIORS
def test_residuals_are_what_the_joint_law_of_all_ratings_leaves(prior: Prior | None) -> None:
    data = unbalanced(12)
    fitted = data.fit(False, prior)
    known = jointly(fitted, prior, data, data)[0]
    assert fitted.responses_[0].residual == pytest.approx(data.y - known, abs=1e-9)
    assert fitted.responses_[0].marginal == pytest.approx(data.y - data.X @ fitted.coef_, abs=1e-9)


def test_moments_are_the_traces_of_the_full_matrices() -> None:
    """Searle, Casella & McCulloch 1992, Variance Components, ch. 11: tr(P0 V_m P0 V_l)."""
    data = unbalanced(13)
    players, copies = (np.unique(labels, return_inverse=True)[1] for labels in (data.player, data.copy))
    cells = find_cells(players, copies, players.max() + 1, copies.max() + 1)
    basis = orthonormal(data.X)[0]
    by_player, by_copy = same(players, players), same(copies, copies)
    parts = [by_player, by_copy, by_player * by_copy, np.eye(data.y.size)]
    P0 = np.eye(data.y.size) - basis @ basis.T
    expected = [[np.trace(P0 @ first @ P0 @ second) for first in parts] for second in parts]
    rows = RandomEffectsDesign.of(cells, np.ones((data.y.size, 1)))
    found = Minque0System.of(rows, rows.total(basis), cells.means(basis), (True, True, True))
    assert pytest.approx(np.array(expected), rel=1e-10) == found.F
    assert found.identified() == (True, True, True)


def test_a_large_block_is_factored_solved_and_inverted_as_numpy_does() -> None:
    rng, size = np.random.default_rng(14), 700
    factor = rng.normal(size=(size, 40))
    dense = np.eye(size) + factor @ factor.T
    blocks = BlockCholesky(dense.ravel().copy(), lay_out(np.zeros(size, dtype=np.int64)))
    right = rng.normal(size=(size, 3))
    assert blocks.log_determinant == pytest.approx(np.linalg.slogdet(dense)[1], rel=1e-12)
    for _ in range(2):  # before and after the inverse is there
        assert blocks.solve(right) == pytest.approx(np.linalg.solve(dense, right), abs=1e-10)
        assert np.abs(blocks.inverse.reshape(size, size) - np.linalg.inv(dense)).max() < 1e-10


@pytest.mark.parametrize("sizes", [(6, 6, 6, 40), (300,)], ids=["side by side and one by one", "large"])
def test_of_blocks_the_upper_triangles_are_read_alone(sizes: tuple[int, ...]) -> None:
    rng, blocks = np.random.default_rng(17), lay_out(np.repeat(np.arange(len(sizes)), sizes))
    flat, right = np.full(blocks.matrix_size, np.nan), rng.normal(size=(sum(sizes), 2))
    whole = np.zeros((sum(sizes),) * 2)
    for members, block in blocks.split(flat):
        factor = rng.normal(size=(len(members), 3))
        whole[np.ix_(members, members)] = np.eye(len(members)) + factor @ factor.T
        block[np.triu_indices(len(members))] = whole[np.ix_(members, members)][np.triu_indices(len(members))]
    found = BlockCholesky(flat, blocks)
    assert found.log_determinant == pytest.approx(np.linalg.slogdet(whole)[1], rel=1e-12)
    inverse = np.linalg.inv(whole)
    for read in (found.solve, lambda of: found.upper_inverse is flat and found.solve(of)):
        assert read(right) == pytest.approx(inverse @ right, abs=1e-10)
    for members, block in blocks.split(found.inverse):
        assert block == pytest.approx(inverse[np.ix_(members, members)], abs=1e-10)


def test_copies_in_one_large_block_have_the_criterion_and_the_posterior_of_the_full_matrices() -> None:
    data = unbalanced(15, n=900, components=1, players=400, copies=300)
    assert at(data, RATIOS, None).criterion == pytest.approx(criterion(data, RATIOS, None), rel=1e-11)
    fitted, ahead = data.fit(True, None), ahead_of(data, 15)
    ahead.player[:] = NEW
    mean, sd = of_record(fitted.responses_[0], ahead.X, ahead.copy)
    plain = predicted_flat(fitted, data, ahead)
    assert mean == pytest.approx(plain[0], abs=1e-8)
    assert sd == pytest.approx(plain[1], abs=1e-8)


def test_copies_that_share_no_player_are_in_blocks_of_their_own() -> None:
    record = unbalanced(16, n=400, components=3, copies=5).fit(True, None).responses_[0]
    groups = sorted(
        sorted({int(label) // 5 for label in np.array(record.copies)[members]}) for members, _ in record.copy_blocks
    )
    assert groups == [[0], [1], [2]]
    assert sorted(np.concatenate([members for members, _ in record.copy_blocks]).tolist()) == list(range(15))


def tiny(seed: int) -> tuple[Ratings, bool]:
    """Make a hard little history: few ratings, many levels, components of all sizes or none, marks sometimes whole."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(4, 60))
    players, copies, p = int(rng.integers(1, n + 1)), int(rng.integers(1, n + 1)), int(rng.integers(1, 4))
    X = np.column_stack([np.ones(n), rng.normal(size=(n, p - 1))])
    player, copy = rng.integers(0, players, n), rng.integers(0, copies, n)
    scale = rng.choice([0, 0.1, 0.5, 1, 3], 3)
    y = 4 + scale[0] * rng.normal(size=players)[player] + scale[1] * rng.normal(size=copies)[copy]
    y = y + scale[2] * rng.normal(size=(players, copies))[player, copy] + rng.choice([0.3, 1.0]) * rng.normal(size=n)
    return Ratings(X, np.clip(np.round(y), 1, 7) if rng.random() < 0.3 else y, player, copy), bool(rng.integers(2))


def tiny_prior(p: int) -> Prior:
    return Prior(np.zeros(p), np.full(p, 3.0), player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)


@pytest.mark.parametrize("seed", [*range(60), 102, 109, 156, 172])
def test_little_histories_settle_at_a_stationary_point_with_a_prior(seed: int) -> None:
    data, match = tiny(seed)
    record = data.fit(match, tiny_prior(data.X.shape[1])).responses_[0]
    assert record.iterations <= 30
    ratios = np.array([record.player_sd, record.copy_sd, record.interaction_sd]) ** 2 / record.residual_sd**2
    free = np.array([record.identifiable[term] for term in ("player", "copy", "interaction")])
    moved = [
        criterion(data, ratios * factor, tiny_prior(data.X.shape[1]), match) for factor in 1 + 1e-3 * np.eye(3)[free]
    ]
    here = criterion(data, ratios, tiny_prior(data.X.shape[1]), match)
    assert all(there >= here - 1e-7 for there in moved)


@pytest.mark.parametrize("seed", [381, 10070, 11239])
def test_little_histories_known_to_have_two_minima_are_fitted_at_the_lower(seed: int) -> None:
    data, match = tiny(seed)
    fitted = data.fit(match, None)
    free = np.flatnonzero(list(fitted.identifiable_.values()))

    def plain(sd: NDArray[np.float64]) -> float:
        ratios = np.zeros(3)
        ratios[free] = sd**2
        return criterion(data, ratios, None)

    starts = [np.full(free.size, start) for start in (0.3, 1.0, 3.0)]
    lowest = min(minimize(plain, start, bounds=[(0.0, 60.0)] * free.size).fun for start in starts)
    assert fitted.reml_ <= lowest + 1e-6


def test_a_little_history_that_leaves_nothing_for_the_noise_is_refused() -> None:
    data, match = tiny(147)
    with pytest.raises(ValueError, match="reproduced exactly by players and copies"):
        data.fit(match, None)


def test_with_many_ratings_no_criterion_is_set_up_for_a_step_too_small_to_count(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Each costs as much as all else in a step: with blocks of thousands of copies, seconds."""
    set_up: list[RemlCriterion] = []
    plain = RemlProblem.at

    def counted(self: RemlProblem, S: Floats, ratios: Floats) -> RemlCriterion:
        set_up.append(plain(self, S, ratios))
        return set_up[-1]

    monkeypatch.setattr(RemlProblem, "at", counted)
    rng = np.random.default_rng(0)
    player, copy = rng.integers(0, 1_000, 10_000), rng.integers(0, 50, 10_000)
    y = 0.7 * rng.normal(size=1_000)[player] + 0.4 * rng.normal(size=50)[copy] + 0.6 * rng.normal(size=10_000)
    fitted = Ratings(np.ones((10_000, 1)), y, player, copy).fit(False, None)
    assert len(set_up) == fitted.responses_[0].iterations
    assert abs(set_up[-1].score).max() < 1e-2 * np.sqrt(np.diagonal(set_up[-1].curvature)).min()  # of standard errors
