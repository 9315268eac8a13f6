"""What the fit learnt as arrays: roots, and the criteria's copies brought to one list of levels."""

import numpy as np
import pytest
from scipy.linalg import sqrtm

from model.domain.arrays import Floats
from model.domain.vocabulary import Basis
from model.mixed import RemlFit
from model.preference.fitted import align_levels, principal_root
from model.preference.model import PreferenceModel
from model.preference.prediction import TRIALS_FOR_A_BASIS
from tests.model.worlds import VIOLIN, drawn_trials, random_covariance, violins

P = 3


def response(levels: list[tuple[str, int]], blocks: list[tuple[list[int], Floats]], copy_sd: float) -> RemlFit:
    """A response that rated these levels; the copies' effects are 1, 2, ..."""
    K = len(levels)
    return RemlFit(
        coef=np.zeros(P),
        coef_covariance=np.eye(P),
        player_sd=1.0,
        copy_sd=copy_sd,
        interaction_sd=1.0,
        residual_sd=1.0,
        identifiable={},
        reml=0.0,
        rows=K,
        iterations=1,
        copies=tuple(levels),
        copy_effect=np.arange(1.0, K + 1),
        copy_coupling=np.arange(1.0, K * P + 1).reshape(K, P),
        copy_blocks=[(np.array(members), V) for members, V in blocks],
    )


# Roots


@pytest.mark.parametrize("size", [1, 2, 5, 20])
def test_a_principal_root_is_that_of_the_reference_library(size: int) -> None:
    covariance = random_covariance(np.random.default_rng(size), size, 2.0)
    assert principal_root(covariance) == pytest.approx(sqrtm(covariance).real, abs=1e-9)


def test_the_order_of_the_variables_goes_through_a_principal_root() -> None:
    covariance, order = random_covariance(np.random.default_rng(1), 6, 1.0), np.array([3, 1, 5, 0, 2, 4])
    turned = covariance[np.ix_(order, order)]
    assert principal_root(turned) == pytest.approx(principal_root(covariance)[np.ix_(order, order)], abs=1e-12)


def test_a_covariance_without_full_rank_has_a_root() -> None:
    half = np.array([[1.0], [2.0], [0.0]])
    root = principal_root(half @ half.T)
    assert root @ root.T == pytest.approx(half @ half.T, abs=1e-12)
    assert principal_root(np.zeros((2, 3, 3))) == pytest.approx(np.zeros((2, 3, 3)), abs=0)
    assert principal_root(np.zeros((8, 0, 0))).shape == (8, 0, 0)


def test_what_is_no_covariance_has_no_root() -> None:
    with pytest.raises(ValueError, match="got a covariance with the eigenvalue -1, expected none below 0"):
        principal_root(np.diag([1.0, -1.0]))


# Levels of several criteria


A, B, C, D = ("a", 0), ("b", 0), ("c", 0), ("a", 1)
PAIR = np.array([[0.5, 0.1], [0.1, 0.4]])


def test_effects_go_to_their_level_and_the_unrated_stay_at_zero() -> None:
    first = response([A, B], [([0, 1], PAIR)], 1.0)
    second = response([C], [([0], np.array([[0.2]]))], 2.0)
    effect, coupling, _ = align_levels([first, second], (A, B, C), P)
    assert effect == pytest.approx(np.array([[1.0, 2.0, 0.0], [0.0, 0.0, 1.0]]), abs=0)
    assert coupling[0] == pytest.approx(np.array([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [0.0, 0.0, 0.0]]), abs=0)


def test_levels_linked_in_any_criterion_are_one_block() -> None:
    first = response([A, B, C], [([0, 1], PAIR), ([2], np.array([[0.3]]))], 1.0)
    second = response([B, C], [([0, 1], PAIR)], 2.0)
    _, _, blocks = align_levels([first, second], (A, B, C), P)
    (block,) = blocks
    assert block.levels.tolist() == [0, 1, 2]
    expected = np.zeros((2, 3, 3))
    expected[0, :2, :2], expected[0, 2, 2] = PAIR, 0.3
    expected[1, 0, 0], expected[1, 1:, 1:] = 4.0, PAIR  # the copy that the second criterion has not rated: its prior
    assert block.root @ block.root.swapaxes(1, 2) == pytest.approx(expected, abs=1e-12)


def test_the_stretches_of_one_copy_are_in_one_block() -> None:
    only = response([A, B, D], [([n], np.array([[0.1 * (n + 1)]])) for n in range(3)], 1.0)
    _, _, blocks = align_levels([only], (A, B, D), P)
    assert sorted(block.levels.tolist() for block in blocks) == [[0, 2], [1]]


def test_without_a_level_there_is_no_block() -> None:
    effect, coupling, blocks = align_levels([response([], [], 1.0)], (), P)
    assert (effect.shape, coupling.shape, blocks) == ((1, 0), (1, 0, P), ())


def test_shops_that_share_no_player_and_no_copy_are_blocks_of_their_own() -> None:
    range_ = violins([3, 3])
    trials = drawn_trials(range_, 12, 2, seed=3)
    here = [t for t in trials if all(r.copy is None or r.copy.startswith("a") for r in t.runs)]
    there = [t for t in trials if all(r.copy is None or r.copy.startswith("b") for r in t.runs)]
    assert here
    assert there
    posterior = PreferenceModel(range_).fit([*here, *there]).posterior_
    sides = [{posterior.levels[place][0][0] for place in block.levels} for block in posterior.blocks]
    assert all(len(side) == 1 for side in sides)


def test_the_variances_are_those_of_the_blocks() -> None:
    posterior = PreferenceModel(violins([2, 2])).fit(drawn_trials(violins([2, 2]), 8, 3, seed=3)).posterior_
    for block in posterior.blocks:
        squares = block.root @ block.root.swapaxes(1, 2)
        assert posterior.variance[:, block.levels] == pytest.approx(np.diagonal(squares, axis1=1, axis2=2), abs=1e-12)
    assert (posterior.variance <= posterior.copy_sd[:, None] ** 2 + 1e-12).all()


def test_each_copy_knows_the_places_of_its_stretches() -> None:
    posterior = PreferenceModel(violins([2])).fit(drawn_trials(violins([2]), 4, 2, seed=3)).posterior_
    for copy, places in posterior.stretches_of.items():
        assert all(posterior.levels[place] == (copy, stretch) for stretch, place in places.items())


# The outlook's own small rules


def test_the_basis_is_the_prior_without_trials() -> None:
    found = PreferenceModel(violins([1])).fit([]).outlook(VIOLIN)
    assert found.trials < TRIALS_FOR_A_BASIS
    assert found.basis is Basis.PRIOR
