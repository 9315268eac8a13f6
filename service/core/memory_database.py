"""A database in memory with the service's tables: what is written there reaches no row of the real one, whatever the code does.

It is an SQLite database whichever the real one is, filled from rows and from the bytes that an earlier one was kept as, and
gone when it is closed.
"""

import sqlite3
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager
from functools import cache
from typing import Any

from sqlalchemy import Connection, Engine, NullPool, Table, create_engine, event, insert
from sqlalchemy.orm import Session

from service.core.database import WritingSession
from service.tables import Base

Rows = Sequence[Mapping[str, Any]]
_KEPT = "kept"
"""The name under which the database that is kept is attached beside the one in use."""


class MemoryDatabase:
    """One such database, with the content of another or empty; `close` it in the thread that made it."""

    def __init__(self, content: bytes | None = None) -> None:
        self._connection: Connection = _engine().connect()
        # SQLAlchemy knows the driver's own connection as of any type.
        driver: sqlite3.Connection = self._connection.connection.driver_connection  # type: ignore[assignment]
        self._raw = driver
        self._raw.deserialize(_empty() if content is None else content)
        self._raw.execute("PRAGMA foreign_keys = OFF")  # rows come in any order; `session` looks at them

    @contextmanager
    def session(self) -> Iterator[Session]:
        """Give a session whose changes are committed together at the end, or, on any error, not at all."""
        self._raw.execute("PRAGMA foreign_keys = ON")
        with WritingSession(self._connection) as session, session.begin():
            yield session

    def fill(self, table: Table, rows: Rows) -> None:
        """Put rows into a table, in plain columns, past everything that watches over a session."""
        if rows:
            with self._connection.begin():
                self._connection.execute(insert(table), list(rows))

    def content(self) -> bytes:
        """Return all of it as bytes."""
        return self._raw.serialize()

    def restore(self, content: bytes, tables: Iterable[Table], *more: str) -> bool:
        """Put back what `kept` gave; say whether all that the rows refer to is there. ``more``: statements that read ``kept``."""
        whole = (f"INSERT INTO main.{name} SELECT * FROM {_KEPT}.{name}" for name in _names(tables))  # noqa: S608 - names of our own tables
        with self._beside(content):
            for statement in (*whole, *more):
                self._raw.execute(statement)
        return not self._raw.execute("PRAGMA foreign_key_check").fetchall()

    def kept(self, tables: Iterable[Table], without: Collection[str], *more: str) -> bytes:
        """Return the rows of tables as bytes, ``without`` columns as 'table.column', left empty; ``more``: statements that write ``kept``."""
        with self._beside(None):
            for table in tables:
                columns = ", ".join(
                    f'NULL AS "{column.name}"' if f"{table.name}.{column.name}" in without else f'"{column.name}"'
                    for column in table.columns
                )
                self._raw.execute(f"CREATE TABLE {_KEPT}.{table.name} AS SELECT {columns} FROM main.{table.name}")  # noqa: S608 - names of our own tables
            for statement in more:
                self._raw.execute(statement)
            return self._raw.serialize(name=_KEPT)

    def close(self) -> None:
        """Let go of it."""
        self._connection.close()

    @contextmanager
    def _beside(self, content: bytes | None) -> Iterator[None]:
        self._raw.execute(f"ATTACH ':memory:' AS {_KEPT}")
        try:
            if content is not None:
                self._raw.deserialize(content, name=_KEPT)
            yield
        finally:
            self._raw.execute(f"DETACH {_KEPT}")


def _names(tables: Iterable[Table]) -> Iterator[str]:
    return (table.name for table in tables)


@cache
def _engine() -> Engine:
    """Return the engine of all of them, which remembers how statements are written; each connection is a database of its own."""
    engine = create_engine("sqlite://", poolclass=NullPool, hide_parameters=True)
    event.listen(engine, "connect", _prepare)
    event.listen(engine, "begin", _begin)
    return engine


def _prepare(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver


def _begin(connection: Connection) -> None:
    connection.exec_driver_sql("BEGIN")


@cache
def _empty() -> bytes:
    """Return the empty tables as SQLite's own bytes; to make them anew takes longer than most of what is asked of them."""
    engine = create_engine("sqlite://", poolclass=NullPool)
    with engine.connect() as connection:
        Base.metadata.create_all(connection)
        connection.commit()
        raw: sqlite3.Connection = connection.connection.driver_connection  # type: ignore[assignment]
        with closing(raw.cursor()):
            return raw.serialize()
