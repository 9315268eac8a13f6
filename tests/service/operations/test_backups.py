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
from service.core import unfinished
from service.core.database import Database
from service.core.errors import ConflictError
from service.inventory import files
from service.operations import backups
from service.tables import Player, Run
from tests import factories


@pytest.fixture
def filled(database: Database, tmp_path: Path) -> Database:
    """An SQLite database with a small history."""
    factories.load(database, tmp_path / "given", factories.history())
    return database


def dumped(database: Database, folder: Path) -> dict[str, bytes]:
    with database.reading() as session:
        files.dump(session, folder)
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def restored(file: Path, folder: Path, **options: bool) -> Database:
    database = Database(f"sqlite:///{folder}/restored.db")
    try:
        backups.restore(database, file, **options)
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


def test_a_backup_of_the_other_kind_of_database_is_refused(
    filled: Database, postgres_database: Database, tmp_path: Path
) -> None:
    backups.backup(filled, tmp_path / "b")
    with pytest.raises(ConflictError, match="other kind of database; this service is set to PostgreSQL"):
        backups.restore(postgres_database, tmp_path / "b", force=True)


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
from service.operations import backups
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
