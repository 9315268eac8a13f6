"""Mails to one mailbox: forty spellings of one address, by the API and by the page that mails the link to one's data."""

import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from service.mail.sending import send_waiting
from tests.service.client import Client, add_small_range, serving, settings_in
from tests.service.spellings import forty
from tests.service.trial_cast import BASS, SHOP

CONSENT = {"advice": True, "mail": True, "model": False}


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


def _ask(client: Client, email: str) -> bool:
    body = BASS | {"dealer": SHOP, "contact": {"name": "Anna", "email": email, "consent": CONSENT}}
    return client.advice(body).status_code == 200


def _ask_for_data(client: Client, email: str) -> None:
    page = client.get(f"/privacy?dealer={SHOP}", headers={"Accept": "text/html"}).text
    found = re.search(r'name="csrf" value="([^"]+)"', page)
    token = found.group(1) if found else ""
    client.send("POST", f"/privacy?dealer={SHOP}", data={"email": email, "csrf": token})


def _mails(client: Client, folder: Path) -> int:
    send_waiting(client.database, client.app.state.office)
    return len(list((folder / "mail").glob("*.eml")))
