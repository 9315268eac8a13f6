"""Sheets: every one is kept, one of a place counts, and that one is what a fit reads."""

import datetime as dt
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.modelling import model_records
from service.questionnaire.sheet_fields import SheetIn, check_sheet
from service.trials import sheets
from tests.service import trial_rows

NOON = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)
MINUTE = dt.timedelta(minutes=1)
RUN, OTHER_RUN = "11111111-run-one", "22222222-run-two"


def sheet(**changes: Any) -> SheetIn:
    fields = {
        "revision": 1,
        "position": 1,
        "letter": "F",
        "rater": "player",
        "ratings": {"overall": 5, "response": 6, "clarity": "cannot_tell"},
        "note": None,
        "rated_at": NOON,
    }
    return check_sheet(fields | changes)


def opened(database: Database) -> Iterator[Session]:
    with database.writing() as session:
        trial_rows.add_all(session)
        yield session


@pytest.fixture
def session(database: Database) -> Iterator[Session]:
    yield from opened(database)


@pytest.fixture
def either(any_database: Database) -> Iterator[Session]:
    """A session on each kind of database in turn."""
    yield from opened(any_database)


def put(session: Session, given: SheetIn, run: str = RUN, **more: Any) -> sheets.Stored:
    return sheets.record(session, "quayside", "trial-one", run, given, "tablet x", **({"at": NOON + MINUTE} | more))


def kept(session: Session) -> list[tables.Sheet]:
    return list(session.scalars(select(tables.Sheet).order_by(tables.Sheet.id)))


def fitted(session: Session) -> dict[int, int | None]:
    """Return what a fit would read: position -> overall."""
    session.flush()
    return {
        run.position: run.overall
        for run in session.scalars(select(tables.Run).where(tables.newest_run(), tables.Run.rater == "player"))
    }


def composition(session: Session) -> tables.Composition:
    return session.scalars(select(tables.Composition)).one()


def reveal(session: Session) -> None:
    revealed, user = composition(session), session.scalars(select(tables.User.id)).one()
    revealed.revealed_at, revealed.revealed_by = NOON + MINUTE, user


def test_a_sheet_is_kept_and_read_by_the_next_fit(either: Session) -> None:
    assert put(either, sheet(note="two\nlines")) == sheets.Stored(1, ())
    (trial,) = model_records.read_trials(either)
    assert {str(name): value for name, value in trial.runs[0].ratings.items()} == {"overall": 5, "response": 6}
    run = either.scalars(select(tables.Run)).one()
    assert (run.copy, run.cannot_tell, run.note, run.revision) == (trial_rows.COPIES[0], "clarity", "two lines", 1)


def test_strokes_are_a_run_s_and_count_when_all_eight_were_played(either: Session) -> None:
    marks = ["clean", "noisy", "broken", *["clean"] * 5]
    put(either, sheet(strokes=marks[:4], ratings={}))
    (unfinished,) = either.scalars(select(tables.Run)).all()
    assert (unfinished.strokes, unfinished.clean_strokes) == ("0 1 2 0 ? ? ? ?", None)
    put(either, sheet(revision=2, strokes=marks))
    run = either.scalars(select(tables.Run).where(tables.newest_run())).one()
    assert (run.overall, run.strokes, run.clean_strokes) == (5, "0 1 2 0 0 0 0 0", 6)
    # Another tablet's are kept beside, and counted where staff choose them.
    assert put(either, sheet(strokes=["broken"] * 8), OTHER_RUN).flags == ("other_device",)
    sheets.count(either, None, "quayside", "trial-one", kept(either)[-1].id)
    assert either.scalars(select(tables.Run).where(tables.newest_run())).one().clean_strokes == 0


def test_strokes_alone_make_way_for_another_device_s_marks_and_stay_beside_them(either: Session) -> None:
    def counting() -> tuple[int | None, str | None]:
        run = either.scalars(select(tables.Run).where(tables.newest_run())).one()
        (row,) = (one for one in kept(either) if one.counts)
        assert row.strokes == run.strokes
        return run.overall, run.strokes

    put(either, sheet(strokes=["noisy"] * 8, ratings={}))
    assert put(either, sheet(strokes=["clean"] * 8, ratings={}), "run-three").flags == ("other_device",)
    assert put(either, sheet(), OTHER_RUN).flags == ()
    assert counting() == (5, "1 1 1 1 1 1 1 1")
    assert put(either, sheet(revision=2, ratings={"overall": 6}), OTHER_RUN).flags == ()
    assert counting() == (6, "1 1 1 1 1 1 1 1"), "of the sheet that it took the place of, still"
    put(either, sheet(revision=3, strokes=["broken"] * 8), OTHER_RUN)
    put(either, sheet(revision=4), OTHER_RUN)
    assert counting() == (5, None), "its own, once it had some, are its own to take back"
    assert put(either, sheet(revision=2, ratings={"overall": 1})).flags == ("other_device",)
    assert counting() == (5, None)


@pytest.mark.parametrize(
    ("strokes", "rater", "path"),
    [
        (["clean"] * 9, "player", "strokes"),
        (["clean", "scratchy"], "player", "strokes.1"),
        (["clean"], "listener", "strokes"),
    ],
)
def test_a_ninth_stroke_an_unknown_mark_and_a_listener_s_are_refused_by_field(
    strokes: list[str], rater: str, path: str
) -> None:
    with pytest.raises(InvalidInputError) as refused:
        sheet(strokes=strokes, rater=rater)
    (problem,) = refused.value.problems
    assert problem.path == path
    assert problem.message


def test_a_sheet_without_strokes_is_the_same_that_a_screen_without_them_sends() -> None:
    # As it was before sheets had strokes: one that waits on a tablet through an upgrade is not stored twice.
    before = "c35ec2835630fc8cfacafc8d3246455927fa51bd4143dbc1e0af955ebf5bafd2"
    assert sheet().digest() == sheet(strokes=None).digest() == sheet(strokes=[]).digest() == before


def test_the_same_sheet_again_changes_nothing(session: Session) -> None:
    for seconds in range(3):
        assert put(session, sheet(sent_at=NOON + seconds * dt.timedelta(seconds=1))) == sheets.Stored(1, ())
    assert len(kept(session)) == 1
    assert len(session.scalars(select(tables.Run)).all()) == 1


def test_the_highest_revision_counts_whatever_the_order_in_which_they_come(either: Session) -> None:
    put(either, sheet(revision=2, ratings={"overall": 2}))
    assert put(either, sheet(revision=1)) == sheets.Stored(2, ())
    assert fitted(either) == {1: 2}
    put(either, sheet(revision=3, ratings={"overall": 3}))
    assert fitted(either) == {1: 3}
    assert [(one.revision, one.counts) for one in kept(either)] == [(2, False), (1, False), (3, True)]


def test_the_same_revision_with_another_body_is_kept_and_flagged_as_a_conflict(session: Session) -> None:
    put(session, sheet())
    changed = put(session, sheet(ratings={"overall": 7}))
    assert changed.flags == ("conflict",)
    assert put(session, sheet(ratings={"overall": 7})).flags == ("conflict",), "a repeat is told the same"
    assert fitted(session) == {1: 5}
    assert len(kept(session)) == 2


def test_an_id_used_for_another_place_is_a_conflict(session: Session) -> None:
    put(session, sheet())
    assert put(session, sheet(revision=2, position=2, letter="C")).flags == ("conflict",)
    assert fitted(session) == {1: 5}


def test_of_two_tablets_on_one_trial_the_first_counts_until_staff_choose(either: Session) -> None:
    put(either, sheet())
    assert put(either, sheet(ratings={"overall": 1}), OTHER_RUN).flags == ("other_device",)
    assert fitted(either) == {1: 5}
    other = kept(either)[1]
    sheets.count(either, None, "quayside", "trial-one", other.id)
    assert fitted(either) == {1: 1}
    assert [one.counts for one in kept(either)] == [False, True]
    assert put(either, sheet(revision=2, ratings={"overall": 2}), OTHER_RUN).flags == ()
    assert fitted(either) == {1: 2}
    assert put(either, sheet(revision=2, ratings={"overall": 6})).flags == ("other_device",)
    audited = either.scalars(select(tables.AuditEntry)).one()
    assert (audited.did, audited.detail) == ("chose a sheet", {"position": 1})


def test_a_letter_that_is_not_in_the_trial_is_kept_and_never_counts(session: Session) -> None:
    assert put(session, sheet(letter="Z")).flags == ("unknown_letter",)
    assert put(session, sheet(position=2), OTHER_RUN).flags == ("unknown_letter",), "F is played first, not second"
    assert fitted(session) == {}
    with pytest.raises(ConflictError, match="letter that is not at its place"):
        sheets.count(session, None, "quayside", "trial-one", kept(session)[0].id)


def test_a_sheet_for_a_closed_trial_counts_and_is_flagged_as_late(session: Session) -> None:
    composition(session).closed_at = NOON
    composition(session).state = "closed"
    assert put(session, sheet()).flags == ("late",)
    assert fitted(session) == {1: 5}


def test_a_sheet_of_a_closed_link_is_late_too(session: Session) -> None:
    assert put(session, sheet(), closed=True).flags == ("late",)


def test_a_sheet_for_a_cancelled_trial_waits_for_staff(session: Session) -> None:
    put(session, sheet())
    composition(session).state = "cancelled"
    assert put(session, sheet(position=2, letter="C"), OTHER_RUN).flags == ("cancelled",)
    assert fitted(session) == {1: 5}, "what was rated before the trial was given up stays"
    sheets.count(session, None, "quayside", "trial-one", kept(session)[1].id)
    assert fitted(session) == {1: 5, 2: 5}


def test_a_rating_changed_after_the_key_was_revealed_is_kept_and_the_blind_one_counts(session: Session) -> None:
    put(session, sheet())
    reveal(session)
    changed = sheet(revision=2, ratings={"overall": 7}, rated_at=NOON + 5 * MINUTE)
    assert put(session, changed, at=NOON + 6 * MINUTE).flags == ("after_reveal",)
    assert fitted(session) == {1: 5}
    with pytest.raises(ConflictError, match="after the key was revealed"):
        sheets.count(session, None, "quayside", "trial-one", kept(session)[1].id)


def test_a_blind_rating_that_only_arrives_after_the_reveal_counts(session: Session) -> None:
    reveal(session)
    assert put(session, sheet(), at=NOON + 60 * MINUTE).flags == ()
    assert fitted(session) == {1: 5}


@pytest.mark.parametrize("off", [dt.timedelta(days=1), dt.timedelta(days=-1), dt.timedelta(days=-20_000)])
def test_a_clock_a_day_off_is_flagged_and_set_right(session: Session, off: dt.timedelta) -> None:
    reveal(session)
    late = sheet(rated_at=NOON + off, sent_at=NOON + 10 * MINUTE + off)
    assert put(session, late, at=NOON + 10 * MINUTE).flags == ("clock",), "rated blind, ten minutes before it was sent"
    run = session.scalars(select(tables.Run)).one()
    assert run.rated_at == NOON
    assert kept(session)[0].rated_at == NOON + off, "the sheet itself stays as it came"


def test_without_the_time_of_sending_only_a_clock_ahead_can_be_told(session: Session) -> None:
    assert put(session, sheet(rated_at=NOON + dt.timedelta(days=1))).flags == ("clock",)
    assert put(session, sheet(position=2, letter="C", rated_at=NOON - dt.timedelta(days=1)), OTHER_RUN).flags == ()


def test_the_own_bow_is_rated_at_both_its_places(session: Session) -> None:
    put(session, sheet(position=3, letter=""))
    put(session, sheet(position=6, letter="", ratings={"overall": 4}), OTHER_RUN)
    assert {run.position: run.copy for run in session.scalars(select(tables.Run))} == {3: None, 6: None}


def test_a_listener_has_a_sheet_of_their_own_which_no_fit_of_the_player_reads(session: Session) -> None:
    put(session, sheet())
    listened = sheet(rater="listener", ratings={"overall": 3, "carrying": 7})
    assert put(session, listened, OTHER_RUN).flags == ()
    assert fitted(session) == {1: 5}
    runs = session.scalars(select(tables.Run).where(tables.Run.rater == "listener")).all()
    assert [(run.overall, run.carrying) for run in runs] == [(3, 7)]


def test_another_dealer_has_no_such_trial(session: Session) -> None:
    trial_rows.add_dealer(session, "hillside")
    with pytest.raises(NotFoundError):
        sheets.record(session, "hillside", "trial-one", RUN, sheet(), "tablet x")
    with pytest.raises(NotFoundError):
        sheets.count(session, None, "hillside", "trial-one", 1)
    assert kept(session) == []


def test_staff_choose_only_among_the_sheets_of_the_trial(session: Session) -> None:
    trial_rows.add_trial(session, key="trial-two", letters=("M", "N"))
    put(session, sheet())
    for number in (kept(session)[0].id, 0, -1, 10**30):
        with pytest.raises(NotFoundError):
            sheets.count(session, None, "quayside", "trial-two", number)


def test_several_odd_things_are_all_said(session: Session) -> None:
    put(session, sheet())
    composition(session).state = "cancelled"
    odd = sheet(letter="Z", sent_at=NOON + dt.timedelta(days=3))
    assert put(session, odd).flags == ("conflict", "unknown_letter", "cancelled", "clock")


def test_sheets_that_come_at_the_same_moment_leave_one_that_counts(any_database: Database) -> None:
    with any_database.writing() as session:
        trial_rows.add_all(session)

    def send(number: int) -> sheets.Stored:
        given = sheet(revision=number // 2 + 1, ratings={"overall": number // 2 + 1})
        with any_database.writing() as session:
            return put(session, given, (RUN, OTHER_RUN)[number % 2])

    with ThreadPoolExecutor(8) as pool:
        stored = list(pool.map(send, range(12)))
    with any_database.reading() as session:
        counting = [one for one in kept(session) if one.counts]
        assert len(kept(session)) == 12
        assert [one.revision for one in counting] == [6]
        assert fitted(session) == {1: 6}
    assert sum("other_device" in one.flags for one in stored) == 6
