"""The shortest interval on the scale against all others, by SciPy's normal distribution cut to the scale."""

import numpy as np
import pytest
from scipy.stats import norm

from model.domain.intervals import shortest_interval

LEVEL = 0.9
LAWS = [
    (4.0, 0.5),
    (4.0, 1.0),
    (5.5, 1.0),
    (6.2, 0.9),
    (6.9, 0.8),
    (7.6, 0.6),
    (1.3, 1.1),
    (0.2, 0.4),
    (4.0, 3.0),
    (5.0, 9.0),
]


def held(low: float, high: float, mean: float, sd: float) -> float:
    """Probability that a mark lies within, one beyond an end of the scale being given as that end."""
    below = 0.0 if low <= 1.0 else norm.cdf(low, mean, sd)
    above = 0.0 if high >= 7.0 else norm.sf(high, mean, sd)
    return float(1.0 - below - above)


@pytest.mark.parametrize(("mean", "sd"), LAWS)
def test_it_holds_a_mark_as_often_as_it_says_and_no_shorter_one_does(mean: float, sd: float) -> None:
    low, high = (float(of) for of in shortest_interval(mean, sd, LEVEL))
    assert 1.0 <= low <= high <= 7.0
    assert held(low, high, mean, sd) >= LEVEL - 1e-9
    grid = np.linspace(1.0, 7.0, 601)
    lengths = [b - a for a in grid for b in grid[grid >= a] if held(a, b, mean, sd) >= LEVEL]
    assert high - low <= min(lengths) + 1e-9
    assert high - low >= min(lengths) - 0.02, "the grid's own step, at both ends"


def test_away_from_the_ends_it_is_the_normal_one() -> None:
    assert shortest_interval(4.0, 0.5, LEVEL) == pytest.approx(norm.interval(LEVEL, 4.0, 0.5))


def test_a_scale_without_ends_cuts_nothing() -> None:
    assert shortest_interval(6.9, 1.0, LEVEL, (-np.inf, np.inf)) == pytest.approx(norm.interval(LEVEL, 6.9, 1.0))


def test_many_are_each_of_them_alone() -> None:
    means, sds = np.array(LAWS).T
    low, high = shortest_interval(means, sds, LEVEL)
    for place, (mean, sd) in enumerate(LAWS):
        assert (low[place], high[place]) == pytest.approx(shortest_interval(mean, sd, LEVEL))
