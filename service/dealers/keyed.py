"""Keys are looked up before anything else of a request is read: a bogus one costs one look at an index, and counts.

Every dependency that looks one up opens a session of its own and gives it back before the body is read. What a route then reads
and writes with is a session for that key (`ServerReads`, `ServerWrites`, `CallerWrites`): of the database, or, for a test key,
of its sandbox. The key is looked up again where a route writes, so that one that was revoked meanwhile opens nothing.
"""

import datetime as dt
from collections.abc import AsyncIterator, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Annotated, Any, NoReturn

from fastapi import Depends, Request
from sqlalchemy.orm import Session

from service.core import dealer_wall
from service.dealers import api_keys, key_check, sandbox
from service.dealers.api_keys import KeyFound
from service.dealers.key_check import Brought
from service.web.database_sessions import reading, writing
from service.web.device_requests import client_of, no_key, not_too_often, unknown_key


@dataclass(frozen=True, slots=True)
class Asking:
    """Who asks by which key (None: without one), and the session to answer with: of the database, or of the key's sandbox."""

    session: Session
    found: KeyFound | None

    @property
    def dealer(self) -> str:
        """The key's dealer; only where there is a key."""
        if self.found is None:
            msg = "got no key, expected one: this is for routes that need one"
            raise ValueError(msg)
        return self.found.dealer

    @property
    def is_server(self) -> bool:
        """Whether it is a dealer's server, or its tests."""
        return self.found is not None and self.found.kind in api_keys.SECRET

    @property
    def mark(self) -> dict[str, Any]:
        """What every answer to a test key says beside what it tells."""
        return {"test": True} if self.found is not None and self.found.kind == api_keys.TEST else {}


async def _caller(request: Request, brought: Brought) -> KeyFound | None:
    if brought.key is None:
        return None
    async with reading(request) as session:
        found = key_check.found(session, brought)
    if found is None:
        refuse(request)
    dealer_wall.stand(found.dealer)
    return found


async def _server(request: Request, brought: Brought) -> KeyFound:
    if brought.key is None:
        raise no_key()
    async with reading(request) as session:
        found = key_check.found(session, brought)
    known = key_check.require_server(found if found is not None else refuse(request))
    dealer_wall.stand(known.dealer)
    count_server(request, known)
    await _note_used(request, known)
    return known


async def _note_used(request: Request, found: KeyFound) -> None:
    """Write down once a day that a key was used: what only reads has no session to do so with."""
    if found.used_on is None or found.used_on < dt.datetime.now(dt.UTC).date():
        async with writing(request) as session:
            api_keys.used(session, found.digest)


async def _server_reads(request: Request, known: Annotated[KeyFound, Depends(_server)]) -> AsyncIterator[Asking]:
    async with reading(request) as session:
        if known.kind == api_keys.TEST:
            with sandbox.reading(session, known.digest) as own:
                yield Asking(own, known)
        else:
            yield Asking(session, known)


async def _server_writes(request: Request, brought: Brought) -> AsyncIterator[Asking]:
    async with writing(request) as session:
        with for_key(session, key_check.server(session, brought)) as asking:
            yield asking


async def _caller_writes(request: Request, brought: Brought) -> AsyncIterator[Asking]:
    async with writing(request) as session:
        with for_key(session, key_check.caller(session, brought)) as asking:
            yield asking


@contextmanager
def for_key(session: Session, found: KeyFound | None) -> Iterator[Asking]:
    """Give what a route writes with for a key; raises 401 for a test key that was revoked meanwhile, `ConflictError` for one that is used up."""
    if found is not None and found.kind == api_keys.TEST:
        if not api_keys.hold(session, found.digest):
            raise unknown_key()
        with sandbox.writing(session, found.digest) as own:
            yield Asking(own, found)
    else:
        yield Asking(session, found)


def count_server(request: Request, found: KeyFound) -> None:
    """Raise 429 where a dealer's server, or its tests, ask too often, whatever for; it is counted by its key."""
    limits = request.app.state
    not_too_often(found.digest, limits.test_limit if found.kind == api_keys.TEST else limits.server_limit)


def refuse(request: Request) -> NoReturn:
    """Raise 401, or 429 where one address has tried too many unknown keys: they count as questions without a key."""
    not_too_often(client_of(request), request.app.state.advice_limit)
    raise unknown_key()


AnyCaller = Annotated[KeyFound | None, Depends(_caller)]
"""Whose key it is, before the body is read; None: without a key."""
FROM_SERVER = [Depends(_server)]
"""A route's ``dependencies``, met before its parameters: only for a dealer's server, or its tests."""
# `scope="function"` ends the session, and with it commits, before the reply is sent; see `database_sessions`.
ServerReads = Annotated[Asking, Depends(_server_reads, scope="function")]
"""What a route for a dealer's server reads with."""
ServerWrites = Annotated[Asking, Depends(_server_writes, scope="function")]
"""What a route for a dealer's server writes with, committed before the reply; named after the body, which nobody waits for."""
CallerWrites = Annotated[Asking, Depends(_caller_writes, scope="function")]
"""The same for whoever may ask, with a key or without."""
