"""Sending to a real mail server that takes, puts off, refuses, hangs, and breaks: what goes out, how often, and what is kept.

Replies by RFC 5321, 4.2; STARTTLS by RFC 3207; the Message-ID by RFC 5322, 3.6.4.
"""

import datetime as dt
import logging
import threading
from pathlib import Path
from typing import Any

import pytest

from service.core.database import Database
from service.mail import addresses, letters, outbox, sending
from service.mail.sending import Sent, send_waiting
from tests.service.mail_server import (
    Clock,
    Received,
    certificate,
    closed_port,
    mail_server,
    office_to,
    queue_advice,
    rows,
    server_context,
)


def test_a_mail_that_is_taken_is_sent_once(any_database: Database) -> None:
    queue_advice(any_database)
    handler = Received()
    with mail_server(handler) as port:
        assert send_waiting(any_database, office_to(port)) == Sent(sent=1)
        assert send_waiting(any_database, office_to(port)) == Sent()
    assert handler.recipients == ["player1@player.example"]
    (row,) = rows(any_database)
    assert row.sent_at is not None
    assert handler.ids == [f"<{row.message_id}>"]
    assert row.message_id.endswith("@maker.example")


def test_a_4xx_is_tried_again_after_a_minute_and_its_words_are_kept_until_then(database: Database) -> None:
    queue_advice(database)
    handler, clock = Received("451 4.3.0 Come back later"), Clock()
    with mail_server(handler) as port:
        mail_service = office_to(port)
        assert send_waiting(database, mail_service, clock) == Sent(put_off=1)
        (row,) = rows(database)
        assert row.last_error == "451 4.3.0 Come back later"
        clock.pass_(seconds=59)
        assert send_waiting(database, mail_service, clock) == Sent()
        clock.pass_(seconds=2)
        assert send_waiting(database, mail_service, clock) == Sent(sent=1)
    (row,) = rows(database)
    assert (row.sent_at, row.last_error, row.attempts) == (clock.now, None, 2)
    assert len(handler.taken) == 1


@pytest.mark.parametrize(
    ("handler", "words"),
    [
        (Received(rcpt="550 5.1.1 No such mailbox"), "550 5.1.1 No such mailbox"),
        (Received("554 5.7.1 Refused by policy"), "554 5.7.1 Refused by policy"),
    ],
)
def test_a_5xx_is_final_and_its_words_stay(database: Database, handler: Received, words: str) -> None:
    queue_advice(database)
    clock = Clock()
    with mail_server(handler) as port:
        assert send_waiting(database, office_to(port), clock) == Sent(failed=1)
        clock.pass_(days=30)
        assert send_waiting(database, office_to(port), clock) == Sent()
    (row,) = rows(database)
    assert row.failed_at is not None
    assert row.last_error == words
    assert handler.taken == []


def test_a_4xx_to_the_recipient_is_not_final(database: Database) -> None:
    queue_advice(database)
    with mail_server(Received(rcpt="452 4.2.2 Mailbox full")) as port:
        assert send_waiting(database, office_to(port)) == Sent(put_off=1)


def test_a_server_that_hangs_is_left_after_the_timeout(database: Database) -> None:
    queue_advice(database)
    with mail_server(Received(hang=2)) as port:
        assert send_waiting(database, office_to(port, timeout=0.2)) == Sent(put_off=1)
    (row,) = rows(database)
    assert "timed out" in (row.last_error or "")
    assert row.leased_until is None


def test_a_connection_broken_after_the_mail_gives_a_repeat_with_the_same_message_id(database: Database) -> None:
    queue_advice(database)
    handler, clock = Received(None), Clock()
    with mail_server(handler) as port:
        assert send_waiting(database, office_to(port), clock) == Sent(put_off=1)
        clock.pass_(minutes=2)
        assert send_waiting(database, office_to(port), clock) == Sent(sent=1)
        clock.pass_(days=1)
        assert send_waiting(database, office_to(port), clock) == Sent()
    assert len(handler.ids) == 2
    assert len(set(handler.ids)) == 1


def test_a_server_that_is_down_for_an_hour_loses_nothing(database: Database) -> None:
    queue_advice(database, 3)
    port, clock = closed_port(), Clock()
    mail_service = office_to(port)
    tries = 0
    for _minute in range(60):
        tries += send_waiting(database, mail_service, clock).put_off
        clock.pass_(minutes=1)
    assert tries == 3 * 6  # after 0, 1, 3, 7, 15 and 31 minutes
    handler = Received()
    with mail_server(handler, port):
        clock.pass_(minutes=4)
        assert send_waiting(database, mail_service, clock) == Sent(sent=3)
    assert sorted(handler.recipients) == [f"player{number}@player.example" for number in (1, 2, 3)]


def test_what_cannot_be_sent_for_three_days_is_given_up(database: Database) -> None:
    queue_advice(database)
    mail_service, clock = office_to(closed_port()), Clock()
    began, waits = clock.now, []
    while rows(database)[0].failed_at is None:
        send_waiting(database, mail_service, clock)
        row = rows(database)[0]
        waits.append((row.due_at - clock.now).total_seconds() / 60)
        clock.now = row.due_at
    assert waits[:9] == [1, 2, 4, 8, 16, 32, 64, 128, 240]
    assert dt.timedelta(days=3) <= clock.now - began < dt.timedelta(days=3, hours=4)
    assert send_waiting(database, mail_service, clock) == Sent()


def test_two_workers_at_once_send_each_mail_once(any_database: Database) -> None:
    queue_advice(any_database, 12)
    handler = Received()
    with mail_server(handler) as port:
        mail_service = office_to(port)
        workers = [threading.Thread(target=send_waiting, args=(any_database, mail_service)) for _worker in range(3)]
        for worker in workers:
            worker.start()
        for worker in workers:
            worker.join()
    assert len(handler.ids) == len(set(handler.ids)) == 12
    assert all(row.sent_at and row.attempts == 1 for row in rows(any_database))


def test_a_crash_between_sending_and_noting_it_sends_again_under_the_same_message_id(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    queue_advice(database)
    handler, clock = Received(), Clock()

    def killed(*_arguments: Any) -> None:
        raise KeyboardInterrupt

    with mail_server(handler) as port:
        mail_service = office_to(port)
        with monkeypatch.context() as patch:
            patch.setattr(outbox, "sent", killed)
            with pytest.raises(KeyboardInterrupt):
                send_waiting(database, mail_service, clock)
        assert send_waiting(database, mail_service, clock) == Sent()  # it is leased to the one that died
        clock.now += outbox.LEASE
        assert send_waiting(database, mail_service, clock) == Sent(sent=1)
    assert len(handler.ids) == 2
    assert len(set(handler.ids)) == 1


def test_a_worker_whose_lease_has_passed_on_notes_no_failure(database: Database) -> None:
    queue_advice(database)
    clock = Clock()
    with database.writing() as session:
        row = outbox.claim(session, clock(), "maker.example")
        assert row is not None
        slow = outbox.Taken(row.id, row.attempts)
    clock.now += outbox.LEASE
    with database.writing() as session:
        assert outbox.claim(session, clock(), "maker.example") is not None
        outbox.failed(session, slow, clock(), "too late")
        outbox.later(session, slow, clock(), "too late")
    (row,) = rows(database)
    assert (row.failed_at, row.last_error, row.attempts) == (None, None, 2)


@pytest.fixture(scope="module")
def own_certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return certificate(tmp_path_factory.mktemp("certificate"))


def test_starttls_with_a_self_signed_certificate_is_refused_unless_it_is_trusted(
    database: Database, own_certificate: Path
) -> None:
    queue_advice(database)
    handler, clock = Received(), Clock()
    with mail_server(handler, tls_context=server_context(own_certificate), require_starttls=True) as port:
        assert send_waiting(database, office_to(port, security="starttls"), clock) == Sent(put_off=1)
        assert "certificate cannot be trusted" in (rows(database)[0].last_error or "")
        assert handler.taken == []
        clock.pass_(minutes=2)
        trusting = office_to(port, security="starttls", trusted=own_certificate)
        assert send_waiting(database, trusting, clock) == Sent(sent=1)


def test_nothing_is_sent_in_the_clear_where_starttls_is_asked_for_and_not_offered(database: Database) -> None:
    queue_advice(database)
    handler = Received()
    with mail_server(handler) as port:
        assert send_waiting(database, office_to(port, security="starttls")) == Sent(put_off=1)
    assert "STARTTLS" in (rows(database)[0].last_error or "")
    assert handler.taken == []


def test_a_letter_beyond_ascii_before_the_at_needs_smtputf8(database: Database) -> None:
    queue_advice(database, email="jörg@player.example")
    handler = Received()
    with mail_server(handler) as port:
        assert send_waiting(database, office_to(port)) == Sent(failed=1)
    assert "letters beyond a to z" in (rows(database)[0].last_error or "")
    assert handler.taken == []


def test_a_letter_beyond_ascii_before_the_at_goes_to_a_server_with_smtputf8(database: Database) -> None:
    queue_advice(database, email="jörg@bücher.example")
    handler = Received()
    with mail_server(handler, enable_SMTPUTF8=True) as port:
        assert send_waiting(database, office_to(port)) == Sent(sent=1)
    assert handler.recipients == ["jörg@xn--bcher-kva.example"]
    assert "To: jörg@xn--bcher-kva.example".encode() in handler.taken[0]


def test_an_unforeseen_mistake_in_one_mail_holds_up_no_other_and_logs_no_address(
    database: Database, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    queue_advice(database, 2)
    handler, write = Received(), letters.write

    def faulty(session: Any, mail_service: Any, row: Any, now: Any) -> Any:
        if row.address.startswith("player1"):
            raise ValueError(row.address)
        return write(session, mail_service, row, now)

    monkeypatch.setattr(letters, "write", faulty)
    with caplog.at_level(logging.DEBUG, "service"), mail_server(handler) as port:
        assert send_waiting(database, office_to(port)) == Sent(sent=1, put_off=1)
    assert handler.recipients == ["player2@player.example"]
    ours = "\n".join(record.getMessage() for record in caplog.records if record.name.startswith("service"))
    assert "ValueError" in ours
    assert "@player.example" not in ours


def test_the_postman_sends_what_is_queued_while_it_runs_and_stops(database: Database) -> None:
    handler = Received()
    with mail_server(handler) as port:
        postman = sending.Postman(database, office_to(port), every=0.02)
        postman.start()
        queue_advice(database)
        for _wait in range(200):
            if handler.taken:
                break
            threading.Event().wait(0.02)
        postman.stop()
        assert not postman._thread.is_alive()
    assert len(handler.taken) == 1


def test_an_address_that_no_mail_can_go_to_fails_with_a_sentence(any_database: Database) -> None:
    queue_advice(any_database, email="anna..b@player.example")
    assert send_waiting(any_database, office_to(closed_port())) == Sent(failed=1)
    assert rows(any_database)[0].last_error == addresses.NOT_AN_ADDRESS.format(address="anna..b@player.example")
