"""A player's name, address and telephone number stand nowhere but where they belong: every way out is searched for them."""

import datetime as dt
import logging
from collections.abc import Iterator
from email.parser import Parser
from pathlib import Path

import pytest
from sqlalchemy import select, text
from sqlalchemy.exc import OperationalError, SQLAlchemyError

from service import cli, tables
from service.core.database import Database
from service.core.scopes import AllDealers
from service.dealers import api_keys as keys
from service.inventory import files
from service.mail import webhooks
from service.mail.sending import send_waiting
from service.modelling import fits, model_page
from service.privacy import retention
from service.trials import rater_links
from tests.service import cast, trial_rows
from tests.service.cast import DEALER, Desk
from tests.service.client import SECRET, Client
from tests.service.mail_server import Received, mail_server, office_to
from tests.service.page import Reader
from tests.service.privacy_cast import EMAIL, NAME, PHONE, TOLD, Kept, add_all
from tests.service.trial_cast import compose, rate

NOW = dt.datetime.now(dt.UTC)


def leaked(text: str | bytes) -> list[str]:
    """Return what of the player stands in a text."""
    told = text.decode("latin-1") if isinstance(text, bytes) else text
    return [word for word in TOLD if word.lower() in told.lower()]


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as desk:
        with desk.database.writing() as session:
            door = {"notify": "laden@harbour.example", "webhook": "https://harbour.example/bows"}
            session.add(tables.Door(dealer=DEALER, changed_at=NOW, **door))
        yield desk


def seeded(desk: Desk, *, over: bool = True) -> Kept:
    with desk.database.writing() as session:
        return add_all(session, model=True, over=over, note=None)


def test_the_search_finds_what_it_looks_for(desk: Desk) -> None:
    kept = seeded(desk)
    assert len(leaked(desk.sign_in("adviser").get(f"/desk/players/{kept.player}").text)) == len(TOLD)


def test_screens_of_tablet_phone_and_listener_hold_at_most_the_first_name(desk: Desk) -> None:
    kept, client = seeded(desk, over=False), Client(desk.app)
    with desk.database.writing() as session:
        _tablet, key = trial_rows.add_tablet(session, DEALER)
        signer = desk.app.state.signer
        paths = [
            rater_links.open_seat(session, None, DEALER, kept.trial, rater, signer=signer) for rater in tables.RATERS
        ]
    bearer = {"Authorization": f"Bearer {key}"}
    listed = client.get("/tablet/trials", headers=bearer)
    assert [trial["name"] for trial in listed.json()["trials"]] == [NAME.split()[0]]
    texts = [listed.text, client.get(f"/tablet/trials/{kept.trial}", headers=bearer).text, client.get("/tablet").text]
    for path in paths:
        texts += [client.get(path).text, client.get(f"{path}/1").text]
    assert [leaked(each) for each in texts] == [[]] * len(texts)
    assert all(NAME.split()[0] not in each for each in texts[1:])


def test_a_dealers_server_reads_a_contact_in_a_single_enquiry_and_nowhere_else(desk: Desk) -> None:
    kept, client = seeded(desk), Client(desk.app)
    with desk.database.writing() as session:
        key = keys.make(session, None, DEALER, "server")
    bearer = {"Authorization": f"Bearer {key}"}
    paths = ["enquiries", "trials", "range", "stock", f"trials/{kept.trial}"]
    replies = [client.get(f"/api/v1/{path}", headers=bearer) for path in paths]
    assert [(reply.status_code, leaked(reply.text)) for reply in replies] == [(200, [])] * len(paths)
    one = client.get(f"/api/v1/enquiries/{replies[0].json()['enquiries'][0]['id']}", headers=bearer)
    assert len(leaked(one.text)) == len(TOLD)


def test_what_goes_to_the_dealers_system_and_to_its_mailbox_names_nobody(desk: Desk) -> None:
    seeded(desk)
    with desk.database.reading() as session:
        items = session.scalars(select(tables.OutboxItem)).all()
        calls = [webhooks.call_of(session, [SECRET], row, NOW) for row in items if row.channel == "webhook"]
        assert len(calls) >= 2
        assert [leaked(call.body) for call in calls] == [[]] * len(calls)
    mail_service = desk.app.state.mail_service
    send_waiting(desk.database, mail_service, lambda: NOW + dt.timedelta(days=1, minutes=1))
    texts = [file.read_text(encoding="utf-8") for file in mail_service.folder.path.glob("*.eml")]
    notices = [each for each in texts if "laden@" in Parser().parsestr(each, headersonly=True)["To"]]
    assert len(notices) >= 2
    assert [leaked(each) for each in notices] == [[]] * len(notices)


def test_files_for_the_workshop_versions_and_the_models_page_know_keys_only(desk: Desk, tmp_path: Path) -> None:
    seeded(desk)
    with desk.database.writing() as session:
        for number in range(6):
            key = compose(session, copies=["DB-bramble-1", "DB-bramble-2"], on=f"2027-06-0{number + 1}")
            rate(session, key, {None: 4, "DB-bramble-1": 3 + number % 4, "DB-bramble-2": 5 - number % 3})
    fits.fit(desk.database)
    with desk.database.reading() as session:
        files.dump(session, tmp_path / "dump")
        version = session.scalars(select(tables.ModelVersion)).one()
        page = model_page.page_of(session, AllDealers(), demo=False)
        told: list[str | bytes] = [
            version.artifact,
            repr(version.report),
            *(file.read_bytes() for file in (tmp_path / "dump").iterdir()),
        ]
    model_page.write(tmp_path / "model.html", page)
    told.append((tmp_path / "model.html").read_bytes())
    assert len(told) == 11
    assert [leaked(each) for each in told] == [[]] * len(told)


def test_commands_and_logs_name_nobody(
    desk: Desk, tmp_path: Path, caplog: pytest.LogCaptureFixture, capsys: pytest.CaptureFixture[str]
) -> None:
    caplog.set_level(logging.DEBUG, logger="service")
    reader = Reader(desk.app)
    page = reader.send(reader.send(reader.get(f"/?dealer={DEALER}")), {"instrument": "violin"})
    while "contact" not in page.address:
        page = reader.send(page)
    mine = {"name": NAME, "email": EMAIL, "phone": PHONE, "consent_advice": "yes", "consent_mail": "yes"}
    assert reader.send(page, mine).address.startswith("/advice/")
    seeded(desk)
    with mail_server(Received(rcpt=f"550 5.1.1 <{EMAIL}>: no such mailbox")) as port:
        send_waiting(desk.database, office_to(port))
    environ = {"DATABASE_URL": f"sqlite:///{desk.database.file}", "DATA_DIR": str(tmp_path), "SECRET_KEY": SECRET}
    for command in (["check"], ["send"], ["fit", "--list"]):
        cli.main(command, environ)
    retention.sweep_if_due(desk.database, NOW + dt.timedelta(days=800))
    said = capsys.readouterr()
    assert "attempt 1 was in vain" in caplog.text
    assert "retention: not run yet" in said.out
    assert leaked(caplog.text + said.out + said.err) == []


def test_an_error_of_the_database_repeats_nothing_of_what_it_was_about(any_database: Database) -> None:
    with pytest.raises(SQLAlchemyError) as caught, any_database.writing() as session:
        session.execute(text("INSERT INTO nowhere VALUES (:name, :email)"), {"name": NAME, "email": EMAIL})
    assert leaked(str(caught.value)) == []


def test_a_database_that_does_not_answer_is_logged_without_what_was_asked_of_it(
    desk: Desk, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_arguments: object, **_named: object) -> None:
        raise OperationalError("INSERT", {"name": NAME}, RuntimeError("locked"), hide_parameters=True)

    monkeypatch.setattr("service.privacy.privacy_pages.access_requests.send_link", failing)
    reader = Reader(desk.app)
    page = reader.get("/privacy")
    assert reader.send(page, {"email": EMAIL}).status == 503
    assert "the database did not answer" in caplog.text
    assert leaked(caplog.text) == []
