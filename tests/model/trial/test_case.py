"""Which bows to bring: published order statistics, another library's orthants, drawn trials, and every case looked at."""

import json
import math
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from model.trial.case import (
    MOST_TIERS,
    UNLESS_IT_COSTS,
    Candidates,
    choose,
    expected_gains,
    path_through,
    win_probabilities,
)
from model.trial.law import UtilityDistribution

ORDER_STATISTICS = json.loads((Path(__file__).parents[1] / "data" / "normal_order_statistics.json").read_text())
NOBODY = np.zeros(0, dtype=bool)


def alike(n: int, mean: float, sd: float, own: float, noise: float = 1e-6, own_sd: float = 0.0) -> UtilityDistribution:
    """Bows that differ by chance alone, beside an own bow independent of them."""
    cov = np.diag([own_sd**2, *[sd**2] * n])
    return UtilityDistribution(np.array([own, *[mean] * n]), cov, noise, no_own=own_sd == 0.0)


def drawn_law(seed: int, n: int, no_own: bool = False) -> UtilityDistribution:
    """A joint law with something shared by all, and something by every two."""
    rng = np.random.default_rng(seed)
    root = rng.normal(0, 0.3, (n + 1, 3))
    cov = 0.3 + root @ root.T + np.diag(rng.uniform(0.05, 0.5, n + 1))
    mean = np.concatenate([[4.4], rng.normal(4.6, 0.4, n)])
    if no_own:
        cov[0], cov[:, 0], mean[0] = 0.0, 0.0, 5.0
    return UtilityDistribution(mean, cov, 0.8, no_own)


def candidates(tier: list[int], beyond: tuple[int, ...] = (), wanted: tuple[int, ...] = ()) -> Candidates:
    flags = np.zeros((2, len(tier)), dtype=bool)
    flags[0, list(beyond)], flags[1, list(wanted)] = True, True
    return Candidates(np.array(tier, dtype=np.intp), flags[0], flags[1])


# Gains and chances


@pytest.mark.parametrize("n", range(1, 7))
def test_without_noise_the_best_of_n_is_that_of_the_tables(n: int) -> None:
    # Expected maximum of n normal deviates: Teichroew 1956, Ann. Math. Statist. 27: 410. An own bow so bad that it never stays.
    found = expected_gains(alike(6, mean=5.0, sd=0.8, own=-1.0), range(6))
    assert found[n - 1] == pytest.approx(6 + 0.8 * ORDER_STATISTICS["expected_maximum"][str(n)], abs=3e-3)


def test_one_bow_as_good_as_the_own_bow_wins_s_phi_of_zero() -> None:
    # E max(s e, 0) = s / sqrt(2 pi).
    law = alike(1, mean=5.0, sd=0.8, own=5.0)
    assert expected_gains(law, [0])[0] == pytest.approx(0.8 / math.sqrt(2 * math.pi), abs=1e-3)
    assert win_probabilities(law, [0])[0] == pytest.approx(0.5, abs=1e-9)


@pytest.mark.parametrize("n", range(1, 7))
def test_bows_like_the_own_bow_win_as_selection_among_equals_does(n: int) -> None:
    # n + 1 alike: the best by its rating is worth s2 / S expected maximum of n + 1 (Falconer & Mackay 1996, Introduction to
    # Quantitative Genetics, ch. 11), and each is the best with 1 / (n + 1).
    law = alike(n, mean=4.0, sd=0.6, own=4.0, noise=0.8, own_sd=0.6)
    expected = 0.36 * ORDER_STATISTICS["expected_maximum"][str(n + 1)]
    assert expected_gains(law, range(n))[-1] == pytest.approx(expected, abs=3e-3)
    assert win_probabilities(law, range(n))[-1] == pytest.approx(n / (n + 1), abs=3e-3)


@pytest.mark.parametrize("by", [0.0, 0.3])
@pytest.mark.parametrize("seed", range(3))
def test_the_chances_are_the_orthants_of_another_library(seed: int, by: float) -> None:
    # scipy.stats.multivariate_normal (Genz's integration), its own error 1e-5 or less.
    law, path = drawn_law(seed, 5), [3, 0, 4, 1, 2]
    found = win_probabilities(law, path, by=by)
    for n in range(1, 6):
        rows = [0, *(bow + 1 for bow in path[:n])]
        turn = np.column_stack([-np.ones(n), np.eye(n)])
        mean, cov = turn @ law.mean[rows], turn @ law.cov[np.ix_(rows, rows)] @ turn.T
        none = multivariate_normal.cdf(np.full(n, by), mean, cov, rng=np.random.default_rng(1))
        assert found[n - 1] == pytest.approx(1 - float(none), abs=3e-3)


@pytest.mark.parametrize("no_own", [False, True])
@pytest.mark.parametrize("seed", range(3))
def test_gains_and_chances_are_those_of_drawn_trials(seed: int, no_own: bool) -> None:
    law, path, rng = drawn_law(seed, 4, no_own), [2, 0, 3, 1], np.random.default_rng(seed)
    liked = rng.multivariate_normal(law.mean, law.cov, 400_000)
    marks = liked + law.noise * rng.normal(size=liked.shape)
    gain, chance = expected_gains(law, path), win_probabilities(law, path)
    for n in range(1, 5):
        bows = [bow + 1 for bow in path[:n]]
        rated = bows if no_own else [0, *bows]
        # What is expected of each after the trial, by regression on the marks: the normal equations, from the draws' law.
        gram = law.cov[np.ix_(rated, rated)] + law.noise**2 * np.eye(len(rated))
        weights = np.linalg.solve(gram, law.cov[np.ix_(rated, [0, *bows])])
        after = law.mean[[0, *bows]] + (marks[:, rated] - law.mean[rated]) @ weights
        taken = np.array([0, *bows])[after.argmax(axis=1)]
        won = liked[np.arange(len(liked)), taken] - liked[:, 0]
        assert gain[n - 1] == pytest.approx(won.mean(), abs=4 * won.std() / np.sqrt(len(won)) + 1e-3)
        assert chance[n - 1] == pytest.approx((liked[:, bows] > liked[:, :1]).any(axis=1).mean(), abs=3e-3)


@pytest.mark.parametrize("seed", range(20))
def test_no_row_falls(seed: int) -> None:
    law, of = (
        drawn_law(seed, 12, no_own=seed % 3 == 0),
        candidates([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3], beyond=(9, 10, 11)),
    )
    case = choose(law, of, limit=6, carry_cost=0.01)
    path = path_through(law, of, case)
    assert set(path[: len(case)]) == set(case)
    for values in (expected_gains(law, path), win_probabilities(law, path)):
        assert (np.diff(values) >= 0).all()
        assert (values >= 0).all()


# The search


@pytest.mark.parametrize("last", [-1e-13, 0.0, 1e-13])
def test_of_bows_that_differ_by_rounding_alone_the_first_comes(last: float) -> None:
    law = alike(5, mean=5.0, sd=0.6, own=4.0)
    mean = law.mean.copy()
    mean[-1] += last
    assert choose(
        UtilityDistribution(mean, law.cov, 0.8, no_own=True), candidates([0] * 5), limit=3, carry_cost=0.01
    ) == [0, 1, 2]


@pytest.mark.parametrize("seed", range(8))
def test_the_search_finds_what_looking_at_every_case_finds(seed: int) -> None:
    law, of, cost = drawn_law(seed, 9), candidates([0, 0, 0, 1, 1, 1, 2, 2, 2]), 0.02
    worth = {
        case: float(expected_gains(law, case)[-1]) - cost * len(case)
        for n in (3, 4)
        for case in combinations(range(9), n)
        if len(set(of.tier[list(case)].tolist())) > 1
    }
    found = choose(law, of, limit=4, carry_cost=cost)
    assert worth[tuple(sorted(found))] == pytest.approx(max(worth.values()), abs=4e-3)


@pytest.mark.parametrize("seed", range(12))
def test_the_floors_of_practice_hold(seed: int) -> None:
    of = candidates([0, 0, 0, 1, 1, 2, 3, 3, 4, 5], beyond=(7, 8, 9))
    law = drawn_law(seed, 10)
    for limit in range(1, 7):
        found = choose(law, of, limit=limit, carry_cost=0.03)
        assert min(3, limit) <= len(found) <= limit
        assert len(set(of.tier[found].tolist())) <= MOST_TIERS
        assert of.beyond[found].sum() <= 1
        assert limit == 1 or (~of.beyond[found]).sum() >= min(2, limit - of.beyond[found].sum())


def test_two_tiers_come_unless_that_costs_too_much() -> None:
    # Five good bows of one tier; the other tier's is worse by so much that at first it costs little, then much.
    for worse, tiers in ((0.0, 2), (3.0, 1)):
        mean = np.array([4.0, *[5.0] * 5, 5.0 - worse])
        law = UtilityDistribution(mean, np.diag([0.3, *[0.3] * 6]), 0.7, no_own=False)
        found = choose(law, candidates([0, 0, 0, 0, 0, 1]), limit=3, carry_cost=0.01)
        assert len({0 if bow < 5 else 1 for bow in found}) == tiers
    assert UNLESS_IT_COSTS == 0.05


def test_a_bow_that_was_loved_comes_whatever_it_wins() -> None:
    law = UtilityDistribution(np.array([4.0, 5.5, 5.4, 5.3, 5.2, 3.0]), np.diag([0.3] * 6), 0.7, no_own=False)
    assert 4 not in choose(law, candidates([0, 0, 1, 1, 2]), limit=4, carry_cost=0.01)
    assert 4 in choose(law, candidates([0, 0, 1, 1, 2], wanted=(4,)), limit=4, carry_cost=0.01)
    assert choose(law, candidates([0, 0, 1, 1, 2], wanted=(4,)), limit=1, carry_cost=0.01) == [4]


def test_what_is_carried_costs() -> None:
    law = drawn_law(1, 8)
    sizes = [
        len(choose(law, candidates([0, 0, 1, 1, 2, 2, 3, 3]), limit=6, carry_cost=cost)) for cost in (0.0, 0.01, 0.2)
    ]
    assert sizes == sorted(sizes, reverse=True)
    assert sizes[0] == 6
    assert sizes[-1] == 2  # a third bow that costs more than is allowed for a comparison stays at home


def test_nothing_at_hand_is_an_empty_case() -> None:
    assert (
        choose(
            UtilityDistribution(np.array([4.0]), np.eye(1), 0.7, no_own=False),
            Candidates(np.zeros(0, dtype=np.intp), NOBODY, NOBODY),
            limit=6,
            carry_cost=0.01,
        )
        == []
    )
