"""Tastes against published fits and against the same model written out with full matrices."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.optimize import minimize

from model.domain.arrays import Floats
from model.mixed import Prior
from model.mixed.layout import find_cells
from model.mixed.minque import Minque0System, orthonormal, quadratic_forms
from model.mixed.priors import CovariancePrior
from model.mixed.reml import OrthonormalDesign, RemlCriterion, RemlProblem, ResponseOnDesign
from model.mixed.solver import RandomEffectsDesign
from tests.model.crossed import CrossedMixedModel
from tests.model.mixed.test_mixed_model import Case, near, standard_errors
from tests.model.plain_record import predicted as of_record
from tests.model.plain_tastes import (
    COVARIANCE,
    SINGULAR,
    Tasted,
    criterion,
    directions,
    parameters,
    predicted,
    scaled_covariance,
    unbalanced,
)

PRIOR = Prior(
    [4.4, 0.2, 0.0],
    [0.5, 0.2, 0.3],
    player_sd=0.7,
    copy_sd=0.35,
    interaction_sd=0.45,
    residual_sd=0.7,
    slope_sd=[0.3, 0.4],
)
PRIORS = pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
MATCHES = pytest.mark.parametrize("match", [True, False], ids=["match", "no match"])
SHAPES = pytest.mark.parametrize(
    "shape",
    [{}, {"components": 1}, {"players": 9, "copies": 30}, {"copies": 2, "components": 6}],
    ids=["two groups", "one block", "more copies than players", "pairs of copies"],
)
S, COPY, MATCH = COVARIANCE / 0.25, 0.4, 0.7


# Published fits


@pytest.fixture(scope="module")
def sleepstudy() -> tuple[Case, CrossedMixedModel]:
    case = Case("sleepstudy")
    days = np.array(case.data["days"], dtype=np.float64)[:, None]
    X = np.column_stack([case.one, days])
    return case, CrossedMixedModel().fit(X, case.y, player=case.data["subject"], slopes=days)


def test_sleepstudy_gives_the_published_fit(sleepstudy: tuple[Case, CrossedMixedModel]) -> None:
    case, fitted = sleepstudy
    covariance = fitted.player_covariance_
    assert fitted.reml_ == near(case["reml"])
    assert fitted.coef_ == near(case["coef"])
    assert fitted.player_sd_ == pytest.approx(case["level_sd"], abs=5e-4)
    assert np.sqrt(covariance[1, 1]) == pytest.approx(case["slope_sd"], abs=5e-4)
    assert covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]) == pytest.approx(
        case["correlation"], abs=5e-4
    )
    assert fitted.residual_sd_ == pytest.approx(case["repeat_sd"], abs=5e-4)
    assert standard_errors(fitted) == pytest.approx(case["coef_se"], abs=5e-4)


def test_sleepstudy_is_the_closed_form_of_balanced_data(sleepstudy: tuple[Case, CrossedMixedModel]) -> None:
    """Each subject has the same days: covariance of the subjects' own lines less that of their noise (Swamy 1970)."""
    case, fitted = sleepstudy
    Z = np.column_stack([np.ones(10), np.arange(10.0)])
    y = case.y.reshape(18, 10)
    assert case.data["days"] == list(range(10)) * 18
    lines = np.linalg.lstsq(Z, y.T)[0].T
    noise = float(np.sum((y - lines @ Z.T) ** 2)) / (18 * 8)
    covariance = np.cov(lines.T) - noise * np.linalg.inv(Z.T @ Z)
    assert fitted.player_covariance_ == pytest.approx(covariance, rel=1e-6)
    assert fitted.residual_sd_**2 == pytest.approx(noise, rel=1e-7)
    assert fitted.coef_ == pytest.approx(lines.mean(axis=0), rel=1e-9)
    assert standard_errors(fitted) == pytest.approx(np.sqrt(np.diagonal(np.cov(lines.T)) / 18), rel=1e-6)


def test_a_record_without_copies_has_none(sleepstudy: tuple[Case, CrossedMixedModel]) -> None:
    record = sleepstudy[1].responses_[0]
    assert record.copies == ()
    assert sleepstudy[1].identifiable_ == {"player": True, "copy": False, "interaction": False, "slopes": True}


def test_variance_components_give_the_published_intraclass_correlations() -> None:
    case = Case("shrout_fleiss")
    one_way = CrossedMixedModel().fit(case.one, case.y, player=case.data["target"])
    two_way = CrossedMixedModel().fit(case.one, case.y, player=case.data["target"], copy=case.data["judge"])
    between, within = one_way.player_sd_**2, one_way.residual_sd_**2
    targets, judges, left = two_way.player_sd_**2, two_way.copy_sd_**2, two_way.residual_sd_**2
    found = {}
    for k in (1, 4):
        found[f"icc_1_{k}"] = between / (between + within / k)
        found[f"icc_2_{k}"] = targets / (targets + (judges + left) / k)
        found[f"icc_3_{k}"] = targets / (targets + left / k)
    assert found == {name: near(case[name]) for name in found}
    assert found == {name: pytest.approx(value, abs=0.005) for name, value in case["printed"].items()}


# The elimination against full matrices


def problem(data: Tasted, prior: Prior | None, match: bool) -> tuple[RemlProblem, Minque0System, Minque0System]:
    """Make the problem in the caller's own columns."""
    players, copies = (np.unique(labels, return_inverse=True)[1] for labels in (data.player, data.copy))
    cells = find_cells(players, copies, players.max() + 1, copies.max() + 1)
    fixed = OrthonormalDesign.of(data.X, cells, prior)
    design = ResponseOnDesign.of(fixed, data.y, cells)
    rows, levels = (RandomEffectsDesign.of(cells, Z) for Z in (data.Z, np.ones((data.y.size, 1))))
    basis = orthonormal(data.X)[0]
    systems = [Minque0System.of(of, of.total(basis), cells.means(basis), (True, True, match)) for of in (rows, levels)]
    mode = np.diag(np.append(PRIOR.player_sd, np.asarray(PRIOR.slope_sd)) / PRIOR.residual_sd) ** 2
    chosen = None if prior is None else CovariancePrior(mode, 0.0)
    free = np.array([True, True, match])
    priors = None if prior is None or chosen is None else prior.variances(chosen, free)
    return RemlProblem.of(rows, rows.total(fixed.Q), design, free, priors), systems[0], systems[1]


def at(data: Tasted, prior: Prior | None, match: bool, S: Floats = S, copy: float = COPY) -> RemlCriterion:
    return problem(data, prior, match)[0].at(S, np.array([0.0, copy, MATCH * match]))


@PRIORS
@SHAPES
@MATCHES
@pytest.mark.parametrize("copy", [COPY, 0.0])
def test_the_criterion_at_fixed_parameters_is_that_of_the_full_matrices(
    prior: Prior | None, shape: dict[str, int], match: bool, copy: float
) -> None:
    data = unbalanced(1, **shape)  # type: ignore[arg-type]  # numbers only
    if prior is None or copy > 0.0:
        plain = criterion(data, S, copy, MATCH * match, prior)
        assert at(data, prior, match, copy=copy).criterion == pytest.approx(plain, rel=1e-11)


@MATCHES
def test_the_criterion_at_a_singular_covariance_is_that_of_the_full_matrices(match: bool) -> None:
    data = unbalanced(2)
    plain = criterion(data, SINGULAR, COPY, MATCH * match, None)
    assert at(data, None, match, SINGULAR).criterion == pytest.approx(plain, rel=1e-11)
    assert at(data, None, match, 0.0 * S).criterion == pytest.approx(
        criterion(data, 0.0 * S, COPY, MATCH * match, None), rel=1e-11
    )


def slopes(value: Callable[[Floats, float, float], float], S: Floats, copy: float, match: float) -> Floats:
    """Central differences by the entries of S, a >= b, then copy and, where it is not 0, match."""
    found, step = [], 1e-5
    for a in range(len(S)):
        for b in range(a + 1):
            E = np.zeros_like(S)
            E[a, b] = E[b, a] = step
            found.append(value(S + E, copy, match) - value(S - E, copy, match))
    found.append(value(S, copy + step, match) - value(S, copy - step, match))
    found += [value(S, copy, match + step) - value(S, copy, match - step)] * bool(match)
    return np.array(found) / (2.0 * step)


@SHAPES
@MATCHES
def test_the_score_is_the_slope_of_the_full_matrices_criterion(shape: dict[str, int], match: bool) -> None:
    data = unbalanced(3, **shape)  # type: ignore[arg-type]  # numbers only
    plain = slopes(lambda S, copy, match: criterion(data, S, copy, match, None), S, COPY, MATCH * match)
    assert at(data, None, match).score == pytest.approx(plain, rel=1e-5, abs=1e-5)


@MATCHES
def test_the_score_where_copies_do_not_vary_is_the_one_sided_slope(match: bool) -> None:
    data, step = unbalanced(4), 1e-6
    plain = criterion(data, S, step, MATCH * match, None) - criterion(data, S, 0.0, MATCH * match, None)
    score = at(data, None, match, copy=0.0).score
    assert score[6] == pytest.approx(plain / step, rel=1e-3)


@MATCHES
def test_the_average_information_is_that_of_the_full_matrices(match: bool) -> None:
    """Gilmour, Thompson & Cullis 1995, Biometrics 51: 1440, profiled over the noise."""
    data = unbalanced(5)
    H = np.linalg.inv(scaled_covariance(data, S, COPY, MATCH * match))
    P = H - H @ data.X @ np.linalg.solve(data.X.T @ H @ data.X, data.X.T @ H)
    Py = P @ data.y
    variates = np.column_stack([V @ Py for V in directions(data, True, match)])
    q, g, degrees = data.y @ Py, variates.T @ Py, data.y.size - data.X.shape[1]
    plain = degrees * (variates.T @ P @ variates / q - np.outer(g, g) / q**2)
    assert at(data, None, match).curvature == pytest.approx(plain, rel=1e-8, abs=1e-9)


def test_moments_are_the_traces_of_the_full_matrices() -> None:
    """Searle, Casella & McCulloch 1992, Variance Components, ch. 11: tr(P0 V_m P0 V_l) and y'P0 V_m P0 y."""
    data = unbalanced(6)
    Q = np.linalg.qr(data.X)[0]
    P0 = np.eye(data.y.size) - Q @ Q.T
    parts = [P0 @ V @ P0 for V in [*directions(data, True, True), np.eye(data.y.size)]]
    made, found, levels = problem(data, None, True)
    assert pytest.approx(np.array([[np.sum(one * other) for one in parts] for other in parts]), rel=1e-9) == found.F
    forms = quadratic_forms(made.rows, P0 @ data.y, found.basis)
    assert forms == pytest.approx([data.y @ V @ data.y for V in parts], rel=1e-9)
    assert found.identified_slopes(levels.identified()) == [True, True]


# The fit


def lower(values: Floats) -> Floats:
    L = np.zeros((3, 3))
    L[np.tril_indices(3)] = values[:6]
    return L


@pytest.mark.parametrize("truth", [COVARIANCE, SINGULAR], ids=["regular", "singular"])
@PRIORS
@MATCHES
def test_the_fit_is_the_lowest_minimum_that_a_general_search_finds_from_three_starts(
    truth: Floats, prior: Prior | None, match: bool
) -> None:
    data = unbalanced(7, n=70, covariance=truth)
    fitted = data.fit(match, prior)
    estimate = parameters(fitted)

    def plain(v: Floats) -> float:
        L, ratios = lower(v), np.append(v[6:] ** 2, 0.0)
        with np.errstate(divide="ignore"):
            return criterion(data, L @ L.T + (1e-9 * np.eye(3) if prior else 0.0), ratios[0], ratios[1], prior)

    rng, kept = np.random.default_rng(7), 8 if match else 7
    starts = [np.eye(3)[np.tril_indices(3)], 0.5 * rng.normal(size=6), rng.normal(size=6)]
    found = min(float(minimize(plain, np.append(start, [0.8] * (kept - 6)), method="L-BFGS-B").fun) for start in starts)
    assert fitted.reml_ == pytest.approx(criterion(data, *estimate, prior), abs=1e-7)
    assert fitted.reml_ <= found + 1e-6
    assert found == pytest.approx(fitted.reml_, abs=1e-3)
    assert np.linalg.eigvalsh(fitted.player_covariance_)[0] >= -1e-12


@PRIORS
@MATCHES
def test_the_search_takes_few_steps(prior: Prior | None, match: bool) -> None:
    data = unbalanced(9, copies=2, components=6)
    assert (
        data.fit(match, prior).responses_[0].iterations <= 14
    )  # by average information alone it takes up to twice that


@pytest.mark.parametrize("seed", range(4))
@MATCHES
def test_the_search_ends_only_where_the_criterion_is_level_even_with_three_players(seed: int, match: bool) -> None:
    data = unbalanced(seed, n=80, players=3, copies=10, components=1)
    fitted = data.fit(match, PRIOR)
    estimate = parameters(fitted)
    plain = slopes(lambda S, copy, match: criterion(data, S, copy, match, PRIOR), *estimate)
    sd = np.sqrt(np.diagonal(estimate[0]))
    size = np.append(np.outer(sd, sd)[np.tril_indices(3)], [*estimate[1:]][: plain.size - 6])
    assert plain * size == pytest.approx(np.zeros(plain.size), abs=2e-4)


def ahead_of(data: Tasted, seed: int) -> Tasted:
    """Rows ahead: known and new players, known and new copies, known cells."""
    rng, m = np.random.default_rng(seed), 60
    X = np.column_stack([np.ones(m), rng.normal(size=(m, 2))])
    player, copy = rng.integers(0, data.player.max() + 3, m), rng.integers(0, data.copy.max() + 3, m)
    player[:20], copy[:20] = data.player[:20], data.copy[:20]
    return Tasted(X, np.zeros(m), player, copy, rng.normal(size=(m, 2)))


def coefficients_prior(fitted: CrossedMixedModel, prior: Prior | None) -> tuple[Floats, Floats] | None:
    if prior is None:
        return None
    return np.asarray(prior.mean), np.diag((np.asarray(prior.sd) * fitted.residual_sd_ / prior.residual_sd) ** 2)


NEW = 99  # a player of no fit


@PRIORS
@SHAPES
@MATCHES
def test_the_record_is_all_that_conditioning_on_a_new_player_needs(
    prior: Prior | None, shape: dict[str, int], match: bool
) -> None:
    data, rng = unbalanced(10, **shape), np.random.default_rng(10)  # type: ignore[arg-type]  # numbers only
    X = np.column_stack([np.ones(5), rng.normal(size=(5, 2))])
    own = Tasted(X, 5.0 + rng.normal(size=5), np.full(5, NEW), np.array([0, 1, 1, 77, 10]), rng.normal(size=(5, 2)))
    fitted, ahead = data.fit(match, prior), ahead_of(data, 10)
    ahead.copy[:3], ahead.player[:] = [77, 78, 1], NEW
    plain = predicted(fitted, coefficients_prior(fitted, prior), data.joined(own), ahead)
    mean, sd = of_record(fitted.responses_[0], ahead.X, ahead.copy, ahead.tastes, (own.X, own.y, own.copy, own.tastes))
    assert mean == pytest.approx(plain[0], abs=1e-7)
    assert sd == pytest.approx(plain[1], abs=1e-7)


@PRIORS
@MATCHES
def test_residuals_are_what_the_joint_law_of_all_ratings_leaves(prior: Prior | None, match: bool) -> None:
    data = unbalanced(11)
    fitted = data.fit(match, prior)
    record = fitted.responses_[0]
    left = data.y - predicted(fitted, coefficients_prior(fitted, prior), data, data)[0]
    assert record.residual == pytest.approx(left, abs=1e-9)
    assert record.marginal == pytest.approx(data.y - data.X @ fitted.coef_, abs=1e-9)
