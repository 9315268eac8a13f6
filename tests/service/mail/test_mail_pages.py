"""Where the links in mails lead, and the outbox at the desk: what a GET must not do, what a button does, who may see what."""

import datetime as dt
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from model.domain.vocabulary import OutcomeKind
from service import tables
from service.accounts import users
from service.advice import advice_mails
from service.mail import outbox, sending, suppression
from service.mail.mail_service import MailService
from service.mail.sending import Sent, send_waiting
from service.privacy import privacy_mails
from service.trials import lifecycle, outcomes, trial_mails
from tests.service import cast
from tests.service.cast import DEALER, Desk, Member
from tests.service.mail_server import Clock, Received, add_enquiry, mail_server, office_to, rows
from tests.service.trial_cast import BOWS, compose, rate

TODAY = dt.datetime.now(dt.UTC).date()
CLARA = {"name": "Clara Invented", "email": "clara@player.example", "consent": {"advice": True, "mail": True}}


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as desk:
        with desk.database.writing() as session:
            # The accounts' own links would stand in the outbox too.
            for row in session.scalars(select(tables.OutboxItem)):
                session.delete(row)
            now = dt.datetime.now(dt.UTC)
            session.add(tables.Door(dealer=DEALER, notify="laden@harbour.example", changed_at=now))
        yield desk


def mail_service(desk: Desk) -> MailService:
    made = desk.app.state.mail_service
    assert isinstance(made, MailService)
    return made


def enquire(
    desk: Desk, number: int = 1, email: str = "anna@player.example", dealer: str | None = DEALER
) -> tables.OutboxItem:
    """Add an enquiry and return the row of its mail."""
    with desk.database.writing() as session:
        enquiry = add_enquiry(session, number, email, dealer=dealer)
        advice_mails.advice(session, enquiry)
    return rows(desk.database)[-1]


def unsubscribe_path(desk: Desk, row: tables.OutboxItem) -> str:
    with desk.database.reading() as session:
        return suppression.path(session, mail_service(desk), row)


def kept(desk: Desk) -> str:
    """Let a bow be kept after a trial and return the trial's key."""
    with desk.database.writing() as session:
        key = compose(session, contact=CLARA, on=TODAY.isoformat())
        lifecycle.open_(session, None, DEALER, key)
        rate(session, key, {None: 4, BOWS[0]: 3, BOWS[1]: 6, BOWS[2]: 5})
        outcomes.record(session, None, DEALER, key, "kept", BOWS[1], None, TODAY)
    return key


def still_right_path(desk: Desk, key: str, answer: str) -> str:
    return f"/mail/still-right/{mail_service(desk).signer.make(trial_mails.STILL_RIGHT, key)}/{answer}"


def outcomes_of(desk: Desk) -> list[tuple[str, str | None]]:
    with desk.database.reading() as session:
        return [(str(row.outcome), row.copy) for row in session.scalars(select(tables.Outcome).order_by("id"))]


# No more mail


def test_reading_the_page_that_ends_the_mails_ends_nothing(desk: Desk) -> None:
    row = enquire(desk)
    page = desk.nobody().read(unsubscribe_path(desk, row))
    assert page.h1 == "No more mail?"
    assert page.headers["referrer-policy"] == "no-referrer"
    assert page.headers["cache-control"] == "no-store"
    assert "noindex" in page.headers["x-robots-tag"]
    assert send_waiting(desk.database, mail_service(desk)) == Sent(sent=1)


@pytest.mark.parametrize("body", [{"List-Unsubscribe": "One-Click"}, {}])
def test_one_click_and_the_button_end_the_mails_without_a_redirect(desk: Desk, body: dict[str, str]) -> None:
    row = enquire(desk)
    for _again in range(2):
        reply = desk.nobody().send("POST", unsubscribe_path(desk, row), data=body)
        assert reply.status_code == 200  # RFC 8058, 3.1: no redirect
    assert send_waiting(desk.database, mail_service(desk)) == Sent(failed=1)
    assert "wants no more mail" in (rows(desk.database)[0].last_error or "")
    later = enquire(desk, 2, "ANNA@player.example")
    send_waiting(desk.database, mail_service(desk))
    assert rows(desk.database)[-1].id == later.id
    assert rows(desk.database)[-1].failed_at is not None


def test_ending_the_mails_leaves_no_address_behind_and_concerns_one_dealer_only(desk: Desk) -> None:
    path = unsubscribe_path(desk, enquire(desk))
    desk.nobody().send("POST", path)
    with desk.database.reading() as session:
        (row,) = session.scalars(select(tables.ClosedAddress))
    assert (row.dealer, row.state) == (DEALER, "unsubscribed")
    assert "anna" not in row.digest
    assert "anna" not in path
    enquire(desk, 2, dealer=cast.OTHER)
    assert send_waiting(desk.database, mail_service(desk)) == Sent(sent=1, failed=1)


def test_the_link_works_after_the_mail_it_came_in_is_erased(desk: Desk) -> None:
    row = enquire(desk)
    with desk.database.writing() as session:
        session.delete(session.get_one(tables.OutboxItem, row.id))
    assert desk.nobody().send("POST", unsubscribe_path(desk, row)).status_code == 200
    with desk.database.reading() as session:
        assert session.scalars(select(tables.ClosedAddress)).one().dealer == DEALER


def test_a_player_of_nobody_in_particular_gets_no_more_mail_from_anybody(desk: Desk) -> None:
    row = enquire(desk, dealer=None)
    desk.nobody().send("POST", unsubscribe_path(desk, row))
    assert send_waiting(desk.database, mail_service(desk)) == Sent(failed=1)
    with desk.database.reading() as session:
        assert set(session.scalars(select(tables.ClosedAddress.dealer))) == {DEALER, cast.OTHER}
        enquiry = session.scalars(select(tables.Enquiry)).one()
        assert enquiry.contact is not None
        assert enquiry.contact["consent"] == {"advice": True, "mail": False, "model": False}


@pytest.mark.parametrize("change", ["", "x", ".."])
def test_an_altered_link_leads_nowhere(desk: Desk, change: str) -> None:
    path = unsubscribe_path(desk, enquire(desk))
    altered = path[:-1] + ("A" if path[-1] != "A" else "B") + change
    for method in ("GET", "POST"):
        assert desk.nobody().send(method, altered).status_code == 404
    assert send_waiting(desk.database, mail_service(desk)) == Sent(sent=1)


def test_what_a_reader_asks_for_still_comes_after_the_mails_were_ended(desk: Desk) -> None:
    desk.nobody().send("POST", unsubscribe_path(desk, enquire(desk)))
    with desk.database.writing() as session:
        privacy_mails.send_data_link(
            session, outbox.To("anna@player.example", dealer=DEALER), None, "/data/x", "data:1"
        )
    assert send_waiting(desk.database, mail_service(desk)) == Sent(sent=1, failed=1)


# Is it still the right one?


@pytest.mark.parametrize("answer", ["yes", "no"])
def test_reading_the_page_of_an_answer_gives_none(desk: Desk, answer: str) -> None:
    key = kept(desk)
    page = desk.nobody().read(still_right_path(desk, key, answer))
    assert "Juniper" in page.text
    with desk.database.reading() as session:
        assert session.scalars(select(tables.FollowUp)).all() == []
    assert outcomes_of(desk) == [("kept", BOWS[1])]


def test_yes_is_kept_with_the_player_and_never_as_a_second_kept(desk: Desk) -> None:
    key = kept(desk)
    for _again in range(2):
        reply = desk.nobody().send("POST", still_right_path(desk, key, "yes"), follow=True)
        assert "Thank you" in reply.text
    with desk.database.reading() as session:
        assert [row.still_right for row in session.scalars(select(tables.FollowUp))] == [True]
    assert outcomes_of(desk) == [("kept", BOWS[1])]


def test_no_is_an_outcome_the_dealer_is_told_and_the_bow_is_on_its_way(desk: Desk) -> None:
    key = kept(desk)
    for _again in range(2):
        reply = desk.nobody().send("POST", still_right_path(desk, key, "no"), follow=True)
        assert "Thank you" in reply.text
    assert outcomes_of(desk) == [("kept", BOWS[1]), (str(OutcomeKind.RETURNED), BOWS[1])]
    with desk.database.reading() as session:
        assert session.get_one(tables.Copy, BOWS[1]).status == "in_transit"
    adviser = desk.sign_in("adviser")
    assert "A player gives a bow back" in adviser.read("/desk").text
    with desk.database.writing() as session:
        session.get_one(tables.Copy, BOWS[1]).status = "in_stock"
    assert "A player gives a bow back" not in adviser.read("/desk").text
    notices = [
        row for row in rows(desk.database) if row.kind == "outcome_notice" and row.values["outcome"] == "returned"
    ]
    assert [row.values["by_player"] for row in notices] == [True]
    assert "follow_up" not in {row.kind for row in rows(desk.database)}


def test_who_said_yes_may_say_no_later_but_not_the_other_way_round(desk: Desk) -> None:
    key = kept(desk)
    somebody = desk.nobody()
    assert somebody.send("POST", still_right_path(desk, key, "yes")).status_code == 303
    assert somebody.send("POST", still_right_path(desk, key, "no")).status_code == 303
    refused = somebody.send("POST", still_right_path(desk, key, "yes"))
    assert refused.status_code == 409
    assert "given back already" in refused.text
    assert outcomes_of(desk)[-1] == ("returned", BOWS[1])


def test_a_link_made_for_another_purpose_answers_nothing(desk: Desk) -> None:
    key = kept(desk)
    token = mail_service(desk).signer.make(suppression.UNSUBSCRIBE, key)
    assert desk.nobody().send("POST", f"/mail/still-right/{token}/no").status_code == 404
    assert desk.nobody().send("POST", still_right_path(desk, key, "perhaps")).status_code == 422


# At the desk


def test_the_desk_shows_what_waits_what_failed_with_the_servers_words_and_what_was_sent(desk: Desk) -> None:
    with mail_server(Received("250 OK", "550 5.1.1 No such mailbox", "451 4.3.0 Later")) as port:
        for number in (1, 2, 3):
            enquire(desk, number, f"p{number}@player.example")
            sending.send_one(desk.database, office_to(port))
    adviser = desk.sign_in("adviser")
    page = adviser.read("/desk/mail")
    assert "p2@player.example" in page.text
    assert "550 5.1.1 No such mailbox" in page.text
    assert "p1@player.example" not in page.text
    assert "451 4.3.0 Later" in adviser.read("/desk/mail?state=waiting").text
    assert "tried 1 time, next" in adviser.read("/desk/mail?state=waiting").text
    assert "p1@player.example" in adviser.read("/desk/mail?state=sent").text


def test_another_dealers_adviser_sees_and_does_nothing_here(desk: Desk) -> None:
    row = enquire(desk)
    send_waiting(desk.database, mail_service(desk))
    stranger = desk.sign_in("stranger")
    assert "anna" not in stranger.read("/desk/mail?state=sent").text
    assert stranger.get(f"/desk/mail/{row.id}").status_code == 404
    for verb in ("resend", "bounced"):
        assert stranger.post(f"/desk/mail/{row.id}/{verb}").status_code == 404
    assert desk.sign_in("workshop").get("/desk/mail").status_code == 403
    assert desk.nobody().get("/desk/mail").status_code == 303


def test_an_owner_sees_what_belongs_to_no_dealer_too(desk: Desk) -> None:
    enquire(desk, dealer=None)
    assert "anna" in desk.sign_in("owner").read("/desk/mail?state=waiting").text
    assert "anna" not in desk.sign_in("adviser").read("/desk/mail?state=waiting").text


def test_the_text_of_a_mail_in_the_folder_is_shown(desk: Desk) -> None:
    row = enquire(desk)
    adviser = desk.sign_in("adviser")
    assert adviser.get(f"/desk/mail/{row.id}").status_code == 404
    send_waiting(desk.database, mail_service(desk))
    page = adviser.read(f"/desk/mail/{row.id}")
    assert re.search(r"Written\s+\d{1,2} \w+ \d{4}, \d\d:\d\d", page.text.replace("\u00a0", " ")), (
        "the day as this page writes days"
    )
    assert "Answer this mail with two or three days" in page.text
    assert "anna@player.example" in page.text
    assert "No mail server is set" in adviser.read("/desk/mail").text


def test_no_link_that_does_something_in_the_readers_name_is_shown_at_the_desk(desk: Desk) -> None:
    enquire(desk)
    kept(desk)
    with desk.database.writing() as session:
        for row in session.scalars(select(tables.OutboxItem)):
            row.due_at = dt.datetime.now(dt.UTC)
    send_waiting(desk.database, mail_service(desk))
    sent = [row for row in rows(desk.database) if row.sent_at and row.kind in ("advice", "follow_up")]
    assert {row.kind for row in sent} == {"advice", "follow_up"}
    folder = mail_service(desk).folder
    assert folder is not None
    for name in ("adviser", "owner"):
        for row in sent:
            page = desk.sign_in(name).read(f"/desk/mail/{row.id}")
            source = folder.read(row.message_id) or ""
            assert "/data/" in source.replace("=\n", "")  # the mail itself has them
            for link in ("/data/", "/erase/", "/mail/unsubscribe/", "/mail/confirm/", "/mail/still-right/"):
                assert link not in page.source, (name, row.kind, link)
            assert "[for the reader only]" in page.text


@pytest.mark.parametrize("kind", ["data_link", "erasure_link"])
def test_nobody_reads_at_the_desk_the_mail_with_a_players_link(desk: Desk, kind: str) -> None:
    to = outbox.To("anna@player.example", dealer=DEALER)
    with desk.database.writing() as session:
        outbox.queue(session, kind, "1", to, {"name": None, "path": "/erase/secret-of-anna"})
    send_waiting(desk.database, mail_service(desk))
    (row,) = rows(desk.database)
    assert row.sent_at is not None
    for name in ("adviser", "owner"):
        member = desk.sign_in(name)
        assert f'href="/desk/mail/{row.id}"' not in member.read("/desk/mail?state=sent").source
        assert member.get(f"/desk/mail/{row.id}").status_code == 404


def test_nobody_reads_at_the_desk_the_link_that_sets_anothers_password(desk: Desk) -> None:
    with desk.database.writing() as session:
        users.add(session, "new@bows.example", "adviser", DEALER)
    send_waiting(desk.database, mail_service(desk))
    row = rows(desk.database)[-1]
    assert row.kind == "password"
    for name in ("adviser", "owner"):
        member = desk.sign_in(name)
        assert f'href="/desk/mail/{row.id}"' not in member.read("/desk/mail?state=sent").source
        assert member.get(f"/desk/mail/{row.id}").status_code == 404
        assert member.post(f"/desk/mail/{row.id}/resend").status_code == 409


def test_a_failed_mail_is_sent_again_by_hand_under_its_message_id_and_a_sent_one_under_a_new_one(desk: Desk) -> None:
    row = enquire(desk)
    handler, clock = Received("554 5.7.1 No"), Clock()
    adviser = desk.sign_in("adviser")
    with mail_server(handler) as port:
        send_waiting(desk.database, office_to(port), clock)
        failed_id = rows(desk.database)[0].message_id
        for expected in (1, 2):
            assert adviser.post(f"/desk/mail/{row.id}/resend").status_code == 303
            clock.pass_(minutes=1)
            assert send_waiting(desk.database, office_to(port), clock) == Sent(sent=1)
            assert len(handler.ids) == expected
    assert handler.ids[0] == f"<{failed_id}>"
    assert handler.ids[1] != handler.ids[0]
    with desk.database.reading() as session:
        did = session.scalars(select(tables.AuditEntry.did)).all()
    assert did.count("sent something again") == 2


def test_a_bounced_address_gets_nothing_until_the_desk_opens_it_again(desk: Desk) -> None:
    row = enquire(desk)
    send_waiting(desk.database, mail_service(desk))
    adviser = desk.sign_in("adviser")
    assert "No more mail goes to anna@player.example." in adviser.submit(f"/desk/mail/{row.id}/bounced").text
    refused = adviser.post(f"/desk/mail/{row.id}/resend")
    assert refused.status_code == 409
    assert "bouncing" in refused.text
    with desk.database.writing() as session:
        privacy_mails.send_data_link(
            session, outbox.To("anna@player.example", dealer=DEALER), None, "/data/x", "data:1"
        )
    assert send_waiting(desk.database, mail_service(desk)) == Sent(failed=1)
    said = adviser.submit("/desk/mail/addresses/reopen", {"address": " Anna@player.example "})
    assert "Mail goes to Anna@player.example again." in said.text
    assert adviser.post(f"/desk/mail/{row.id}/resend").status_code == 303
    assert send_waiting(desk.database, mail_service(desk)) == Sent(sent=1)


def test_an_unsubscribed_address_is_opened_by_a_new_consent_at_the_desk_only(desk: Desk) -> None:
    row = enquire(desk)
    send_waiting(desk.database, mail_service(desk))
    desk.nobody().send("POST", unsubscribe_path(desk, row))
    adviser = desk.sign_in("adviser")
    assert adviser.post(f"/desk/mail/{row.id}/resend").status_code == 409
    adviser.submit("/desk/mail/addresses/reopen", {"address": "anna@player.example"})
    assert adviser.post(f"/desk/mail/{row.id}/resend").status_code == 303
    said = adviser.submit("/desk/mail/addresses/reopen", {"address": "somebody@player.example"})
    assert "was not closed; nothing was changed" in said.text


def test_the_record_of_what_was_done_holds_no_address(desk: Desk) -> None:
    row = enquire(desk)
    desk.sign_in("adviser").post(f"/desk/mail/{row.id}/bounced")
    with desk.database.reading() as session:
        entry = session.scalars(select(tables.AuditEntry).order_by(tables.AuditEntry.id.desc())).first()
    assert entry is not None
    assert entry.did == "marked an address as bouncing"
    assert "anna" not in f"{entry.about} {entry.detail}"


def test_a_post_without_the_sessions_token_does_nothing(desk: Desk) -> None:
    row = enquire(desk)
    send_waiting(desk.database, mail_service(desk))
    adviser: Member = desk.sign_in("adviser")
    for path in (f"/desk/mail/{row.id}/resend", f"/desk/mail/{row.id}/bounced", "/desk/mail/addresses/reopen"):
        assert adviser.send("POST", path, data={"csrf": "x"}).status_code == 403
