"""Mail that anybody can have sent: one to a mailbox until its reader confirms, whatever the address is spelled like.

OWASP's guidance on forms that send mail; ASVS 5.0, 2.4.1 (limits against bulk requests).
"""

import datetime as dt
import re
import threading
from collections.abc import Iterator
from email import policy
from email.parser import Parser
from pathlib import Path

import pytest
from sqlalchemy import inspect, select, text

from service import privacy, tables
from service.advice import advice_mails
from service.core.database import Database
from service.mail import addresses, mailboxes, notices, outbox
from service.mail.mail_server import MailServer
from service.mail.mail_service import MailService, open_mail_service
from service.mail.sending import Sent, send_waiting
from service.players import data_links
from service.privacy import access_requests
from service.registry import MAILS
from tests.service import cast
from tests.service.cast import DEALER, Desk, hidden
from tests.service.client import SECRET, Client
from tests.service.mail_server import BASE, Clock, add_dealer, add_enquiry, queue_advice, rows
from tests.service.page import Page
from tests.service.spellings import forty
from tests.service.trial_cast import BASS, compose

ANNA = "anna@player.example"


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as desk:
        with desk.database.writing() as session:
            for row in session.scalars(select(tables.OutboxItem)):
                session.delete(row)
        yield desk


def office_in(folder: Path) -> MailService:
    return open_mail_service(MailServer(), folder / "mail", BASE, SECRET, MAILS)


def written(folder: Path) -> list[str]:
    """Return the plain text of every mail in the folder, in the order of writing."""
    files = sorted((folder / "mail").glob("*.eml"), key=lambda file: file.stat().st_mtime_ns)
    parsed = [Parser(policy=policy.default).parsestr(file.read_text(encoding="utf-8")) for file in files]
    return [part.get_content() for part in (mail.get_body(("plain",)) for mail in parsed) if part is not None]


def confirm_path(mail: str) -> str:
    found = re.search(r"/mail/confirm/\S+", mail)
    assert found is not None
    return found.group()


def ask(client: Client, email: str) -> int:
    consent = {"advice": True, "mail": True, "model": False}
    asked = client.advice(BASS | {"dealer": DEALER, "contact": {"name": "Anna", "email": email, "consent": consent}})
    return asked.status_code


def add(database: Database, number: int, email: str = ANNA) -> None:
    """Queue the advice of one more enquiry."""
    with database.writing() as session:
        if session.get(tables.Dealer, DEALER) is None:
            add_dealer(session)
        advice_mails.advice(session, add_enquiry(session, number, email))


def test_forty_spellings_of_one_mailbox_get_one_mail_between_them(desk: Desk, tmp_path: Path) -> None:
    spellings = forty()
    assert len(set(spellings)) == 40
    client = Client(desk.app)
    taken = [email for email in spellings if ask(client, email) == 200]
    assert len(taken) == 40
    send_waiting(desk.database, desk.app.state.mail_service)
    assert len(written(tmp_path)) == 1
    page = desk.sign_in("adviser").read("/desk/mail?state=waiting")
    assert "Waits for its reader to confirm the address" in page.text


def test_the_button_behind_the_link_confirms_and_what_waited_goes_out(desk: Desk, tmp_path: Path) -> None:
    mail_service, somebody = desk.app.state.mail_service, desk.nobody()
    for number in (1, 2):
        add(desk.database, number)
    assert send_waiting(desk.database, mail_service) == Sent(sent=1, put_off=1)
    path = confirm_path(written(tmp_path)[0])
    page = somebody.read(path)
    assert page.h1 == "Is this your address?"
    assert send_waiting(desk.database, mail_service) == Sent()  # a scanner's GET confirms nothing
    altered = path[:-1] + ("A" if path[-1] != "A" else "B")
    assert somebody.send("POST", altered).status_code == 404
    for _again in range(2):
        assert somebody.send("POST", path).status_code == 200
    assert send_waiting(desk.database, mail_service) == Sent(sent=1)
    add(desk.database, 3, "Anna+again@player.example")
    assert send_waiting(desk.database, mail_service) == Sent(sent=1)
    assert "/mail/confirm/" not in "".join(written(tmp_path)[1:])


def test_who_confirmed_one_mailbox_has_not_confirmed_one_that_only_counts_with_it(desk: Desk, tmp_path: Path) -> None:
    add(desk.database, 1, "an.na@player.example")
    send_waiting(desk.database, desk.app.state.mail_service)
    desk.nobody().send("POST", confirm_path(written(tmp_path)[0]))
    add(desk.database, 2, "anna@player.example")
    assert send_waiting(desk.database, desk.app.state.mail_service) == Sent(put_off=1)


def test_a_mail_that_nobody_confirmed_for_is_given_up_after_a_week_and_one_may_go_after_a_month(
    database: Database, tmp_path: Path
) -> None:
    clock = Clock()
    for number in (1, 2):
        add(database, number)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(sent=1, put_off=1)
    clock.pass_(days=6, hours=23)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent()
    clock.pass_(hours=2)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(failed=1)
    assert rows(database)[1].last_error == "Nobody confirmed the address within a week."
    with database.reading() as session:
        (row,) = session.scalars(select(tables.FirstMail))
    assert row.at + mailboxes.ANEW > clock.now


def test_mail_that_no_sender_took_for_a_week_is_one_to_a_mailbox_too(database: Database, tmp_path: Path) -> None:
    spellings = forty()[:5]
    for number, email in enumerate(spellings, start=1):
        add(database, number, email)
    clock = Clock()
    clock.pass_(days=8)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(sent=1, put_off=4, failed=4)
    assert len(written(tmp_path)) == 1


def test_a_mail_queued_before_mailboxes_were_noted_goes_out_once_its_reader_confirms(
    desk: Desk, tmp_path: Path
) -> None:
    for number in (1, 2):
        add(desk.database, number)
    with desk.database.writing() as session:
        session.execute(text("UPDATE outbox SET mailbox = NULL"))
    assert send_waiting(desk.database, desk.app.state.mail_service) == Sent(sent=1, put_off=1)
    with desk.database.reading() as session:
        assert outbox.too_many(session, "advice", outbox.To(ANNA), most=2)
    assert desk.nobody().send("POST", confirm_path(written(tmp_path)[0])).status_code == 200
    assert send_waiting(desk.database, desk.app.state.mail_service) == Sent(sent=1)


def test_a_clock_that_was_ahead_keeps_no_mailbox_waiting_once_it_is_right(database: Database, tmp_path: Path) -> None:
    clock, ahead = Clock(), Clock()
    ahead.pass_(days=1095)
    add(database, 1)
    assert send_waiting(database, office_in(tmp_path), ahead) == Sent(sent=1)
    for number in (2, 3):
        add(database, number)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(sent=1, put_off=1)


def test_a_first_mail_that_never_arrived_is_not_the_one(database: Database, tmp_path: Path) -> None:
    add(database, 1)
    with database.writing() as session:
        session.execute(text("UPDATE enquiries SET contact = NULL"))
    assert send_waiting(database, office_in(tmp_path)) == Sent(failed=1)
    add(database, 2)
    assert send_waiting(database, office_in(tmp_path)) == Sent(sent=1)


def test_staff_send_what_waits_by_hand_where_they_know_the_address(desk: Desk) -> None:
    for number in (1, 2):
        add(desk.database, number)
    send_waiting(desk.database, desk.app.state.mail_service)
    held = rows(desk.database)[1].id
    assert desk.sign_in("adviser").post(f"/desk/mail/{held}/resend").status_code == 303
    assert send_waiting(desk.database, desk.app.state.mail_service, Clock()) == Sent(sent=1)


def test_whom_staff_composed_a_trial_for_needs_to_confirm_nothing(desk: Desk) -> None:
    with desk.database.writing() as session:
        compose(session, contact={"name": "Anna", "email": ANNA, "consent": {"advice": True, "mail": True}})
    for number in (1, 2):
        add(desk.database, number)
    assert send_waiting(desk.database, desk.app.state.mail_service) == Sent(sent=3), "with the day of the trial"


def test_a_button_behind_the_mailed_link_to_ones_data_confirms_too(desk: Desk) -> None:
    for number in (1, 2):
        add(desk.database, number)
    mail_service = desk.app.state.mail_service
    assert send_waiting(desk.database, mail_service) == Sent(sent=1, put_off=1)
    with desk.database.reading() as session:
        person = privacy.of_address(session, DEALER, ANNA)
        assert person is not None
        data = data_links.of_person(session, mail_service.signer, person, Clock().now)
    assert data is not None
    assert desk.nobody().send("POST", data).status_code == 303
    assert send_waiting(desk.database, mail_service, Clock()) == Sent(
        sent=2
    )  # what waited, and the mail that was asked for


def test_the_link_to_ones_data_comes_though_the_first_mail_was_another(database: Database, tmp_path: Path) -> None:
    add(database, 1)
    clock, mail_service = Clock(), office_in(tmp_path)
    assert send_waiting(database, mail_service, clock) == Sent(sent=1)
    for _asked in range(3):
        clock.pass_(minutes=1)
        with database.writing() as session:
            access_requests.send_link(session, mail_service, DEALER, ANNA, clock.now, client=None)
    assert send_waiting(database, mail_service, clock) == Sent(sent=1, put_off=2)


def test_a_shop_with_fifty_enquiries_a_day_from_its_own_tablets_is_not_held_up(desk: Desk) -> None:
    client = Client(desk.app)
    asked = [ask(client, f"player{number}@player.example") for number in range(50)]
    assert asked == [200] * 50
    assert send_waiting(desk.database, desk.app.state.mail_service) == Sent(sent=50)


@pytest.mark.parametrize(
    ("client", "as_well", "another"),
    [
        ("198.51.100.7", "::ffff:198.51.100.7", "198.51.100.8"),
        ("2001:db8:0:1::1", "2001:db8:0:1:ffff::2", "2001:db8:1::1"),
    ],
)
def test_one_client_has_so_many_mails_sent_to_strangers_a_day_and_no_more(
    database: Database, monkeypatch: pytest.MonkeyPatch, client: str, as_well: str, another: str
) -> None:
    monkeypatch.setattr(mailboxes, "MOST_OF_CLIENT", 3)
    with database.writing() as session:
        may = [mailboxes.may_ask(session, who) for who in (client, client, as_well, client, as_well, another, None)]
    assert may == [True, True, True, False, False, True, True]


def test_only_the_counts_of_today_and_yesterday_are_kept(database: Database) -> None:
    now = dt.datetime.now(dt.UTC)
    days = [now - dt.timedelta(days=ago) for ago in (0, 1, 2, 30)]
    with database.writing() as session:
        assert all(mailboxes.may_ask(session, "198.51.100.7", day) for day in days)
        mailboxes.drop_counts(session, now)
        kept = session.scalars(select(tables.MailCount.day).order_by(tables.MailCount.day)).all()
    assert kept == [now.date() - dt.timedelta(days=1), now.date()]


def test_links_to_ones_data_count_among_the_mails_that_a_client_has_sent_to_strangers(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mailboxes, "MOST_OF_CLIENT", 3)
    strangers = [f"stranger{number}@player.example" for number in range(6)]
    with desk.database.writing() as session:
        for number, email in enumerate(strangers, start=1):
            add_enquiry(session, number, email, agreed=False)
    client = desk.nobody()
    token = hidden(Page(client.get(f"/privacy?dealer={DEALER}")))
    asked = [client.send("POST", f"/privacy?dealer={DEALER}", data=token | {"email": email}) for email in strangers]
    assert [answer.status_code for answer in asked] == [303] * 6  # whoever asks learns nothing
    assert [row.address for row in rows(desk.database) if row.kind == "data_link"] == strangers[:3]
    with desk.database.reading() as session:
        person = privacy.of_address(session, DEALER, strangers[5])
        assert person is not None
        data = data_links.of_person(session, desk.app.state.mail_service.signer, person, Clock().now)
    assert client.send("POST", f"{data}/link").status_code == 303
    assert len([row for row in rows(desk.database) if row.kind == "data_link"]) == 3
    assert Client(desk.app, host="203.0.113.50").send("POST", f"{data}/link").status_code == 303
    assert len([row for row in rows(desk.database) if row.kind == "data_link"]) == 4


def test_links_to_ones_data_keep_no_new_customer_of_a_dealer_waiting(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mailboxes, "MOST_OF_DEALER", 3)
    clock, mail_service = Clock(), office_in(tmp_path)
    with database.writing() as session:
        add_dealer(session)
        for number in range(1, 5):
            add_enquiry(session, number, f"stranger{number}@player.example", agreed=False)
            session.flush()
            access_requests.send_link(
                session, mail_service, DEALER, f"stranger{number}@player.example", clock.now, client=None
            )
    assert send_waiting(database, mail_service, clock) == Sent(sent=3, put_off=1)
    add(database, 9)
    assert send_waiting(database, mail_service, clock) == Sent(sent=1)


def test_one_dealer_has_so_many_mails_sent_to_strangers_a_day_and_the_rest_waits(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(mailboxes, "MOST_OF_DEALER", 3)
    queue_advice(database, 5)
    clock = Clock()
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(sent=3, put_off=2)
    assert rows(database)[4].last_error == "Waits: unusually much mail to new addresses has gone out today."
    clock.pass_(days=1)
    assert send_waiting(database, office_in(tmp_path), clock) == Sent(sent=2)


def test_a_flood_of_enquiries_fills_no_dealers_mailbox_and_its_system_is_told_of_all(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(notices, "MOST_NOTICES", 3)
    with database.writing() as session:
        add_dealer(session, notify="shop@harbour.example", webhook="https://shop.example/bows")
        for number in range(1, 6):
            advice_mails.enquiry_notice(session, add_enquiry(session, number, agreed=False))
    kinds = [row.kind for row in rows(database)]
    assert (kinds.count("enquiry_notice"), kinds.count("enquiry_event")) == (3, 5)


def test_two_senders_at_once_send_one_mail_to_a_mailbox(any_database: Database, tmp_path: Path) -> None:
    for number in range(1, 5):
        add(any_database, number)
    begin, done = threading.Barrier(2), list[Sent]()

    def run() -> None:
        begin.wait()
        done.append(send_waiting(any_database, office_in(tmp_path)))

    threads = [threading.Thread(target=run) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(each.sent for each in done) == 1
    assert sum(each.put_off for each in done) == 3


def test_an_erased_persons_counts_hold_no_address(desk: Desk, tmp_path: Path) -> None:
    add(desk.database, 1)
    send_waiting(desk.database, desk.app.state.mail_service)
    desk.nobody().send("POST", confirm_path(written(tmp_path)[0]))
    with desk.database.writing() as session:
        person = privacy.of_address(session, DEALER, ANNA)
        assert person is not None
        assert privacy.held(session, person)["address_confirmed"] is not None
        privacy.erase(session, None, person)
    with desk.database.reading() as session:
        left = [
            str(row)
            for table in inspect(session.connection()).get_table_names()
            for row in session.execute(text(f'SELECT * FROM "{table}"'))
        ]
        assert session.scalars(select(tables.ConfirmedAddress)).all() == []
        assert session.scalars(select(tables.FirstMail)).all() == []
    assert [row for row in left if "anna" in row.lower()] == []


@pytest.mark.parametrize(
    "spelling",
    [
        *("ANNA@Player.Example", " anna@player.example ", "an.na@player.example", "anna.@player.example"),
        *("anna+tag@player.example", "anna+@player.example", "anna@player.example.", "anna@player。example"),
        *('"anna"@player.example', '"an\\na"@player.example', "anna(me)@player.example", "anna@(home)player.example"),
        *("ａｎｎａ@player.example", "an\u200bna@player.example", "an\u00adna@player.example"),
    ],
)
def test_spellings_that_may_reach_one_mailbox_are_counted_as_one(spelling: str) -> None:
    """RFC 5322, 3.2.2 and 3.2.4 (comments, quotes); RFC 5233 (tags); RFC 5891 (domains); UAX 15 (compatibility forms)."""
    assert addresses.counted(spelling) == addresses.counted(ANNA)


@pytest.mark.parametrize("other", ["anne@player.example", "anna@player2.example", "+a@player.example", "@", "", "anna"])
def test_other_mailboxes_are_counted_by_themselves(other: str) -> None:
    assert addresses.counted(other) != addresses.counted(ANNA)
