"""Equations with a lower root, against scipy's general solvers."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular

from model.mixed.linalg import cholesky_solve, solve_lower

RNG = np.random.default_rng(7)
GRAM = np.cov(RNG.normal(size=(6, 40)))
WHOLE = np.linalg.cholesky(GRAM)
ROOTS = {"rows": WHOLE, "columns": np.asfortranarray(WHOLE), "a part": WHOLE[:4, :4]}


@pytest.mark.parametrize("kind", ROOTS)
@pytest.mark.parametrize("shape", [(), (1,), (3,), (0,)], ids=str)
def test_they_are_those_of_the_general_solvers(kind: str, shape: tuple[int, ...]) -> None:
    root = ROOTS[kind]
    right: NDArray[np.float64] = RNG.normal(size=(len(root), *shape))
    before = right.copy()
    np.testing.assert_allclose(solve_lower(root, right), solve_triangular(root, right, lower=True), rtol=1e-12)
    turned = solve_triangular(root, right, lower=True, trans="T")
    np.testing.assert_allclose(solve_lower(root, right, turned=True), turned, rtol=1e-12)
    np.testing.assert_allclose(cholesky_solve(root, right), cho_solve((root, True), right), rtol=1e-12)
    np.testing.assert_array_equal(right, before)


def test_a_singular_root_is_said_to_be_one() -> None:
    with pytest.raises(np.linalg.LinAlgError, match="singular"):
        solve_lower(np.diag([1.0, 0.0]), np.ones(2))
