"""Backups: whole, also while others write, and never put back if anything about them is wrong."""

import re
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from sqlalchemy import func, select, text

from service import migrations
from service.cli import main, serving
from service.core import audit, audit_events, unfinished
from service.core.database import Database
from service.core.errors import ConflictError
from service.inventory import files
from service.operations import backups, sealing
from service.operations.sealing import Seal
from service.tables import Player, Run
from tests import factories
from tests.service.test_tables import ROWS


@pytest.fixture
def filled(database: Database, tmp_path: Path) -> Database:
    """An SQLite database with a small history."""
    factories.load(database, tmp_path / "given", factories.history())
    return database


def dumped(database: Database, folder: Path) -> dict[str, bytes]:
    with database.reading() as session:
        files.dump(session, folder)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def restored(file: Path, folder: Path, seal: Seal = backups.OPEN) -> Database:
    database = Database(f"sqlite:///{folder}/restored.db")
    try:
        backups.restore(database, file, seal=seal)
    except ConflictError:
        database.close()
        raise
    return database


def test_a_backup_brings_back_everything(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    back = restored(tmp_path / "b", tmp_path)
    migrations.require_current(back)
    assert dumped(back, tmp_path / "x") == dumped(filled, tmp_path / "y")
    back.close()


def test_a_backup_is_one_file_for_its_owner_only(filled: Database, tmp_path: Path) -> None:
    folder = tmp_path / "safe"
    size = backups.backup(filled, folder / "b")
    assert [path.name for path in folder.iterdir()] == ["b"]
    assert (folder / "b").stat().st_size == size
    assert (folder / "b").stat().st_mode & 0o077 == 0


def test_a_backup_taken_while_others_write_is_consistent(filled: Database, tmp_path: Path) -> None:
    stop = threading.Event()

    def write_pairs() -> None:
        number = 0
        while not stop.is_set():
            with filled.writing() as session:
                session.add_all([Player(key=f"a{number}"), Player(key=f"b{number}")])
            number += 1

    writer = threading.Thread(target=write_pairs)
    writer.start()
    try:
        for number in range(5):
            backups.backup(filled, tmp_path / f"b{number}")
    finally:
        stop.set()
        writer.join()
    for number in range(5):
        back = restored(tmp_path / f"b{number}", tmp_path / str(number))
        with back.reading() as session:
            assert (session.scalar(select(func.count()).select_from(Player)) or 0) % 2 == 1  # three, and pairs
        back.close()


def test_a_backup_replaces_an_earlier_one_and_nothing_else(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    backups.backup(filled, tmp_path / "b")
    (tmp_path / "letter").write_text("Dear all,", encoding="utf-8")
    with pytest.raises(ConflictError, match="is there already and is no backup"):
        backups.backup(filled, tmp_path / "letter")
    assert (tmp_path / "letter").read_text(encoding="utf-8") == "Dear all,"


def test_a_database_that_is_there_is_overwritten_by_force_only(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    with filled.writing() as session:
        session.add(Player(key="later"))
    filled.close()
    with pytest.raises(ConflictError, match="--force overwrites it"):
        backups.restore(filled, tmp_path / "b")
    backups.restore(filled, tmp_path / "b", force=True)
    with filled.reading() as session:
        assert session.scalar(select(func.count()).select_from(Player)) == 3


def test_a_database_in_use_is_not_taken_away_from_under_it(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    with filled.reading() as session:
        session.scalar(select(func.count()).select_from(Run))
        with pytest.raises(ConflictError, match="is in use; stop the service"):
            backups.restore(filled, tmp_path / "b", force=True)
        assert session.scalar(select(func.count()).select_from(Run)) == 12


def test_a_damaged_database_may_be_overwritten_too(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    assert filled.file is not None
    filled.close()
    filled.file.write_bytes(b"\0" * 8192)
    backups.restore(filled, tmp_path / "b", force=True)
    migrations.require_current(filled)


@pytest.mark.parametrize("part", range(1, 20))
def test_damage_anywhere_is_found_before_anything_is_replaced(filled: Database, tmp_path: Path, part: int) -> None:
    backups.backup(filled, tmp_path / "b")
    data = bytearray((tmp_path / "b").read_bytes())
    place = next(place for place in range(len(data) * part // 20, len(data)) if data[place])
    data[place] ^= 0x15
    (tmp_path / "b").write_bytes(data)
    said = ""
    try:
        # Where the byte belonged to no row but to room that is free, nothing is lost and all comes back.
        restored(tmp_path / "b", tmp_path).close()
    except ConflictError as refused:
        said = str(refused)
    if said:
        assert re.search("damaged|no backup", said)
        assert not (tmp_path / "restored.db").exists()
    else:
        back = Database(f"sqlite:///{tmp_path}/restored.db")
        assert dumped(back, tmp_path / "x") == dumped(filled, tmp_path / "y")
        back.close()


def test_a_changed_row_is_found_although_the_file_is_sound(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    with closing(sqlite3.connect(tmp_path / "b")) as connection:
        connection.execute("UPDATE runs SET overall = 7 WHERE id = 1")
        connection.commit()
    with pytest.raises(ConflictError, match="damaged, nothing was changed"):
        restored(tmp_path / "b", tmp_path)


def test_half_a_backup_is_refused(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "b")
    data = (tmp_path / "b").read_bytes()
    (tmp_path / "b").write_bytes(data[: len(data) // 2])
    with pytest.raises(ConflictError, match="damaged"):
        restored(tmp_path / "b", tmp_path)


@pytest.mark.parametrize("content", [b"", b"tier,name\n", b"SQLite format 3\x00", b"PGDMP\x01"])
def test_what_is_no_backup_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "b").write_bytes(content)
    with pytest.raises(ConflictError, match=r"no backup of this service|damaged|pg_restore failed"):
        restored(tmp_path / "b", tmp_path)
    assert not (tmp_path / "restored.db").exists()


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ConflictError, match="cannot be read: No such file"):
        restored(tmp_path / "ghost", tmp_path)


def test_the_database_itself_is_no_backup(filled: Database, tmp_path: Path) -> None:
    assert filled.file is not None
    filled.close()
    with pytest.raises(ConflictError, match="no backup of this service"):
        restored(filled.file, tmp_path)


def test_a_backup_of_a_newer_version_is_refused(filled: Database, tmp_path: Path) -> None:
    with filled.writing() as session:
        session.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    backups.backup(filled, tmp_path / "b")
    with pytest.raises(ConflictError, match="made by a newer version"):
        restored(tmp_path / "b", tmp_path)


def test_a_backup_of_postgresql_brings_back_everything(
    postgres_database: Database, empty_postgres: Database, tmp_path: Path
) -> None:
    factories.load(postgres_database, tmp_path / "f", factories.history())
    backups.backup(postgres_database, tmp_path / "b")
    assert backups.restore(empty_postgres, tmp_path / "b") is False
    assert dumped(empty_postgres, tmp_path / "x") == dumped(postgres_database, tmp_path / "y")
    with empty_postgres.writing() as session:
        session.add(Player(key="later"))
    with pytest.raises(ConflictError, match="--force overwrites them"):
        backups.restore(empty_postgres, tmp_path / "b")
    backups.restore(empty_postgres, tmp_path / "b", force=True)
    with empty_postgres.reading() as session:
        assert session.scalar(select(func.count()).select_from(Player)) == 3


def test_a_damaged_backup_of_postgresql_changes_nothing(postgres_database: Database, tmp_path: Path) -> None:
    factories.load(postgres_database, tmp_path / "f", factories.history())
    backups.backup(postgres_database, tmp_path / "b")
    before = dumped(postgres_database, tmp_path / "x")
    data = (tmp_path / "b").read_bytes()
    (tmp_path / "b").write_bytes(data[: len(data) * 9 // 10])
    with pytest.raises(ConflictError):
        backups.restore(postgres_database, tmp_path / "b", force=True)
    assert dumped(postgres_database, tmp_path / "y") == before


def test_an_archive_of_postgresql_is_refused_where_the_database_is_a_file(
    postgres_database: Database, tmp_path: Path
) -> None:
    backups.backup(postgres_database, tmp_path / "b")
    with pytest.raises(ConflictError, match="made with --portable goes into either"):
        restored(tmp_path / "b", tmp_path)


# From one kind of database into the other


def rows(file: Path) -> dict[str, list[tuple[object, ...]]]:
    """Return every row of an SQLite file by its table, as SQLite itself says it."""
    with closing(sqlite3.connect(file)) as connection:
        names = [name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        found = {name: sorted(connection.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr) for name in names}
    del found["backup_manifest"]
    return found


def test_from_sqlite_to_postgresql_and_back_every_row_of_every_table_is_the_same(
    database: Database, postgres_database: Database, tmp_path: Path
) -> None:
    with database.writing() as session:
        for table, values in ROWS:
            session.merge(table(**values))
            session.flush()
        audit.record(session, None, audit_events.BACKED_UP, "ein Bogen für Zoë — 弓", dealer=None, half=0.1, none=None)
        session.add(Player(key="Ж"))
    backups.backup(database, tmp_path / "one")
    with postgres_database.writing() as session:
        session.add(Player(key="was there before"))
    with pytest.raises(ConflictError, match="--force overwrites them"):
        backups.restore(postgres_database, tmp_path / "one")
    backups.restore(postgres_database, tmp_path / "one", force=True)
    backups.backup(postgres_database, tmp_path / "two", portable=True)
    before, after = rows(tmp_path / "one"), rows(tmp_path / "two")
    assert [name for name, found in before.items() if not found] == []
    assert {name for name, found in after.items() if found != before[name]} == {
        table.__tablename__ for table in backups.ENDED
    }
    with postgres_database.writing() as session:
        new = Player(key="the next one")
        session.add(new)
        session.flush()
        assert new.id == len(before["players"]) + 1


def test_a_restore_into_postgresql_that_fails_changes_nothing(
    filled: Database, postgres_database: Database, tmp_path: Path
) -> None:
    with filled.writing() as session:
        session.add(Player(key="a name with \0 in it"))  # which SQLite keeps and PostgreSQL refuses
    backups.backup(filled, tmp_path / "b")
    with postgres_database.writing() as session:
        session.add(Player(key="was there before"))
    with pytest.raises(ConflictError, match="postgresql database does not take a row of players, nothing was changed"):
        backups.restore(postgres_database, tmp_path / "b", force=True)
    with postgres_database.reading() as session:
        assert session.scalars(select(Player.key)).all() == ["was there before"]


# Closed

WORDS = Seal(passphrase="correct horse battery staple, and more")


def keyed(folder: Path, name: str = "key") -> tuple[Seal, Seal]:
    """Return what closes for a new key, and what opens with it."""
    public = sealing.make_key(folder / name)
    return Seal(recipient=public), Seal(identity=folder / name)


@pytest.mark.parametrize("kind", ["key", "passphrase"])
def test_a_closed_backup_says_nothing_and_comes_back_with_what_opens_it(
    filled: Database, tmp_path: Path, kind: str
) -> None:
    closes, opens = keyed(tmp_path) if kind == "key" else (WORDS, WORDS)
    backups.backup(filled, tmp_path / "b", seal=closes)
    data = (tmp_path / "b").read_bytes()
    assert data.startswith(b"age-encryption.org/v1\n")  # C2SP, 'The age file encryption format'
    assert b"SQLite" not in data
    assert b"runs" not in data
    assert (tmp_path / "b").stat().st_mode & 0o077 == 0
    back = restored(tmp_path / "b", tmp_path, opens)
    assert dumped(back, tmp_path / "x") == dumped(filled, tmp_path / "y")
    back.close()
    assert sorted(path.name for path in tmp_path.iterdir() if "unfinished" in path.name) == []


def test_a_closed_backup_opens_with_nothing_else(filled: Database, tmp_path: Path) -> None:
    closes, _opens = keyed(tmp_path)
    _closes, other = keyed(tmp_path, "other")
    backups.backup(filled, tmp_path / "b", seal=closes)
    for seal, said in (
        (backups.OPEN, "is closed; give its private key"),
        (other, "cannot be opened"),
        (WORDS, "cannot be"),
    ):
        with pytest.raises(ConflictError, match=said):
            restored(tmp_path / "b", tmp_path, seal)
    with pytest.raises(ConflictError, match="holds no private key"):
        restored(tmp_path / "b", tmp_path, Seal(identity=tmp_path / "b"))
    assert not (tmp_path / "restored.db").exists()


def test_a_changed_byte_of_a_closed_backup_is_found(filled: Database, tmp_path: Path) -> None:
    closes, opens = keyed(tmp_path)
    backups.backup(filled, tmp_path / "b", seal=closes)
    data = bytearray((tmp_path / "b").read_bytes())
    data[len(data) // 2] ^= 1
    (tmp_path / "b").write_bytes(data)
    with pytest.raises(ConflictError, match="or is damaged"):
        restored(tmp_path / "b", tmp_path, opens)


def test_a_private_key_is_for_its_owner_and_never_overwritten(tmp_path: Path) -> None:
    sealing.make_key(tmp_path / "key")
    assert (tmp_path / "key").stat().st_mode & 0o077 == 0
    with pytest.raises(ConflictError, match="is there already"):
        sealing.make_key(tmp_path / "key")


# Proved without touching anything


def test_a_backup_is_proved_and_nothing_is_touched(
    filled: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    closes, opens = keyed(tmp_path)
    backups.backup(filled, tmp_path / "b", seal=closes)
    environ = {"DATABASE_URL": f"sqlite:///{tmp_path}/none.db", "DATA_DIR": str(tmp_path / "data")}
    before = sorted(tmp_path.rglob("*"))
    assert main(["restore", str(tmp_path / "b"), "--check", "--identity", str(opens.identity)], environ) == 0
    assert f"{tmp_path / 'b'} can be restored: of version {migrations.newest()}, taken 2" in capsys.readouterr().out
    assert main(["restore", str(tmp_path / "b"), "--check"], environ) == 1
    assert "give its private key with --identity" in capsys.readouterr().err
    assert sorted(tmp_path.rglob("*")) == before


def test_a_backup_whose_rows_refer_to_nothing_is_found_out(filled: Database, tmp_path: Path) -> None:
    assert filled.file is not None
    with closing(sqlite3.connect(filled.file)) as connection:  # which looks at no references
        connection.execute("DELETE FROM players WHERE id = 1")
        connection.commit()
    backups.backup(filled, tmp_path / "b")
    with pytest.raises(ConflictError, match="refers to one of players that is not there"):
        backups.prove(tmp_path / "b")


def test_an_archive_of_postgresql_is_proved_to_its_end(postgres_database: Database, tmp_path: Path) -> None:
    factories.load(postgres_database, tmp_path / "f", factories.history())
    backups.backup(postgres_database, tmp_path / "b")
    assert backups.prove(tmp_path / "b").version == migrations.newest()
    data = (tmp_path / "b").read_bytes()
    (tmp_path / "b").write_bytes(data[: len(data) * 9 // 10])
    with pytest.raises(ConflictError, match="pg_restore failed"):
        backups.prove(tmp_path / "b")


def test_without_the_client_programs_a_backup_of_postgresql_is_refused_in_words(
    postgres_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ConflictError, match="pg_dump is not installed"):
        backups.backup(postgres_database, tmp_path / "b")
    assert list(tmp_path.glob("*b*")) == []


# Cut off in the middle

CUT_OFF = """
import sys
from pathlib import Path
from service.operations import backups, sealing
from service.operations.sealing import Seal
from service.core.database import Database

def wait(file):
    print("half-way", flush=True)
    sys.stdin.read()

setattr(backups, sys.argv[1], wait)
database = Database(sys.argv[2])
{"_make_current": lambda: backups.restore(database, Path(sys.argv[3]), force=True),
 "_digest": lambda: backups.backup(database, Path(sys.argv[3]))}[sys.argv[1]]()
"""
"""A restore or a backup that stands still once its copy is written, until it is killed."""


@contextmanager
def half_way(where: str, database: Path, file: Path) -> Iterator["subprocess.Popen[str]"]:
    arguments = [sys.executable, "-c", CUT_OFF, where, f"sqlite:///{database}", str(file)]
    with subprocess.Popen(arguments, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == "half-way\n"
            yield process
        finally:
            process.kill()
            process.wait(30)


def beside(file: Path) -> list[str]:
    """Return what stands in a database's folder besides it and its lock."""
    return sorted(path.name for path in file.parent.iterdir() if path.name not in (file.name, f"{file.name}.lock"))


@pytest.mark.process
def test_a_killed_restore_leaves_nothing_hidden_check_names_it_and_the_next_one_clears_it(
    filled: Database, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    backups.backup(filled, tmp_path / "safe" / "b")
    file = tmp_path / "there" / "bows.db"
    back = Database(f"sqlite:///{file}")
    backups.restore(back, tmp_path / "safe" / "b")
    back.close()
    environ = {"DATABASE_URL": f"sqlite:///{file}", "DATA_DIR": str(tmp_path / "data")}
    with half_way("_make_current", file, tmp_path / "safe" / "b"):
        # At work: nobody else's to clear, and no reason for alarm.
        assert unfinished.clear(file) == []
        (name,) = beside(file)
        assert main(["check"], environ) == 0
    assert beside(file) == [name]
    assert re.fullmatch(r"bows\.db\.unfinished-[0-9a-f]{8}", name)
    assert file.with_name(name).stat().st_mode & 0o077 == 0
    capsys.readouterr()
    assert main(["check"], environ) == 1
    assert f"{name} is a copy that was cut off" in capsys.readouterr().out
    backups.restore(back, tmp_path / "safe" / "b", force=True)
    back.close()
    assert beside(file) == []
    assert main(["check"], environ) == 0


def test_what_restores_of_earlier_versions_left_hidden_is_cleared_too(filled: Database, tmp_path: Path) -> None:
    backups.backup(filled, tmp_path / "safe" / "b")
    folder = tmp_path / "there"
    folder.mkdir()
    for suffix in ("", "-wal", "-shm", "-journal", ".lock"):
        (folder / f".restored.db.0a1b2c3d{suffix}").write_bytes(b"players")
    (folder / ".restored.db.mine").write_bytes(b"not ours")
    restored(tmp_path / "safe" / "b", folder).close()
    assert beside(folder / "restored.db") == [".restored.db.mine"]


@pytest.mark.process
def test_a_killed_backup_leaves_no_half_file_and_the_next_one_clears_it(filled: Database, tmp_path: Path) -> None:
    assert filled.file is not None
    file = tmp_path / "safe" / "b"
    with half_way("_digest", filled.file, file):
        pass
    assert len(beside(file)) == 1
    assert not file.exists()
    backups.backup(filled, file)
    assert beside(file) == []


def test_serve_clears_what_a_killed_restore_left(filled: Database, capsys: pytest.CaptureFixture[str]) -> None:
    assert filled.file is not None
    left = filled.file.with_name("bows.db.unfinished-0a1b2c3d")
    left.mkdir()
    (left / "bows.db").write_bytes(b"players")
    serving._clear(filled)
    assert not left.exists()
    assert str(left) in capsys.readouterr().out
