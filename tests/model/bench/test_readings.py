"""Repeated readings: their own spread, which one to ask about, and a line through points uncertain in both directions."""

import numpy as np
import pytest

from model.bench import readings
from model.bench.readings import Measured

# Pearson 1901 with the weights of York 1966, as published by York et al. 2004 (Am. J. Phys. 72:367).
PEARSON_X = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4]
PEARSON_Y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5]
YORK_WX = [1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0]
YORK_WY = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0]


def test_a_line_through_pearsons_points_with_yorks_weights_is_the_published_one() -> None:
    x = [Measured(value, weight**-0.5) for value, weight in zip(PEARSON_X, YORK_WX, strict=True)]
    y = [Measured(value, weight**-0.5) for value, weight in zip(PEARSON_Y, YORK_WY, strict=True)]
    line = readings.line_through(x, y)
    # York et al. 2004; also in the tests of several open packages: 5.479910224 (.294970735), -.480533407 (.057985009), S/(n-2) 1.483294149.
    assert line.intercept == pytest.approx((5.479910224, 0.294970735), abs=1e-8)
    assert line.slope == pytest.approx((-0.480533407, 0.057985009), abs=1e-8)
    assert line.chi_square / 8 == pytest.approx(1.483294149, abs=1e-7)


@pytest.mark.parametrize("points", [2, 3])
def test_a_line_needs_points_that_differ(points: int) -> None:
    with pytest.raises(ValueError, match="three points or more"):
        readings.line_through([Measured(1.0, 0.1)] * points, [Measured(2.0, 0.1)] * points)


def test_the_repeatability_is_pooled_over_what_was_read_again() -> None:
    # ISO 5725-2: s_r^2 is the sum of squares within groups over its degrees of freedom: (.02 + .08 + 0) / 4.
    found = readings.repeatability([[60.1, 60.3], [58.0, 58.2, 58.4], [61.0], [70.0, 70.0]])
    assert found == pytest.approx((0.025**0.5, 4))
    assert readings.repeatability([[60.1], [], [58.0]]) is None


@pytest.mark.parametrize(("n", "critical"), [(3, 1.155), (5, 1.764), (10, 2.482), (20, 3.001)])
def test_the_critical_values_are_grubbs_own(n: int, critical: float) -> None:
    # Grubbs 1969 (ISO 5725-2, Table 5): one outlier, both sides, 1 %.
    assert readings.grubbs_critical(n) == pytest.approx(critical, abs=6e-4)


def test_a_reading_that_stands_apart_is_asked_about() -> None:
    assert readings.questioned([60.1, 60.2, 60.1, 60.0, 66.0]) == 4
    assert readings.questioned([60.1, 60.2, 60.1, 60.0, 60.3]) is None
    assert readings.questioned([60.1, 60.1, 60.1]) is None
    # Two alike and one a step of the scale away: 2.8 x .1 g (ISO 5725-6, 4.1.4) may lie between readings that good.
    assert readings.questioned([60.2, 60.3, 60.2], usual=0.1) is None
    assert readings.questioned([60.2, 61.0, 60.2], usual=0.1) == 1
    known = readings.Repeatability(0.1, 20)
    assert readings.questioned([60.1, 61.5], known) == 1
    assert readings.questioned([60.1, 60.3], known) is None
    assert readings.questioned([60.1, 61.5]) is None
    # Nobody knows yet how well they repeat: five times what may lie between usual ones, 5 x 2.8 x .1 g, is asked about.
    assert readings.questioned([60.1, 61.6], usual=0.1) == 1
    assert readings.questioned([60.1, 61.4], usual=0.1) is None


def test_sound_readings_are_asked_about_as_seldom_as_is_said() -> None:
    drawn = np.random.default_rng(4)
    asked = sum(readings.questioned(drawn.normal(60.0, 0.1, 5).tolist()) is not None for _ in range(2000))
    assert 5 <= asked <= 40  # 20 expected of 2000; these are 3.4 binomial standard deviations to either side


def test_readings_an_order_apart_are_not_of_one_thing() -> None:
    assert readings.order_apart([0.13, 130.0])
    assert not readings.order_apart([129.0, 131.0])
    assert not readings.order_apart([])


def test_an_exact_input_brings_no_uncertainty() -> None:
    assert readings.propagate(lambda a, b: a / b, Measured(6.0, 0.0), Measured(2.0, 0.0)) == (3.0, 0.0)
    # The relative uncertainties of a quotient add in squares (JCGM 100:2008, 5.1.6).
    value, sd = readings.propagate(lambda a, b: a / b, Measured(6.0, 0.06), Measured(2.0, 0.02))
    assert sd / value == pytest.approx(0.01 * 2**0.5, rel=1e-3)
    assert readings.mean([1.0, 3.0], 1.0) == pytest.approx((2.0, 0.5**0.5))


def test_the_spread_within_and_between_is_that_of_shrout_and_fleiss() -> None:
    # Shrout & Fleiss 1979 (Psychol. Bull. 86:420), six targets by four judges: WMS 6.263889, ICC(1,1) .165742.
    targets = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
    parts = readings.spread_parts(targets, 0.0)
    assert parts is not None
    assert parts.within**2 == pytest.approx(6.263889, abs=1e-6)
    assert parts.between**2 / (parts.between**2 + parts.within**2) == pytest.approx(0.165742, abs=1e-6)
    measured = readings.spread_parts(targets, 2.0)
    assert measured is not None
    assert measured == pytest.approx((2.263889**0.5, parts.between), abs=1e-6)
    assert readings.spread_parts([[1.0, 2.0]], 0.0) is None
    assert readings.spread_parts([[1.0], [2.0], []], 0.0) is None


def test_unequal_tiers_spread_as_they_were_drawn() -> None:
    drawn = np.random.default_rng(11)
    tiers = [drawn.normal(drawn.normal(130.0, 3.0), 2.0, size) for size in drawn.integers(2, 12, 400)]
    parts = readings.spread_parts(tiers, 1.2)
    assert parts is not None
    assert parts == pytest.approx((1.6, 3.0), rel=0.1)  # sqrt(2.0^2 - 1.2^2) = 1.6


@pytest.mark.parametrize("copies", [6, 7, 11, 24, 80])
def test_one_sound_tier_in_twenty_has_a_copy_out_of_character(copies: int) -> None:
    drawn = np.random.default_rng(copies).normal(130.0, 2.0, (600, copies)).tolist()
    named = sum(bool(readings.tier_spread(tier, 0.1).apart) for tier in drawn)
    assert 12 <= named <= 50  # 30 expected of 600; these are 3.4 binomial standard deviations to either side


def test_copies_out_of_character_do_not_hide_each_other_and_errors_of_reading_are_none() -> None:
    sound = [128.0, 129.0, 130.0, 130.5, 131.0, 132.0, 129.5]
    # A quarter of the copies at one place: their own mean and deviation would cover them (Davies & Gather 1993, masking).
    spread = readings.tier_spread([*sound, 150.0, 151.0], 0.1)
    assert spread.apart == (7, 8)
    assert spread.middle == 130.5
    # The same copies where a reading is out by 5 g as a rule: nothing is told of them.
    assert readings.tier_spread([*sound, 150.0, 151.0], 5.0) == (130.5, 0.0, ())
    # Equal readings: what differs by less than readings do is in character.
    assert readings.tier_spread([60.0] * 7 + [60.2], 0.1).apart == ()
    assert readings.tier_spread([60.0] * 7 + [61.0], 0.1).apart == (7,)
    assert readings.tier_spread([128.0, 129.0, 130.0, 131.0, 190.0], 0.1).apart == ()  # five tell nothing
    with pytest.raises(ValueError, match="values: got none"):
        readings.tier_spread([], 0.1)
