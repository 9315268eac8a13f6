"""The sessions that routes ask for; commands, which wait for no request, load nothing of this."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Annotated, Any

from fastapi import Depends, Request
from sqlalchemy.orm import Session
from starlette.requests import HTTPConnection

from service.core import workers
from service.core.database import Database
from service.core.workers import Workers


async def _reading(request: Request) -> AsyncIterator[Session]:
    async with reading(request) as session:
        yield session


async def _writing(request: Request) -> AsyncIterator[Session]:
    async with writing(request) as session:
        yield session


@asynccontextmanager
async def reading(request: HTTPConnection) -> AsyncIterator[Session]:
    """Give a session to read with, in a worker thread; for what reads beside a route's own session."""
    await workers.off_loop()
    with database_of(request).reading() as session:
        yield session


@asynccontextmanager
async def writing(request: HTTPConnection) -> AsyncIterator[Session]:
    """Give a session to write with, in its turn and in a worker thread; for what writes beside a route's own session."""
    database = database_of(request)
    async with database.turn():
        await workers.off_loop()
        with database.writing() as session:
            yield session


def database_of(request: HTTPConnection) -> Database:
    """Return the application's database."""
    database: Any = request.app.state.database
    assert isinstance(database, Database)  # noqa: S101 - wiring, not input
    return database


def workers_of(request: HTTPConnection) -> Workers:
    """Return the application's worker threads; for what stands outside of the routes, which `off_loop` drives."""
    found: Any = request.app.state.workers
    assert isinstance(found, Workers)  # noqa: S101 - wiring, not input
    return found


# `scope="function"` ends the session, and with it commits, before the reply is sent: a failed commit is never answered 'done'.
Reading = Annotated[Session, Depends(_reading, scope="function")]
"""A route's session to read with; the database is ``app.state.database``."""
Writing = Annotated[Session, Depends(_writing, scope="function")]
"""A route's session to write with; committed before the reply."""
