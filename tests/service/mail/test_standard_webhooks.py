"""Messages by the Standard Webhooks specification, checked as a receiver does: by its own library, with what the desk shows."""

import datetime as dt
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select
from standardwebhooks import Webhook, WebhookVerificationError

from service import tables
from service.core.database import Database
from service.dealers import site
from service.mail import webhooks
from service.mail.mail_server import MailServer
from service.mail.mail_service import open_mail_service
from service.mail.sending import Sent, send_waiting
from service.registry import MAILS
from tests.service.client import SECRET
from tests.service.hook_system import HOST, System, queue_enquiry, serving, trusting
from tests.service.mail_server import BASE, add_dealer, certificate

SHOWN = re.compile(r"whsec_[A-Za-z0-9+/]{43}=")


@pytest.fixture(scope="module")
def own_certificate(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return certificate(tmp_path_factory.mktemp("certificate"), HOST)


@pytest.fixture
def system(own_certificate: Path) -> Iterator[System]:
    """A real https server on the loopback, known under a name of its own."""
    with serving(own_certificate) as made:
        yield made


def secrets_shown(database: Database, now: dt.datetime, keys: tuple[str, ...] = (SECRET,)) -> tuple[str, ...]:
    """Return the secrets that the desk would show, the one to set up first."""
    with database.reading() as session:
        door = session.get_one(tables.Door, "harbour")
        return webhooks.valid_secrets(keys, "harbour", door.webhook_number, door.webhook_renewed_at, now)


def received_now(database: Database, system: System, own_certificate: Path, folder: Path, *older: str) -> Any:
    """Send what waits, and return headers and body as they came."""
    mail_service = open_mail_service(
        MailServer(), folder / "mail", BASE, SECRET, MAILS, older=older, caller=trusting(own_certificate)
    )
    assert send_waiting(database, mail_service, lambda: dt.datetime.now(dt.UTC)) == Sent(sent=1)
    _path, headers, body = system.received.pop()
    return headers, body


def test_the_library_of_standard_webhooks_takes_a_message_as_ours_and_no_other(
    database: Database, system: System, own_certificate: Path, tmp_path: Path
) -> None:
    # Standard Webhooks 1.0.0: headers, `v1,` and base64, secret `whsec_` of 24 to 64 bytes, checked by its own library.
    queue_enquiry(database, system.address)
    headers, body = received_now(database, system, own_certificate, tmp_path)
    (secret,) = secrets_shown(database, dt.datetime.now(dt.UTC))
    assert SHOWN.fullmatch(secret)
    told = Webhook(secret).verify(body, headers)
    assert told["type"] == "enquiry.created"
    assert told["data"] == {"dealer": "harbour", "enquiry": "00000000-0000-4000-8000-000000000001"}
    assert dt.datetime.fromisoformat(told["timestamp"]).tzinfo is not None
    assert "." not in headers["webhook-id"]
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body + b" ", headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(body, headers | {"webhook-id": "another"})
    assert secret not in secrets_shown(database, dt.datetime.now(dt.UTC), ("another key of the service",))


def test_a_secret_that_is_replaced_signs_beside_the_new_one_for_three_days(
    database: Database, system: System, own_certificate: Path, tmp_path: Path
) -> None:
    queue_enquiry(database, system.address)
    now = dt.datetime.now(dt.UTC)
    (old,) = secrets_shown(database, now)
    with database.writing() as session:
        site.renew_secret(session, None, "harbour")
    headers, body = received_now(database, system, own_certificate, tmp_path)
    new, beside = secrets_shown(database, now)
    assert (beside, len(headers["webhook-signature"].split(" "))) == (old, 2)
    for secret in (old, new):
        assert Webhook(secret).verify(body, headers)["type"] == "enquiry.created"
    # Three days later, by what was shown at the desk and by what would be sent, the new one alone.
    assert secrets_shown(database, now + dt.timedelta(days=3, minutes=1)) == (new,)


def test_renewing_a_secret_once_more_ends_the_first_at_once(database: Database) -> None:
    with database.writing() as session:
        add_dealer(session, webhook="https://shop.example/bows")
    now = dt.datetime.now(dt.UTC)
    (leaked,) = secrets_shown(database, now)
    for _time in range(2):
        with database.writing() as session:
            site.renew_secret(session, None, "harbour")
    assert leaked not in secrets_shown(database, now)


def test_while_the_services_key_is_changed_both_keys_secrets_sign(
    database: Database, system: System, own_certificate: Path, tmp_path: Path
) -> None:
    before = "an older key of the service, retired soon"
    queue_enquiry(database, system.address)
    now = dt.datetime.now(dt.UTC)
    (old,) = secrets_shown(database, now, (before,))
    headers, body = received_now(database, system, own_certificate, tmp_path, before)
    for secret in (old, *secrets_shown(database, now)):
        assert Webhook(secret).verify(body, headers)["type"] == "enquiry.created"


def documented() -> dict[str, set[str]]:
    """Return each type that the page for web developers names, with the members of its data."""
    text = (Path(__file__).resolve().parents[3] / "service" / "docs" / "api.md").read_text(encoding="utf-8")
    rows = text[text.index("| type | when | data |") :].partition("\n\n")[0].splitlines()[2:]
    cells = [row.split("|") for row in rows]
    return {kind.strip(" `"): set(re.findall(r"`(\w+)`", data)) for _, kind, _when, data, _ in cells}


def test_every_message_is_documented_with_what_it_holds_and_none_besides(database: Database) -> None:
    queued: dict[str, dict[str, Any]] = {
        "enquiry": {"enquiry": "e-1"},
        "outcome": {
            "trial": "t-1",
            "outcome": "kept",
            "copy": "V-1",
            "reason": "sound",
            "date": "2026-05-05",
            "price": 2300.0,
            "currency": "EUR",
        },
        "reopened": {"trial": "t-1"},
    }
    with database.writing() as session:
        add_dealer(session, webhook="https://shop.example/bows")
        for kind, values in queued.items():
            webhooks.queue(session, "harbour", kind, f"{kind}:1", values)
    with database.reading() as session:
        now = dt.datetime.now(dt.UTC)
        calls = [webhooks.call_of(session, [SECRET], row, now) for row in session.scalars(select(tables.OutboxItem))]
    told = [json.loads(call.body) for call in calls]
    assert {each["type"]: set(each["data"]) for each in told} == documented()
    assert set(webhooks.EVENTS.values()) == set(documented())
