"""Keys are looked up before anything else of a request is read: a bogus one costs one look at an index, and counts.

Every dependency here opens a session of its own and gives it back before the body is read. A route asks again where it writes,
so that a key revoked meanwhile opens nothing.
"""

import datetime as dt
from typing import Annotated, NoReturn

from fastapi import Depends, Request

from service.dealers import api_keys as keys
from service.dealers import key_check
from service.dealers.api_keys import KeyFound
from service.dealers.key_check import Brought
from service.web.database_sessions import database_of
from service.web.device_requests import client_of, no_key, not_too_often, unknown_key


async def _caller(request: Request, brought: Brought) -> KeyFound | None:
    if brought.key is None:
        return None
    with database_of(request).reading() as session:
        found = key_check.found(session, brought)
    return found if found is not None else refuse(request)


async def _server(request: Request, brought: Brought) -> KeyFound:
    if brought.key is None:
        raise no_key()
    with database_of(request).reading() as session:
        found = key_check.found(session, brought)
    known = key_check.require_server(found if found is not None else refuse(request))
    count_server(request, known.digest)
    await _note_used(request, known)
    return known


async def _note_used(request: Request, found: KeyFound) -> None:
    """Write down once a day that a key was used: what only reads has no session to do so with."""
    if found.used_on is None or found.used_on < dt.datetime.now(dt.UTC).date():
        database = database_of(request)
        async with database.turn():
            with database.writing() as session:
                keys.used(session, found.digest)


def count_server(request: Request, digest: str) -> None:
    """Raise 429 where a dealer's server asks too often, whatever for; it is counted by its key."""
    not_too_often(digest, request.app.state.server_limit)


def refuse(request: Request) -> NoReturn:
    """Raise 401, or 429 where one address has tried too many unknown keys: they count as questions without a key."""
    not_too_often(client_of(request), request.app.state.advice_limit)
    raise unknown_key()


AnyCaller = Annotated[KeyFound | None, Depends(_caller)]
"""Whose key it is; None: without a key."""
Server = Annotated[KeyFound, Depends(_server)]
"""A dealer's server."""
