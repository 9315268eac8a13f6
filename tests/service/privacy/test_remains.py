"""What erased data leaves behind in the files of SQLite: nothing, also where a reader holds the log back for a while."""

import datetime as dt
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlalchemy import text

from service import migrations, privacy, tables
from service.core import database as databases
from service.core.database import Database
from service.privacy import remains, retention
from tests.service.privacy_cast import EMAIL, TOLD, add_all, draft, enquire
from tests.service.trial_cast import open_shop

NOW = dt.datetime.now(dt.UTC)
OLD = NOW - dt.timedelta(days=800)


def found(database: Database) -> list[str]:
    """Return in which files of the database's folder something of the player stands, byte for byte."""
    assert database.file is not None
    files = [path for path in database.file.parent.rglob("*") if path.is_file()]
    assert database.file in files
    return sorted(
        f"{path.name}: {word}" for path in files for word in TOLD if word.encode().lower() in path.read_bytes().lower()
    )


@pytest.fixture
def shop(database: Database) -> Database:
    return open_shop(database)


def unwell(database: Database, now: dt.datetime) -> list[str]:
    with database.reading() as session:
        return [said for said, well in remains.findings(database, session, now) if not well]


def test_after_erasing_no_byte_of_the_person_is_in_any_file(shop: Database) -> None:
    with shop.writing() as session:
        kept = add_all(session)
    assert found(shop) != []
    with shop.writing() as session:
        privacy.erase(session, None, privacy.of_enquiry(session, kept.enquiry))
    assert found(shop) == []
    assert unwell(shop, NOW) == []


def test_after_the_sweep_no_byte_of_those_erased_is_in_any_file(shop: Database) -> None:
    with shop.writing() as session:
        session.get_one(tables.Enquiry, enquire(session)).created_at = OLD
        session.get_one(tables.Draft, draft(session)).updated_at = OLD
        yesterday = NOW - dt.timedelta(days=2)
        session.get_one(
            tables.Enquiry, enquire(session, email="new@bows.example", name="New One")
        ).created_at = yesterday
    assert found(shop) != []
    swept = retention.sweep_if_due(shop, NOW)
    assert swept is not None
    assert (swept.persons, swept.drafts) == (1, 0)  # the draft went with its person
    assert found(shop) == []


def test_a_reader_holds_the_log_back_which_is_told_and_emptied_later(
    shop: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases, "LOG_SECONDS", 0.0)
    with shop.writing() as session:
        enquiry = enquire(session)
    with shop.reading() as reader:
        reader.execute(text("SELECT count(*) FROM enquiries")).one()
        with shop.writing() as session:
            privacy.erase(session, None, privacy.of_enquiry(session, enquiry))
        assert found(shop) != []
        assert remains.clear(shop, NOW) is False
        assert unwell(shop, NOW + dt.timedelta(hours=1)) == []
        (said,) = unwell(shop, NOW + dt.timedelta(hours=3))
        assert "still in SQLite's log" in said
    assert remains.clear(shop, NOW) is True
    assert found(shop) == []
    assert unwell(shop, NOW + dt.timedelta(hours=3)) == []


def test_deleted_content_is_overwritten_however_sqlite_was_built(tmp_path: Path) -> None:
    with closing(sqlite3.connect(tmp_path / "a.db")) as connection:
        connection.execute("PRAGMA secure_delete = OFF")
        databases._prepare_connection(connection, None)
        assert connection.execute("PRAGMA secure_delete").fetchone() == (1,)


def test_what_an_earlier_version_left_in_freed_pages_is_gone_after_migrate(
    shop: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert shop.file is not None
    with closing(sqlite3.connect(shop.file)) as earlier:
        earlier.execute("PRAGMA secure_delete = OFF")
        earlier.execute("CREATE TABLE notes (said TEXT)")
        earlier.executemany("INSERT INTO notes VALUES (?)", [(EMAIL * 50,)] * 50)
        earlier.execute("DROP TABLE notes")
        earlier.execute("PRAGMA user_version = 0")
        earlier.commit()
        earlier.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert found(shop) != []
    monkeypatch.setattr(migrations, "BUSY_SECONDS", 0)
    with shop.reading() as reader:  # in use: left for the next time, and told
        reader.execute(text("SELECT count(*) FROM enquiries")).one()
        migrations.upgrade(shop)
        assert any("migrate" in said for said in unwell(shop, NOW))
    migrations.upgrade(shop)
    assert found(shop) == []
    assert unwell(shop, NOW) == []
