"""The minimum over covariances and ratios, against closed forms and a general search on a Cholesky factor."""

import numpy as np
import pytest
from scipy.optimize import minimize

from model.domain.arrays import Floats
from model.mixed.psd_cone import ConeModel, cone_minimum, entries
from model.mixed.slope_optimise import corrected
from model.mixed.slope_reml import CovariancePrior, symmetric_basis


def model(Q: int, seed: int, ratios: int = 2, prior: CovariancePrior | None = None) -> ConeModel:
    """Draw a convex model about a covariance inside and ratios of 1."""
    rng, basis = np.random.default_rng(seed), symmetric_basis(Q)
    m = len(basis) + ratios
    root, half = rng.normal(size=(Q, Q)), rng.normal(size=(m, m))
    now = np.append(entries(root @ root.T + 0.1 * np.eye(Q)), np.ones(ratios))
    low, high, closed = np.zeros(ratios), np.full(ratios, 11.0), prior is None
    curvature = half @ half.T + 0.1 * np.eye(m)
    return ConeModel(basis, now, 20.0 * rng.normal(size=m), curvature, low, high, prior, closed)


@pytest.mark.parametrize("seed", range(5))
def test_the_nearest_covariance_is_the_matrix_without_its_negative_part(seed: int) -> None:
    """Higham 1988, Linear Algebra Appl. 103: 103: in the Frobenius norm it is the positive part."""
    drawn = np.random.default_rng(seed).normal(size=(4, 4))
    M, basis = drawn + drawn.T, symmetric_basis(4)
    weight = np.diag(np.sum(basis, axis=(1, 2)))  # an entry off the diagonal counts twice
    now, none = entries(np.eye(4)), np.zeros(0)
    nearest = ConeModel(basis, now, weight @ (now - entries(M)), weight, none, none, None, True)
    values, vectors = np.linalg.eigh(M)
    expected = (vectors * np.maximum(values, 0.0)) @ vectors.T
    found = nearest.covariance(cone_minimum(nearest))
    assert found == pytest.approx(expected, abs=5e-5)  # half the squared distance is known within 1e-9
    assert nearest.value(entries(found)) <= nearest.value(entries(expected)) + 1e-9
    assert np.sum(np.linalg.eigvalsh(found) > 1e-10) == np.sum(values > 0.0)


def test_the_prior_alone_has_its_minimum_at_its_mode() -> None:
    """-log|S| + tr(S0^-1 S) is least at S0."""
    root = np.random.default_rng(0).normal(size=(3, 3))
    mode, basis, none = root @ root.T + np.eye(3), symmetric_basis(3), np.zeros(0)
    prior = CovariancePrior(mode, 0.0)
    flat = ConeModel(basis, entries(np.eye(3)), np.zeros(6), 1e-12 * np.eye(6), none, none, prior, False)
    assert flat.covariance(cone_minimum(flat)) == pytest.approx(mode, abs=1e-6)


@pytest.mark.parametrize("Q", [1, 2, 5, 9])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("informed", [False, True], ids=["no prior", "prior"])
def test_no_search_on_a_cholesky_factor_finds_a_lower_place(Q: int, seed: int, informed: bool) -> None:
    cone = model(Q, seed, prior=CovariancePrior(np.eye(Q), 0.0) if informed else None)
    found = cone_minimum(cone)
    nE = len(cone.basis)

    def elsewhere(v: Floats) -> Floats:
        L = np.zeros((Q, Q))
        L[np.tril_indices(Q)] = v[:nE]
        return np.append(entries(L @ L.T), np.minimum(v[nE:] ** 2, 11.0))

    start = np.append(entries(np.eye(Q)), np.ones(2))
    general = minimize(lambda v: cone.value(elsewhere(v)), start, method="L-BFGS-B", options={"maxfun": 100_000})
    assert cone.value(found) <= general.fun + 1e-7
    assert np.linalg.eigvalsh(cone.covariance(found))[0] >= -1e-12
    assert np.all(found[nE:] >= 0.0)


def test_ratios_that_belong_on_the_boundary_are_put_there_exactly() -> None:
    none, slope = np.zeros((0, 1, 1)), np.array([1.0, -1.0])
    cone = ConeModel(none, np.ones(2), slope, 0.5 * np.eye(2), np.zeros(2), np.full(2, 11.0), None, True)
    assert cone_minimum(cone)[0] == 0.0
    assert cone_minimum(cone)[1] == pytest.approx(3.0, abs=1e-4)


def test_changes_of_slope_along_every_axis_give_the_curvature_itself() -> None:
    """The update is exact on a quadratic after conjugate steps (Nocedal & Wright 2006, sec. 6.1)."""
    true = np.diag([3.0, 5.0, 0.7])
    steps = [(step, true @ step) for step in 0.1 * np.eye(3)]
    assert corrected(np.eye(3), steps) == pytest.approx(true, rel=1e-12)


def test_a_slope_that_falls_along_the_step_leaves_the_curvature_positive() -> None:
    step = np.array([1.0, 0.0])
    assert np.linalg.eigvalsh(corrected(np.eye(2), [(step, -5.0 * step)]))[0] > 0.0
