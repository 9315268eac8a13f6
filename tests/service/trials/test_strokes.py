"""The playable range in words: what a bow's eight strokes say, side by side, and the limits of bow force beside them."""

import re

import pytest
from sqlalchemy import select

from model.bench import playable_range
from model.domain.vocabulary import Instrument
from service import tables
from service.core.database import Database
from service.modelling import model_records
from service.trials import desk_reads, force_picture, player_result, sheets, strokes, whole_trial
from service.trials.desk_records import SlotRow
from tests.service import trial_rows
from tests.service.trials import test_sheets

# In the order of the published 2^(4-1): the first four strokes are those towards the bridge.
BRIDGE = "2 2 1 2 0 0 0 0"


def told(text: str) -> str:
    return strokes.told(playable_range.from_text(text))


@pytest.mark.parametrize(
    ("marks", "said"),
    [
        (BRIDGE, "Broken: 1, 2 and 4. Noisy: 3. Narrow towards the bridge."),
        ("0 0 0 0 0 0 0 0", "Clean all the way."),
        ("1 0 0 0 0 0 0 0", "Noisy: 1. No way is narrower than the others."),
        ("0 2 0 ? 0 0 0 ?", "Broken: 2. Not played: 4 and 8; which way it is narrow shows with all eight."),
    ],
)
def test_what_strokes_say(marks: str, said: str) -> None:
    assert told(marks) == said


def test_every_bow_has_an_order_of_its_own_and_the_same_each_time() -> None:
    orders = {letter: strokes.order("trial-one", 1, letter) for letter in "ABCDEF"}
    assert all(sorted(order) == list(range(8)) for order in orders.values())
    assert len({tuple(order) for order in orders.values()}) == 6
    assert strokes.order("trial-one", 1, "A") == orders["A"]


def test_places_on_the_string_are_those_of_the_player_s_own_length() -> None:
    def places(instrument: Instrument, length: float | None) -> set[str]:
        # The number and its unit stay on one line.
        return set(re.findall(r"(\d+)\xa0mm", " ".join(strokes.short(instrument, length))))

    assert places(Instrument.DOUBLE_BASS, 1120.0) == {"80", "160"}, "a fourteenth and a seventh"
    assert places(Instrument.VIOLIN, None) == {"23", "47"}


def test_the_picture_s_limits_are_wider_for_a_fast_bow_and_never_promised() -> None:
    drawn = force_picture.picture(Instrument.VIOLIN, None)
    least, most = (float(each) for each in re.findall(r"[\d.]+", drawn.numbers[0][2]))
    assert 0 < least < most
    fast = [float(each) for each in re.findall(r"[\d.]+", drawn.numbers[1][2])]
    assert fast[1] > most
    assert "never a promise" in drawn.caveat


def test_a_trial_s_bows_stand_side_by_side_at_the_desk_and_in_the_result(database: Database) -> None:
    with database.writing() as session:
        trial_rows.add_all(session)
        for position, letter, marks in ((1, "F", BRIDGE), (2, "C", "0 0 0 0 0 0 0 ?")):
            given = [None if mark is None else playable_range.MARKS[mark] for mark in playable_range.from_text(marks)]
            sheet = test_sheets.sheet(position=position, letter=letter, strokes=given)
            test_sheets.put(session, sheet, run=f"run-of-{position}")
        record = whole_trial.read(session, "quayside", "trial-one")
        side = strokes.side_by_side(record.trial, record.slots, (run for run, _tier in record.runs), "Own bow")
        assert side is not None
        assert [(bow.name, bow.count) for bow in side.bows] == [
            ("Bow F", "4 of 8 clean"),
            ("Bow C", "7 of the 7 played clean"),
        ]
        page = desk_reads.trial(session, "quayside", "trial-one")
        assert [sheet.strokes for sheet in page.sheets] == [BRIDGE, "0 0 0 0 0 0 0 ?"]
        test_sheets.reveal(session)
        session.flush()
        result = player_result.of_dealer(session, "quayside", "trial-one")
        assert result.probed == side
        (trial,) = model_records.read_trials(session)
        assert [run.clean_strokes for run in trial.runs] == [4, None]


def test_every_play_has_a_name_of_its_own_and_the_own_bow_is_called_as_the_reader_knows_it() -> None:
    told = [("K", 1), ("", 1), ("", 1), ("K", 2), ("", 2), ("", 2), ("K", 3)]
    order = [SlotRow(at, letter, not letter, sitting=sitting) for at, (letter, sitting) in enumerate(told, 1)]
    runs = [tables.Run(position=slot.position, rater="player", strokes=BRIDGE) for slot in order]
    side = strokes.side_by_side(tables.Trial(instrument=Instrument.VIOLIN), order, runs, "Own bow")
    assert side is not None
    assert [bow.name for bow in side.bows] == [
        "Bow K",
        "Own bow",
        "Own bow, played again",
        "Bow K, sitting 2",
        "Own bow, sitting 2",
        "Own bow, sitting 2, played again",
        "Bow K, sitting 3",
    ]


def test_the_bows_of_a_trial_from_a_file_are_named_by_their_serials() -> None:
    order = [SlotRow(1, "", True), SlotRow(2, "", False, "VN-0101", "Two"), SlotRow(3, "", False, "VN-0102", "Two")]
    runs = [tables.Run(position=slot.position, rater="player", strokes=BRIDGE) for slot in order]
    side = strokes.side_by_side(tables.Trial(instrument=Instrument.VIOLIN), order, runs, "Own bow")
    assert side is not None
    assert [bow.name for bow in side.bows] == ["Own bow", "Bow VN-0101", "Bow VN-0102"]


def test_strokes_change_what_a_fit_reads_and_nothing_of_a_history_without(database: Database) -> None:
    with database.writing() as session:
        trial_rows.add_all(session)
        test_sheets.put(session, test_sheets.sheet())
        before = model_records.digest(session)
        run = session.scalars(select(tables.Run)).one()
        run.clean_strokes = 6
        session.flush()
        assert model_records.digest(session) != before


def test_a_cancelled_trial_s_strokes_are_kept_and_do_not_count(database: Database) -> None:
    with database.writing() as session:
        trial_rows.add_all(session)
        test_sheets.composition(session).state = "cancelled"
        stored = test_sheets.put(session, test_sheets.sheet(strokes=["clean"] * 8))
        assert stored.flags == ("cancelled",)
        assert [(sheet.strokes, sheet.counts) for sheet in test_sheets.kept(session)] == [("0 0 0 0 0 0 0 0", False)]
        assert session.scalars(select(tables.Run)).all() == []
        away = test_sheets.sheet(letter="X", strokes=["broken"])
        assert (
            sheets.record(session, "quayside", "trial-one", "another-run", away, "a tablet").flags[0]
            == "unknown_letter"
        )
