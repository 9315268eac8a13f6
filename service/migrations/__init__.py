"""Brings a database to this version's tables, with Alembic configured here and not by a file.

`upgrade` is safe to run by several processes at once and again on a database that is up to date.
"""

import fcntl
import logging
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from enum import Enum
from functools import cache
from pathlib import Path

from sqlalchemy import Connection, inspect, text
from sqlalchemy.exc import DatabaseError, OperationalError

from service.core.database import APPLICATION_ID, BUSY_SECONDS, REBUILT, Database, writing_engine
from service.core.errors import ConflictError

# At its own level it tells of every look at the database's version, and load balancers ask for one every few seconds.
logging.getLogger("alembic.runtime.migration").setLevel(logging.WARNING)
ADVISORY_LOCK = APPLICATION_ID
"""PostgreSQL's lock that one migrating process holds at a time; any number of our own serves."""


class State(Enum):
    """How a database stands to this version of the service."""

    EMPTY = "empty"
    OLDER = "older"
    CURRENT = "current"
    NEWER = "newer"


def newest() -> str:
    """Return the revision of this version's tables."""
    return max(_revisions())


def knows(revision: str) -> bool:
    """Say whether a revision is one of this version's."""
    return revision in _revisions()


@cache
def _revisions() -> frozenset[str]:
    """Return every revision, by the numbers that their files begin with: Alembic takes half a second to say the same."""
    return frozenset(file.name[:4] for file in (Path(__file__).parent / "versions").glob("[0-9]*.py"))


def state(database: Database) -> State:
    """Say how the database stands; raises `ConflictError` where it cannot be reached or is another program's."""
    file = database.file
    if file is not None and not file.exists():
        return State.EMPTY
    with _plain_errors(database), database.reading() as session:
        return _state(session.connection())


def require_current(database: Database) -> None:
    """Raise `ConflictError`, with the remedy, unless the database has this version's tables."""
    found = state(database)
    if found is not State.CURRENT:
        raise ConflictError(wrong(found))


def wrong(found: State) -> str:
    """Return what is wrong with a database that has not this version's tables, with the remedy."""
    if found is State.NEWER:
        return "The database was made by a newer version of this service; run that version."
    what = "has no tables yet" if found is State.EMPTY else "is of an older version"
    return f"The database {what}; run migrate first: python -m service migrate"


def upgrade(database: Database) -> bool:
    """Bring the database to this version's tables; return whether anything changed.

    Raises `ConflictError` where the database is of a newer version, another program's, or cannot be reached.
    """
    with _plain_errors(database), _one_at_a_time(database):
        if database.file is not None:
            _create_file(database.file)
        with writing_engine(database).begin() as connection:
            if not database.is_sqlite:
                connection.execute(text("SET LOCAL lock_timeout = 0"))  # another migration takes what it takes
                connection.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": ADVISORY_LOCK})
            found = _state(connection)
            if found is State.NEWER:
                raise ConflictError("The database was made by a newer version of this service; nothing was changed.")
            if found is not State.CURRENT:
                _to_the_newest(connection)
        if database.file is not None:
            _rebuild(database.file)
        return found is not State.CURRENT


def _to_the_newest(connection: Connection) -> None:
    # Only who changes tables needs it, and every command would wait for it.
    from alembic import command  # noqa: PLC0415
    from alembic.config import Config  # noqa: PLC0415

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.attributes["connection"] = connection
    command.upgrade(config, "head")


def _state(connection: Connection) -> State:
    found = inspect(connection)
    known = found.has_table("alembic_version")
    revisions = tuple(connection.scalars(text("SELECT version_num FROM alembic_version"))) if known else ()
    if not revisions:
        if connection.dialect.name == "sqlite" and found.get_table_names():
            raise ConflictError(
                "The file is another program's database; expected one made by this service, or a new name."
            )
        return State.EMPTY
    if not all(knows(revision) for revision in revisions):
        return State.NEWER
    return State.CURRENT if revisions == (newest(),) else State.OLDER


def _create_file(file: Path) -> None:
    """Make the file where there is none, marked as ours and switched to write-ahead logging.

    The switch lasts with the file and is made here only: processes that race for it are refused by SQLite.
    """
    file.touch(mode=0o600)  # players' data: for the owner's eyes only
    connection = sqlite3.connect(file, timeout=BUSY_SECONDS)
    try:
        if connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0] == 0:
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
        if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
            connection.execute("PRAGMA journal_mode = WAL")
    finally:
        connection.close()


def _rebuild(file: Path) -> None:
    """Write the file anew, once: what was deleted before deleted content was overwritten lies in pages that are not used.

    It takes as much room again while it runs. Where another process uses the file it is left for the next time; `check` tells.
    """
    with closing(sqlite3.connect(file, timeout=BUSY_SECONDS)) as connection:
        if connection.execute("PRAGMA user_version").fetchone()[0] >= REBUILT:
            return
        connection.execute("PRAGMA secure_delete = ON")
        try:
            connection.execute("VACUUM")
            held_back = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        except sqlite3.OperationalError as error:
            if "locked" not in str(error):
                raise
            return
        if not held_back:
            connection.execute(f"PRAGMA user_version = {REBUILT}")


@contextmanager
def _one_at_a_time(database: Database) -> Iterator[None]:
    file = database.file
    if file is None:
        yield
        return
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.with_name(f"{file.name}.lock").open("a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


@contextmanager
def _plain_errors(database: Database) -> Iterator[None]:
    shown = database.url.render_as_string(hide_password=True)
    try:
        yield
    except OperationalError as error:
        raise ConflictError(f"The database {shown} cannot be reached or used: {_first_line(error)}") from error
    except (DatabaseError, sqlite3.DatabaseError) as error:
        raise ConflictError(f"The database {shown} is damaged or no database: {_first_line(error)}") from error
    except OSError as error:
        raise ConflictError(f"The database {shown} cannot be made: {error.strerror or error}.") from error


def _first_line(error: Exception) -> str:
    cause = error.orig if isinstance(error, DatabaseError) else error
    return (str(cause).strip().splitlines() or [type(error).__name__])[0]
