"""The eight strokes against the published design, and the limits of bow force against worked examples."""

import itertools

import numpy as np
import pytest

from model.bench import playable_range

# 2^(4-1) of resolution IV, D = ABC, standard order (Box, Hunter & Hunter 1978, chapter 12).
PUBLISHED = "---- +--+ -+-+ ++-- --++ +-+- -++- ++++"


def test_the_design_is_the_published_one() -> None:
    assert " ".join("".join("-+"[level > 0] for level in row) for row in playable_range.DESIGN) == PUBLISHED


def test_the_alias_table_is_the_published_one_and_true_of_the_columns() -> None:
    published = {"A": "BCD", "B": "ACD", "C": "ABD", "D": "ABC", "AB": "CD", "AC": "BD", "AD": "BC"}
    assert playable_range.alias_table() == published
    column = dict(zip("ABCD", np.array(playable_range.DESIGN).T, strict=True))
    for one, other in published.items():
        left, right = (np.prod([column[letter] for letter in word], axis=0) for word in (one, other))
        assert (left == right).all()
    # Resolution IV: no main effect is another's or a pair's alias.
    words = ["A", "B", "C", "D", *("".join(pair) for pair in itertools.combinations("ABCD", 2))]
    values = {word: np.prod([column[letter] for letter in word], axis=0) for word in words}
    for main in "ABCD":
        assert all(abs(values[main] @ values[word]) == 0 for word in words if word != main)


def test_a_bow_that_breaks_near_the_bridge_is_narrow_towards_it() -> None:
    found = playable_range.effects([2 if row[2] < 0 else 0 for row in playable_range.DESIGN])
    assert (found.clean, found.broken) == (4, (0, 1, 2, 3))
    assert found.effects == pytest.approx({"speed": 0.0, "force": 0.0, "contact": -2.0, "tilt": 0.0})
    assert found.narrow == (("contact", -1),)


def test_main_effects_are_differences_of_means() -> None:
    strokes = [0, 1, 2, 0, 1, 0, 0, 2]
    found = playable_range.effects(strokes)
    for place, factor in enumerate(playable_range.FACTORS):
        high = [s for s, row in zip(strokes, playable_range.DESIGN, strict=True) if row[place] > 0]
        low = [s for s, row in zip(strokes, playable_range.DESIGN, strict=True) if row[place] < 0]
        assert found.effects[factor] == pytest.approx(sum(high) / 4 - sum(low) / 4)
    assert playable_range.effects([0] * 8).narrow == ()
    assert playable_range.effects([0] * 8).clean == 8


@pytest.mark.parametrize("broken", [[0] * 7, [0] * 9, [3] + [0] * 7, [0.5] + [0] * 7, [-1] + [0] * 7])
def test_other_strokes_are_refused(broken: list[int]) -> None:
    with pytest.raises(ValueError, match="expected eight of 0"):
        playable_range.effects(broken)


def test_the_limits_of_bow_force_are_the_worked_examples() -> None:
    # Schelleng 1973; Woodhouse, Euphonics 9.3.1: Z .3, v .2, beta .1, dmu .5, R 60: .030 N and 2.4 N; Z .36, v .1, beta .08, dmu .4, R 100.
    assert playable_range.force_limits(0.3, 0.2, 0.1, 0.5, 60.0) == pytest.approx((0.030, 2.4))
    assert playable_range.force_limits(0.36, 0.1, 0.08, 0.4, 100.0) == pytest.approx((0.0253125, 2.25))
    # They meet at beta = Z / (4 R).
    least, greatest = playable_range.force_limits(0.3, 0.2, 0.3 / 240.0, 0.5, 60.0)
    assert least == pytest.approx(greatest)
    with pytest.raises(ValueError, match=r"beta: got 1\.2"):
        playable_range.force_limits(0.3, 0.2, 1.2, 0.5, 60.0)


def test_a_strings_impedance() -> None:
    # Percival's artifastring, violin E5: T 73 N, mu .00041 kg/m, Z .173002; cello C2: 172.74 N, .0212 kg/m, 1.913636.
    assert playable_range.string_impedance(73.0, 0.00041) == pytest.approx(0.173002, abs=1e-6)
    assert playable_range.string_impedance(172.74, 0.0212) == pytest.approx(1.913636, rel=2e-5)


def test_contact_points_lie_within_what_a_bowing_machine_covered() -> None:
    # Schoonderwaldt 2009: from 1/30 to 1/6 of the string.
    near, far = playable_range.contact_points(1.05)
    assert 1.05 / 30 < near < far < 1.05 / 6
    with pytest.raises(ValueError, match="string_length_m"):
        playable_range.contact_points(0.0)
