"""A wrong clock erases nobody, says so, and holds nothing up once it is right."""

import datetime as dt
import subprocess
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, update

from service import tables
from service.accounts import users
from service.advice import advise
from service.cli import main
from service.core import moments, tokens
from service.core.database import Database
from service.core.scopes import AllDealers, OneDealer
from service.devices import tablets
from service.form import drafts
from service.mail import outbox, redating, sending
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.privacy import clock, mass_erasure, retention
from service.registry import MAILS
from service.tables.columns import Moment
from service.web import staff_sessions
from tests.service.client import SECRET
from tests.service.privacy_cast import contact, draft, enquire
from tests.service.trial_cast import SHOP, compose, open_shop

NOW = dt.datetime.now(dt.UTC)
THREE_YEARS = dt.timedelta(days=3 * 365 + 1)
MONTH = dt.timedelta(days=31)
HOUR = dt.timedelta(hours=1)
KEPT = (
    *(tables.Enquiry, tables.Draft, tables.StaffSession, tables.PasswordLink, tables.TabletCode, tables.OutboxItem),
    tables.Contact,
)


@pytest.fixture
def shop(any_database: Database) -> Database:
    """A shop in use for two years: an enquiry a month, the oldest just over its time, and one of everything that runs out."""
    shop = open_shop(any_database)
    with shop.writing() as session:
        for month in range(26):
            aged(session, enquire(session, email=f"p{month}@player.example"), NOW - month * MONTH)
        draft(session)
        account = users.add(session, "ada@bows.example", "owner", None).account.id
        staff_sessions.begin(session, account)
        tablets.make_code(session, account, SHOP, "Room")
    return shop


def aged(session: Any, enquiry: str, at: dt.datetime) -> None:
    session.get_one(tables.Enquiry, enquiry).created_at = at
    mails = update(tables.OutboxItem).where(tables.OutboxItem.enquiry == enquiry)
    session.execute(mails.values(queued_at=at, due_at=at, sent_at=at))


def counted(database: Database) -> dict[str, int]:
    with database.reading() as session:
        return {table.__tablename__: session.scalar(select(func.count()).select_from(table)) or 0 for table in KEPT}


def wrong(database: Database, now: dt.datetime) -> str:
    """Return the lines of `check` that are unwell."""
    with database.reading() as session:
        return "\n".join(said for said, well in retention.findings(database, session, now) if not well)


@pytest.mark.parametrize("shift", [THREE_YEARS, -THREE_YEARS], ids=["ahead", "behind"])
@pytest.mark.parametrize("noted", [True, False], ids=["at work", "just updated"])
def test_nothing_goes_by_a_clock_three_years_off_and_all_goes_on_once_it_is_right(
    shop: Database, shift: dt.timedelta, noted: bool
) -> None:
    if noted:
        with shop.writing() as session:
            clock.keep(session, NOW - HOUR)
    before = counted(shop)
    for hours in range(3):
        retention.sweep_if_due(shop, NOW + shift + hours * HOUR)
    assert counted(shop) == before
    assert "nothing is erased by age" in wrong(shop, NOW + shift)
    swept = retention.sweep_if_due(shop, NOW + HOUR)
    assert swept is not None
    assert swept.persons == 2  # 24 months are 730.5 days: those of 24 and 25 times 31 days ago
    assert "nothing is erased" not in wrong(shop, NOW + HOUR)


def test_what_is_written_under_a_wrong_clock_makes_it_no_more_believed(shop: Database) -> None:
    then = NOW + THREE_YEARS
    with shop.writing() as session:
        for number in range(3):
            aged(session, enquire(session, email=f"late{number}@player.example"), then)
    before = counted(shop)
    assert retention.sweep_if_due(shop, then + HOUR) is None
    assert counted(shop) == before
    assert "enquiries 3" in wrong(shop, NOW)
    assert retention.sweep_if_due(shop, NOW + HOUR) is not None
    with shop.writing() as session:
        clock.mend(session, NOW)
    assert wrong(shop, NOW + 2 * HOUR) == ""
    with shop.reading() as session:
        assert session.scalar(select(func.max(tables.Enquiry.created_at))) == NOW


@pytest.mark.parametrize("shift", [THREE_YEARS, -THREE_YEARS], ids=["ahead", "behind"])
def test_days_of_work_under_a_wrong_clock_make_it_no_more_believed(
    shop: Database, shift: dt.timedelta, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = counted(shop)["enquiries"]
    for day in range(4):
        then = NOW + shift + day * dt.timedelta(days=1)
        assert retention.sweep_if_due(shop, then) is None
        with monkeypatch.context() as shifted, shop.writing() as session:
            shift_clock(shifted, shift + day * dt.timedelta(days=1))
            enquire(session, email=f"day{day}@player.example")
    assert counted(shop)["enquiries"] == before + 4
    swept = retention.sweep_if_due(shop, NOW + 5 * dt.timedelta(days=1))
    assert swept is not None
    # Not those who came meanwhile, though a clock that was behind wrote of them as if that were years ago.
    assert swept.persons == 2
    assert counted(shop)["enquiries"] == before + 2


@pytest.mark.parametrize("said", [False, True], ids=["set right", "said to be right"])
def test_a_clock_behind_dates_what_came_meanwhile_alone_and_that_is_on_record(
    shop: Database, monkeypatch: pytest.MonkeyPatch, said: bool
) -> None:
    """Enquiries of the very moment that the clock fell back to were there before, and stay as they are dated."""
    with shop.writing() as session:
        clock.keep(session, NOW - HOUR)
    before = dated(shop)
    with shop.writing() as session:
        assert clock.keep(session, NOW - MONTH).is_behind
    with monkeypatch.context() as shifted, shop.writing() as session:
        shift_clock(shifted, -MONTH)
        enquiry = enquire(session, email="late@player.example")
        kept = draft(session)
        walked_in = compose(session, contact=contact(model=False, email="walked.in@player.example"))
    written = dated(shop)
    with shop.writing() as session:
        if said:
            clock.confirm(session, None, NOW - MONTH)
            clock.keep(session, NOW - MONTH + HOUR)
        else:
            clock.keep(session, NOW + HOUR)
            clock.keep(session, NOW + 2 * HOUR)
    after = dated(shop)
    assert {key: at for key, at in after.items() if key in before} == before
    late = {key: at for key, at in after.items() if key not in before}
    assert len(late) == 3
    assert {enquiry, kept} < late.keys()
    with shop.reading() as session:
        player = session.scalars(select(tables.Trial.player).where(tables.Trial.key == walked_in)).one()
        assert str(player) in late
        record = [row.detail for row in session.scalars(select(tables.AuditEntry)) if row.did == CAME_LATE]
    if said:
        assert after == written
        assert record == []
    else:
        assert set(late.values()) == {NOW + HOUR}
        assert [each | {"contacts": 1, "drafts": 1, "enquiries": 1} for each in record] == record
        assert len(record) == 1


CAME_LATE = "dated what came while the clock was behind"


def dated(database: Database) -> dict[str, dt.datetime]:
    """Return by its key what each row's age is counted from."""
    with database.reading() as session:
        rows = [
            *session.execute(select(tables.Enquiry.id, tables.Enquiry.created_at)),
            *session.execute(select(tables.Draft.id, tables.Draft.updated_at)),
            *session.execute(select(tables.Contact.player, tables.Contact.created_at)),
        ]
    return {str(key): at for key, at in rows}


def test_a_sweep_that_began_in_the_future_is_an_alarm_and_holds_none_up(shop: Database) -> None:
    future = NOW + dt.timedelta(days=1100)
    with shop.writing() as session:
        session.add(tables.Duty(name=retention.SWEEP, begun_at=future, ended_at=future, counts={}))
    assert "in the future: not believed" in wrong(shop, NOW)
    swept = retention.sweep_if_due(shop, NOW)
    assert swept is not None
    assert swept.persons == 2
    assert wrong(shop, NOW) == ""
    assert retention.sweep_if_due(shop, NOW + HOUR) is None


def test_a_season_closed_needs_no_word_and_half_a_year_does(shop: Database) -> None:
    retention.sweep_if_due(shop, NOW)
    assert retention.sweep_if_due(shop, NOW + dt.timedelta(days=95)) is not None
    later = NOW + dt.timedelta(days=95 + 180)
    assert retention.sweep_if_due(shop, later) is None
    with shop.writing() as session:
        clock.confirm(session, None, later)
    swept = retention.sweep_if_due(shop, later + HOUR)
    assert swept is not None
    assert swept.persons == 6
    assert wrong(shop, later + HOUR) == ""
    # The word was of that moment; a clock that then goes back is not believed either.
    assert retention.sweep_if_due(shop, NOW) is None


def test_more_persons_than_usual_wait_for_a_word_each_dealers_for_its_own(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        for number in range(mass_erasure.MOST_A_DAY + 5):
            aged(session, enquire(session, email=f"p{number}@player.example"), NOW - 26 * MONTH)
        aged(session, enquire(session, dealer="quay"), NOW - 26 * MONTH)
        aged(session, enquire(session, email="new@player.example"), NOW - 2 * dt.timedelta(days=1))
    swept = retention.sweep_if_due(shop, NOW)
    assert swept is not None
    assert (swept.persons, swept.held) == (1, 25)
    assert f"25 persons of {SHOP}" in wrong(shop, NOW)
    with shop.writing() as session:
        (question,) = mass_erasure.questions(session, AllDealers())
        assert mass_erasure.questions(session, OneDealer("quay")) == []
        assert mass_erasure.allow(session, None, question, NOW + HOUR)
        assert not mass_erasure.allow(session, None, question, NOW + HOUR)  # once
    swept = retention.sweep_if_due(shop, NOW + 2 * HOUR)
    assert swept is not None
    assert (swept.persons, swept.held) == (25, 0)
    assert wrong(shop, NOW + 2 * HOUR) == ""
    assert counted(shop)["enquiries"] == 1


def test_a_yes_is_not_of_more_persons_than_it_was_given_for(database: Database) -> None:
    shop = open_shop(database)
    most = mass_erasure.MOST_A_DAY
    with shop.writing() as session:
        assert not mass_erasure.may_erase(session, SHOP, most + 1, NOW)
        (question,) = mass_erasure.questions(session, AllDealers())
        assert mass_erasure.allow(session, None, question, NOW)
        assert not mass_erasure.may_erase(session, SHOP, 2 * most + 2, NOW)
        # Who read of fewer has not said yes to all of them.
        assert not mass_erasure.allow(session, None, question, NOW)
        (question,) = mass_erasure.questions(session, AllDealers())
        assert question.persons == 2 * most + 2
        assert mass_erasure.allow(session, None, question, NOW)
        assert mass_erasure.may_erase(session, SHOP, 2 * most + 3, NOW)
        assert mass_erasure.questions(session, AllDealers()) == []


def test_the_command_says_how_it_stands_and_takes_the_operators_word(
    database: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = open_shop(database)
    environ = {"DATABASE_URL": f"sqlite:///{shop.file}", "DATA_DIR": str(tmp_path)}

    def run(*arguments: str) -> tuple[int, str]:
        capsys.readouterr()
        status = main(["retention", *arguments], environ)
        told = capsys.readouterr()
        return status, told.out + told.err

    with shop.writing() as session:
        for number in range(mass_erasure.MOST_A_DAY + 1):
            aged(session, enquire(session, email=f"p{number}@player.example"), NOW - 26 * MONTH)
        aged(session, enquire(session, email="new@player.example"), NOW + 2 * THREE_YEARS)
    status, told = run()
    assert (status, "lies 806 days after" in told) == (1, True)
    for asked in ("--mend", "--erase"):
        assert run(asked) == (
            1,
            "The clock is not believed; set it right, or say first that it is: retention --clock-is-right\n",
        )
    assert "not believed" not in run("--clock-is-right")[1]
    assert "1 moments were set right." not in run("--erase")[1]
    assert retention.sweep_if_due(shop, dt.datetime.now(dt.UTC)) is not None
    assert f"21 persons of {SHOP}" in run()[1]
    assert "Nobody waits for a word." in run("--erase", "--dealer", "quay")[1]
    assert "Erased: 21 persons." in run("--erase")[1]
    status, told = run("--mend")
    assert (status, told.startswith("0 moments")) == (0, False)
    assert counted(shop)["enquiries"] == 1


TOLD_BY_A_DEVICE = {"runs.rated_at", "sheets.rated_at", "pairs.rated_at"}
"""When a tablet says that something was rated; kept as it was told."""


def test_every_moment_is_looked_at_for_the_future_but_those_that_a_device_told() -> None:
    moments = {
        f"{table.name}.{column.name}"
        for table in tables.Base.metadata.tables.values()
        for column in table.columns
        if isinstance(column.type, Moment)
    }
    assert {"enquiries.created_at", "first_mails.at"} <= moments
    ahead = [column for column, _farthest in clock._PLANNED]
    looked_at = {f"{column.class_.__tablename__}.{column.key}" for column in (*clock._WRITTEN, *ahead)}
    assert looked_at == moments - TOLD_BY_A_DEVICE


def test_what_a_clock_ahead_noted_of_mailboxes_and_browsers_is_set_right(shop: Database) -> None:
    then = NOW + THREE_YEARS
    with shop.writing() as session:
        user = session.scalars(select(tables.User.id)).one()
        session.add(tables.FirstMail(mailbox="a", cause="enquiry", mail="m", at=then))
        session.add(tables.ConfirmedAddress(digest="a", at=then))
        session.add(tables.KnownBrowser(digest="b", user=user, created_at=then, seen_at=then))
    assert "confirmed_addresses 1, first_mails 1, known_browsers 1" in wrong(shop, NOW)
    with shop.writing() as session:
        clock.confirm(session, None, NOW)
        clock.mend(session, NOW)
    assert wrong(shop, NOW) == ""
    with shop.reading() as session:
        browser = session.scalars(select(tables.KnownBrowser)).one()
        noted = (
            session.scalars(select(tables.FirstMail.at)).one(),
            session.scalars(select(tables.ConfirmedAddress.at)).one(),
        )
        assert (*noted, browser.created_at, browser.seen_at) == (NOW,) * 4


# Other things that run out


def test_what_is_done_at_the_desk_and_the_form_erases_nothing_by_its_age(
    shop: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = counted(shop)
    with monkeypatch.context() as shifted, shop.writing() as session:
        shift_clock(shifted, THREE_YEARS)
        drafts.begin(session)
        account = session.scalars(select(tables.User.id)).one()
        secret = staff_sessions.begin(session, account)
        tablets.make_code(session, account, SHOP, "Another")
    more = {"drafts": 1, "staff_sessions": 1, "tablet_codes": 1}
    assert counted(shop) == {name: count + more.get(name, 0) for name, count in before.items()}
    # A sign-in of those days would last for years.
    with shop.reading() as session:
        assert staff_sessions.find(session, secret, NOW) is None
        assert staff_sessions.find(session, secret, dt.datetime.now(dt.UTC) + THREE_YEARS) is not None
        kept = session.get_one(tables.StaffSession, tokens.digest(secret))
        assert kept.expires_at > NOW + THREE_YEARS


def shift_clock(patch: pytest.MonkeyPatch, by: dt.timedelta) -> None:
    """Let the modules that these tests use read a clock that is off."""

    class Shifted(dt.datetime):
        @classmethod
        def now(cls, tz: dt.tzinfo | None = None) -> dt.datetime:  # type: ignore[override] # a plain moment, as the real one
            return dt.datetime.now(tz) + by

    class Module:
        datetime, timedelta, date, UTC = Shifted, dt.timedelta, dt.date, dt.UTC

    for module in (drafts, staff_sessions, tablets, advise, moments):
        patch.setattr(module, "dt", Module)


# Mail


ROWS: Mapping[str, Callable[[dt.datetime], dict[str, Any]]] = {
    "leased": lambda then: {"leased_until": then + outbox.LEASE, "attempts": 1, "due_at": NOW},
    "tried": lambda then: {"due_at": then + outbox.LONGEST_WAIT, "attempts": 3},
    "queued": lambda then: {"queued_at": then, "due_at": then},
    "sent again": lambda then: {"due_at": then},
}


@pytest.mark.parametrize("how", ROWS)
def test_a_mail_touched_under_a_clock_ahead_goes_out_once_it_is_right(
    database: Database, tmp_path: Path, how: str
) -> None:
    shop = open_shop(database)
    mail_service = open_mail_service(MailServer(), tmp_path / "mail", None, SECRET, MAILS)
    with shop.writing() as session:
        aged(session, enquire(session), NOW - MONTH)
        ident = queued(session, "follow_up", **ROWS[how](NOW + THREE_YEARS))
    assert "outbox 1" in wrong(shop, NOW)
    retention.sweep_if_due(shop, NOW)
    sending.send_waiting(shop, mail_service, lambda: NOW)
    with shop.reading() as session:
        row = session.get_one(tables.OutboxItem, ident)
        assert row.sent_at is not None or row.failed_at is not None  # it was its turn; this one is about no trial
    assert wrong(shop, NOW) == ""


def test_a_lease_of_the_future_holds_nothing_up_even_before_anybody_sets_it_right(
    database: Database, tmp_path: Path
) -> None:
    shop = open_shop(database)
    mail_service = open_mail_service(MailServer(), tmp_path / "mail", None, SECRET, MAILS)
    with shop.writing() as session:
        queued(session, "follow_up", **ROWS["leased"](NOW + THREE_YEARS))
        queued(session, "after_trial", leased_until=NOW + outbox.LEASE, attempts=1, due_at=NOW)
    done = sending.send_waiting(shop, mail_service, lambda: NOW)
    assert done.sent + done.failed + done.put_off == 1


def test_what_was_to_wait_still_waits_its_time(database: Database) -> None:
    then = NOW + THREE_YEARS
    with open_shop(database).writing() as session:
        ident = queued(session, "follow_up", queued_at=then, due_at=then + 42 * dt.timedelta(days=1))
        right = queued(session, "after_trial", queued_at=NOW, due_at=NOW + 10 * MONTH)
        assert redating.redate(session, NOW) == 1
        session.flush()
        row = session.get_one(tables.OutboxItem, ident)
        assert (row.queued_at, row.due_at) == (NOW, NOW + dt.timedelta(days=42))
        assert session.get_one(tables.OutboxItem, right).due_at == NOW + 10 * MONTH


def queued(session: Any, kind: str, **changes: Any) -> int:
    """Add a mail about nothing that is there, and return its id."""
    given: dict[str, Any] = {"queued_at": NOW - HOUR, "due_at": NOW - HOUR, "attempts": 0, **changes}
    to = {"channel": "mail", "address": "p@player.example", "language": "en", "values": {}, "dealer": SHOP}
    row = tables.OutboxItem(kind=kind, about=f"no trial {kind}", message_id=f"{kind}@bows.example", **to, **given)
    session.add(row)
    session.flush()
    return int(row.id)


# The processes as they run


SHIFTED = """
import datetime as dt, sys, threading, types
from service.tables.columns import Moment
from service.cli import main, model_commands
from service.core.database import Database
from service.privacy import daily, retention

class Shifted(dt.datetime):
    @classmethod
    def now(cls, tz=None):
        return dt.datetime.now(tz) + dt.timedelta(days=days)

off = types.ModuleType("datetime")
off.__dict__.update(dt.__dict__, datetime=Shifted)
for name, module in list(sys.modules.items()):
    if name.startswith("service") and getattr(module, "dt", None) is dt:
        module.dt = off

def look(database, now):
    try:
        return retention.sweep_if_due(database, now)
    finally:
        looked.set()

daily.sweep_if_due = look
for days in (1096, -1096):
    looked = threading.Event()
    database = Database(sys.argv[1])
    retention_worker = daily.RetentionWorker(database, first=0.0)
    retention_worker.start()
    looked.wait(60)
    retention_worker.stop(60)
    database.close()
    print("status", main(["check"], {"DATABASE_URL": sys.argv[1], "DATA_DIR": sys.argv[2]}))
"""
"""The retention worker's first look and then `check`, in a process whose clock is three years ahead, and then as much behind."""


@pytest.mark.process
def test_the_caretaker_of_a_process_whose_clock_is_off_erases_nobody_and_check_is_red(
    database: Database, tmp_path: Path
) -> None:
    shop = open_shop(database)
    with shop.writing() as session:
        for month in range(26):
            aged(session, enquire(session, email=f"p{month}@player.example"), NOW - month * MONTH)
        draft(session)
    before = counted(shop)
    arguments = [f"sqlite:///{shop.file}", str(tmp_path)]
    told = subprocess.run(
        [sys.executable, "-c", SHIFTED, *arguments], capture_output=True, text=True, timeout=120, check=False
    )
    assert (told.returncode, told.stdout.count("status 1")) == (0, 2), told.stderr
    assert told.stdout.count("nothing is erased by age until") == 2
    assert counted(shop) == before
