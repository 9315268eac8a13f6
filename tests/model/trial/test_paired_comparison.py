"""Two bows against each other: published error rates, sample numbers and tables, and the rule played out pair by pair."""

import json
import math
from fractions import Fraction
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest, multivariate_normal

from model.trial.paired_comparison import (
    DEFAULT_RULE,
    PairsVerdict,
    SprtRule,
    first_in_pair,
    operating_characteristic,
    verdict,
)
from tests.model.trial.fixed_numbers import bechhofer, finds_best, needed, plays_needed, sign_test

DATA = Path(__file__).parents[1] / "data"
PAIRED = json.loads((DATA / "paired_comparison.json").read_text())
BEST = json.loads((DATA / "bechhofer_1954.json").read_text())
FIRST, SECOND = 0, 1
THREE_IN_FOUR = SprtRule(p1=0.75)
"""Looks for a weaker preference than the default, with the same errors: its figures are those that others have computed."""

# p0, p1, alpha, beta; s, h0, h1; exact mean number of pairs at p0 and p1; exact error rates. Lines by Wald 1947, Sequential
# Analysis, ch. 5; exact values by recursion over the pairs, computed apart from the product.
ROWS = [
    ((0.5, 0.75, 0.05, 0.05), (0.63093, 2.68014, 2.68014), (20.813, 22.050), (0.04280, 0.03722)),
    ((0.5, 0.8, 0.05, 0.10), (0.66096, 1.62396, 2.08496), (10.678, 14.222), (0.04011, 0.07319)),
    ((0.5, 0.7, 0.05, 0.05), (0.60289, 3.47509, 3.47509), (33.292, 34.454), (0.04401, 0.04029)),
    ((1 / 3, 2 / 3, 0.05, 0.05), (0.5, 2.12396, 2.12396), (14.0909, 14.0909), (1 / 33, 1 / 33)),
    ((0.1, 0.3, 0.02, 0.03), (0.18617, 2.58263, 2.87539), (29.902, 26.602), (0.01369, 0.02742)),
]


def one_side(p0: float, p1: float, alpha: float, beta: float) -> SprtRule:
    return SprtRule(p0, p1, alpha, beta, cap=None, sides=1)


# One side alone, no cap


@pytest.mark.parametrize(("row", "lines", "pairs", "errors"), ROWS)
def test_one_side_alone_has_walds_lines_and_the_exact_error_rates_and_sample_numbers(
    row: tuple[float, float, float, float],
    lines: tuple[float, float, float],
    pairs: tuple[float, float],
    errors: tuple[float, float],
) -> None:
    rule = one_side(*row)
    without, with_ = operating_characteristic(row[0], rule), operating_characteristic(row[1], rule)
    assert rule.bounds == pytest.approx(lines, abs=1e-5)
    assert (without.pairs, with_.pairs) == pytest.approx(pairs, abs=1e-3)
    assert (without.first, with_.no_preference) == pytest.approx(errors, abs=1e-5)
    assert without.second == with_.second == 0.0


def test_the_walk_between_two_equal_barriers_has_its_closed_form() -> None:
    # p0 = 1/3, p1 = 2/3, alpha = beta = .05 is a walk between -5 and 5: error 1 / (1 + 2^5), mean 5 (31/33) / (1/3) steps.
    found = operating_characteristic(1 / 3, one_side(1 / 3, 2 / 3, 0.05, 0.05))
    assert found.first == pytest.approx(1 / 33, abs=1e-9)
    assert found.pairs == pytest.approx(5 * (31 / 33) * 3, abs=1e-9)


@pytest.mark.parametrize(("n", "limits"), PAIRED["sequential"]["after"].items())
def test_after_each_pair_the_lines_ask_for_walds_numbers(n: str, limits: list[int | None]) -> None:
    rule, pairs = one_side(0.5, 0.75, 0.05, 0.05), int(n)
    no = [won for won in range(pairs + 1) if rule.says_no(won, pairs)]
    yes = [won for won in range(pairs + 1) if rule.says_yes(won, pairs)]
    assert [max(no, default=None), min(yes, default=None)] == limits


# Both sides


def test_without_a_preference_most_are_told_so() -> None:
    # Recursion over the pairs, computed apart from the product: .076, .076, .653, .196.
    found = operating_characteristic(0.5, THREE_IN_FOUR)
    assert (found.first, found.second, found.no_preference, found.not_settled) == pytest.approx(
        (0.076, 0.076, 0.653, 0.196), abs=5e-4
    )


def test_who_prefers_a_bow_three_times_in_four_is_mostly_told_so_after_twelve_pairs() -> None:
    # The same source: .724 right, .136 none, .140 open, 11.8 pairs.
    found = operating_characteristic(0.75, THREE_IN_FOUR)
    assert (found.first, found.no_preference, found.not_settled) == pytest.approx((0.724, 0.136, 0.140), abs=5e-4)
    assert found.pairs == pytest.approx(11.8, abs=0.05)


def test_the_two_bows_are_treated_alike() -> None:
    one, other = operating_characteristic(0.7), operating_characteristic(0.3)
    assert (one.first, one.second, one.pairs) == pytest.approx((other.second, other.first, other.pairs), abs=1e-12)


@pytest.mark.parametrize("p", [0.0, 0.2, 0.5, 0.9, 1.0])
def test_the_verdicts_probabilities_add_up_to_one(p: float) -> None:
    found = operating_characteristic(p)
    assert found.first + found.second + found.no_preference + found.not_settled == pytest.approx(1.0, abs=1e-12)


def test_every_way_that_eleven_pairs_can_go_adds_up_to_the_characteristic() -> None:
    rule, p, total = SprtRule(cap=11), 0.6, dict.fromkeys(PairsVerdict, 0.0)
    for way in product((FIRST, SECOND), repeat=11):
        total[verdict(way, rule)] += p ** way.count(FIRST) * (1 - p) ** way.count(SECOND)
    found = operating_characteristic(p, rule)
    assert total[PairsVerdict.FIRST] == pytest.approx(found.first, abs=1e-12)
    assert total[PairsVerdict.SECOND] == pytest.approx(found.second, abs=1e-12)
    assert total[PairsVerdict.NO_PREFERENCE] == pytest.approx(found.no_preference, abs=1e-12)
    assert total[PairsVerdict.NOT_SETTLED] == pytest.approx(found.not_settled, abs=1e-12)
    assert total[PairsVerdict.GO_ON] == 0.0


@pytest.mark.parametrize(("rule", "pairs"), [(THREE_IN_FOUR, 6), (DEFAULT_RULE, 4)])
def test_one_bow_that_always_wins_is_preferred_after_a_few_pairs(rule: SprtRule, pairs: int) -> None:
    # (2 p1)^n first reaches (1 - .20) / .10 = 8 at n = 6 (5: 7.6, 6: 11.4), and with p1 = .85 at n = 4 (3: 4.9, 4: 8.4).
    assert verdict([FIRST] * (pairs - 1), rule) is PairsVerdict.GO_ON
    assert verdict([FIRST] * pairs, rule) is PairsVerdict.FIRST
    assert verdict([SECOND] * pairs, rule) is PairsVerdict.SECOND


def recursion(p: Fraction) -> dict[str, Fraction]:
    """The default rule in likelihood ratios and whole fractions, way by way: no line, no logarithm, nothing of the product."""
    yes, no, most = Fraction(8), Fraction(2, 9), 20
    going = {(0, False, False): Fraction(1)}
    told = dict.fromkeys(("first", "second", "no_preference", "not_settled", "pairs"), Fraction(0))
    for n in range(1, most + 1):
        after: dict[tuple[int, bool, bool], Fraction] = {}
        for (won, first_out, second_out), weight in going.items():
            told["pairs"] += weight
            for more, chance in ((1, p), (0, 1 - p)):
                w, much = won + more, weight * chance
                ratios = [Fraction(17, 10) ** a * Fraction(3, 10) ** (n - a) for a in (w, n - w)]
                outs = (first_out or ratios[0] <= no, second_out or ratios[1] <= no)
                if ratios[0] >= yes and not first_out:
                    told["first"] += much
                elif ratios[1] >= yes and not second_out:
                    told["second"] += much
                elif all(outs):
                    told["no_preference"] += much
                elif n == most:
                    told["not_settled"] += much
                else:
                    after[w, *outs] = after.get((w, *outs), Fraction(0)) + much
        going = after
    return told


# (p, first, second, no preference, not settled, pairs): what the rule in use costs and gives, as it is stated to the reader.
STATED = [
    ("0.5", 0.095, 0.095, 0.800, 0.011, 7.8),
    ("0.75", 0.623, 0.004, 0.339, 0.034, 7.9),
    ("0.85", 0.879, 0.001, 0.107, 0.013, 6.7),
]


@pytest.mark.parametrize(("p", "first", "second", "none", "open_", "pairs"), STATED)
def test_the_rule_in_use_fares_as_is_stated_and_as_whole_fractions_say(
    p: str, first: float, second: float, none: float, open_: float, pairs: float
) -> None:
    exact, found = recursion(Fraction(p)), operating_characteristic(float(p))
    assert sum(exact.values()) - exact["pairs"] == 1
    for name, value in exact.items():
        assert getattr(found, name) == pytest.approx(float(value), abs=1e-12)
    told = (found.first, found.second, found.no_preference, found.not_settled)
    assert told == pytest.approx((first, second, none, open_), abs=5e-4)
    assert found.pairs == pytest.approx(pairs, abs=0.05)


def test_neither_error_of_the_rule_in_use_is_above_what_it_is_called() -> None:
    assert operating_characteristic(0.5).first <= DEFAULT_RULE.alpha
    assert 1 - operating_characteristic(DEFAULT_RULE.p1).first <= DEFAULT_RULE.beta


def test_bows_that_win_in_turn_show_no_preference() -> None:
    # (3/2 * 1/2)^m falls to .20 / .90 at m = 6, that is after 12 pairs; for the one that lost the last pair already after 11.
    assert verdict([FIRST, SECOND] * 5 + [FIRST], THREE_IN_FOUR) is PairsVerdict.GO_ON
    assert verdict([FIRST, SECOND] * 6, THREE_IN_FOUR) is PairsVerdict.NO_PREFERENCE
    # With p1 = .85 already after 6: (1.7 * .3)^3 = .13.
    assert verdict([FIRST, SECOND] * 2 + [FIRST]) is PairsVerdict.GO_ON
    assert verdict([FIRST, SECOND] * 3) is PairsVerdict.NO_PREFERENCE


def test_twenty_pairs_end_it_either_way() -> None:
    way = [FIRST, FIRST, SECOND] * 7
    assert verdict(way[:19], THREE_IN_FOUR) is PairsVerdict.GO_ON
    assert verdict(way[:20], THREE_IN_FOUR) is PairsVerdict.NOT_SETTLED


def test_what_is_played_after_the_verdict_changes_nothing() -> None:
    assert verdict([FIRST] * 4 + [SECOND] * 16) is PairsVerdict.FIRST


def test_before_the_first_pair_it_goes_on() -> None:
    assert verdict([]) is PairsVerdict.GO_ON


def test_a_test_that_said_no_keeps_its_no() -> None:
    # The first bow loses four times: its test says no ((1/2)^4 < .20 / .90); later wins cannot make it the preferred one.
    way = [SECOND] * 4 + [FIRST] * 16
    assert verdict(way[:4], THREE_IN_FOUR) is PairsVerdict.GO_ON
    assert verdict(way, THREE_IN_FOUR) is PairsVerdict.NO_PREFERENCE


@pytest.mark.parametrize("wrong", [2, -1, None, "A"])
def test_a_pair_without_a_choice_is_refused(wrong: object) -> None:
    with pytest.raises(ValueError, match="pair 2: got"):
        verdict([FIRST, wrong])  # type: ignore[list-item]  # wrong on purpose


@pytest.mark.parametrize(
    ("arguments", "word"),
    [
        ({"p0": 0.9}, "p0, p1: got 0.9 and 0.85"),
        ({"alpha": 0.0}, "alpha, beta: got 0.0"),
        ({"alpha": 0.6, "beta": 0.5}, "alpha, beta: got 0.6"),
        ({"cap": 0}, "cap: got 0"),
        ({"sides": 3}, "sides: got 3"),
        ({"p0": 0.4}, "p0: got 0.4 with two sides"),
    ],
)
def test_a_rule_out_of_range_is_refused(arguments: dict[str, float], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        SprtRule(**arguments)  # type: ignore[arg-type]  # numbers


def test_a_share_beyond_one_is_refused() -> None:
    with pytest.raises(ValueError, match=r"p: got 1\.2"):
        operating_characteristic(1.2)


# Which bow is played first


def test_each_bow_is_played_first_twice_in_every_four_pairs() -> None:
    for seed in range(50):
        first = [first_in_pair(seed, number) for number in range(1, 21)]
        assert all(sum(first[at : at + 4]) == 2 for at in range(0, 20, 4))


def test_which_bow_comes_first_is_drawn_and_the_same_when_asked_again() -> None:
    ways = {tuple(first_in_pair(seed, number) for number in range(1, 5)) for seed in range(200)}
    assert len(ways) == math.comb(4, 2)
    assert first_in_pair(3, 17) == first_in_pair(3, 17)


@pytest.mark.parametrize(("seed", "number"), [(-1, 1), (1, 0)])
def test_a_pair_that_cannot_be_is_refused(seed: int, number: int) -> None:
    with pytest.raises(ValueError, match="seed, number: got"):
        first_in_pair(seed, number)


# A fixed number of pairs


@pytest.mark.parametrize("sides", [1, 2])
@pytest.mark.parametrize("alpha", ["0.1", "0.05", "0.01", "0.001"])
def test_the_preferences_needed_are_those_of_iso_5495(alpha: str, sides: int) -> None:
    table = PAIRED[f"paired_{sides}"][alpha]
    assert list(table) == [str(n) for n in range(5, 31)]
    assert {n: needed(int(n), float(alpha), sides) for n in table} == table


@pytest.mark.parametrize("sides", [1, 2])
def test_the_sign_test_is_scipys_binomial_test(sides: int) -> None:
    other = "greater" if sides == 1 else "two-sided"
    for n in (1, 5, 8, 20):
        for won in range(n + 1):
            assert sign_test(won, n, sides) == pytest.approx(binomtest(won, n, 0.5, other).pvalue, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "alpha", "sides", "word"), [(0, 0.05, 1, "n, alpha"), (5, 0.0, 1, "n, alpha"), (5, 0.05, 0, "sides")]
)
def test_a_table_out_of_range_is_refused(n: int, alpha: float, sides: int, word: str) -> None:
    with pytest.raises(ValueError, match=word):
        needed(n, alpha, sides)


@pytest.mark.parametrize(("won", "n"), [(-1, 5), (6, 5), (0, 0)])
def test_more_wins_than_pairs_are_refused(won: int, n: int) -> None:
    with pytest.raises(ValueError, match="won, n: got"):
        sign_test(won, n)


# The best of several


@pytest.mark.parametrize(
    ("p_star", "k", "tau"),
    [(float(p), int(k), tau) for p, of in BEST["tau"].items() for k, tau in of.items()],
)
def test_the_constants_are_bechhofers(p_star: float, k: int, tau: float) -> None:
    assert bechhofer(k, p_star) == pytest.approx(tau, abs=1e-5)


def test_for_two_bows_the_constant_is_the_normal_quantile_times_the_root_of_two() -> None:
    assert bechhofer(2, 0.95) == pytest.approx(math.sqrt(2) * 1.6448536269514722, abs=1e-9)


@pytest.mark.parametrize("k", [2, 3, 5])
def test_the_chance_to_find_the_best_is_another_librarys_orthant(k: int) -> None:
    # The best is ahead of each other one in N(tau, 2), any two of these differences correlated by a half.
    tau, half = 1.3, np.full((k - 1, k - 1), 1.0) + np.eye(k - 1)
    orthant = multivariate_normal(np.zeros(k - 1), half).cdf(np.full(k - 1, tau))
    assert finds_best(k, tau) == pytest.approx(float(orthant), abs=1e-4)


@pytest.mark.parametrize("row", BEST["plays"])
def test_the_plays_needed_are_those_of_the_table(row: dict[str, float]) -> None:
    assert plays_needed(int(row["k"]), row["p_star"], row["lead"], 1.0) == row["plays"]


@pytest.mark.parametrize(("k", "p_star"), [(1, 0.9), (3, 1 / 3), (3, 1.0)])
def test_a_best_that_guessing_would_find_or_nothing_could_is_refused(k: int, p_star: float) -> None:
    with pytest.raises(ValueError, match="k, p_star: got"):
        bechhofer(k, p_star)


@pytest.mark.parametrize(("lead", "noise"), [(0.0, 1.0), (1.0, -1.0), (1.0, math.inf)])
def test_a_lead_or_a_noise_that_is_none_is_refused(lead: float, noise: float) -> None:
    with pytest.raises(ValueError, match="difference, noise: got"):
        plays_needed(3, 0.9, lead, noise)


def test_a_single_bow_has_no_chance_to_be_told() -> None:
    with pytest.raises(ValueError, match="k, tau: got 1"):
        finds_best(1, 0.5)


def test_the_default_rule_is_the_one_told() -> None:
    assert (DEFAULT_RULE.p1, DEFAULT_RULE.alpha, DEFAULT_RULE.beta, DEFAULT_RULE.cap) == (0.85, 0.10, 0.20, 20)
