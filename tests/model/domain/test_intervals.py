"""Intervals on the scale of marks, by SciPy's normal distribution cut to the scale."""

import numpy as np
import pytest
from scipy.stats import norm

from model.domain.intervals import interval_on_scale

LEVEL = 0.9
AT_AN_END = [(5.5, 1.0), (6.2, 0.9), (6.9, 0.8), (1.3, 1.1), (2.0, 0.9)]
BETWEEN = [(4.0, 0.5), (4.2, 1.4), (5.0, 1.0)]


def held(low: float, high: float, mean: float, sd: float) -> float:
    """Probability that a mark lies within, one beyond an end of the scale being given as that end."""
    below = 0.0 if low <= 1.0 else norm.cdf(low, mean, sd)
    above = 0.0 if high >= 7.0 else norm.sf(high, mean, sd)
    return float(1.0 - below - above)


@pytest.mark.parametrize(("mean", "sd"), [*AT_AN_END, *BETWEEN])
def test_it_holds_a_mark_as_often_as_it_says(mean: float, sd: float) -> None:
    low, high = (float(of) for of in interval_on_scale(mean, sd, LEVEL))
    assert 1.0 <= low <= mean <= high <= 7.0
    assert held(low, high, mean, sd) == pytest.approx(LEVEL)


@pytest.mark.parametrize(("mean", "sd"), AT_AN_END)
def test_at_an_end_it_is_shorter_than_what_the_scale_cuts_off_the_one_about_the_mean(mean: float, sd: float) -> None:
    low, high = (float(of) for of in interval_on_scale(mean, sd, LEVEL))
    cut = np.clip(norm.interval(LEVEL, mean, sd), 1.0, 7.0)
    assert high - low < cut[1] - cut[0] - 0.2 * sd


@pytest.mark.parametrize(("mean", "sd"), BETWEEN)
def test_away_from_the_ends_it_is_the_normal_one(mean: float, sd: float) -> None:
    assert interval_on_scale(mean, sd, LEVEL) == pytest.approx(norm.interval(LEVEL, mean, sd))


def test_a_deviation_wider_than_the_scale_and_a_mean_beyond_it_stay_on_the_scale() -> None:
    for mean, sd in ((4.0, 3.0), (5.0, 9.0), (7.6, 0.6), (0.2, 0.4)):
        low, high = (float(of) for of in interval_on_scale(mean, sd, LEVEL))
        assert 1.0 <= low <= high <= 7.0
        assert held(low, high, mean, sd) >= LEVEL - 1e-9


def test_a_scale_without_ends_cuts_nothing() -> None:
    assert interval_on_scale(6.9, 1.0, LEVEL, (-np.inf, np.inf)) == pytest.approx(norm.interval(LEVEL, 6.9, 1.0))


def test_many_are_each_of_them_alone() -> None:
    means, sds = np.array([*AT_AN_END, *BETWEEN]).T
    low, high = interval_on_scale(means, sds, LEVEL)
    for place, (mean, sd) in enumerate([*AT_AN_END, *BETWEEN]):
        assert (low[place], high[place]) == pytest.approx(interval_on_scale(mean, sd, LEVEL))
