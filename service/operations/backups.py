"""Backups of everything, taken while the service runs, and their way back.

On SQLite a backup is one SQLite file with one table more, `backup_manifest`: when it was taken, of which version the tables
are, and a digest of every row, so that damage anywhere is found before anything is replaced. On PostgreSQL it is what
`pg_dump` writes in its own archive format, which `pg_restore` reads back in one transaction.

What was put back holds no sign-in: sessions, links to set a password and codes for tablets are left out, since those that were
ended after the backup would come alive again. Accounts, tablets and dealers' keys are as they were when it was taken.
"""

import datetime as dt
import hashlib
import sqlite3
from contextlib import closing
from pathlib import Path

from sqlalchemy import delete

from service import migrations, tables
from service.core import unfinished
from service.core.database import APPLICATION_ID, BUSY_SECONDS, Database
from service.core.errors import ConflictError
from service.operations import postgres

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


def backup(database: Database, file: Path) -> int:
    """Write a consistent copy of everything and return its size in bytes.

    Raises `ConflictError`: a file of another kind stands in the way, or on PostgreSQL `pg_dump` is missing or fails; `OSError`:
    the file cannot be written.
    """
    if file.exists() and not is_backup(file):
        raise ConflictError(f"{file} is there already and is no backup of this service; choose another name.")
    with unfinished.beside(file) as new:
        if database.file is not None:
            _back_up_sqlite(database.file, new)
        else:
            postgres.dump(database.url, new)
        unfinished.put_in_place(new, file)
    return file.stat().st_size


def restore(database: Database, file: Path, *, force: bool = False) -> bool:
    """Put a backup in the database's place, all or nothing; return whether it was of an older version and was migrated.

    Raises `ConflictError`: the file is no backup of this service, damaged, of a newer version or of the other kind of database;
    there is a database already and ``force`` is not set; or the service is still running on it.
    """
    kind = _kind(file)
    if kind is None:
        raise ConflictError(f"{file} is no backup of this service; expected a file that the command backup wrote.")
    if (kind == "sqlite") != database.is_sqlite:
        storage = "an SQLite file" if database.is_sqlite else "PostgreSQL"
        raise ConflictError(f"{file} is a backup of the other kind of database; this service is set to {storage}.")
    if database.file is not None:
        return _restore_sqlite(database.file, file, force=force)
    return _restore_postgres(database, file, force=force)


def is_backup(file: Path) -> bool:
    """Say whether a file is a backup of this service, by its head."""
    return _kind(file) is not None


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


def _back_up_sqlite(source: Path, new: Path) -> None:
    with closing(sqlite3.connect(source, timeout=BUSY_SECONDS)) as original, closing(sqlite3.connect(new)) as copy:
        original.backup(copy)
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
    if not migrations.knows(str(version)):
        raise ConflictError(f"{file} was made by a newer version of this service; restore it with that version.")


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


def _restore_postgres(database: Database, file: Path, *, force: bool) -> bool:
    if not force and migrations.state(database) is not migrations.State.EMPTY:
        raise ConflictError("There are tables of this service in the database already; --force overwrites them.")
    version = postgres.version_of(file)
    if not migrations.knows(version):
        raise ConflictError(f"{file} was made by a newer version of this service; restore it with that version.")
    postgres.load(database.url, file)
    migrated = migrations.upgrade(database)
    _end_sign_ins(database)
    return migrated
