"""Everything in one database, copied into another of either kind."""

from typing import Any

from sqlalchemy import Connection, Integer, Table, delete, func, insert, select, text
from sqlalchemy.exc import DBAPIError

from service import tables
from service.core.database import Database, writing_engine
from service.core.errors import ConflictError

ROWS_AT_ONCE = 500
ONE_BY_ONE = {"model_versions"}
"""Tables of rows that may be a hundred megabytes each."""
TABLES: tuple[Table, ...] = tuple(tables.Base.metadata.sorted_tables)
"""Every table, none before one that it refers to."""


def copy(source: Database, target: Database) -> None:
    """Put every row of one database in place of all in another of the same version, or none: `ConflictError` where the target does not take one."""
    # The source is read in one state. Rows pass through the columns' own types, so that both kinds of database say
    # the same.
    with source.reading() as session, writing_engine(target).begin() as writing:
        reading = session.connection()
        for table in reversed(TABLES):
            writing.execute(delete(table))
        for table in TABLES:
            at_once = 1 if table.name in ONE_BY_ONE else ROWS_AT_ONCE
            found = reading.execute(select(table), execution_options={"yield_per": at_once})
            for rows in found.mappings().partitions():
                _write(writing, table, [dict(row) for row in rows])
            _count_on(writing, table)


def counts(database: Database) -> dict[str, int]:
    """Return how many rows each table holds, by its name."""
    with database.reading() as session:
        return {table.name: session.scalars(select(func.count()).select_from(table)).one() for table in TABLES}


def _write(writing: Connection, table: Table, rows: list[dict[str, Any]]) -> None:
    try:
        writing.execute(insert(table), rows)
    except DBAPIError as error:
        kind, said = writing.dialect.name, str(error.orig).splitlines()[0]
        raise ConflictError(
            f"The {kind} database does not take a row of {table.name}, nothing was changed: {said}"
        ) from None


def _count_on(writing: Connection, table: Table) -> None:
    """Let PostgreSQL give the next row a number of its own; SQLite looks at what is there."""
    column = table.autoincrement_column
    if writing.dialect.name != "postgresql" or column is None or not isinstance(column.type, Integer):
        return
    sequence = select(func.pg_get_serial_sequence(text(f"'\"{table.name}\"'"), text(f"'{column.name}'")))
    name = writing.scalars(sequence).one()
    if name is not None:
        writing.execute(
            select(func.setval(name, func.coalesce(select(func.max(column)).scalar_subquery(), 0) + 1, False))
        )
