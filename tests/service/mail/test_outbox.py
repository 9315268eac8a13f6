"""The outbox: queued once, taken by one, put off ever longer, and what is said of how it stands."""

import datetime as dt
import itertools
import threading
from pathlib import Path

import pytest

from service import tables
from service.cli import main
from service.core.database import Database
from service.mail import outbox
from service.mail.outbox import To
from tests.service.client import SECRET
from tests.service.mail_server import Clock, closed_port, queue_advice, rows

TO = To("shop@harbour.example")


def test_waits_double_from_a_minute_to_four_hours_and_end_after_three_days() -> None:
    waits = list(itertools.takewhile(lambda wait: wait is not None, map(outbox.wait_after, itertools.count(1))))
    minutes = [wait.total_seconds() / 60 for wait in waits if wait]
    assert minutes[:9] == [1, 2, 4, 8, 16, 32, 64, 128, 240]
    assert set(minutes[9:]) == {240}
    assert 3 * 24 * 60 <= sum(minutes) < 3 * 24 * 60 + 240
    assert outbox.wait_after(len(waits) + 1) is None
    assert outbox.wait_after(10_000) is None


def test_a_second_one_of_a_kind_about_the_same_thing_is_the_first(any_database: Database) -> None:
    with any_database.writing() as session:
        first = outbox.queue(session, "data_link", "1", TO, {"path": "/a"}).id
        assert outbox.queue(session, "data_link", "1", To("other@harbour.example"), {"path": "/b"}).id == first
        assert outbox.queue(session, "data_link", "2", TO, {"path": "/a"}).id != first
    assert [row.address for row in rows(any_database)] == ["shop@harbour.example"] * 2


def test_two_who_queue_the_same_at_the_same_moment_queue_one(any_database: Database) -> None:
    together = threading.Barrier(4, timeout=10)

    def queue() -> None:
        together.wait()
        with any_database.writing() as session:
            outbox.queue(session, "data_link", "1", TO)

    threads = [threading.Thread(target=queue) for _thread in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(rows(any_database)) == 1


def test_a_row_that_waits_for_later_is_brought_forward_but_never_put_back(database: Database) -> None:
    clock = Clock()
    later, sooner = clock.now + dt.timedelta(days=2), clock.now + dt.timedelta(days=1)
    with database.writing() as session:
        for due, expected in ((later, later), (sooner, sooner), (later, sooner)):
            assert outbox.queue(session, "after_trial", "t", TO, due=due).due_at == expected


def test_what_has_gone_out_is_not_withdrawn_and_what_is_on_its_way_neither(database: Database) -> None:
    clock = Clock()
    with database.writing() as session:
        for about in ("waits", "leased", "sent"):
            outbox.queue(session, "after_trial", about, TO, due=clock.now - dt.timedelta(hours=len(about)))
        leased = outbox.claim(session, clock(), "maker.example")
        assert leased is not None
        assert leased.about == "leased"
        row = outbox.find(session, "after_trial", "sent")
        assert row is not None
        outbox.sent(session, outbox.Taken(row.id, row.attempts), clock())
        for about in ("waits", "leased", "sent"):
            outbox.withdraw(session, "after_trial", about)
    assert {row.about for row in rows(database)} == {"leased", "sent"}


def test_a_row_is_taken_by_one_only_until_its_lease_ends(any_database: Database) -> None:
    clock = Clock()
    with any_database.writing() as session:
        outbox.queue(session, "data_link", "1", TO)
        assert outbox.claim(session, clock(), "maker.example") is not None
        assert outbox.claim(session, clock(), "maker.example") is None
        clock.now += outbox.LEASE
        taken = outbox.claim(session, clock(), "other.example")
        assert taken is not None
        assert taken.attempts == 2
        assert taken.message_id.endswith("@maker.example")  # as it was at the first attempt


def test_a_message_id_is_drawn_when_queued_and_no_two_are_alike(database: Database) -> None:
    queue_advice(database, 20)
    ids = [row.message_id for row in rows(database)]
    assert len(set(ids)) == 20
    assert all(len(ident) == 32 for ident in ids)


def test_a_link_that_works_by_itself_is_dropped_when_it_cannot_be_sent(database: Database) -> None:
    clock = Clock()
    with database.writing() as session:
        row = outbox.queue(session, "password", "1", TO, {"secret": "/desk/password/abc"})
        outbox.failed(session, outbox.Taken(row.id, row.attempts), clock(), "550 no")
    assert rows(database)[0].values == {}


@pytest.fixture
def environ(tmp_path: Path, database: Database) -> dict[str, str]:
    return {"DATA_DIR": str(tmp_path), "DATABASE_URL": f"sqlite:///{database.file}", "SECRET_KEY": SECRET}


def test_the_command_sends_what_waits_once_and_says_how_much(
    database: Database, environ: dict[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    queue_advice(database, 2)
    assert main(["send"], environ) == 0
    assert capsys.readouterr().out == "2 sent, 0 put off, 0 given up\n"
    assert len(list((tmp_path / "mail").glob("*.eml"))) == 2
    assert main(["send"], environ) == 0
    assert capsys.readouterr().out == "0 sent, 0 put off, 0 given up\n"


def test_the_command_ends_with_status_1_where_a_mail_was_given_up(
    database: Database, environ: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    queue_advice(database, email="anna..b@player.example")
    assert main(["send"], environ) == 1
    assert "1 given up" in capsys.readouterr().out


def test_check_raises_the_alarm_where_something_waits_for_over_an_hour(
    database: Database, environ: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    def line() -> str:
        main(["check"], environ)
        return next(line for line in capsys.readouterr().out.splitlines() if "outbox" in line)

    assert line() == "ok  outbox: 0 waiting, 0 given up in the last week"
    queue_advice(database)
    assert line() == "ok  outbox: 1 waiting, 0 given up in the last week"
    with database.writing() as session:
        row = session.get_one(tables.OutboxItem, 1)
        row.due_at -= dt.timedelta(minutes=61)
    assert line() == "WRONG  outbox: 1 waiting, 0 given up in the last week; the longest waits for 61 min"
    with database.writing() as session:
        row = session.get_one(tables.OutboxItem, 1)
        row.due_at, row.attempts = dt.datetime.now(dt.UTC) + dt.timedelta(hours=1), 8
    assert line() == "WRONG  outbox: 1 waiting, 0 given up in the last week; the longest waits for 2 h"
    with database.writing() as session:
        row = session.get_one(tables.OutboxItem, 1)
        row.failed_at = dt.datetime.now(dt.UTC)
    assert line() == "ok  outbox: 0 waiting, 1 given up in the last week"


def test_the_command_puts_off_what_no_server_takes(
    database: Database, environ: dict[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    queue_advice(database)
    named = {
        "SMTP_HOST": "127.0.0.1",
        "SMTP_PORT": str(closed_port()),
        "SMTP_SECURITY": "none",
        "MAIL_FROM": "bows@maker.example",
        "PUBLIC_ADDRESS": "https://bows.example",
    }
    assert main(["send"], environ | named) == 0
    assert capsys.readouterr().out == "0 sent, 1 put off, 0 given up\n"
