"""The whole way with real processes: a player asks, and the mail arrives by itself, with every worker looking for work."""

import threading
from pathlib import Path

import httpx
import pytest

from service import cli
from service.core.database import Database
from tests import factories
from tests.service.cli.test_serving import started
from tests.service.mail_server import Received, mail_server, rows

CONTACT = {"name": "Anna Invented", "email": "anna@player.example", "consent": {"advice": True, "mail": True}}


def test_serve_sends_by_itself_and_no_mail_twice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    given, folder = factories.write(tmp_path / "given", factories.history()), tmp_path / "var"
    for arguments in (["migrate"], ["load", str(given)]):
        assert cli.main(arguments, {"DATA_DIR": str(folder)}) == 0
    handler = Received()
    with mail_server(handler) as port:
        named = {"HOST": "127.0.0.1", "PORT": str(port), "SECURITY": "none"}
        for name, value in named.items():
            monkeypatch.setenv(f"SMTP_{name}", value)
        monkeypatch.setenv("MAIL_FROM", "bows@maker.example")
        monkeypatch.setenv("PUBLIC_ADDRESS", "https://bows.example")
        with started(folder, "serve", "--workers", "2") as (_process, address):
            for number in range(3):
                contact = CONTACT | {"email": f"player{number}@player.example"}
                body = {"instrument": "violin", "contact": contact}
                httpx.post(f"{address}api/v1/advice", json=body, timeout=30).raise_for_status()
            for _wait in range(300):
                if len(handler.taken) >= 3:
                    break
                threading.Event().wait(0.05)
    assert sorted(handler.recipients) == [f"player{number}@player.example" for number in range(3)]
    database = Database(f"sqlite:///{folder / 'bows.db'}")
    assert all(row.sent_at for row in rows(database))
    database.close()
