"""A trial composed and opened at the desk, played on the tablet: from the blind order to what the next fit reads."""

import datetime as dt
import json
from typing import Any

import pytest
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.modelling import model_records
from service.questionnaire.sheet_fields import check_sheet
from service.trials import lifecycle, paired_comparison, screens, sheets
from service.trials.standing import standing
from tests.service import trial_cast
from tests.service.trial_cast import SHOP

HIDDEN = (*trial_cast.BOWS, "bramble", "juniper", "Bramble", "Juniper", "1380", "2450")


@pytest.fixture
def played(database: Database) -> tuple[Database, str, list[dict[str, Any]]]:
    """Compose and open a trial, and rate every slot by what its letter hides: the first copy is the best."""
    trial_cast.open_shop(database)
    with database.writing() as session:
        key = trial_cast.compose(session)
        lifecycle.open_(session, None, SHOP, key)
    with database.writing() as session:
        screen = screens.for_screen(session, key, "player", SHOP)
        bows = {slot.position: slot.copy for slot in trial_cast.slots(session, key)}
        for slot in screen["slots"]:
            overall = 7 if bows[slot["position"]] == trial_cast.BOWS[0] else 4
            sheet = {name: slot[name] for name in ("position", "letter")} | {"ratings": {"overall": overall}}
            came = {"revision": 1, "rater": "player", "note": None, "rated_at": dt.datetime.now(dt.UTC)}
            stored = sheets.record(
                session, SHOP, key, f"sheet-{slot['position']:04}", check_sheet(sheet | came), "tablet x"
            )
            assert stored.flags == ()
    return database, key, screen["slots"]


def test_the_screen_of_a_composed_trial_holds_letters_only(played: tuple[Database, str, list[dict[str, Any]]]) -> None:
    database, key, slots = played
    with database.reading() as session:
        shown = json.dumps([screens.for_screen(session, key, rater, SHOP) for rater in tables.RATERS])
        listed = json.dumps(screens.open_trials(session, SHOP))
    assert [word for word in HIDDEN if word in shown + listed] == []
    assert all(slot["letter"] in shown for slot in slots)


def test_every_slot_is_read_by_the_next_fit_with_the_bow_behind_its_letter(
    played: tuple[Database, str, list[dict[str, Any]]],
) -> None:
    database, key, slots = played
    with database.reading() as session:
        (trial,) = (trial for trial in model_records.read_trials(session) if trial.key == key)
        bows = {slot.position: slot.copy for slot in session.scalars(select(tables.Slot))}
    assert [run.position for run in trial.runs] == [slot["position"] for slot in slots]
    best = [run for run in trial.runs if bows[run.position] == trial_cast.BOWS[0]]
    assert best
    assert all(run.ratings["overall"] == 7 for run in best)  # type: ignore[index] # a word of the vocabulary is its text


def test_the_desk_reads_the_standing_and_begins_a_head_to_head_of_the_two_best(
    played: tuple[Database, str, list[dict[str, Any]]],
) -> None:
    database, key, slots = played
    letters = [slot["letter"] for slot in slots if slot["letter"]]
    with database.writing() as session:
        view = standing(session, SHOP, key)
        assert (view.sheets_in, view.revealed) == (len(slots), False)
        other = next(
            letter
            for letter in letters[1:]
            if paired_comparison._copy(session, trial_cast.composition(session, key).trial, letter)
            != paired_comparison._copy(session, trial_cast.composition(session, key).trial, letters[0])
        )
        paired_comparison.start(session, None, SHOP, key, (letters[0], other))
        told = paired_comparison.state(session, SHOP, key)
    assert told is not None
    assert set(told) == {"id", "number", "most", "ended"}
