"""A planned trial moved: its bows go with it, the player is told anew, and what cannot be is said and leaves everything as it was."""

import datetime as dt
import email
from collections.abc import Iterator
from email import policy
from pathlib import Path
from typing import Any

import pytest
import vobject
from sqlalchemy import select

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError
from service.mail import letters
from service.mail.message import make_message
from service.trials import lifecycle
from service.trials.lifecycle import When
from tests.service import desk_shop, trial_cast
from tests.service.desk_shop import Shop
from tests.service.page import Page
from tests.service.trial_cast import BOWS, SHOP

TODAY = dt.datetime.now(dt.UTC).date()
SOON, LATER = TODAY + dt.timedelta(days=5), TODAY + dt.timedelta(days=9)


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path) -> Iterator[Shop]:
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        yield shop


def days(database: Database, key: str) -> list[tuple[dt.date, dt.date]]:
    with database.reading() as session:
        of = tables.TrialCopy
        asked = select(of.out_from, of.due_back).join(tables.Trial).where(tables.Trial.key == key)
        return [(row.out_from, row.due_back) for row in session.execute(asked)]


def planned(shop: Shop, on: dt.date, **changes: Any) -> str:
    with shop.desk.database.writing() as session:
        return trial_cast.compose(session, on=on.isoformat(), **changes)


def test_a_moved_trial_takes_its_bows_along_and_frees_the_day_before(shop: Shop) -> None:
    key = planned(shop, SOON)
    page = Page(
        shop.adviser.send(
            "POST",
            f"/desk/trials/{key}/move",
            data={"csrf": shop.adviser.csrf, "on": LATER.isoformat(), "hour": "15:30"},
            follow=True,
        )
    )
    assert "The trial is moved" in page.text
    assert ", 15:30" in page.text
    assert days(shop.desk.database, key) == [(LATER, LATER)] * len(BOWS)
    assert planned(shop, SOON)


def test_a_bow_that_is_wanted_there_keeps_the_trial_where_it_was(shop: Shop) -> None:
    key = planned(shop, SOON)
    planned(shop, LATER, copies=[BOWS[0]])
    reply = shop.adviser.send(
        "POST", f"/desk/trials/{key}/move", data={"csrf": shop.adviser.csrf, "on": LATER.isoformat(), "hour": ""}
    )
    assert reply.status_code == 409
    assert f"{BOWS[0]} is reserved for trial 2" in Page(reply).text
    assert days(shop.desk.database, key) == [(SOON, SOON)] * len(BOWS)


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"on": "2020-01-01"}, "This day is past"),
        ({"on": "9999-12-31"}, "more than ten years ahead"),
        ({"on": ""}, "Say on which day the trial is"),
        ({"on": "tomorrow"}, "expected a day, as 2026-11-30"),
        ({"on": LATER.isoformat(), "hour": "25:00"}, "expected an hour and minute, as 15:30"),
    ],
)
def test_what_cannot_be_is_said_at_its_field(shop: Shop, fields: dict[str, str], said: str) -> None:
    key = planned(shop, SOON)
    reply = shop.adviser.send("POST", f"/desk/trials/{key}/move", data={"csrf": shop.adviser.csrf, **fields})
    assert reply.status_code == 422
    page = Page(reply)
    assert page.faults == []
    assert said in page.text
    assert days(shop.desk.database, key) == [(SOON, SOON)] * len(BOWS)


def test_a_parcel_stays_out_as_long_as_before_where_nothing_is_said(any_database: Database) -> None:
    database = trial_cast.open_shop(any_database)
    with database.writing() as session:
        key = trial_cast.compose(
            session,
            place="post",
            country="DE",
            on=SOON.isoformat(),
            due_back=(SOON + dt.timedelta(days=10)).isoformat(),
        )
        lifecycle.move(session, None, SHOP, key, When(LATER))
    assert days(database, key) == [(LATER, LATER + dt.timedelta(days=10))] * len(BOWS)


def test_an_open_trial_is_not_moved(shop: Shop) -> None:
    key = shop.opened()
    with (
        shop.desk.database.writing() as session,
        pytest.raises(ConflictError, match="Only a planned trial can be moved"),
    ):
        lifecycle.move(session, None, SHOP, key, When(LATER))


def waiting(database: Database) -> dict[str, tuple[dt.datetime, bool]]:
    """Return what is to be told before trials and has not gone out: when, and whether it speaks of a move."""
    with database.reading() as session:
        of = tables.OutboxItem
        found = session.scalars(select(of).where(of.kind.in_(["trial_set", "before_trial"]), of.sent_at.is_(None)))
        return {row.kind: (row.due_at, bool((row.values or {}).get("moved"))) for row in found}


def go_out(database: Database, kind: str) -> None:
    with database.writing() as session:
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == kind)).one()
        row.sent_at = dt.datetime.now(dt.UTC)


def the_day_before(day: dt.date) -> dt.datetime:
    return dt.datetime.combine(day - dt.timedelta(days=1), dt.time(8, tzinfo=dt.UTC))


def test_what_waits_to_be_told_moves_along_and_who_was_told_is_told_at_once(shop: Shop) -> None:
    key = planned(shop, SOON, contact=desk_shop.CLARA)
    database, now = shop.desk.database, dt.datetime.now(dt.UTC)
    with database.writing() as session:
        lifecycle.move(session, None, SHOP, key, When(LATER))
    assert waiting(database)["before_trial"] == (the_day_before(LATER), False)
    assert not waiting(database)["trial_set"][1]
    go_out(database, "trial_set")
    with database.writing() as session:
        lifecycle.move(session, None, SHOP, key, When(SOON))
    told = waiting(database)
    assert told["before_trial"] == (the_day_before(SOON), False)
    assert told["trial_set"][1]
    assert told["trial_set"][0] <= now + dt.timedelta(minutes=1)


def test_moved_to_today_there_is_one_mail_which_says_so(shop: Shop) -> None:
    key = planned(shop, SOON, contact=desk_shop.CLARA)
    go_out(shop.desk.database, "trial_set")
    with shop.desk.database.writing() as session:
        lifecycle.move(session, None, SHOP, key, When(TODAY))
    ((kind, (_due, moved)),) = waiting(shop.desk.database).items()
    assert (kind, moved) == ("before_trial", True)
    with shop.desk.database.reading() as session:
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "before_trial")).one()
        letter = letters.write(session, shop.desk.app.state.mail_service, row, dt.datetime.now(dt.UTC))
    assert letter.calendar is not None, "the player's own calendar has the old day"
    assert vobject.readOne(letter.calendar.decode()).vevent.dtstart.value == TODAY


def test_moved_twice_before_it_could_be_told_the_first_day_is_still_called_off(shop: Shop) -> None:
    key = planned(shop, SOON, contact=desk_shop.CLARA)
    go_out(shop.desk.database, "trial_set")
    for day in (LATER, LATER + dt.timedelta(days=1)):
        with shop.desk.database.writing() as session:
            lifecycle.move(session, None, SHOP, key, When(day))
    assert waiting(shop.desk.database)["trial_set"][1]


def test_the_mail_sets_the_day_in_the_players_own_calendar(shop: Shop) -> None:
    # Read by vobject; the media type and the method by RFC 6047, 2.4.
    planned(shop, SOON, contact=desk_shop.CLARA, hour="15:30")
    with shop.desk.database.reading() as session:
        row = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.kind == "trial_set")).one()
        letter = letters.write(session, shop.desk.app.state.mail_service, row, dt.datetime.now(dt.UTC))
    mail = email.message_from_bytes(make_message(letter, dt.datetime.now(dt.UTC)).as_bytes(), policy=policy.default)
    (file,) = mail.iter_attachments()
    assert file.get_content_type() == "text/calendar"
    assert (file.get_filename(), file["Content-Type"].params["method"]) == ("trial.ics", "PUBLISH")
    event = vobject.readOne(file.get_content()).vevent
    assert event.dtstart.value.replace(tzinfo=None) == dt.datetime.combine(SOON, dt.time(15, 30))
    assert not any(word in file.get_content() for word in (*BOWS, "Clara", "juniper"))
    assert ", 15:30" in letter.subject
    assert "attached" in letter.text


# What the player's own calendar is told (RFC 5546)

PUBLISHED = """BEGIN:VCALENDAR
METHOD:PUBLISH
PRODID:-//Example/ExampleCalendarClient//EN
VERSION:2.0
BEGIN:VEVENT
ORGANIZER:mailto:a@example.com
DTSTART:19970701T200000Z
DTSTAMP:19970611T190000Z
SUMMARY:ST. PAUL SAINTS -VS- DULUTH-SUPERIOR DUKES
UID:0981234-1234234-23@example.com
END:VEVENT
END:VCALENDAR
"""
CANCELLED = """BEGIN:VCALENDAR
METHOD:CANCEL
VERSION:2.0
PRODID:-//Example/ExampleCalendarClient//EN
BEGIN:VEVENT
ORGANIZER:mailto:a@example.com
COMMENT:DUKES forfeit the game
SEQUENCE:2
UID:0981234-1234234-23@example.com
DTSTAMP:19970613T190000Z
STATUS:CANCELLED
END:VEVENT
END:VCALENDAR
"""
"""RFC 5546, 4.1.1 and 4.1.3: an event as it is published, and called off."""


def told(shop: Shop, kind: str) -> tuple[Any, str]:
    """Write the mail of a kind that waits, let it have gone out, and return its calendar by vobject and the file's method."""
    with shop.desk.database.writing() as session:
        of = tables.OutboxItem
        row = session.scalars(select(of).where(of.kind == kind, of.sent_at.is_(None))).one()
        letter = letters.write(session, shop.desk.app.state.mail_service, row, dt.datetime.now(dt.UTC))
        row.sent_at = dt.datetime.now(dt.UTC)
    mail = email.message_from_bytes(make_message(letter, dt.datetime.now(dt.UTC)).as_bytes(), policy=policy.default)
    (file,) = mail.iter_attachments()
    return vobject.readOne(file.get_content(), validate=True), file["Content-Type"].params["method"]


def names(calendar: Any) -> set[str]:
    """Return what a calendar and its event say, by name."""
    return {each.name for part in (calendar, calendar.vevent) for each in part.lines()}


def test_the_days_of_a_trial_are_told_published_changed_and_called_off_as_one_event(shop: Shop) -> None:
    # RFC 5546, 2.1.4 and 2.1.5: of two tellings of a UID the higher sequence holds; a change and a cancellation raise it.
    key = planned(shop, SOON, contact=desk_shop.CLARA, hour="15:30")
    first, method = told(shop, "trial_set")
    assert method == first.method.value == "PUBLISH"
    assert names(first) >= names(vobject.readOne(PUBLISHED)), "RFC 5546, 3.2.1: with whose it is"
    with shop.desk.database.writing() as session:
        lifecycle.move(session, None, SHOP, key, When(LATER))
    second, _method = told(shop, "trial_set")
    assert second.vevent.dtstart.value == LATER
    assert shop.adviser.post(f"/desk/trials/{key}/cancel").status_code == 303
    third, method = told(shop, "trial_cancelled")
    assert method == third.method.value == "CANCEL"
    assert third.vevent.status.value == "CANCELLED"
    assert names(third) >= names(vobject.readOne(CANCELLED)) - {"COMMENT"}, "RFC 5546, 3.2.5"
    events = [calendar.vevent for calendar in (first, second, third)]
    assert len({event.uid.value for event in events}) == 1
    assert len({event.organizer.value for event in events}) == 1
    assert [int(event.sequence.value) for event in events] == [0, 1, 2]


@pytest.mark.parametrize("told_before", [True, False])
def test_who_was_told_of_no_day_is_not_told_that_it_is_cancelled(shop: Shop, told_before: bool) -> None:
    key = planned(shop, SOON, contact=desk_shop.CLARA)
    if told_before:
        go_out(shop.desk.database, "trial_set")
    assert shop.adviser.post(f"/desk/trials/{key}/cancel").status_code == 303
    with shop.desk.database.reading() as session:
        to_clara = tables.OutboxItem.address == desk_shop.CLARA["email"]
        kinds = session.scalars(
            select(tables.OutboxItem.kind).where(to_clara, tables.OutboxItem.sent_at.is_(None))
        ).all()
    assert kinds == (["trial_cancelled"] if told_before else [])
