"""How many bows: published order statistics, closed forms, another library's orthants, and a Monte-Carlo of the whole trial."""

import json
import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import multivariate_normal

from model.copies import (
    AtHand,
    KnownBow,
    UnratedBow,
    expected_best,
    gain_and_chance,
    gain_of_each,
    plan,
    rank_order_weights,
)

Floats = NDArray[np.float64]
DATA = Path(__file__).parent / "data"
ORDER_STATISTICS = json.loads((DATA / "normal_order_statistics.json").read_text())
WEIGHTS = json.loads((DATA / "rank_order_weights.json").read_text())

ONE = np.zeros((1, 1))
MEAN = np.array([4.4, 4.7, 5.1])
SHARED = 0.45 + np.diag([0.12, 0.10, 0.20])
UNRATED = UnratedBow(4.5, np.full(3, 0.35), 0.6, 0.5)
KNOWN = KnownBow(4.0, 4.2, np.full(3, 0.05))


# Published values


@pytest.mark.parametrize(("n", "value"), [(int(n), value) for n, value in ORDER_STATISTICS["expected_maximum"].items()])
def test_the_expected_best_of_n_is_that_of_the_tables(n: int, value: float) -> None:
    assert expected_best(n) == pytest.approx(value, abs=1e-6)


def test_the_expected_best_of_two_to_five_has_its_closed_form() -> None:
    # Elementary integrals; quoted beside the tables of Tippett 1925 and Teichroew 1956.
    angle, root = math.atan(math.sqrt(2)), math.sqrt(math.pi)
    closed = [1 / root, 1.5 / root, 6 * angle / math.pi**1.5, 15 * angle / math.pi**1.5 - 2.5 / root]
    assert [expected_best(n) for n in (2, 3, 4, 5)] == pytest.approx(closed, abs=1e-12)


def test_the_expected_best_scales_with_the_deviation() -> None:
    assert expected_best(4, 0.3) == pytest.approx(0.3 * expected_best(4), abs=1e-12)
    assert expected_best(4, 0.0) == 0.0


@pytest.mark.parametrize(
    ("n", "sd", "word"), [(0, 1.0, "n: got 0"), (2, -1.0, "sd: got -1"), (2, math.nan, "sd: got nan")]
)
def test_the_expected_best_refuses_what_is_out_of_range(n: int, sd: float, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        expected_best(n, sd)


@pytest.mark.parametrize("n", sorted(WEIGHTS["weights"]))
def test_rank_order_weights_are_the_exact_fractions(n: str) -> None:
    exact = [float(Fraction(text)) for text in WEIGHTS["weights"][n]]
    assert rank_order_weights(int(n)) == pytest.approx(exact, abs=1e-12)


@pytest.mark.parametrize("n", sorted(WEIGHTS["rounded"]))
def test_rank_order_weights_agree_with_the_printed_ones(n: str) -> None:
    assert rank_order_weights(int(n)) == pytest.approx(WEIGHTS["rounded"][n], abs=5.1e-5)


def test_rank_order_weights_of_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="n: got 0, expected"):
        rank_order_weights(0)


# Closed forms


@pytest.mark.parametrize("n", range(1, 7))
def test_without_noise_and_tier_uncertainty_the_gain_is_the_expected_best(n: int) -> None:
    # An own bow so bad that it never stays: Teichroew 1956.
    gain, chance = gain_and_chance([5.0], ONE, 0.8, KnownBow(-1.0, -1.0, np.zeros(1)), 0.0, (n,))
    assert gain == pytest.approx(6 + 0.8 * ORDER_STATISTICS["expected_maximum"][str(n)], abs=2e-6)
    assert chance == pytest.approx(1.0, abs=1e-12)


def test_one_copy_as_good_as_the_own_bow_wins_s_phi_of_zero() -> None:
    # E max(s e, 0) = s / sqrt(2 pi).
    gain, chance = gain_and_chance([5.0], ONE, 0.8, KnownBow.none(1), 0.0, (1,))
    assert gain == pytest.approx(0.8 / math.sqrt(2 * math.pi), abs=1e-5)
    assert chance == pytest.approx(0.5, abs=1e-12)


@pytest.mark.parametrize("n", range(1, 7))
def test_bows_like_the_own_bow_win_as_selection_among_equals_does(n: int) -> None:
    # n + 1 alike: the best-rated is worth s2 / S expected_best(n + 1) (selection differential times regression of liking on
    # rating; Falconer & Mackay 1996, Introduction to Quantitative Genetics, ch. 11), and each is best with 1 / (n + 1).
    own = UnratedBow(4.0, np.zeros(1), 0.0, 0.6)
    gain, chance = gain_and_chance([4.0], ONE, 0.6, own, 0.8, (n,))
    assert gain == pytest.approx(0.36 * ORDER_STATISTICS["expected_maximum"][str(n + 1)], abs=1e-6)
    assert chance == pytest.approx(n / (n + 1), abs=1e-7)


@pytest.mark.parametrize("n", range(1, 7))
def test_with_correlation_one_half_the_chance_of_none_is_one_in_n_plus_one(n: int) -> None:
    # Orthant of equicorrelated normals at 1/2: David & Nagaraja 2003, Order Statistics, 3rd ed., sect. 5.3 (by exchangeability).
    _, chance = gain_and_chance([5.0], [[1.0]], 0.6, KnownBow.none(1), 0.8, (n,))
    assert chance == pytest.approx(n / (n + 1), abs=1e-7)


@pytest.mark.parametrize("allocation", [(1, 1, 1), (3, 0, 1), (0, 2, 3), (2, 2, 2)])
@pytest.mark.parametrize("level", [4.0, 5.5])
def test_the_chance_is_the_orthant_of_another_library(allocation: tuple[int, ...], level: float) -> None:
    # scipy.stats.multivariate_normal (Genz's integration), its own error 1e-5 or less.
    tier = np.repeat(np.arange(3), allocation)
    cov = SHARED[np.ix_(tier, tier)] + (0.5**2 + 0.7**2) * np.eye(len(tier))
    none = multivariate_normal.cdf(np.full(len(tier), level), MEAN[tier], cov, rng=np.random.default_rng(1))
    _, chance = gain_and_chance(MEAN, SHARED, 0.5, KnownBow.none(3, level), 0.7, allocation)
    assert chance == pytest.approx(1 - none, abs=1e-4)


@pytest.mark.parametrize("level", [3.0, 4.5, 6.5])
@pytest.mark.parametrize("shared", [0.0, 0.0004, 0.02])
def test_the_chance_is_that_orthant_however_sharp_the_threshold(shared: float, level: float) -> None:
    # What the tiers share blurs the threshold: not at all, a little, more. Every rating is far above or below it in some node.
    tier, apart = np.array([0, 0, 1, 2]), np.diag([0.3, 0.5, 0.4])
    cov = (shared + apart)[np.ix_(tier, tier)] + 0.5**2 * np.eye(4)
    none = multivariate_normal.cdf(np.full(4, level), MEAN[tier], cov, rng=np.random.default_rng(1))
    _, chance = gain_and_chance(MEAN, shared + apart, 0.3, KnownBow.none(3, level), 0.4, (2, 1, 1))
    assert chance == pytest.approx(1 - none, abs=2e-4)


def test_an_own_bow_far_off_the_scale_does_not_coarsen_the_integral() -> None:
    for n in (4, 5, 6):
        gain, _ = gain_and_chance([5.0], ONE, 0.8, KnownBow(-20.0, -20.0, np.zeros(1)), 0.0, (n,))
        assert gain == pytest.approx(25 + 0.8 * expected_best(n), abs=1e-5)


def test_one_bow_beats_the_own_bow_with_the_probability_of_its_tier() -> None:
    # P(rating > own rating) of two jointly normal ratings, in closed form.
    S2 = np.diag(SHARED) + 0.5**2 + 0.7**2
    known = (MEAN - KNOWN.level) / np.sqrt(S2)
    unrated = (MEAN - 4.5) / np.sqrt(S2 + 0.6 + 0.5**2 + 0.7**2 - 2 * 0.35)
    for own, z in ((KNOWN, known), (UNRATED, unrated)):
        first = plan(MEAN, SHARED, 0.5, own, 0.7).rows[0]
        expected = 0.5 * (1 + math.erf(z[first.allocation.index(1)] / math.sqrt(2)))
        assert first.chance == pytest.approx(expected, abs=1e-12)


# Rules of the plan


def test_more_of_the_same_bows_never_lower_the_chance() -> None:
    for own in (KNOWN, UNRATED, KnownBow.none(3)):
        for tier in np.eye(3, dtype=int):
            chances = [gain_and_chance(MEAN, SHARED, 0.5, own, 0.7, tuple(tier * n))[1] for n in range(7)]
            assert np.all(np.diff(chances) > 0)


@pytest.mark.parametrize("own", [KNOWN, UNRATED, KnownBow.none(3)])
def test_gain_and_chance_rise_with_every_bow_and_by_less_each_time(own: KnownBow | UnratedBow) -> None:
    rows = plan(MEAN, SHARED, 0.57, own, 0.7, carry_cost=0.0).rows
    gains, chances = [row.gain for row in rows], [row.chance for row in rows]
    assert [row.copies for row in rows] == [1, 2, 3, 4, 5, 6]
    assert np.all(np.diff(gains) > 0)
    assert np.all(np.diff(chances) > 0)
    assert np.all(np.diff(gains, 2) < 0)


def test_every_row_is_the_best_of_all_cases_of_its_number() -> None:
    made = plan(MEAN, SHARED, 0.57, KNOWN, 0.7, carry_cost=0.0)
    for row in made.rows:
        others = [(a, b, row.copies - a - b) for a in range(row.copies + 1) for b in range(row.copies + 1 - a)]
        gains = [gain_and_chance(MEAN, SHARED, 0.57, KNOWN, 0.7, case)[0] for case in others]
        assert row.gain == pytest.approx(max(gains), abs=1e-9)
        assert sum(row.allocation) == row.copies


def test_the_recommended_case_has_the_highest_gain_less_carrying() -> None:
    made = plan(MEAN, SHARED, 0.57, KNOWN, 0.7, carry_cost=0.05, best=2)
    worth = [row.gain - 0.05 * row.copies for row in made.rows]
    assert made.recommended == made.rows[int(np.argmax(worth))]
    assert made.unlimited == made.recommended
    assert 2 <= made.recommended.copies <= 5


def test_carrying_for_nothing_brings_six_and_dear_carrying_brings_few() -> None:
    assert plan(MEAN, SHARED, 0.57, KNOWN, 0.7, carry_cost=0.0).recommended.copies == 6
    assert plan(MEAN, SHARED, 0.57, KNOWN, 0.7, carry_cost=2.0).recommended.copies == 1


def test_too_little_time_limits_what_is_recommended_but_not_what_is_shown() -> None:
    made = plan(MEAN, SHARED, 0.57, KNOWN, 0.7, carry_cost=0.0, limit=3, best=2)
    assert made.recommended.copies == 3
    assert made.unlimited.copies == 6
    assert [row.copies for row in made.rows] == [1, 2, 3, 4, 5, 6]


def test_two_of_the_best_fit_travel_where_that_costs_next_to_nothing() -> None:
    # Two like tiers: which of them is brought makes no difference, so the best fit is.
    mean, cov = np.array([5.0, 5.001]), np.full((2, 2), 0.5)
    for best in (0, 1):
        made = plan(mean, cov, 0.5, KnownBow.none(2), 0.7, best=best)
        assert made.recommended.allocation[best] >= 2
        assert made.rows[made.recommended.copies - 1] == made.recommended


def test_two_of_the_best_fit_stay_at_home_where_they_cost_too_much() -> None:
    made = plan([4.0, 6.0], np.full((2, 2), 0.5), 0.5, KnownBow.none(2), 0.7, best=0)
    assert made.recommended.allocation[0] == 0


def test_copies_at_hand_that_are_like_unknown_ones_change_nothing() -> None:
    stock = [AtHand(np.zeros(6), np.full(6, 0.57))] * 3
    assert plan(MEAN, SHARED, 0.57, UNRATED, 0.7, stock=stock) == plan(MEAN, SHARED, 0.57, UNRATED, 0.7)


def test_no_more_copies_are_planned_than_are_at_hand() -> None:
    stock = [
        AtHand(np.zeros(0), np.zeros(0)),
        AtHand(np.zeros(1), np.array([0.5])),
        AtHand(np.zeros(2), np.full(2, 0.5)),
    ]
    made = plan(MEAN, SHARED, 0.57, KNOWN, 0.7, stock=stock, carry_cost=0.0)
    assert made.recommended.allocation == (0, 1, 2)
    assert [row.copies for row in made.rows] == [1, 2, 3]


def test_a_better_copy_first_is_worth_more_and_a_chance_alone_counts_its_offset() -> None:
    stock = [AtHand(np.array([0.5, 0.0]), np.array([0.3, 0.5]))]
    gain, chance = gain_and_chance([5.0], [[0.4]], 0.5, KnownBow.none(1), 0.7, (1,), stock=stock)
    assert chance == pytest.approx(0.5 * (1 + math.erf(0.5 / math.sqrt(2 * (0.4 + 0.09 + 0.49)))), abs=1e-12)
    assert gain > gain_and_chance([5.0], [[0.4]], 0.5, KnownBow.none(1), 0.7, (1,))[0]


def test_each_tier_alone_is_valued_as_a_case_of_two_of_it() -> None:
    for own in (KNOWN, UNRATED, KnownBow.none(3)):
        cases = np.eye(3, dtype=int) * 2
        alone = [gain_and_chance(MEAN, SHARED, 0.57, own, 0.7, tuple(case))[0] for case in cases]
        assert gain_of_each(MEAN, SHARED, 0.57, own, 0.7) == pytest.approx(alone, abs=2e-4)


def test_a_yardstick_restricted_to_some_tiers_gives_the_same_answers() -> None:
    own = KnownBow(4.0, 4.2, np.array([0.3, -0.1, 0.2]))
    keep = [2, 0]
    for yardstick in (own, UNRATED):
        full = gain_and_chance(MEAN, SHARED, 0.5, yardstick, 0.7, (1, 0, 2))
        part = yardstick.take(keep, SHARED)
        assert gain_and_chance(MEAN[keep], SHARED[np.ix_(keep, keep)], 0.5, part, 0.7, (2, 1)) == pytest.approx(
            full, abs=2e-4
        )


def test_the_order_of_the_tiers_makes_no_difference() -> None:
    turn = [2, 0, 1]
    turned = plan(MEAN[turn], SHARED[np.ix_(turn, turn)], 0.5, UNRATED, 0.7, best=turn.index(2))
    plain = plan(MEAN, SHARED, 0.5, UNRATED, 0.7, best=2)
    assert turned.recommended.gain == pytest.approx(plain.recommended.gain, abs=1e-9)
    assert [turned.recommended.allocation[turn.index(t)] for t in range(3)] == list(plain.recommended.allocation)


def test_no_bow_at_all_wins_nothing() -> None:
    assert gain_and_chance(MEAN, SHARED, 0.5, KNOWN, 0.7, (0, 0, 0)) == (0.0, 0.0)


def test_bows_far_below_the_own_bow_win_nothing_and_far_above_win_the_difference() -> None:
    for own, sign in ((KnownBow(40.0, 40.0, np.zeros(3)), -1), (KnownBow(-40.0, -40.0, np.zeros(3)), 1)):
        gain, chance = gain_and_chance(MEAN, SHARED, 0.5, own, 0.7, (0, 0, 1))
        assert (gain, chance) == pytest.approx((0.0, 0.0) if sign < 0 else (45.1, 1.0), abs=1e-4)


# Errors


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"mean": [4.0, np.nan, 5.0]}, "mean: got .* expected finite numbers"),
        ({"mean": [4.0, 4.0, 4.0, 4.0]}, "got 4 tiers, expected 1 to 3"),
        ({"cov": np.eye(2)}, r"cov: got .* of shape \(3, 3\)"),
        ({"cov": np.eye(3) - 0.9}, "without negative eigenvalues"),
        ({"cov": np.triu(np.ones((3, 3)))}, "expected a symmetric matrix"),
        ({"sd": -0.1}, "sd: got .* expected 0 or more"),
        ({"sd": 0.0, "noise": 0.0}, "above 0 where there is no noise"),
        ({"noise": -1.0}, "noise: got -1"),
        ({"own": KnownBow(math.nan, 4.0, np.zeros(3))}, "own: got"),
        ({"own": KnownBow(4.0, 4.0, np.zeros(2))}, "own.slope: got"),
        ({"own": UnratedBow(4.0, np.full(3, 0.4), 0.01, 0.5)}, "own: got a variance of 0.01, expected at least"),
        ({"own": UnratedBow(4.0, np.zeros(3), 0.5, -1.0)}, "own.spread: got -1"),
        ({"limit": 0}, "limit: got 0, expected at least one bow"),
        ({"carry_cost": -0.1}, "carry_cost: got -0.1"),
        ({"best": 3}, "best: got 3"),
        ({"plays": 0}, "plays: got 0"),
        ({"stock": [AtHand(np.zeros(0), np.zeros(0))] * 3}, "stock: got no copy at all"),
        ({"stock": [AtHand(np.zeros(1), np.ones(1))]}, "stock: got 1 tiers, expected 3"),
        ({"stock": [AtHand(np.zeros(1), -np.ones(1))] * 3}, "stock spread: got"),
    ],
)
def test_a_plan_refuses_what_is_out_of_range_in_a_sentence(change: dict[str, object], sentence: str) -> None:
    given: dict[str, object] = {"mean": MEAN, "cov": SHARED, "sd": 0.5, "own": KNOWN, "noise": 0.7}
    with pytest.raises(ValueError, match=sentence):
        plan(**(given | change))  # type: ignore[arg-type]  # wrong values are the point


@pytest.mark.parametrize("allocation", [(1, 1), (-1, 1, 1)])
def test_a_case_that_is_none_is_refused(allocation: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="allocation: got"):
        gain_and_chance(MEAN, SHARED, 0.5, KNOWN, 0.7, allocation)


def test_more_copies_than_at_hand_are_refused() -> None:
    with pytest.raises(ValueError, match=r"expected at most the .* copies at hand"):
        gain_and_chance([5.0], ONE, 0.5, KnownBow.none(1), 0.7, (2,), stock=[AtHand(np.zeros(1), np.ones(1))])
