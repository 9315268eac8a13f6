"""Mails to one mailbox, forty spellings of one address, by the API and by the page that mails the link to one's data; and mails
to many strangers, by both, until a new customer of the dealer's has to wait.
"""

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from sqlalchemy import func, select

from service.mail.sending import send_waiting
from service.tables import OutboxItem
from tests.service.client import Client, add_small_range, serving, settings_in
from tests.service.spellings import forty
from tests.service.trial_cast import BASS, SHOP

CONSENT = {"advice": True, "mail": True, "model": False}
STRANGERS = 205
"""A few more than a dealer may have written to in a day; whoever takes their time is held up by no limit of the minute."""


def run() -> Iterator[str]:
    """Yield how many enquiries were taken, and how many mails came of them."""
    with tempfile.TemporaryDirectory() as folder, serving(settings_in(Path(folder))) as client:
        add_small_range(client.database)
        taken = sum(_ask(client, email) for email in forty())
        yield f"{taken} enquiries were taken under {len(forty())} spellings of one address"
        yield f"mails to that mailbox: {_mails(client, Path(folder))}"
        for email in forty():
            _ask_for_data(client, email)
        yield f"with the link to its data, asked for under each spelling: {_mails(client, Path(folder))}"
    yield from _strangers()


def _strangers() -> Iterator[str]:
    with tempfile.TemporaryDirectory() as folder, serving(settings_in(Path(folder), advice_per_minute=0)) as client:
        add_small_range(client.database)
        attacker = Client(client.app, host="198.51.100.9")
        for number in range(STRANGERS):
            email = f"stranger{number}@stranger{number}.example"
            _ask(attacker, email, agreed=False)
            _ask_for_data(attacker, email)
        yield f"mails to {STRANGERS} strangers, had sent from one address of the network: {_mails(client, Path(folder))}"
        _ask(Client(client.app, host="203.0.113.50"), "customer@customer.example")
        _mails(client, Path(folder))
        with client.database.reading() as session:
            of_customer = OutboxItem.address == "customer@customer.example", OutboxItem.sent_at.is_not(None)
            gone = session.scalar(select(func.count()).where(*of_customer))
        yield f"mails to a new customer of the same dealer then: {gone}"


def _ask(client: Client, email: str, *, agreed: bool = True) -> bool:
    consent = CONSENT | {"mail": agreed}
    body = BASS | {"dealer": SHOP, "contact": {"name": "Anna", "email": email, "consent": consent}}
    return client.advice(body).status_code == 200


def _ask_for_data(client: Client, email: str) -> None:
    page = client.get(f"/privacy?dealer={SHOP}", headers={"Accept": "text/html"}).text
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    token = found.group(1) if found else ""
    client.send("POST", f"/privacy?dealer={SHOP}", data={"email": email, "csrf": token})


def _mails(client: Client, folder: Path) -> int:
    send_waiting(client.database, client.app.state.mail_service)
    return len(list((folder / "mail").glob("*.eml")))
