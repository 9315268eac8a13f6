"""A backup and the files hold trials, sheets and staff too; what was put back lets nobody in by an old sign-in."""

import datetime as dt
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Table, select

from service import migrations, tables
from service.accounts import browsers, half_sign_ins, second_factor, tries, users
from service.core.database import Database
from service.devices import tablets
from service.inventory import files
from service.operations import backups
from service.tables.base import Base
from service.web import staff_sessions
from service.web.browser_names import Device
from tests.service import privacy_cast
from tests.service.trial_cast import SHOP, open_shop

ENDED = {"staff_sessions", "half_sign_ins", "known_browsers", "password_links", "tablet_codes"}


@pytest.fixture
def lived_in(database: Database) -> tuple[Database, str]:
    """A shop in which a trial was played, with an adviser signed in and a tablet enrolled; and the session's secret."""
    return database, live_in(database)


def live_in(database: Database) -> str:
    open_shop(database)
    with database.writing() as session:
        privacy_cast.add_all(session, model=True)
    with database.writing() as session:
        user = users.add(session, "adviser@bows.example", "adviser", SHOP).account.id
        tablets.enrol(session, tablets.make_code(session, user, SHOP, "Room"))
        tablets.make_code(session, user, SHOP, "Another room")
        moment = dt.datetime.now(dt.UTC)
        session.add(tables.ApiKey(digest="a" * 64, dealer=SHOP, kind="server", hint="aaaa", made_at=moment))
        half_sign_ins.begin(session, user)
        browsers.remember(session, user, None, Device())
        second_factor.set_up(session, user, second_factor.draw_secret(), 0)
        tries.take(session, "a digest")
        return staff_sessions.begin(session, user)


def everything(database: Database) -> dict[str, list[tuple[Any, ...]]]:
    """Return every row of every table."""
    with database.reading() as session:
        return {table.name: sorted(map(tuple, session.execute(select(table))), key=repr) for table in tables_there()}


def tables_there() -> list[Table]:
    return Base.metadata.sorted_tables


def check_put_back(before: dict[str, list[tuple[Any, ...]]], back: Database, secret: str) -> None:
    after = everything(back)
    assert {name for name in after if after[name] != before[name]} == ENDED
    assert all(before[name] and not after[name] for name in ENDED)
    with back.reading() as session:
        assert staff_sessions.find(session, secret) is None


def test_every_table_comes_back_but_no_sign_in(lived_in: tuple[Database, str], tmp_path: Path) -> None:
    database, secret = lived_in
    with database.reading() as session:
        assert staff_sessions.find(session, secret) is not None
    before = everything(database)
    assert {"compositions", "sheets", "seats", "pairs", "contacts", "tablets", "api_keys"} <= {
        name for name, rows in before.items() if rows
    }
    backups.backup(database, tmp_path / "b")
    back = Database(f"sqlite:///{tmp_path}/restored.db")
    backups.restore(back, tmp_path / "b")
    check_put_back(before, back, secret)
    back.close()


def test_every_table_comes_back_on_postgresql_but_no_sign_in(
    postgres_database: Database, empty_postgres: Database, tmp_path: Path
) -> None:
    secret = live_in(postgres_database)
    before = everything(postgres_database)
    backups.backup(postgres_database, tmp_path / "b")
    backups.restore(empty_postgres, tmp_path / "b")
    check_put_back(before, empty_postgres, secret)


def test_the_files_of_a_played_trial_are_read_back_as_they_were_written(
    lived_in: tuple[Database, str], tmp_path: Path
) -> None:
    database, _secret = lived_in
    with database.reading() as session:
        counts = files.dump(session, tmp_path / "given")
    assert counts["runs.csv"] > 0
    assert counts["outcomes.csv"] > 0
    other = Database(f"sqlite:///{tmp_path}/other.db")
    migrations.upgrade(other)
    with other.writing() as session:
        report = files.load(session, files.read_folder(tmp_path / "given"))
    assert report.problems == ()
    with other.reading() as session:
        assert files.dump(session, tmp_path / "again") == counts
    other.close()
    for file in (tmp_path / "given").iterdir():
        assert (tmp_path / "again" / file.name).read_bytes() == file.read_bytes(), file.name
