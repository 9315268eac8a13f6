"""The columns of X: every fact of a trial reaches the column it should, in the unit it should."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import Blinding, Criterion, Hold, Instrument, Setting
from model.features.design import (
    FIXED,
    PLAYER_COLUMNS,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    Design,
    history_rows,
    own_rows,
    player_columns,
    take,
    tier_rows,
    wished_beyond,
)
from tests.model.worlds import VIOLIN, basses, joined, trial, violins

V, B = Instrument.VIOLIN, Instrument.DOUBLE_BASS
RATED = {Criterion.OVERALL: 5.0}


def column(X: Floats, design: Design, name: str) -> list[float]:
    """One column by name."""
    names = [each.name for each in design.columns]
    return [float(value) for value in X[:, names.index(name)]]


def weighed(masses: Mapping[str, Sequence[float | None]]) -> Range:
    """Violin tiers of grades 1, 2, ... with copies of these masses."""
    tiers = {slug: Tier(slug, V, grade) for grade, slug in enumerate(masses, start=1)}
    copies = [Copy(f"{t}{n}", t, bench=Bench(mass_g=m)) for t, of in masses.items() for n, m in enumerate(of)]
    return Range(tiers, {copy.serial: copy for copy in copies})


def test_the_columns_have_different_names_and_a_proper_prior() -> None:
    columns = Design.from_range(joined(violins([1, 1]), basses())).columns
    assert len({each.name for each in columns}) == len(columns) == len(FIXED) + 5
    assert all(each.sd > 0 and math.isfinite(each.mean) for each in columns)


def test_the_prior_of_a_tier_is_a_fifth_of_a_point_a_grade_about_four_point_four() -> None:
    # Starting judgements shown to the reader, no source.
    design = Design.from_range(violins([1, 1, 1]))
    X = design.matrix(tier_rows(design, Answers(V), design.tiers))
    assert X @ [each.mean for each in design.columns] == pytest.approx([4.2, 4.4, 4.6], abs=1e-12)


def test_grades_are_counted_from_the_middle_of_their_own_instrument() -> None:
    design = Design.from_range(joined(violins([1, 1, 1, 1]), basses()))
    assert [design.grade(tier) for tier in design.tiers] == [-1.5, -0.5, 0.5, 1.5, -1.0, 0.0, 1.0]


def test_two_tiers_of_one_grade_do_not_move_the_middle() -> None:
    tiers = [Tier("x", V, 1), Tier("y", V, 2), Tier("z", V, 2)]
    design = Design.from_range(Range({tier.slug: tier for tier in tiers}, {}))
    assert design.grade(tiers[0]) == -0.5


def history(
    design: Design, range_: Range, answers: Answers, runs: list[Run], blinding: Blinding = Blinding.BLIND
) -> Floats:
    return design.matrix(
        history_rows(design, [Trial("t", "p", date(2031, 1, 1), answers, tuple(runs), blinding)], range_)
    )


def test_a_run_has_the_columns_of_its_tier_its_place_and_its_settings() -> None:
    range_ = violins([1, 1, 1], bench=False)
    design = Design.from_range(range_)
    answers = Answers(V, settings=frozenset({Setting.JAZZ}))
    X = history(
        design, range_, answers, [Run(1, "a0", RATED), Run(2, None, RATED), Run(6, "c0", RATED), Run(40, "b0", RATED)]
    )
    assert len(X) == 3  # the own bow's run is not a row here
    assert column(X, design, "intercept") == column(X, design, "instrument violin") == [1.0, 1.0, 1.0]
    assert column(X, design, "instrument viola") == [0.0, 0.0, 0.0]
    assert column(X, design, "grade") == column(X, design, "jazz x grade") == [-1.0, 1.0, 0.0]
    assert column(X, design, "solo x grade") == [0.0, 0.0, 0.0]
    assert column(X, design, "tier c") == [0.0, 1.0, 0.0]
    assert column(X, design, "first bow") == [1.0, 0.0, 0.0]
    assert column(X, design, "position") == pytest.approx(
        [-2 / 3, 1.0, 3.0]
    )  # in threes from the third, at most the twelfth


@pytest.mark.parametrize(("blinding", "seen"), [(Blinding.MASKED, "masked"), (Blinding.OPEN, "open")])
def test_what_the_player_saw_is_told_with_the_grade(blinding: Blinding, seen: str) -> None:
    range_ = violins([1, 1, 1], bench=False)
    design = Design.from_range(range_)
    X = history(design, range_, Answers(V), [Run(1, "a0", RATED)], blinding)
    assert (column(X, design, seen), column(X, design, f"{seen} x grade")) == ([1.0], [-1.0])
    blind = history(design, range_, Answers(V), [Run(1, "a0", RATED)])
    assert not {*column(blind, design, seen), *column(blind, design, f"{seen} x grade")} - {0.0}


@pytest.mark.parametrize(("hold", "sign"), [(Hold.FRENCH, 0.5), (Hold.GERMAN, -0.5), (Hold.EITHER, 0.0)])
def test_the_two_holds_stand_a_whole_unit_apart(hold: Hold, sign: float) -> None:
    design = Design.from_range(basses())
    X = design.matrix(tier_rows(design, Answers(B, hold), design.tiers))
    assert column(X, design, "hold french") == [sign] * 3


def test_traits_are_deviations_from_the_tier_in_the_instruments_spread_within_tiers() -> None:
    range_ = weighed({"a": [58.0, 62.0], "b": [70.0, 74.0, None]})
    traits = Design.from_range(range_).traits(list(range_.copies.values()), range_)
    assert traits[:, 0] == pytest.approx([-1.0, 1.0, -1.0, 1.0, 0.0], abs=1e-12)
    assert not traits[:, 1:].any()


def test_brightness_is_fast_and_little_damped() -> None:
    benches = [Bench(speed_of_sound_m_s=v, loss_factor=n) for v, n in ((4900.0, 0.005), (5100.0, 0.003))]
    copies = {f"a{n}": Copy(f"a{n}", "a", bench=bench) for n, bench in enumerate(benches)}
    range_ = Range({"a": Tier("a", V, 1)}, copies)
    traits = Design.from_range(range_).traits(list(copies.values()), range_)
    # Each reading lies one standard deviation from the mean of the two; the log of the loss factor counts against.
    assert traits[:, 2] == pytest.approx([-2.0, 2.0], abs=1e-12)


def test_an_outlying_reading_counts_three_spreads_at_most() -> None:
    range_ = weighed({"a": [60.0] * 30 + [90.0]})
    assert np.abs(Design.from_range(range_).traits(list(range_.copies.values()), range_)).max() == 3.0


def test_equal_readings_are_no_deviation() -> None:
    # The mean of three times 58.7 is not 58.7 in floating point; the difference must not be blown up to a trait.
    range_ = weighed({"a": [58.7, 58.7, 58.7], "b": [60.1, 60.1, 60.1]})
    design = Design.from_range(range_)
    assert np.abs(design.traits(list(range_.copies.values()), range_)).max() < 1e-9


def test_a_wish_for_a_lighter_bow_is_meant_against_the_bow_in_hand() -> None:
    range_ = weighed({"a": [58.0, 62.0], "b": [63.0, 67.0]})
    design = Design.from_range(range_)
    answers = Answers(V, wish_mass=-1, own_bow=OwnBow(mass_g=62.0))
    X = design.matrix(tier_rows(design, answers, design.tiers))
    assert column(X, design, "wish_mass x mass") == pytest.approx([1.0, -1.5])  # spread 2 g; tiers at 60 g and 65 g
    unknown = design.matrix(tier_rows(design, Answers(V, wish_mass=-1), design.tiers))
    assert column(unknown, design, "wish_mass x mass") == [0.0, 0.0]


def test_a_run_of_the_history_and_the_same_copy_for_the_same_player_have_the_same_row() -> None:
    range_ = violins([2, 2, 2])
    design, serials = Design.from_range(range_), list(range_.copies)
    answers = Answers(
        V, settings=frozenset({Setting.SOLO}), wish_mass=1, wish_tone=-1, own_bow=OwnBow(mass_g=60.7, ratings=RATED)
    )
    told = history(
        design, range_, answers, [Run(place, serial, RATED) for place, serial in enumerate(serials, start=1)]
    )
    where = np.repeat(np.arange(3), 2)
    rows = take(tier_rows(design, answers, design.tiers), where, design.traits(list(range_.copies.values()), range_))
    asked = design.matrix(replace(rows, position=np.arange(1.0, 7.0)))
    assert told == pytest.approx(asked, abs=1e-12)


def test_what_a_wish_makes_of_a_copys_traits_is_what_its_row_has_beyond_the_tiers() -> None:
    range_ = violins([3, 2])
    design = Design.from_range(range_)
    rows = tier_rows(design, Answers(V, wish_mass=-1, wish_tone=1, own_bow=OwnBow(mass_g=58.0)), design.tiers)
    where, traits = np.repeat([0, 1], [3, 2]), design.traits(list(range_.copies.values()), range_)
    beyond = design.matrix(take(rows, where, traits))[:, WISH_COLUMNS] - design.matrix(rows)[where][:, WISH_COLUMNS]
    assert wished_beyond(rows, where, traits) == pytest.approx(beyond, abs=1e-12)


def test_the_own_bow_has_no_tier_no_grade_and_no_traits() -> None:
    design = Design.from_range(basses())
    X = design.matrix(own_rows([Answers(B, Hold.FRENCH, frozenset({Setting.SOLO}), wish_mass=1)] * 2, [0, 1]))
    filled = {each.name for each, used in zip(design.columns, np.atleast_1d(X.any(axis=0)), strict=True) if used}
    assert filled == {"intercept", "instrument double_bass", "hold french", "position", "first bow"}


@pytest.mark.parametrize("bench", [True, False])
def test_a_design_comes_back_from_json_as_it_was(bench: bool) -> None:
    range_ = joined(violins([2, 2], bench=bench), basses())
    design = Design.from_range(range_)
    again = Design.from_json(design.to_json())
    assert again.tiers == design.tiers
    for name in ("centres", "fallback", "scales", "totals", "true_share", "middle"):
        np.testing.assert_array_equal(getattr(again, name), getattr(design, name))


def test_a_reading_of_an_instrument_that_had_none_at_the_fit_says_nothing_yet() -> None:
    design = Design.from_json(Design.from_range(weighed({"a": [None]})).to_json())
    measured = weighed({"a": [61.0]})
    assert not design.traits(list(measured.copies.values()), measured).any()
    X = design.matrix(tier_rows(design, Answers(V, wish_mass=1, own_bow=OwnBow(mass_g=60.0)), design.tiers))
    assert column(X, design, "wish_mass x mass") == [0.0]


def test_a_tier_that_the_design_does_not_know_rests_on_its_instrument() -> None:
    design = Design.from_range(weighed({"a": [58.0, 62.0]}))
    later = Tier("z", V, 3)
    X = design.matrix(tier_rows(design, Answers(V, wish_mass=1, own_bow=OwnBow(mass_g=58.0)), [later]))
    assert not X[:, len(FIXED) :].any()
    assert column(X, design, "grade") == [2.0]
    assert column(X, design, "wish_mass x mass") == [1.0]


def test_an_empty_range_has_a_design() -> None:
    design = Design.from_range(Range({}, {}))
    assert design.matrix(tier_rows(design, Answers(V), [])).shape == (0, len(FIXED))


def test_a_players_slopes_feel_a_trait_against_the_instruments_mean() -> None:
    # Two tiers whose bows weigh 58 and 62 g on the average, each with a spread of 1: a bow of 63 g is 3 above the mean of all.
    range_ = weighed({"a": [57.0, 59.0], "b": [61.0, 63.0]})
    design = Design.from_range(range_)
    rows = history_rows(design, [trial(1, [("b1", {Criterion.OVERALL: 4.0})])], range_)
    mass = PLAYER_COLUMNS.index("mass")
    assert player_columns(rows)[0, mass] == pytest.approx(63.0 - 60.0)
    assert design.matrix(rows)[0, TRAIT_COLUMNS[0]] == pytest.approx(63.0 - 62.0), (
        "everybody's slope stays within the tier"
    )
    assert player_columns(tier_rows(design, VIOLIN, design.tiers))[:, mass].tolist() == pytest.approx([-2.0, 2.0])
