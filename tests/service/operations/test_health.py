"""Signs of life: the process, and the service part by part, with every way in which it cannot answer."""

import datetime as dt
import logging
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from service import tables
from service.app import create_app
from service.core.database import Database, writing_engine
from service.operations import health
from tests.service.client import Client, serving, settings_in

READY = ("/healthz", "/health/ready")
WELL = {"database": "ok", "tables": "ok", "model": "ok", "outbox": "ok", "disk": "ok"}


@pytest.fixture
def client(tmp_path: Path) -> Iterator[Client]:
    with serving(settings_in(tmp_path)) as client:
        yield client


def told(client: Client) -> tuple[int, str, dict[str, str]]:
    """Return what both addresses of readiness say, which must be the same."""
    answers = [client.get(path) for path in READY]
    assert answers[0].json() == answers[1].json()
    assert answers[0].status_code == answers[1].status_code
    return answers[0].status_code, answers[0].json()["status"], answers[0].json()["parts"]


def lives(client: Client) -> bool:
    reply = client.get("/health/live")
    return (reply.status_code, reply.json()) == (200, {"status": "ok"})


def test_a_service_that_is_well_is_ready(client: Client) -> None:
    assert told(client) == (200, "ok", WELL)
    assert lives(client)


def test_a_look_at_it_leaves_no_line_in_the_log(client: Client, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        assert told(client)[0] == 200
    # The client of the tests writes down what it asks.
    assert [line.getMessage() for line in caplog.records if not line.name.startswith("httpx")] == []


def test_without_tables_it_is_not_ready_but_lives(tmp_path: Path) -> None:
    app = create_app(settings_in(tmp_path))
    client = Client(app)
    assert told(client) == (503, "no tables", {"tables": "alarm", "disk": "ok"})
    assert lives(client)
    (tmp_path / "bows.db").touch()
    assert told(client)[:2] == (503, "no tables")
    app.state.database.close()


@pytest.mark.parametrize("revision", ["0002", "9999"])
def test_with_tables_of_another_version_it_is_not_ready(any_database: Database, tmp_path: Path, revision: str) -> None:
    with writing_engine(any_database).begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = :revision"), {"revision": revision})
    app = create_app(settings_in(tmp_path, database_url=any_database.url.render_as_string(hide_password=False)))
    assert told(Client(app))[:2] == (503, "no tables")
    app.state.database.close()


def test_without_a_database_it_is_not_ready_but_lives(client: Client, tmp_path: Path) -> None:
    client.database.close()
    (tmp_path / "bows.db").rename(tmp_path / "elsewhere.db")
    (tmp_path / "bows.db").mkdir()
    assert told(client) == (503, "no database", {"database": "alarm", "disk": "ok"})
    assert lives(client)


def test_a_full_disk_takes_it_out_of_use(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(health, "LEAST_FREE", 1 << 62)
    assert told(client) == (503, "no room", WELL | {"disk": "alarm"})


def test_mail_that_waits_is_told_and_keeps_nobody_from_an_answer(client: Client) -> None:
    long_ago = dt.datetime.now(dt.UTC) - dt.timedelta(hours=5)
    with client.database.writing() as session:
        session.add(
            tables.OutboxItem(
                channel="mail",
                kind="advice",
                about="nobody",
                address="ada@example.org",
                language="en",
                values={},
                message_id="<one@bows.example>",
                queued_at=long_ago,
                due_at=long_ago,
            )
        )
    assert told(client) == (200, "ok", WELL | {"outbox": "alarm"})
