"""One dealer handed over whole, and erased whole: what is left is what was there before the other came."""

from collections import Counter
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Integer, insert, inspect, select, update

from service import migrations, tables
from service.cli import main
from service.core import audit_events
from service.core.database import Database
from service.core.errors import ConflictError
from service.operations import backups, one_dealer
from service.operations.one_dealer import OF_NOBODY, SHARED
from tests.service.operations.test_backups import restored
from tests.service.test_tables import ROWS

Rows = dict[str, list[tuple[Any, ...]]]
ENDED = {table.__tablename__ for table in backups.ENDED}
SECOND = 1000
"""What is added to the numbers of the second dealer's rows."""
SECOND_NUMBERS = {SECOND + 1, SECOND + 2}


def filled(database: Database, *, second: bool) -> None:
    """Put a row of every table in, the first dealer's; and, where ``second``, the same once more under other keys."""
    given = Counter[str]()
    with database.writing() as session:
        for row, values in ROWS:
            columns = {each.key: each.columns[0] for each in inspect(row).column_attrs}
            if row.__tablename__ in (SHARED | OF_NOBODY) - {"tiers", "tier_characters", "model_versions"}:
                continue
            given[row.__tablename__] += 1
            ours = {"dealer": "harbour", **values} if "dealer" in columns else dict(values)
            number = columns.get("id")
            if number is not None and isinstance(number.type, Integer):
                ours["id"] = given[row.__tablename__]
            session.execute(insert(row), ours)
            if second:
                session.execute(insert(row), {name: other(columns[name], value) for name, value in ours.items()})


def other(column: Any, value: Any) -> Any:
    """Return the second dealer's value for the first's, where the column is a key or refers to one."""
    alone = any(index.unique and list(index.columns) == [column] for index in column.table.indexes)
    is_key = column.primary_key and (len(column.table.primary_key.columns) == 1 or column.foreign_keys)
    if value is None or not (
        is_key or column.foreign_keys or column.unique or alone or column.name in ("about", "dealer")
    ):
        return value
    if isinstance(value, bool):
        return not value
    return value + SECOND if isinstance(value, int) else f"{value}-quay"


def is_number(value: object) -> bool:
    return isinstance(value, int)


def rows(database: Database) -> Rows:
    with database.reading() as session:
        return {
            table.name: sorted(map(tuple, session.execute(select(table)).all()), key=repr)
            for table in one_dealer.TABLES
        }


def test_every_table_is_a_dealers_or_shared_or_nobodys() -> None:
    for table in one_dealer.TABLES:
        one_dealer.belongs(table, "harbour")  # StopIteration for one that says nothing of whose it is
    assert not SHARED & OF_NOBODY


def test_what_is_left_of_two_dealers_is_what_was_there_of_the_one(
    any_database: Database, database: Database, tmp_path: Path
) -> None:
    backups.backup(database, tmp_path / "empty")
    alone = restored(tmp_path / "empty", tmp_path)
    filled(alone, second=False)
    filled(any_database, second=True)
    before = rows(alone)
    alone.close()
    both = rows(any_database)
    assert [
        name for name in before if len(both[name]) != 2 * len(before[name]) and name not in SHARED | OF_NOBODY
    ] == []
    with any_database.writing() as session:
        went = one_dealer.erase(session, "harbour-quay")
    after = rows(any_database)
    theirs = SHARED | {"model_versions"}  # of all, or nobody's
    assert {name for name in after if after[name] != before[name]} <= theirs
    assert went == {name: len(found) for name, found in before.items() if found and name not in SHARED | OF_NOBODY}


def test_a_backup_of_one_dealer_holds_that_one_whole_and_nothing_of_another(
    any_database: Database, tmp_path: Path
) -> None:
    filled(any_database, second=True)
    both = rows(any_database)
    backups.backup(any_database, tmp_path / "b", dealer="harbour")
    content = (tmp_path / "b").read_bytes()
    assert b"harbour.example" in content
    assert b"harbour-quay" not in content
    back = restored(tmp_path / "b", tmp_path)
    after = rows(back)
    back.close()
    for name, found in after.items():
        first = [
            row for row in both[name] if "quay" not in repr(row) and not SECOND_NUMBERS & {*filter(is_number, row)}
        ]
        expected = [] if name in OF_NOBODY | ENDED else both[name] if name in SHARED else first
        assert found == expected, name


def test_what_another_dealer_played_or_made_stays_theirs(any_database: Database) -> None:
    filled(any_database, second=True)
    with any_database.writing() as session:  # a bow that moved, and an account that did, with what they did before
        session.execute(update(tables.Slot).where(tables.Slot.trial == 1001).values(copy="VN-1"))
        session.execute(
            update(tables.Composition).where(tables.Composition.trial == 1001).values(made_by=1, enquiry=None)
        )
        session.execute(update(tables.Trial).where(tables.Trial.id == 1001).values(player=1))
        one_dealer.erase(session, "harbour")
    with any_database.reading() as session:
        slot = session.scalars(select(tables.Slot)).one()
        assert slot.copy == "VN-1"
        assert session.get_one(tables.Copy, "VN-1").dealer is None
        assert session.scalars(select(tables.BenchReading.copy)).all() == ["VN-1", "VN-1-quay"]
        assert session.scalars(select(tables.Composition.made_by)).all() == [None]
        assert set(session.scalars(select(tables.Player.id))) == {1, 1001, 1002}
        assert session.scalars(select(tables.User.dealer)).all() == ["harbour-quay"]


def test_the_command_says_what_would_go_before_it_does(
    database: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    filled(database, second=True)
    environ = {"DATABASE_URL": str(database.url), "DATA_DIR": str(tmp_path / "data")}
    before = rows(database)
    assert main(["dealers", "erase", "harbour"], environ) == 0
    assert "trials: 2\n" in capsys.readouterr().out
    assert rows(database) == before
    assert main(["dealers", "erase", "harbour", "--really"], environ) == 0
    assert main(["dealers", "erase", "harbour", "--really"], environ) == 1
    assert "There is no dealer harbour" in capsys.readouterr().err
    with database.reading() as session:
        (entry,) = session.scalars(
            select(tables.AuditEntry).where(tables.AuditEntry.did == audit_events.DEALER_ERASED.did)
        )
        assert entry.about == "dealer harbour"
    assert database.file is not None
    database.close()
    assert b"harbour.example" not in database.file.read_bytes().replace(b"harbour.example-quay", b"")


def test_a_backup_of_no_such_dealer_writes_nothing(database: Database, tmp_path: Path) -> None:
    with pytest.raises(ConflictError, match="There is no dealer ghost"):
        backups.backup(database, tmp_path / "b", dealer="ghost")
    assert not (tmp_path / "b").exists()


def test_a_restore_that_is_killed_once_the_rows_are_there_has_let_no_sign_in_live_again(
    postgres_database: Database, empty_postgres: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(postgres_database, second=True)
    backups.backup(postgres_database, tmp_path / "b")

    def ends(_database: Database) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(migrations, "upgrade", ends)
    with pytest.raises(KeyboardInterrupt):
        backups.restore(empty_postgres, tmp_path / "b")
    found = rows(empty_postgres)
    assert len(found["users"]) == 2
    assert {name for name in ENDED if found[name]} == set()
