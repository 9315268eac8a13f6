"""Each mail: when it is queued, to whom, when it goes out, and what it says; and when it is not needed any more."""

import datetime as dt
import email
import os
import re
from contextlib import suppress
from email import policy
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.accounts import account_mails, users
from service.advice import advice_mails, advise
from service.core import language
from service.core.database import Database
from service.core.scopes import OneDealer
from service.mail import outbox, outbox_desk
from service.mail.mail_server import MailServer
from service.mail.mail_service import MailService, open_mail_service
from service.mail.outbox import To
from service.mail.sending import Sent, send_waiting, tidy
from service.mail.transport import Folder
from service.privacy import privacy_mails
from service.questionnaire import forms
from service.registry import MAILS
from service.trials import lifecycle, outcomes, parcels, still_right, trial_mails
from service.web.templating import TEMPLATES
from tests.service.client import SECRET
from tests.service.documents import ask, document, keep
from tests.service.mail_server import BASE, Clock, add_dealer, add_enquiry, queue_advice, rows
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, lend, open_shop, rate

CLARA = {"name": "Clara Invented", "email": "clara@player.example", "consent": {"advice": True, "mail": True}}
TODAY = dt.datetime.now(dt.UTC).date()


@pytest.fixture
def mails(tmp_path: Path) -> MailService:
    """A mail service whose mails go to a folder; where MAILS names one, copies of them are kept there to be looked at."""
    kept = os.environ.get("MAILS")
    return open_mail_service(MailServer(), Path(kept) if kept else tmp_path / "mail", BASE, SECRET, MAILS)


@pytest.fixture
def shop(database: Database) -> Database:
    open_shop(database)
    with database.writing() as session:
        session.add(tables.Door(dealer=SHOP, notify="laden@harbour.example", changed_at=dt.datetime.now(dt.UTC)))
    return database


def message(mails: MailService, row: tables.OutboxItem) -> EmailMessage:
    assert isinstance(mails.transport, Folder)
    source = mails.transport.read(row.message_id)
    assert source is not None
    return email.message_from_string(source, _class=EmailMessage, policy=policy.default)


def text(mails: MailService, row: tables.OutboxItem) -> str:
    """Return a mail's plain text with its lines joined."""
    part = message(mails, row).get_body(("plain",))
    assert part is not None
    return " ".join(part.get_content().split())


def by_kind(database: Database) -> dict[str, tables.OutboxItem]:
    return {row.kind: row for row in rows(database)}


def composed(database: Database, **changes: Any) -> str:
    given: dict[str, Any] = {"contact": CLARA, "on": TODAY.isoformat()} | changes
    with database.writing() as session:
        return compose(session, **given)


# After the advice


def test_advice_with_consent_queues_the_shortlist_and_tells_the_dealer_in_the_same_transaction(shop: Database) -> None:
    body = {"instrument": "double_bass", "hold": "german", "dealer": SHOP, "contact": CLARA}
    with suppress(RuntimeError), shop.writing() as session:
        advise.advise(session, forms.check(body))
        assert outbox.health(session, dt.datetime.now(dt.UTC)).waiting == 2
        raise RuntimeError
    assert rows(shop) == []
    with shop.writing() as session:
        advise.advise(session, forms.check(body))
    queued = by_kind(shop)
    assert {kind: row.address for kind, row in queued.items()} == {
        "advice": "clara@player.example",
        "enquiry_notice": "laden@harbour.example",
    }


@pytest.mark.parametrize(
    "contact",
    [None, CLARA | {"consent": {"advice": True, "mail": False}}],
)
def test_without_consent_no_mail_goes_to_the_player(shop: Database, contact: dict[str, Any] | None) -> None:
    body = {"instrument": "double_bass", "hold": "german", "dealer": SHOP} | ({"contact": contact} if contact else {})
    with shop.writing() as session:
        advise.advise(session, forms.check(body))
    assert set(by_kind(shop)) == {"enquiry_notice"}


def test_the_shortlist_says_what_the_page_says_and_leads_back_to_it(shop: Database, mails: MailService) -> None:
    body = {"instrument": "double_bass", "hold": "german", "dealer": SHOP, "contact": CLARA}
    with shop.writing() as session:
        doc = advise.advise(session, forms.check(body))
    assert send_waiting(shop, mails) == Sent(sent=2)
    row = by_kind(shop)["advice"]
    said = text(mails, row)
    with shop.reading() as session:
        address = advise.address_of(session, doc["id"])
    assert f"{BASE}/advice/{address}" in said
    assert "Hello Clara Invented," in said
    assert all(entry["name"] in said for entry in doc["shortlist"])
    assert "Answer this mail with two or three days" in said
    assert message(mails, row)["Reply-To"].addresses[0].addr_spec == "laden@harbour.example"
    assert message(mails, row)["From"].addresses[0].display_name == "Harbour Strings (invented)"


@pytest.mark.parametrize(
    ("make", "subject", "heading", "unsaid"),
    [
        (document, "Worth a trial: four bows", "How to book a trial", "all the same"),
        (keep, "Your own bow is hard to better with this budget", "compare all the same", "How to book a trial"),
        (ask, "Nothing suitable is at hand today", "How to ask for a bow", "will put the bows together"),
    ],
)
def test_the_mail_has_the_verdict_as_its_subject_and_says_nothing_against_it(
    shop: Database, mails: MailService, make: Any, subject: str, heading: str, unsaid: str
) -> None:
    body = {"instrument": "double_bass", "hold": "german", "dealer": SHOP, "contact": CLARA}
    with shop.writing() as session:
        told = advise.advise(session, forms.check(body))
        session.get_one(tables.Enquiry, told["id"]).advice = make()
    send_waiting(shop, mails)
    row = by_kind(shop)["advice"]
    said = text(mails, row)
    assert message(mails, row)["Subject"] == subject
    assert heading in said
    assert unsaid not in said
    assert subject in text(mails, by_kind(shop)["enquiry_notice"])


def test_the_notice_holds_no_name_and_no_address_of_the_player(shop: Database, mails: MailService) -> None:
    body = {"instrument": "double_bass", "hold": "german", "dealer": SHOP, "contact": CLARA}
    with shop.writing() as session:
        doc = advise.advise(session, forms.check(body))
    send_waiting(shop, mails)
    row = by_kind(shop)["enquiry_notice"]
    said = text(mails, row)
    assert "double bass, German hold" in said
    assert f"{BASE}/desk/enquiries/{doc['id']}" in said
    assert "clara" not in str(message(mails, row)).lower()
    assert message(mails, row)["List-Unsubscribe"] is None


def test_a_booking_page_is_a_link_and_other_words_on_booking_are_said(database: Database, mails: MailService) -> None:
    with database.writing() as session:
        add_dealer(session, booking="https://harbour.example/book")
    queue_advice(database, language="en")
    send_waiting(database, mails)
    assert "Choose a day: https://harbour.example/book" in text(mails, rows(database)[0])
    with database.writing() as session:
        session.get_one(tables.Door, "harbour").booking = "=> https://x.example Ring us\non +49 1"
        advice_mails.advice(session, add_enquiry(session, 2))
    send_waiting(database, mails)
    assert "https://x.example Ring us on +49 1" in text(mails, rows(database)[1])
    html = message(mails, rows(database)[1]).get_body(("html",))
    assert html is not None
    assert 'href="https://x.example' not in html.get_content()


def test_one_address_gets_no_more_than_a_handful_a_day_whoever_types_it(database: Database) -> None:
    queue_advice(database, 9, email="victim@player.example")
    assert len(rows(database)) == outbox.MOST_A_DAY


def test_the_same_mail_about_the_same_thing_is_queued_once(any_database: Database) -> None:
    queue_advice(any_database)
    with any_database.writing() as session:
        enquiry = session.scalars(select(tables.Enquiry)).one()
        advice_mails.advice(session, enquiry)
        advice_mails.advice(session, enquiry)
    assert len(rows(any_database)) == 1


# Around a trial


def test_a_trial_is_announced_the_day_before_and_says_what_to_bring(shop: Database, mails: MailService) -> None:
    on = TODAY + dt.timedelta(days=5)
    key = composed(shop, on=on.isoformat(), hour="15:30")
    row = by_kind(shop)["before_trial"]
    assert row.due_at == dt.datetime.combine(on - dt.timedelta(days=1), dt.time(8), dt.UTC)
    clock = Clock()
    assert send_waiting(shop, mails, clock) == Sent(sent=1), "the day"
    clock.now = row.due_at
    assert send_waiting(shop, mails, clock) == Sent(sent=1)
    said = text(mails, by_kind(shop)["before_trial"])
    bring = ("your own instrument", "your own rosin", "your own bow")
    for words in (", 15:30.", *bring, "about 60 minutes", "across the room"):
        assert words in said
    assert "Stop at the first pain" in said
    assert "never bend a stick by hand" in said
    assert "eye protection" not in said  # for the bench
    assert not any(bow in said for bow in BOWS)
    assert key not in said


def test_a_trial_of_today_is_announced_at_once_and_one_by_post_speaks_of_the_parcel(
    shop: Database, mails: MailService
) -> None:
    back = (TODAY + dt.timedelta(days=14)).isoformat()
    composed(shop, place="post", country="DE", due_back=back)
    assert send_waiting(shop, mails) == Sent(sent=1)
    said = text(mails, by_kind(shop)["before_trial"])
    assert "They are expected back by" in said
    assert "may need permits to cross a border" in said


def test_a_cancelled_trial_takes_its_mails_back(shop: Database) -> None:
    key = composed(shop, on=(TODAY + dt.timedelta(days=5)).isoformat())
    assert set(by_kind(shop)) == {"trial_set", "before_trial"}
    with shop.writing() as session:
        lifecycle.cancel(session, None, SHOP, key)
    assert rows(shop) == []


def test_a_trial_that_has_begun_is_not_announced_any_more(shop: Database) -> None:
    key = composed(shop)
    with shop.writing() as session:
        lifecycle.open_(session, None, SHOP, key)
    assert rows(shop) == []


def test_a_player_who_did_not_agree_gets_no_mail_around_a_trial(shop: Database) -> None:
    key = composed(shop, contact=CLARA | {"consent": {"advice": True, "mail": False}})
    kept(shop, key)
    assert {row.address for row in rows(shop)} == {"laden@harbour.example"}


def kept(database: Database, key: str, outcome: str = "kept", marks: dict[str | None, int] | None = None) -> None:
    """Play a trial, rate every bow, and record what came of it."""
    with database.writing() as session:
        lifecycle.open_(session, None, SHOP, key)
        rate(session, key, marks or {None: 4, BOWS[0]: 3, BOWS[1]: 6, BOWS[2]: 5})
        lifecycle.reveal(session, adviser(session), SHOP, key)
        copy = BOWS[1] if outcome == "kept" else None
        outcomes.record(session, None, SHOP, key, outcome, copy, None, TODAY)


def adviser(session: Session) -> int:
    user = tables.User(email="ada@harbour.example", role="adviser", dealer=SHOP, created_at=dt.datetime.now(dt.UTC))
    session.add(user)
    session.flush()
    return user.id


def test_a_recorded_outcome_sends_what_the_ratings_said_and_what_was_kept(shop: Database, mails: MailService) -> None:
    kept(shop, composed(shop))
    send_waiting(shop, mails)
    said = text(mails, by_kind(shop)["after_trial"])
    assert "You kept a Juniper." in said
    first, second, third, fourth = (said.index(f": {mark} of 7") for mark in (6, 5, 4, 3))
    assert first < second < third < fourth
    assert "Your own bow: 4 of 7" in said
    assert "(Juniper): 6 of 7" in said
    assert not any(bow in said for bow in BOWS)


def test_without_an_outcome_the_mail_after_a_trial_waits_a_day_and_names_letters_only(
    shop: Database, mails: MailService
) -> None:
    key = composed(shop)
    with shop.writing() as session:
        lifecycle.open_(session, None, SHOP, key)
        rate(session, key, {None: 4, BOWS[0]: 3, BOWS[1]: 6, BOWS[2]: 5})
        lifecycle.close(session, None, SHOP, key)
    clock = Clock()
    send_waiting(shop, mails, clock)
    assert by_kind(shop)["after_trial"].sent_at is None
    clock.pass_(days=1)
    send_waiting(shop, mails, clock)
    said = text(mails, by_kind(shop)["after_trial"])
    assert ": 6 of 7" in said
    assert "Juniper" not in said


def test_six_weeks_after_a_bow_was_kept_it_is_asked_once_whether_it_is_still_right(
    shop: Database, mails: MailService
) -> None:
    kept(shop, composed(shop))
    clock = Clock()
    clock.pass_(days=41, hours=23)
    send_waiting(shop, mails, clock)
    assert by_kind(shop)["follow_up"].sent_at is None
    clock.pass_(hours=2)
    assert send_waiting(shop, mails, clock) == Sent(sent=1)
    said = text(mails, by_kind(shop)["follow_up"])
    assert "you kept a Juniper" in said
    assert said.count(f"{BASE}/mail/still-right/") == 2


def test_a_bow_that_came_back_meanwhile_is_not_asked_about(shop: Database) -> None:
    key = composed(shop)
    kept(shop, key)
    with shop.writing() as session:
        outcomes.record(session, None, SHOP, key, "returned", BOWS[1], None, TODAY)
    assert "follow_up" not in by_kind(shop)


def test_who_kept_nothing_is_not_asked_about_it_and_hears_that_it_counts(shop: Database, mails: MailService) -> None:
    kept(shop, composed(shop), "none")
    assert "follow_up" not in by_kind(shop)
    send_waiting(shop, mails)
    assert "You kept none of them." in text(mails, by_kind(shop)["after_trial"])


def test_the_dealer_is_told_what_came_of_a_trial(shop: Database, mails: MailService) -> None:
    kept(shop, composed(shop))
    send_waiting(shop, mails)
    row = by_kind(shop)["outcome_notice"]
    assert message(mails, row)["Subject"] == "Trial 1: a bow was kept"
    assert BOWS[1] in text(mails, row)
    assert "clara" not in str(message(mails, row)).lower()


def test_an_answer_of_no_gives_the_bow_back_on_either_database(any_database: Database, mails: MailService) -> None:
    open_shop(any_database)
    key = composed(any_database)
    kept(any_database, key)
    token = mails.signer.make(trial_mails.STILL_RIGHT, key)
    for _again in range(2):
        with any_database.writing() as session:
            still_right.answer(session, mails, token, dt.datetime.now(dt.UTC), still_right=False)
    with any_database.reading() as session:
        told = list(session.scalars(select(tables.Outcome.outcome).order_by(tables.Outcome.id)))
        assert [str(outcome) for outcome in told] == ["kept", "returned"]
        assert session.get_one(tables.Copy, BOWS[1]).status == "in_transit"


def test_the_desk_sends_again_and_closes_an_address_on_either_database(
    any_database: Database, mails: MailService
) -> None:
    queue_advice(any_database)
    send_waiting(any_database, mails)
    (row,) = rows(any_database)
    with any_database.writing() as session:
        user = adviser(session)
        outbox_desk.resend(session, mails, user, OneDealer(SHOP), row.id)
        assert outbox_desk.counts(session, OneDealer(SHOP)) == {"waiting": 1, "failed": 0, "sent": 0}
    assert send_waiting(any_database, mails) == Sent(sent=1)
    with any_database.writing() as session:
        outbox_desk.bounced(session, mails, user, OneDealer(SHOP), row.id)
    with any_database.reading() as session:
        (item,) = outbox_desk.listing(session, mails, OneDealer(SHOP), "sent").rows
    assert (item.closed, item.may_resend) == ("bounced", False)


# What somebody asked for


def test_links_that_were_asked_for_go_out_without_consent(shop: Database, mails: MailService) -> None:
    to = To("clara@player.example", dealer=SHOP)
    with shop.writing() as session:
        privacy_mails.send_data_link(session, to, "Clara", "/data/abc", "data:1")
        privacy_mails.send_erasure_link(session, to, None, "/data/erase/abc", "erasure:1")
    assert send_waiting(shop, mails) == Sent(sent=2)
    sent = by_kind(shop)
    assert f"{BASE}/data/abc" in text(mails, sent["data_link"])
    assert f"{BASE}/data/erase/abc" in text(mails, sent["erasure_link"])
    assert "Nothing is erased yet" in text(mails, sent["erasure_link"])


def test_the_link_to_set_a_password_is_mailed_and_then_dropped_from_the_outbox(
    database: Database, mails: MailService
) -> None:
    with database.writing() as session:
        secret = users.add(session, "ada@bows.example", "owner").secret
    assert send_waiting(database, mails) == Sent(sent=1)
    (row,) = rows(database)
    assert f"{BASE}/desk/password/{secret}" in text(mails, row)
    assert secret not in str(row.values)


def test_an_account_that_is_no_address_gets_no_mail(database: Database) -> None:
    with database.writing() as session:
        users.add(session, "owner@localhost", "owner")
    assert rows(database) == []


# What holds for all


def test_every_kind_has_its_texts_and_every_text_its_kind() -> None:
    folders = {path.relative_to(TEMPLATES).as_posix() for path in TEMPLATES.glob("*/mail/*") if path.is_dir()}
    assert folders == {kind.texts for kind in MAILS.values()}
    for folder in folders:
        assert {path.name for path in (TEMPLATES / folder).iterdir()} == {"subject.txt", "body.txt"}


def test_mails_can_be_ended_exactly_where_they_need_consent(shop: Database, mails: MailService) -> None:
    kept(shop, composed(shop))
    with shop.writing() as session:
        privacy_mails.send_data_link(session, To("clara@player.example", dealer=SHOP), None, "/data/abc", "data:1")
    clock = Clock()
    send_waiting(shop, mails, clock)
    clock.pass_(days=43)
    send_waiting(shop, mails, clock)
    for row in rows(shop):
        if row.sent_at:
            ended = message(mails, row)["List-Unsubscribe"]
            assert bool(ended) == MAILS[row.kind].agreed, row.kind


def test_an_erased_row_takes_its_file_along(database: Database, mails: MailService) -> None:
    queue_advice(database, 2)
    send_waiting(database, mails)
    first, second = rows(database)
    with database.writing() as session:
        session.delete(session.get_one(tables.OutboxItem, first.id))
    tidy(database, mails)
    assert mails.folder is not None
    assert mails.folder.read(first.message_id) is None
    assert mails.folder.read(second.message_id) is not None


def test_a_file_of_a_mail_is_for_its_owner_alone(database: Database, mails: MailService) -> None:
    queue_advice(database)
    send_waiting(database, mails)
    assert mails.folder is not None
    (file,) = mails.folder.path.glob("*.eml")
    assert file.stat().st_mode & 0o777 == 0o600


def test_a_mail_speaks_the_language_of_its_row(database: Database, mails: MailService) -> None:
    queue_advice(database, language="de")
    send_waiting(database, mails)
    sent = message(mails, rows(database)[0])
    html = sent.get_body(("html",))
    assert html is not None
    assert '<html lang="de">' in html.get_content()
    assert sent["Content-Language"] == "de"


@pytest.mark.parametrize("spoken", sorted(language.NAMES))
def test_every_mail_is_whole_in_every_language_as_text_and_as_html(
    shop: Database, mails: MailService, spoken: str
) -> None:
    with shop.writing() as session:
        session.get_one(tables.Dealer, SHOP).language = spoken
        enquiry = add_enquiry(session, language=spoken)
        advice_mails.advice(session, enquiry)
        advice_mails.enquiry_notice(session, enquiry)
        for kind in ("data_link", "erasure_link"):
            outbox.queue(session, kind, "1", To("clara@player.example", spoken, SHOP), {"name": None, "path": "/x"})
        user = tables.User(email="eva@h.example", role="owner", language=spoken, created_at=dt.datetime.now(dt.UTC))
        session.add(user)
        account_mails.password(session, user, "/desk/password/x", "1")
        account_mails.reset_link(session, user, "/desk/password/y", "2")
        session.flush()
        account_mails.account_notice(session, user, "password")
    key = composed(shop, answers=BASS | {"language": spoken})
    soon = composed(shop, answers=BASS | {"language": spoken}, on=(TODAY + dt.timedelta(days=5)).isoformat())
    send_waiting(shop, mails)
    with shop.writing() as session:
        lifecycle.cancel(session, None, SHOP, soon)
        post = lend(session, contact=CLARA, answers=BASS | {"language": spoken}, copies=["DB-juniper-3"])
        parcels.extend(session, None, SHOP, post, TODAY + dt.timedelta(days=30))
    kept(shop, key)
    send_waiting(shop, mails)
    with shop.writing() as session:
        trial_mails.revealed(session, key, corrected=True)
    clock = Clock()
    clock.pass_(days=43)
    send_waiting(shop, mails, clock)
    sent = {row.kind: message(mails, row) for row in rows(shop) if row.sent_at}
    assert set(sent) == set(MAILS)
    for kind, mail in sent.items():
        plain, html = mail.get_body(("plain",)), mail.get_body(("html",))
        assert plain is not None, kind
        assert html is not None, kind
        said, shown = plain.get_content(), html.get_content()
        assert f'<html lang="{spoken}">' in shown
        assert not re.search(r"<(table|img|script|link|iframe|form)|src=|url\(|@import", shown), kind
        assert not re.search(r"[{}]|%\(|\bNone\b", said + str(mail["Subject"])), kind
        assert set(re.findall(r"https?://\S+", said)) == set(re.findall(r'href="([^"]+)"', shown)), kind
        assert max(len(line) for line in said.splitlines() if "://" not in line) <= 78, kind
