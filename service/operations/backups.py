"""Backups of everything, taken while the service runs, and their way back.

A portable backup is one SQLite file with one table more, `backup_manifest`: when it was taken, of which version the tables
are, and a digest of every row, so that damage anywhere is found before anything is replaced. It goes back into a database of
either kind. On SQLite every backup is one. On PostgreSQL it is asked for; else a backup is what `pg_dump` writes in its own
archive format, which `pg_restore` reads back in one transaction. Either is closed with a `Seal` where one is set.

What was put back holds no sign-in: sessions, links to set a password and codes for tablets are left out, since those that were
ended after the backup would come alive again. Accounts, tablets and dealers' keys are as they were when it was taken.
"""

import datetime as dt
import hashlib
import sqlite3
import tempfile
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import delete

from service import migrations, tables
from service.core import unfinished
from service.core.database import APPLICATION_ID, BUSY_SECONDS, Database
from service.core.errors import ConflictError
from service.operations import one_dealer, postgres, row_transfer, sealing
from service.operations.sealing import Seal

SQLITE_HEADER = b"SQLite format 3\x00"
"""The first 16 bytes of every SQLite file (SQLite's documentation, 'Database File Format', 1.3)."""
MANIFEST = "backup_manifest"
ENDED = (
    tables.StaffSession,
    tables.HalfSignIn,
    tables.KnownBrowser,
    tables.PasswordLink,
    tables.TabletCode,
    tables.KeptForm,
)
"""What a restored database holds none of: whoever has the secret of one would be let in."""

OPEN = Seal()
"""Closes nothing."""


@dataclass(frozen=True, slots=True)
class ProvedBackup:
    """What a backup was found to hold; ``rows`` and ``tables`` are None of an archive of PostgreSQL's, ``taken`` too."""

    version: str
    is_older: bool
    taken: str | None = None
    tables: int | None = None
    rows: int | None = None
    model: str = ""


def backup(
    database: Database, file: Path, *, portable: bool = False, seal: Seal = OPEN, dealer: str | None = None
) -> int:
    """Write a consistent copy of everything, closed where ``seal`` closes, and return its size in bytes.

    ``dealer``: what is this one's alone, and the range that all share; such a backup is portable.

    Raises `ConflictError`: a file of another kind stands in the way, or on PostgreSQL `pg_dump` is missing or fails; `OSError`:
    the file cannot be written.
    """
    if file.exists() and not is_backup(file):
        raise ConflictError(f"{file} is there already and is no backup of this service; choose another name.")
    with unfinished.beside(file) as new:
        if database.file is not None:
            _copy_file(database.file, new)
        elif portable or dealer is not None:
            _copy_rows(database, new)
        else:
            postgres.dump(database.url, new)
        if dealer is not None:
            _keep_only(new, dealer)
        if portable or dealer is not None or database.is_sqlite:
            _finish(new)
        seal.close(new)
        unfinished.put_in_place(new, file)
    return file.stat().st_size


def restore(database: Database, file: Path, *, force: bool = False, seal: Seal = OPEN) -> bool:
    """Put a backup in the database's place, all or nothing; return whether it was of an older version and was migrated.

    Raises `ConflictError`: the file is no backup of this service, closed, damaged, of a newer version, or an archive of
    PostgreSQL's where the database is a file; there is a database already and ``force`` is not set; or the service is still
    running on it.
    """
    with sealing.opened(file, seal, database.file or file) as plain:
        kind = _ours(plain)
        if kind == "postgresql" and database.is_sqlite:
            raise ConflictError(
                f"{file} is an archive of PostgreSQL's own, and this service is set to an SQLite file; "
                "a backup that was made with --portable goes into either."
            )
        if database.file is not None:
            return _restore_sqlite(database.file, plain, force=force)
        if kind == "sqlite":
            return _restore_rows(database, plain, force=force)
        return _restore_postgres(database, plain, force=force)


def prove(file: Path, seal: Seal = OPEN) -> ProvedBackup:
    """Bring a backup back into a database of its own for now, and say what it holds; `ConflictError`: as `restore`, or it contradicts itself."""
    # An archive of PostgreSQL's own is read to its end by its own program, and not brought back: that takes a
    # database.
    from service.modelling import versions  # noqa: PLC0415 - numerics, which no other of these commands should wait for

    with tempfile.TemporaryDirectory() as folder, sealing.opened(file, seal, Path(folder) / "opened") as plain:
        if _ours(plain) == "postgresql":
            version = _known(postgres.version_of(plain), file)
            postgres.read_whole(plain)
            return ProvedBackup(version, is_older=version != migrations.newest())
        with closing(_opened_to_read(plain)) as backed_up:
            taken, version = backed_up.execute(f"SELECT taken, version FROM {MANIFEST}").fetchone()  # noqa: S608 - a constant
        back = Database(f"sqlite:///{folder}/proof.db")
        try:
            is_older = restore(back, plain)
            _check_references(back, file)
            counts = row_transfer.counts(back)
            with back.reading() as session:
                model = versions.check(session)
        finally:
            back.close()
        return ProvedBackup(version, is_older, taken, len(counts), sum(counts.values()), model)


def is_backup(file: Path) -> bool:
    """Say whether a file is a backup of this service, by its head; what is closed is taken to be one."""
    return sealing.is_closed(file) or _kind(file) is not None


def _ours(file: Path) -> str:
    kind = _kind(file)
    if kind is None:
        raise ConflictError(f"{file} is no backup of this service; expected a file that the command backup wrote.")
    return kind


def _known(version: str, file: Path) -> str:
    if not migrations.knows(version):
        raise ConflictError(f"{file} was made by a newer version of this service; restore it with that version.")
    return version


def _kind(file: Path) -> str | None:
    try:
        with file.open("rb") as opened:
            head = opened.read(len(SQLITE_HEADER))
    except OSError as error:
        raise ConflictError(f"{file} cannot be read: {error.strerror}.") from None
    if head.startswith(postgres.ARCHIVE_HEADER):
        return "postgresql" if postgres.is_ours(file) else None
    if head != SQLITE_HEADER:
        return None
    try:
        with closing(_opened_to_read(file)) as connection:
            ours = connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID
            return "sqlite" if ours and _has_manifest(connection) else None
    except sqlite3.DatabaseError:
        raise ConflictError(f"{file} is damaged: it cannot be read as the database it claims to be.") from None


def _opened_to_read(file: Path) -> sqlite3.Connection:
    return sqlite3.connect(f"{file.absolute().as_uri()}?mode=ro&immutable=1", uri=True)


def _has_manifest(connection: sqlite3.Connection) -> bool:
    found = connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = ?", (MANIFEST,))
    return found.fetchone() is not None


def _copy_file(source: Path, new: Path) -> None:
    with closing(sqlite3.connect(source, timeout=BUSY_SECONDS)) as original, closing(sqlite3.connect(new)) as copy:
        original.backup(copy)


def _copy_rows(source: Database, new: Path) -> None:
    """Write the rows of PostgreSQL into a file of SQLite's, in which the tables are made first."""
    copy = Database(f"sqlite:///{new}")
    try:
        migrations.upgrade(copy)
        row_transfer.copy(source, copy)
    finally:
        copy.close()


def _keep_only(new: Path, dealer: str) -> None:
    copy = Database(f"sqlite:///{new}")
    try:
        one_dealer.keep_only(copy, dealer)
    finally:
        copy.close()
    with closing(sqlite3.connect(new)) as emptied:
        emptied.execute("VACUUM")  # what was taken out lies in pages that are free


def _finish(new: Path) -> None:
    """Add when the copy was taken, of which version it is, and the digest by which damage is found."""
    with closing(sqlite3.connect(new)) as copy:
        copy.execute("PRAGMA journal_mode = DELETE")  # one file, without a log beside it
        version = copy.execute("SELECT version_num FROM alembic_version").fetchone()[0]
        taken = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        digest = _digest(copy)
        copy.execute(f"CREATE TABLE {MANIFEST} (taken TEXT, version TEXT, digest TEXT)")
        copy.execute(f"INSERT INTO {MANIFEST} VALUES (?, ?, ?)", (taken, version, digest))  # noqa: S608 - a constant
        copy.commit()


def _digest(connection: sqlite3.Connection) -> str:
    """Return the SHA-256 of the definition and every row of every table but the manifest."""
    summed = hashlib.sha256()
    for name, sql in _tables(connection):
        summed.update(f"{name}\x1d{sql}\x1d".encode())
        for row in connection.execute(f'SELECT * FROM "{name}" ORDER BY rowid'):  # noqa: S608 - a table of this file
            summed.update(repr(row).encode("utf-8", "surrogatepass"))
    return summed.hexdigest()


def _tables(connection: sqlite3.Connection) -> list[tuple[str, str]]:
    statement = "SELECT name, sql FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> ? ORDER BY name"
    return connection.execute(statement, (MANIFEST,)).fetchall()


def _restore_sqlite(target: Path, file: Path, *, force: bool) -> bool:
    if target.exists() and not force:
        raise ConflictError(f"There is a database at {target} already; --force overwrites it.")
    with unfinished.beside(target) as new:
        with closing(_opened_to_read(file)) as backed_up, closing(sqlite3.connect(new)) as copy:
            _check_whole(backed_up, file)
            backed_up.backup(copy)
            copy.execute(f"DROP TABLE {MANIFEST}")
            copy.commit()
        migrated = _make_current(new)
        if target.exists():
            _close_log(target)
        unfinished.put_in_place(new, target)
    return migrated


def _check_whole(backed_up: sqlite3.Connection, file: Path) -> None:
    damaged = f"{file} is damaged, nothing was changed; use another backup."
    try:
        sound = backed_up.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        version, digest = backed_up.execute(f"SELECT version, digest FROM {MANIFEST}").fetchone()  # noqa: S608 - a constant
        if not sound or digest != _digest(backed_up):
            raise ConflictError(damaged)
    except (sqlite3.DatabaseError, TypeError, ValueError):
        raise ConflictError(damaged) from None
    _known(str(version), file)


def _check_references(database: Database, file: Path) -> None:
    with database.reading() as session:
        lost = session.connection().exec_driver_sql("PRAGMA foreign_key_check").first()
    if lost is not None:
        raise ConflictError(f"{file} is whole, but a row of {lost[0]} refers to one of {lost[2]} that is not there.")


def _make_current(file: Path) -> bool:
    """Migrate a copy of a backup and end the sign-ins in it; return whether it was of an older version."""
    copy = Database(f"sqlite:///{file}")
    try:
        migrated = migrations.upgrade(copy)
        _end_sign_ins(copy)
        return migrated
    finally:
        copy.close()


def _end_sign_ins(database: Database) -> None:
    with database.writing() as session:
        for table in ENDED:
            session.execute(delete(table))


def _close_log(target: Path) -> None:
    """Bring the old database's log into it and take it out of use: a log left behind would be read into the new one."""
    try:
        with closing(sqlite3.connect(target, timeout=1)) as old:
            old.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        if "locked" in str(error):
            raise ConflictError(f"The database {target} is in use; stop the service, then restore.") from None
        raise ConflictError(f"The database {target} cannot be opened: {error}.") from None
    except sqlite3.DatabaseError:
        # It is damaged, and to be overwritten by the caller's wish: its log is of no use either.
        for suffix in ("-wal", "-shm"):
            target.with_name(target.name + suffix).unlink(missing_ok=True)


def _restore_rows(database: Database, file: Path, *, force: bool) -> bool:
    """Put the rows of a portable backup into PostgreSQL: into a copy of the file first, where they become this version's."""
    _refuse_to_overwrite(database, force=force)
    with tempfile.TemporaryDirectory() as folder:
        copy = Database(f"sqlite:///{folder}/copy.db")
        try:
            migrated = restore(copy, file)
            migrations.upgrade(database)
            row_transfer.copy(copy, database)
        finally:
            copy.close()
    return migrated


def _restore_postgres(database: Database, file: Path, *, force: bool) -> bool:
    _refuse_to_overwrite(database, force=force)
    _known(postgres.version_of(file), file)
    # Not ended afterwards: who kills the command in between would leave them alive.
    postgres.load(database.url, file, [table.__tablename__ for table in ENDED])
    return migrations.upgrade(database)


def _refuse_to_overwrite(database: Database, *, force: bool) -> None:
    if not force and migrations.state(database) is not migrations.State.EMPTY:
        raise ConflictError("There are tables of this service in the database already; --force overwrites them.")
