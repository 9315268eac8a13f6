"""Intervals on the scale of marks and sets of whole marks, by SciPy's normal distribution and by every set there is."""

from itertools import combinations

import numpy as np
import pytest
from scipy.stats import norm

from model.domain.intervals import interval_on_scale, likely_marks

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


# Whole marks


def chances(mean: float, sd: float) -> dict[int, float]:
    """Chance of each mark: what lies nearest to a liking, whose variance is less by the 1/12 that rounding adds (Sheppard 1898)."""
    liking = norm(mean, np.sqrt(sd**2 - 1 / 12))
    at_most = [0.0, *(float(liking.cdf(mark + 0.5)) for mark in range(1, 7)), 1.0]
    return {mark: at_most[mark] - at_most[mark - 1] for mark in range(1, 8)}


@pytest.mark.parametrize("sd", [0.6, 0.9, 1.3])
@pytest.mark.parametrize("mean", [1.4, 3.1, 4.0, 4.55, 6.3])
def test_the_marks_told_are_the_likeliest_of_their_number_and_come_nearest_to_the_level(mean: float, sd: float) -> None:
    chance = chances(mean, sd)
    likeliest: dict[int, tuple[float, int, int]] = {}
    for low, high in combinations(range(1, 8), 2):
        held = (sum(chance[mark] for mark in range(low, high + 1)), -low, high)
        likeliest[high - low] = max(likeliest.get(high - low, held), held)
    nearest, minus_low, high = min(likeliest.values(), key=lambda each: abs(each[0] - LEVEL))
    told = [float(of) for of in likely_marks(mean, sd, LEVEL)]
    assert told == pytest.approx([-minus_low, high, nearest], abs=1e-9)
    assert told[0] <= mean <= told[1]


def test_rounded_likings_fall_among_them_as_often_as_is_told_and_scatter_as_was_fitted() -> None:
    # Sheppard's correction: what is rounded varies by 1/12 more. Drawn away from the ends, which would cut it.
    rng, mean, sd = np.random.default_rng(3), 3.9, 0.7
    marks = np.rint(rng.normal(mean, np.sqrt(sd**2 - 1 / 12), 200_000))
    assert marks.std() == pytest.approx(sd, abs=0.005)
    low, high, chance = likely_marks(mean, sd, LEVEL)
    assert np.mean((low <= marks) & (marks <= high)) == pytest.approx(float(chance), abs=0.003)


def test_at_the_ends_and_where_little_or_all_is_known_whole_marks_of_the_scale_are_told() -> None:
    means, sds = np.array([(-2.0, 1.0), (9.0, 1.0), (4.0, 9.0), (4.4, 1e-6)]).T
    low, high, chance = likely_marks(means, sds, LEVEL)
    assert low.tolist() == [1.0, 6.0, 1.0, 3.0]
    assert high.tolist() == [2.0, 7.0, 7.0, 4.0]
    assert np.all((chance > 0.9) & (chance <= 1.0))


def test_many_sets_of_marks_are_each_of_them_alone() -> None:
    means, sds = np.array([*AT_AN_END, *BETWEEN]).T
    many = np.array(likely_marks(means, sds, LEVEL)).T
    assert many == pytest.approx(np.array([likely_marks(*each, LEVEL) for each in (*AT_AN_END, *BETWEEN)]))
