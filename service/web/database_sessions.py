"""The sessions that routes ask for; commands, which wait for no request, load nothing of this."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Any

from fastapi import Depends, Request
from sqlalchemy.orm import Session

from service.core.database import Database


async def _reading(request: Request) -> AsyncIterator[Session]:
    with database_of(request).reading() as session:
        yield session


async def _writing(request: Request) -> AsyncIterator[Session]:
    async with writing(request) as session:
        yield session


@asynccontextmanager
async def writing(request: Request) -> AsyncIterator[Session]:
    """Give a session to write with, in its turn; for what writes beside a route's own session."""
    database = database_of(request)
    async with database.turn():
        with database.writing() as session:
            yield session


def database_of(request: Request) -> Database:
    """Return the application's database."""
    database: Any = request.app.state.database
    assert isinstance(database, Database)  # noqa: S101 - wiring, not input
    return database


# `scope="function"` ends the session, and with it commits, before the reply is sent: a failed commit is never answered 'done'.
Reading = Annotated[Session, Depends(_reading, scope="function")]
"""A route's session to read with; the database is ``app.state.database``."""
Writing = Annotated[Session, Depends(_writing, scope="function")]
"""A route's session to write with; committed before the reply."""
