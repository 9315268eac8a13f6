"""A forgotten password: a link by mail, the same answer for every address, few mails, and no way around the second factor."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from service import tables
from service.accounts import account_mails, passwords, second_factor, securing, users
from service.accounts.account_mails import ACCOUNT_NEWS
from service.core.database import Database
from service.core.scopes import AllDealers
from service.mail.sending import send_waiting
from tests.service import cast
from tests.service.cast import PASSWORD, Desk, hidden, sign_in_form
from tests.service.page import Page

DIGEST = passwords.hash_password(PASSWORD)
EMAIL = "adviser@bows.example"
NEW = "kettle loom rosin amber"
START = dt.datetime(2026, 11, 30, 8, tzinfo=dt.UTC)
HOUR = dt.timedelta(hours=1)


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    """The desk, whose adviser has a password."""
    with cast.opened(tmp_path, _migrated_file) as opened:
        opened.give_password("adviser", DIGEST)
        yield opened


def ask(desk: Desk, email: str) -> tuple[int, str, str]:
    """Ask for a link as somebody who is not signed in; return status, location and body of the answer."""
    member = desk.nobody()
    page = member.read("/desk/forgotten")
    reply = member.send("POST", "/desk/forgotten", data=hidden(page) | {"email": email})
    return reply.status_code, reply.headers.get("location", ""), reply.text


def links(desk: Desk) -> list[str]:
    """Return the paths in the mails that wait, in order."""
    with desk.database.reading() as session:
        rows = session.scalars(select(tables.OutboxItem).order_by(tables.OutboxItem.id))
        return [row.values["secret"] for row in rows if row.kind == "reset_link"]


def test_a_link_goes_to_the_owner_and_sets_the_password_once(desk: Desk) -> None:
    # ASVS 5.0, 6.4.3
    assert ask(desk, " Adviser@bows.example ")[:2] == (303, "/desk/forgotten?sent=yes")
    (path,) = links(desk)
    member, elsewhere = desk.nobody(), desk.sign_in("adviser")
    data = hidden(member.read(path)) | {"password": NEW, "again": NEW}
    assert member.send("POST", path, data=data).status_code == 303
    assert member.send("POST", path, data=data).status_code == 404
    assert elsewhere.get("/desk/account").status_code == 303
    assert sign_in_form(member, EMAIL, NEW).status_code == 303


@pytest.mark.parametrize("email", ["nobody@bows.example", "disabled@bows.example", EMAIL])
def test_every_address_gets_the_same_answer_before_anything_is_done_for_it(
    desk: Desk, email: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 6.3.8: accounts cannot be told from the answer, nor from its time: it is given before the database is asked.
    with desk.database.writing() as session:
        users.disable(session, AllDealers(), users.add(session, "disabled@bows.example", "workshop").account.id)
    asked: list[str] = []
    monkeypatch.setattr(securing, "forgotten", lambda _session, given: asked.append(given))
    member = desk.nobody()
    page = member.read("/desk/forgotten")
    sent_before: list[int] = []
    original = desk.app.state.database.turn

    def turn() -> object:
        sent_before.append(len(asked))
        return original()

    monkeypatch.setattr(desk.app.state.database, "turn", turn, raising=False)
    reply = member.send("POST", "/desk/forgotten", data=hidden(page) | {"email": email})
    assert (reply.status_code, reply.headers["location"], reply.text) == (303, "/desk/forgotten?sent=yes", "")
    assert asked == [email]
    page = member.read("/desk/forgotten?sent=yes")
    assert "If there is an account under this address" in page.text


def test_nothing_is_sent_to_who_has_no_account_or_a_disabled_one(desk: Desk) -> None:
    with desk.database.writing() as session:
        users.disable(session, AllDealers(), desk.ids["workshop"])
    for email in ("nobody@bows.example", "workshop@bows.example", "x@" + "y" * 200):
        assert ask(desk, email)[0] == 303
    assert links(desk) == []


@pytest.mark.parametrize("email", ["", "adviser", "x@" + "x" * 300])
def test_what_is_no_address_is_said_so(desk: Desk, email: str) -> None:
    status, _location, body = ask(desk, email)
    assert status == 422
    assert "Expected the e-mail address that you sign in with" in body


def test_nobody_is_flooded_and_a_link_in_the_mailbox_works_however_often_others_ask(database: Database) -> None:
    with database.writing() as session:
        users.add(session, EMAIL, "workshop")
        now = START
        while now < START + 24 * HOUR:
            securing.forgotten(session, EMAIL, now)
            sent = session.scalars(select(tables.PasswordLink).where(tables.PasswordLink.asked_at.is_not(None))).all()
            assert any(link.expires_at > now for link in sent)
            now += dt.timedelta(minutes=7)
    assert len(sent) <= 12


def test_a_link_that_a_clock_ahead_made_keeps_no_other_from_being_sent(database: Database) -> None:
    with database.writing() as session:
        users.add(session, EMAIL, "workshop")
        for at in (START + dt.timedelta(days=1100), START + dt.timedelta(days=1100), START):
            securing.forgotten(session, EMAIL, at)
        made = session.scalars(select(tables.PasswordLink.asked_at).where(tables.PasswordLink.asked_at.is_not(None)))
        assert START in set(made)


def test_asking_in_anothers_name_ends_neither_the_password_nor_a_link(desk: Desk) -> None:
    ask(desk, EMAIL)
    (path,) = links(desk)
    for _time in range(4):
        ask(desk, EMAIL)
    assert len(links(desk)) == 2
    assert desk.nobody().get(path).status_code == 200
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 303


def test_a_reset_leaves_the_second_factor_and_ends_the_other_links(desk: Desk) -> None:
    # 6.4.3: resetting a password does not bypass the second factor.
    with desk.database.writing() as session:
        codes = second_factor.set_up(session, desk.ids["adviser"], second_factor.draw_secret(), 0)
    ask(desk, EMAIL)
    ask(desk, EMAIL)
    first, second = links(desk)
    member = desk.nobody()
    data = hidden(member.read(first)) | {"password": NEW, "again": NEW}
    assert member.send("POST", first, data=data).status_code == 303
    assert desk.nobody().get(second).status_code == 404
    reply = sign_in_form(member, EMAIL, NEW)
    assert reply.headers["location"].startswith("/desk/sign-in/code")
    page = Page(member.get("/desk/sign-in/code"))
    assert member.send("POST", "/desk/sign-in/code", data=hidden(page) | {"code": codes[0]}).status_code == 303


def test_asking_needs_the_forms_own_token(desk: Desk) -> None:
    page = desk.nobody().read("/desk/forgotten")
    for data in ({}, hidden(page), {"csrf": desk.app.state.tokens.make("forgotten:")}):
        assert desk.nobody().send("POST", "/desk/forgotten", data=data | {"email": EMAIL}).status_code == 403


def test_the_link_is_shown_to_nobody_at_the_desk_and_stands_in_no_record(desk: Desk) -> None:
    ask(desk, EMAIL)
    (path,) = links(desk)
    assert account_mails.KINDS["reset_link"].secret
    with desk.database.reading() as session:
        record = " ".join(f"{row.did} {row.about} {row.detail}" for row in session.scalars(select(tables.AuditEntry)))
    assert path.rpartition("/")[2] not in record
    assert EMAIL not in record
    assert "was sent a link to set a password" in record


@pytest.mark.parametrize("what", ACCOUNT_NEWS)
def test_a_notice_says_what_happened_and_what_to_do(desk: Desk, what: str) -> None:
    # 6.3.7: the owner is told of changes to what opens the account.
    mail_service = desk.app.state.mail_service
    with desk.database.writing() as session:
        for row in session.scalars(select(tables.OutboxItem)):
            session.delete(row)
    with desk.database.writing() as session:
        account_mails.account_notice(session, session.get_one(tables.User, desk.ids["adviser"]), what)
    send_waiting(desk.database, mail_service)
    with desk.database.reading() as session:
        (row,) = session.scalars(select(tables.OutboxItem)).all()
    said = re.sub(r"\s+", " ", mail_service.folder.read(row.message_id) or "")
    assert row.address == EMAIL
    assert ACCOUNT_NEWS[what].split(":")[0][:40] in said.replace("= ", "")
    assert "/desk/forgotten" in said
