"""Chances told beside what came of them: Murphy's parts of the Brier score, scikit-learn's bins, and drawn forecasts."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit, logit
from scipy.stats import norm
from sklearn.calibration import calibration_curve
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import brier_score_loss

from model.evaluation import reliability
from model.evaluation.reliability import Forecasts, Goodness
from model.preference.chances import recalibrated


def drawn(seed: int, bold: float = 1.0, players: int = 200, each: int = 2) -> Forecasts:
    """Forecasts that are told ``bold`` times as surely, on the logit's scale, as they come true."""
    rng = np.random.default_rng(seed)
    told = rng.uniform(0.02, 0.98, players * each)
    came = (rng.uniform(size=len(told)) < expit(logit(told) / bold)).astype(np.float64)
    return Forecasts(told, came, np.repeat([f"p{number}" for number in range(players)], each))


def checked(*sets: Forecasts) -> Goodness:
    found = reliability.goodness(sets)
    assert found is not None
    return found


def test_the_bins_and_the_brier_score_are_those_of_scikit_learn() -> None:
    given = drawn(1)
    share, told = calibration_curve(given.came, given.told, n_bins=10)
    found = reliability.bins(given)
    np.testing.assert_allclose([each.won.mean for each in found], share)
    np.testing.assert_allclose([each.told for each in found], told)
    assert sum(each.count for each in found) == 400
    assert reliability.brier(given).mean == pytest.approx(brier_score_loss(given.came, given.told))


def test_certainty_falls_into_the_last_bin_and_empty_bins_are_left_out() -> None:
    found = reliability.bins(Forecasts.of([(1.0, 1.0, "p"), (0.0, 0.5, "q")]))
    assert [(each.low, each.high, each.count) for each in found] == [(0.0, 0.1, 1), (0.9, 1.0, 1)]


def test_the_parts_of_the_brier_score_as_murphy_has_them() -> None:
    # Murphy 1973, J. Appl. Meteor. 12: 595. Five times .2 was said and it came once, five times .8 and it came three times.
    given = Forecasts.of(
        [(0.2, float(n < 1), f"a{n}") for n in range(5)] + [(0.8, float(n < 3), f"b{n}") for n in range(5)]
    )
    found = reliability.parts(given)
    assert found.reliability == pytest.approx((0.2 - 0.2) ** 2 / 2 + (0.8 - 0.6) ** 2 / 2)
    assert found.resolution == pytest.approx((0.2 - 0.4) ** 2 / 2 + (0.6 - 0.4) ** 2 / 2)
    assert found.uncertainty == pytest.approx(0.4 * 0.6)
    assert found.within == pytest.approx(0.0, abs=1e-15)
    assert reliability.brier(given).mean == pytest.approx(0.02 - 0.04 + 0.24)


@pytest.mark.parametrize("halves", [False, True])
def test_the_parts_add_up_to_the_brier_score(halves: bool) -> None:
    given = drawn(2)
    if halves:
        given = replace(given, came=np.where(np.arange(len(given.came)) % 5 == 0, 0.5, given.came))
    found = reliability.parts(given)
    together = found.reliability - found.resolution + found.uncertainty + found.within
    assert together == pytest.approx(reliability.brier(given).mean, abs=1e-12)
    assert abs(found.within) > 1e-5


def test_right_chances_are_found_wrong_as_seldom_as_the_test_says() -> None:
    p = np.array([checked(drawn(seed)).p for seed in range(400)])
    assert [np.mean(p < level) for level in (0.05, 0.2, 0.5)] == pytest.approx([0.05, 0.2, 0.5], abs=0.06)


def test_bold_chances_are_found_out() -> None:
    assert np.mean([checked(drawn(seed, bold=2.0)).p < 0.01 for seed in range(40)]) > 0.9


def test_what_one_player_tells_many_times_counts_once() -> None:
    # Every player's one forecast ten times over is no more evidence, though a test of single forecasts would take it for that.
    def ten_times(given: Forecasts) -> Forecasts:
        return Forecasts(np.repeat(given.told, 10), np.repeat(given.came, 10), np.repeat(given.player, 10))

    p = np.array([checked(ten_times(drawn(seed, each=1))).p for seed in range(200)])
    assert [np.mean(p < level) for level in (0.05, 0.2)] == pytest.approx([0.05, 0.2], abs=0.08)


def test_ties_are_less_apart_than_yes_and_no() -> None:
    def with_ties(given: Forecasts, rng: np.random.Generator) -> Forecasts:
        """A tie with the probability q of the less likely, else a win with (told - q / 2) / (1 - q): told on average."""
        q = np.minimum(given.told, 1 - given.told)
        tie, won = rng.random(len(q)) < q, rng.random(len(q)) < (given.told - q / 2) / (1 - q)
        return replace(given, came=np.where(tie, 0.5, won.astype(np.float64)))

    p = np.array([checked(with_ties(drawn(seed), np.random.default_rng([seed, 1]))).p for seed in range(200)])
    assert [np.mean(p < level) for level in (0.05, 0.2, 0.5)] == pytest.approx([0.05, 0.2, 0.5], abs=0.1)


def of_bows(seed: int) -> tuple[Forecasts, Forecasts, Forecasts]:
    """Chances of three bows a player, of the best of them, and once more of the first: all right, and hanging together."""
    rng = np.random.default_rng(seed)
    lead, shared, names = rng.normal(0.0, 1.2, (200, 3)), rng.normal(size=(200, 1)), [f"p{n}" for n in range(200)]
    came = (lead + 0.8 * shared + 0.6 * rng.normal(size=(200, 3)) > 0).astype(np.float64)
    single = Forecasts(norm.cdf(lead).ravel(), came.ravel(), np.repeat(names, 3))
    nodes, weights = np.polynomial.hermite_e.hermegauss(41)
    none = norm.cdf(-(lead[:, :, None] + 0.8 * nodes) / 0.6).prod(axis=1) @ weights / weights.sum()
    first = Forecasts(norm.cdf(lead[:, 0]), came[:, 0], np.array(names))
    return single, Forecasts(1.0 - none, came.max(axis=1), np.array(names)), first


def test_right_chances_of_several_kinds_are_not_found_wrong_for_being_alike() -> None:
    p = np.array([checked(*of_bows(seed)).p for seed in range(200)])
    assert np.mean(p < 0.01) < 0.03
    assert np.mean(p < 0.05) < 0.09


def test_of_several_kinds_of_chances_one_that_is_wrong_is_found() -> None:
    good, bold = drawn(3), drawn(4, bold=2.5)
    assert checked(good, bold).p == pytest.approx(2 * checked(bold).p)
    assert checked(good, bold).p < 0.01 < checked(good).p
    assert checked(good, drawn(5)).p <= 1.0


def test_thin_bins_are_joined() -> None:
    # 25 forecasts below a half, then 12 and 12 above: the last two bins are one.
    told = np.array([0.15] * 25 + [0.65] * 12 + [0.85] * 12)
    given = Forecasts(told, (np.arange(49) % 2).astype(float), np.array([f"p{n}" for n in range(49)]))
    assert checked(given).bins == 2


def test_too_few_players_are_not_checked() -> None:
    assert reliability.goodness([]) is None
    assert reliability.goodness([Forecasts.of([(0.4, 1.0, "p"), (0.6, 0.0, "q")])]) is None


def test_outcomes_all_as_told_for_sure_are_no_reason_to_doubt() -> None:
    sure = Forecasts.of([(float(n % 2), float(n % 2), f"p{n}") for n in range(60)])
    assert checked(sure).p == pytest.approx(1.0)


def test_the_slope_is_that_of_a_logistic_regression_without_intercept() -> None:
    given = drawn(5, bold=1.7)
    plain = LogisticRegression(C=np.inf, fit_intercept=False, tol=1e-10).fit(logit(given.told)[:, None], given.came)
    assert reliability.slope(given) == pytest.approx(float(plain.coef_[0, 0]), abs=1e-4)
    assert checked(given.mapped(reliability.slope(given))).p > 0.01


def test_the_map_keeps_the_order_and_leaves_the_ends_and_the_middle() -> None:
    told = np.linspace(0.0, 1.0, 101)
    for slope in (0.5, 0.8, 1.0, 1.5):
        mapped = recalibrated(told, slope)
        assert np.all(np.diff(mapped) > 0)
        assert mapped[[0, 50, 100]] == pytest.approx([0.0, 0.5, 1.0])
    assert recalibrated(0.9, 0.5) == pytest.approx(0.75)  # odds 9 to 1, their root 3 to 1
