"""Group commit: what several requests write at the same time is written in one transaction, and acknowledged when that is on the disk.

Bringing a commit safely to the disk takes milliseconds in which no one else can write (SQLite with synchronous=FULL). Requests
that arrive meanwhile wait for the next transaction together, so that a shop full of tablets costs one such wait, not one each.
"""

import asyncio
import logging
from collections.abc import Callable
from contextvars import Context
from dataclasses import dataclass
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

from sqlalchemy.orm import Session

from service.core import language, workers
from service.core.database import Database
from service.core.workers import Rank, TooBusyError, Workers

T = TypeVar("T")
Verb = Callable[[Session], Any]
MOST = 50
"""So many requests share a transaction at most."""
log = logging.getLogger(__name__)


@dataclass(slots=True)
class _Waiting:
    verb: Verb
    reply: asyncio.Future[Any]


class Together:
    """Writes for many requests at once; each event loop has a queue of its own.

    A verb reads and writes through the session it is given and nothing else: where one of a group fails, the whole transaction
    is taken back and each is done again on its own, so that a failure is its own request's only.
    """

    def __init__(self, database: Database, by: Workers) -> None:
        self._database, self._workers = database, by
        self._queues: WeakKeyDictionary[asyncio.AbstractEventLoop, list[_Waiting]] = WeakKeyDictionary()
        self._tasks: set[asyncio.Task[None]] = set()

    async def write(self, verb: Callable[[Session], T], refusals: tuple[type[Exception], ...] = ()) -> T:
        """Return what ``verb`` returns, once what it wrote is committed; raise what it, or the commit, raises.

        ``refusals``: what the verb raises only before it has written anything, so that the others' work need not be taken back.
        """
        await workers.on_loop()
        loop = asyncio.get_running_loop()
        queue = self._queues.setdefault(loop, [])
        waiting = _Waiting(_guarded(verb, refusals), loop.create_future())
        queue.append(waiting)
        if len(queue) == 1:
            task = loop.create_task(self._until_empty(queue), context=Context())  # of no request
            self._tasks.add(task)
            task.add_done_callback(self._tasks.discard)
        result: T = await waiting.reply
        return result

    async def _until_empty(self, queue: list[_Waiting]) -> None:
        while queue:
            group = queue[:MOST]
            outcomes = await self._workers.drive(self._turn_of(queue, group), Rank.SHEET)
            del queue[: len(group)]
            for waiting, outcome in zip(group, outcomes, strict=True):
                _tell(waiting.reply, outcome)
            # The answers go out, and those that wait at the door come in, before the next transaction.
            await asyncio.sleep(0)

    async def _turn_of(self, queue: list[_Waiting], group: list[_Waiting]) -> list[Any]:
        """Write a group in its turn, with those that came while that was waited for; where it takes too long each is told so."""
        try:
            async with self._database.turn():
                group[:] = queue[:MOST]
                await workers.off_loop()
                return self._written(group)
        except TooBusyError as busy:
            return [busy for _waiting in group]

    def _written(self, group: list[_Waiting]) -> list[Any]:
        """Return what came of each: a result in a list of one, or the exception."""
        if len(group) > 1:
            try:
                with self._database.writing() as session:
                    outcomes = [waiting.verb(session) for waiting in group]
            except Exception as error:  # noqa: BLE001 - told to its own request below, where it is met again
                log.debug("a group of %d is written one by one: %s", len(group), type(error).__name__)
            else:
                return outcomes
        return [self._alone(waiting.verb) for waiting in group]

    def _alone(self, verb: Verb) -> Any:
        try:
            with self._database.writing() as session:
                outcome = verb(session)
        except Exception as error:  # noqa: BLE001 - raised again in the request that it belongs to
            return error
        return outcome


def _guarded(verb: Verb, refusals: tuple[type[Exception], ...]) -> Verb:
    """Return the verb so that it gives its result in a list of one, or its refusal, in the language of its own request."""
    spoken = language.spoken()

    def guarded(session: Session) -> Any:
        with language.using(spoken):
            try:
                return [verb(session)]
            except refusals as refusal:
                return refusal

    return guarded


def _tell(reply: asyncio.Future[Any], outcome: Any) -> None:
    if reply.done():  # the client has gone; what it sent is stored all the same
        return
    if isinstance(outcome, Exception):
        reply.set_exception(outcome)
    else:
        reply.set_result(outcome[0])
