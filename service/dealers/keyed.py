"""Keys are looked up before anything else of a request is read: a bogus one costs one look at an index, and counts.

Every dependency here opens a session of its own and gives it back before the body is read. A route asks again where it writes,
so that a key revoked meanwhile opens nothing.
"""

import datetime as dt
from typing import Annotated, NoReturn

from fastapi import Depends, Request

from service.core.database import Database
from service.dealers import api_keys as keys
from service.dealers import key_check
from service.dealers.api_keys import KeyFound
from service.dealers.key_check import Brought
from service.devices import senders, tablets
from service.web.device_requests import Key, Links, client_of, no_key, not_too_often, unknown_key


async def _caller(request: Request, brought: Brought) -> KeyFound | None:
    if brought.key is None:
        return None
    with _database(request).reading() as session:
        found = key_check.found(session, brought)
    return found if found is not None else _refuse(request)


async def _server(request: Request, brought: Brought) -> KeyFound:
    if brought.key is None:
        raise no_key()
    with _database(request).reading() as session:
        found = key_check.found(session, brought)
    known = key_check.require_server(found if found is not None else _refuse(request))
    _server_asks(request, known.digest)
    await _note_used(request, known)
    return known


async def _note_used(request: Request, found: KeyFound) -> None:
    """Write down once a day that a key was used: what only reads has no session to do so with."""
    if found.used_on is None or found.used_on < dt.datetime.now(dt.UTC).date():
        database = _database(request)
        async with database.turn():
            with database.writing() as session:
                keys.used(session, found.digest)


async def _sender(request: Request, key: Key, links: Links) -> None:
    with _database(request).reading() as session:
        found = senders.identify(session, key, links)
    if found is None:
        _refuse(request)
    if found.server is not None:
        _server_asks(request, found.server)


async def _tablet(request: Request, key: Key) -> None:
    with _database(request).reading() as session:
        found = tablets.tablet_of(session, key)
    if found is None:
        _refuse(request)


def _server_asks(request: Request, digest: str) -> None:
    """Raise 429 where a dealer's server asks too often, whatever for; it is counted by its key."""
    not_too_often(digest, request.app.state.server_limit)


def _refuse(request: Request) -> NoReturn:
    """Raise 401, or 429 where one address has tried too many unknown keys: they count as questions without a key."""
    not_too_often(client_of(request), request.app.state.advice_limit)
    raise unknown_key()


def _database(request: Request) -> Database:
    database = request.app.state.database
    assert isinstance(database, Database)  # noqa: S101 - wiring, not input
    return database


AnyCaller = Annotated[KeyFound | None, Depends(_caller)]
"""Whose key it is; None: without a key."""
Server = Annotated[KeyFound, Depends(_server)]
"""A dealer's server."""
FROM_SENDER = [Depends(_sender)]
"""A route's ``dependencies``, met before its parameters: only for a tablet, a link's holder or a dealer's server."""
FROM_TABLET = [Depends(_tablet)]
"""The same, only for a tablet."""
