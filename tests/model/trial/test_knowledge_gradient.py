"""The best of several bows and what a play is worth: closed forms, published constants, another integral, whole trials drawn."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from model.domain.arrays import Floats
from model.trial.knowledge_gradient import (
    append_unknown_copies,
    expected_max,
    expected_max_after,
    knowledge_gradient,
    p_best,
    predictive_change,
)

BEST = json.loads((Path(__file__).parents[1] / "data" / "bechhofer_1954.json").read_text())


def law(n: int, seed: int) -> tuple[Floats, Floats]:
    """A random joint law of n likings, correlated."""
    rng = np.random.default_rng(seed)
    half = rng.normal(size=(n, n))
    return rng.normal(0, 0.5, n), half @ half.T / n + 0.3


# The probability of being the best


@pytest.mark.parametrize(("lead", "shared"), [(0.0, 0.0), (0.3, 0.2), (-1.1, -0.4), (4.0, 0.7)])
def test_of_two_bows_it_is_the_normal_probability_of_the_difference(lead: float, shared: float) -> None:
    chance = p_best([lead, 0.0], [[1.0, shared], [shared, 0.8]])
    assert chance == pytest.approx(norm.cdf([lead, -lead] / np.sqrt(1.8 - 2 * shared)), abs=1e-9)


@pytest.mark.parametrize(
    ("p_star", "k", "tau"), [(float(p), int(k), tau) for p, of in BEST["tau"].items() for k, tau in of.items()]
)
def test_a_lead_of_bechhofers_tau_over_like_bows_is_the_best_with_p_star(p_star: float, k: int, tau: float) -> None:
    mean = np.zeros(k)
    mean[0] = tau
    # Bechhofer 1954, Table I, for independent bows of unit deviation; the net's error is below 1e-3.
    assert p_best(mean, np.eye(k))[0] == pytest.approx(p_star, abs=5e-4)


@pytest.mark.parametrize("k", [2, 3, 5, 8])
def test_bows_that_nothing_tells_apart_share_the_probability(k: int) -> None:
    assert p_best(np.zeros(k), np.eye(k) + 0.5) == pytest.approx(np.full(k, 1 / k), abs=1e-9)
    assert p_best(np.full(k, 4.0), np.full((k, k), 0.5)) == pytest.approx(np.full(k, 1 / k), abs=1e-3)


@pytest.mark.parametrize("n", [3, 4, 5, 6, 7, 8])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_it_agrees_with_plain_monte_carlo(n: int, seed: int) -> None:
    mean, cov = law(n, seed)
    drawn = np.random.default_rng(77).multivariate_normal(mean, cov, size=200_000).argmax(axis=1)
    share = np.bincount(drawn, minlength=n) / len(drawn)
    # Four standard errors of a share of 200,000 draws are at most .0045; the net adds 1e-3.
    assert p_best(mean, cov) == pytest.approx(share, abs=0.0055)


def test_likings_without_uncertainty_have_their_highest_for_certain() -> None:
    assert p_best([4.0, 5.0, 4.5], np.zeros((3, 3))) == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)


def test_one_bow_alone_is_the_best_and_none_has_no_probability() -> None:
    assert p_best([4.0], [[1.0]]).tolist() == [1.0]
    assert p_best(np.zeros(0), np.zeros((0, 0))).shape == (0,)


def test_the_probabilities_add_up_to_one_and_are_the_same_when_asked_again() -> None:
    mean, cov = law(7, 5)
    assert p_best(mean, cov).sum() == pytest.approx(1.0, abs=1e-12)
    assert (p_best(mean, cov) == p_best(mean, cov)).all()


def test_what_all_bows_share_does_not_matter() -> None:
    mean, cov = law(5, 6)
    assert p_best(mean + 2.0, cov + 3.0) == pytest.approx(p_best(mean, cov), abs=1e-9)


# The expected maximum of lines


def test_of_a_known_value_and_one_line_it_is_the_expected_improvement() -> None:
    # Jones, Schonlau & Welch 1998, J. Glob. Optim. 13: 455: (m - f) Phi + s phi over the known f.
    m, s, f = 4.2, 0.6, 4.5
    z = (m - f) / s
    assert expected_max(np.array([f, m]), np.array([0.0, s])) == pytest.approx(
        f + (m - f) * norm.cdf(z) + s * norm.pdf(z), abs=1e-12
    )


@pytest.mark.parametrize("seed", range(8))
def test_of_many_lines_it_is_the_integral_over_z(seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = rng.normal(size=6), rng.normal(size=6)
    plain, _ = quad(lambda z: np.max(a + b * z) * norm.pdf(z), -12, 12, limit=500, epsabs=1e-10)
    assert expected_max(a, b) == pytest.approx(plain, abs=1e-8)


def test_of_lines_with_one_slope_the_highest_counts_and_counts_once() -> None:
    a, b = np.array([1.0, 3.0, 3.0, 2.0]), np.zeros(4)
    assert expected_max(a, b) == pytest.approx(3.0, abs=1e-15)
    assert expected_max(np.array([0.0, 0.0]), np.array([1.0, 1.0])) == pytest.approx(0.0, abs=1e-15)


def test_of_three_lines_through_one_point_the_middle_one_never_counts() -> None:
    # E|Z| = sqrt(2 / pi).
    assert expected_max(np.zeros(3), np.array([-1.0, 0.0, 1.0])) == pytest.approx(math.sqrt(2 / math.pi), abs=1e-12)


def test_many_rows_at_once_are_each_row_by_itself() -> None:
    rng = np.random.default_rng(3)
    a, b = rng.normal(size=(5, 4)), rng.normal(size=4)
    assert expected_max(a, b) == pytest.approx([float(expected_max(row, b)) for row in a], abs=1e-14)


# What plays are worth


def taken_after_plays(mean: Floats, cov: Floats, plays: list[int], noise: float, seed: int) -> tuple[float, float]:
    """Whole trials drawn: true likings, ratings, means conditioned the plain way, the highest taken; its mean true liking, error."""
    rng, draws = np.random.default_rng(seed), 400_000
    true = rng.multivariate_normal(mean, cov, size=draws)
    rated = true[:, plays] + noise * rng.normal(size=(draws, len(plays)))
    gain = np.linalg.solve(cov[np.ix_(plays, plays)] + noise**2 * np.eye(len(plays)), cov[plays]).T
    after = mean + (rated - mean[plays]) @ gain.T
    won = true[np.arange(draws), after.argmax(axis=1)]
    return float(won.mean()), float(won.std() / np.sqrt(draws))


@pytest.mark.parametrize("plays", [[0], [2], [0, 1], [1, 3]])
@pytest.mark.parametrize("seed", [1, 2])
def test_a_play_is_worth_what_it_wins_in_drawn_trials(plays: list[int], seed: int) -> None:
    mean, cov = law(5, seed)
    won, error = taken_after_plays(mean, cov, plays, 0.6, seed)
    assert knowledge_gradient(mean, cov, plays, 0.6) == pytest.approx(won - mean.max(), abs=4 * error)


def test_two_plays_of_bows_known_to_be_alike_have_their_closed_form() -> None:
    # Two independent bows of variance v, both rated once more: the difference of their means has the variance 2 v^2 / (v + noise^2);
    # half its mean absolute value is won.
    v, noise = 0.4, 0.7
    moved = 2 * v**2 / (v + noise**2)
    assert knowledge_gradient(np.zeros(2), v * np.eye(2), (0, 1), noise) == pytest.approx(
        math.sqrt(moved) / math.sqrt(2 * math.pi), abs=1e-6
    )


def test_a_new_copy_heard_without_noise_beside_a_known_bow_has_the_expected_improvement() -> None:
    # Jones, Schonlau & Welch 1998, J. Glob. Optim. 13: 455.
    m, s, f = 4.2, 0.6, 4.5
    mean, cov = np.array([f, m]), np.diag([0.0, s**2])
    z = (m - f) / s
    assert knowledge_gradient(mean, cov, (1,), 0.0) == pytest.approx((m - f) * norm.cdf(z) + s * norm.pdf(z), abs=1e-12)


def test_two_plays_are_worth_at_least_as_much_as_one() -> None:
    mean, cov = law(5, 9)
    one, two = knowledge_gradient(mean, cov, (1,), 0.6), knowledge_gradient(mean, cov, (1, 2), 0.6)
    assert 0 < one < two


def test_a_play_that_can_change_nothing_is_worth_nothing() -> None:
    assert knowledge_gradient(np.array([6.0, 2.0]), 0.01 * np.eye(2), (0, 1), 0.7) == pytest.approx(0.0, abs=1e-12)


def test_three_plays_at_once_are_refused() -> None:
    mean, cov = law(4, 1)
    with pytest.raises(ValueError, match="plays: got 3"):
        expected_max_after(mean, predictive_change(cov, (0, 1, 2), 0.5))


def test_new_copies_share_their_tiers_mean_and_nothing_else() -> None:
    mean, cov = law(3, 4)  # one tier, two bows
    new_mean, new_cov = append_unknown_copies(mean, cov, 0, [1, 2], 0.5, 2)
    assert new_mean == pytest.approx(mean[[1, 2, 0, 0]])
    assert new_cov[2, 2] == pytest.approx(cov[0, 0] + 0.25)
    assert new_cov[2, 3] == pytest.approx(cov[0, 0])
    assert new_cov[0, 2] == pytest.approx(cov[1, 0])
