"""The desk's words: no state, status, flag or reason without one; how a trial's facts are said."""

import datetime as dt

import pytest

from model.domain.vocabulary import Blinding, EventKind, Hold, Instrument, OutcomeKind, Place
from service import tables
from service.advice import interval_pictures
from service.trials import desk_lines, desk_words, sheets, trial_page, trial_words
from service.trials.desk_records import Overdue, TrialRow
from service.trials.standing import BowStanding
from service.trials.trial_page import qr

ROW = TrialRow(
    key="k",
    number=14,
    state="open",
    on=dt.date(2026, 11, 2),
    hour=None,
    due_back=dt.date(2026, 11, 16),
    instrument=Instrument.DOUBLE_BASS,
    hold=Hold.GERMAN,
    player="p",
    who="Clara Ahrens (invented)",
    place=Place.POST,
    blinding=Blinding.MASKED,
    copies=4,
    sheets_in=2,
    sheets_of=7,
    outcome=None,
    revealed=False,
    overdue=True,
)


@pytest.mark.parametrize(
    ("table", "complete"),
    [
        (desk_words.STATES, tables.STATES),
        (desk_words.STATUSES, tables.STATUSES),
        (desk_words.EVENTS, tuple(EventKind)),
        (desk_words.OUTCOMES, tuple(OutcomeKind)),
        (desk_words.REASONS, tables.REASONS),
        (desk_words.RATERS, tables.RATERS),
        (desk_words.PLACES, tuple(Place)),
        (desk_words.BLINDINGS, tuple(Blinding)),
        (desk_words.FLAGS, sheets.FLAGS),
        (desk_words.QUANTITIES, tuple(tables.QUANTITIES)),
        (desk_words.UNITS, tuple(tables.QUANTITIES)),
    ],
)
def test_no_word_is_missing_and_none_is_left_over(table: dict[str, object], complete: tuple[str, ...]) -> None:
    assert set(table) == set(complete)
    assert all(table.values())


def test_each_flag_is_told_by_a_sentence() -> None:
    assert all(sentence.endswith(".") for sentence in desk_words.flags(sheets.FLAGS))


def test_units_are_those_of_the_bench_written_with_a_raised_two() -> None:
    assert {name: unit.replace("²", "2") for name, unit in desk_words.UNITS.items()} == tables.QUANTITIES


def test_a_trial_is_named_by_its_number_and_player() -> None:
    assert desk_lines.trial_title(ROW) == "Trial 14, Clara Ahrens (invented)"


def test_a_trials_facts_stand_in_one_line() -> None:
    said = desk_lines.trial_facts(ROW).replace("\u00a0", " ")
    assert said == "Double bass, German hold · by post · masked · 2 November 2026"
    assert desk_lines.bows_and_sheets(ROW) == "four bows, 2 of 7 sheets in"


@pytest.mark.parametrize(
    ("copies", "days", "said"),
    [
        (("a",), 1, "One bow, due back on 16 November 2026, 1 day ago"),
        (("a", "b"), 12, "Two bows, due back on 16 November 2026, 12 days ago"),
    ],
)
def test_what_is_overdue_is_counted_in_bows_and_days(copies: tuple[str, ...], days: int, said: str) -> None:
    assert desk_lines.overdue(Overdue(ROW, copies, days)) == said


def test_a_country_is_named() -> None:
    # ISO 3166-1 alpha-2; English names as in Unicode CLDR.
    assert [desk_lines.country(code) for code in ("AT", "CH", None)] == ["Austria", "Switzerland", ""]


def test_a_bow_that_came_twice_is_named_by_both_letters() -> None:
    assert trial_words.bow_name(("C",), own=False) == "Bow C"
    assert trial_words.bow_name(("C", "F"), own=False) == "Bow C, again as F"
    assert trial_words.bow_name((), own=True) == "Own bow"


def bow(letter: str, expected: float | None, **changes: object) -> BowStanding:
    """Return a bow's standing; its interval reaches half a point to either side."""
    ends = (None, None) if expected is None else (expected - 0.5, expected + 0.5)
    values = {"letters": (letter,), "own": False, "plays": 1, "mark": expected, "expected": expected}
    values |= {"low": ends[0], "high": ends[1], "best": 0.5, "copy": None, "tier_name": None, "cannot_tell": 0}
    return BowStanding(**(values | changes))  # type: ignore[arg-type]  # values of the right kind by name


def test_the_picture_has_a_row_for_every_rated_bow_and_the_own_one_across() -> None:
    drawn = trial_page.picture([bow("C", 5.0), bow("K", None), bow("", 4.0, letters=(), own=True)])
    assert drawn is not None
    assert [row.name for row in drawn.rows] == ["Bow C"]
    assert drawn.rows[0].expected == interval_pictures.place(5.0)
    assert drawn.own is not None
    assert drawn.own.x == interval_pictures.place(4.0)
    assert drawn.description == "On a scale from 1 to 7. Own bow: 4.0. Bow C: 5.0, from 4.5 to 5.5."


def test_there_is_no_picture_before_the_first_sheet() -> None:
    assert trial_page.picture([bow("C", None)]) is None


def test_a_qr_code_has_its_three_finder_patterns() -> None:
    # ISO/IEC 18004, 6.3.3: 7 by 7 modules in three corners, inside a quiet zone of four modules.
    path, size = qr("http://127.0.0.1:8000/play/0123456789abcdef.0123456789abcdef")
    dark = set(path.split("M")[1:])
    for x, y in ((4, 4), (size - 11, 4), (4, size - 11)):
        for step in range(7):
            assert {f"{x + step} {y}h1v1h-1z", f"{x} {y + step}h1v1h-1z"} <= dark
        assert f"{x + 1} {y + 1}h1v1h-1z" not in dark
    assert not [square for square in dark if int(square.split()[0]) < 4]
