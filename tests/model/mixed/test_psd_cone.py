"""The minimum over covariances and ratios, against closed forms and a general search on a Cholesky factor."""

import numpy as np
import pytest
from scipy.optimize import minimize

from model.domain.arrays import Floats
from model.mixed.linalg import vech, vech_basis
from model.mixed.optimise import damped_bfgs
from model.mixed.priors import CovariancePrior
from model.mixed.psd_cone import ConeQuadratic, psd_cone_qp


def model(Q: int, seed: int, ratios: int = 2, prior: CovariancePrior | None = None) -> ConeQuadratic:
    """Draw a convex model about a covariance inside and ratios of 1."""
    rng, basis = np.random.default_rng(seed), vech_basis(Q)
    m = len(basis) + ratios
    root, half = rng.normal(size=(Q, Q)), rng.normal(size=(m, m))
    now = np.append(vech(root @ root.T + 0.1 * np.eye(Q)), np.ones(ratios))
    low, high, closed = np.zeros(ratios), np.full(ratios, 11.0), prior is None
    curvature = half @ half.T + 0.1 * np.eye(m)
    return ConeQuadratic(basis, now, 20.0 * rng.normal(size=m), curvature, np.zeros((Q, Q)), low, high, prior, closed)


@pytest.mark.parametrize("seed", range(5))
def test_the_nearest_covariance_is_the_matrix_without_its_negative_part(seed: int) -> None:
    """Higham 1988, Linear Algebra Appl. 103: 103: in the Frobenius norm it is the positive part."""
    drawn = np.random.default_rng(seed).normal(size=(4, 4))
    M, basis = drawn + drawn.T, vech_basis(4)
    weight = np.diag(np.sum(basis, axis=(1, 2)))  # an entry off the diagonal counts twice
    now, none = vech(np.eye(4)), np.zeros(0)
    nearest = ConeQuadratic(basis, now, weight @ (now - vech(M)), weight, np.zeros((4, 4)), none, none, None, True)
    values, vectors = np.linalg.eigh(M)
    expected = (vectors * np.maximum(values, 0.0)) @ vectors.T
    found = nearest.covariance(psd_cone_qp(nearest))
    assert found == pytest.approx(expected, abs=5e-5)  # half the squared distance is known within 1e-9
    assert nearest.value(vech(found)) <= nearest.value(vech(expected)) + 1e-9
    assert np.sum(np.linalg.eigvalsh(found) > 1e-10) == np.sum(values > 0.0)


def test_the_prior_alone_has_its_minimum_at_its_mode() -> None:
    """-log|S| + tr(S0^-1 S) is least at S0."""
    root = np.random.default_rng(0).normal(size=(3, 3))
    mode, basis, none = root @ root.T + np.eye(3), vech_basis(3), np.zeros(0)
    prior = CovariancePrior(mode, 0.0)
    flat = ConeQuadratic(
        basis, vech(np.eye(3)), np.zeros(6), 1e-12 * np.eye(6), np.zeros((3, 3)), none, none, prior, False
    )
    assert flat.covariance(psd_cone_qp(flat)) == pytest.approx(mode, abs=1e-6)


@pytest.mark.parametrize("Q", [1, 2, 5, 9])
@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("informed", [False, True], ids=["no prior", "prior"])
def test_no_search_on_a_cholesky_factor_finds_a_lower_place(Q: int, seed: int, informed: bool) -> None:
    cone = model(Q, seed, prior=CovariancePrior(np.eye(Q), 0.0) if informed else None)
    found = psd_cone_qp(cone)
    nE = len(cone.basis)

    def elsewhere(v: Floats) -> Floats:
        L = np.zeros((Q, Q))
        L[np.tril_indices(Q)] = v[:nE]
        return np.append(vech(L @ L.T), np.minimum(v[nE:] ** 2, 11.0))

    start = np.append(vech(np.eye(Q)), np.ones(2))
    general = minimize(lambda v: cone.value(elsewhere(v)), start, method="L-BFGS-B", options={"maxfun": 100_000})
    assert cone.value(found) <= general.fun + 1e-7
    assert np.linalg.eigvalsh(cone.covariance(found))[0] >= -1e-12
    assert np.all(found[nE:] >= 0.0)


def test_ratios_that_belong_on_the_boundary_are_put_there_exactly() -> None:
    none, slope = np.zeros((0, 1, 1)), np.array([1.0, -1.0])
    cone = ConeQuadratic(
        none, np.ones(2), slope, 0.5 * np.eye(2), np.zeros((0, 0)), np.zeros(2), np.full(2, 11.0), None, True
    )
    assert psd_cone_qp(cone)[0] == 0.0
    assert psd_cone_qp(cone)[1] == pytest.approx(3.0, abs=1e-4)


def test_changes_of_slope_along_every_axis_give_the_curvature_itself() -> None:
    """The update is exact on a quadratic after conjugate steps (Nocedal & Wright 2006, sec. 6.1)."""
    true = np.diag([3.0, 5.0, 0.7])
    steps = [(step, true @ step) for step in 0.1 * np.eye(3)]
    assert damped_bfgs(np.eye(3), steps) == pytest.approx(true, rel=1e-12)


def test_a_slope_that_falls_along_the_step_leaves_the_curvature_positive() -> None:
    step = np.array([1.0, 0.0])
    assert np.linalg.eigvalsh(damped_bfgs(np.eye(2), [(step, -5.0 * step)]))[0] > 0.0
