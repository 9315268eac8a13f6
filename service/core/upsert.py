"""Inserts that say what happens where a row is there already; SQLite and PostgreSQL write them alike, SQLAlchemy has one of each."""

from typing import Any

from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session


def into(session: Session, table: type[Any]) -> sqlite.Insert | postgresql.Insert:
    """Return an insert into a table of the session's database."""
    insert = sqlite.insert if session.get_bind().dialect.name == "sqlite" else postgresql.insert
    return insert(table)


def added(session: Session, row: object) -> bool:
    """Add a row; return False, and add nothing, where somebody else added the same at this moment."""
    try:
        with session.begin_nested():
            session.add(row)
    except IntegrityError:
        return False
    return True
