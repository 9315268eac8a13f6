"""Worker threads: statements and numerics run there, so that the event loop, which every request hangs on, only passes things on.

A request's coroutine is driven on the loop until it says `off_loop`, which whatever opens a session does. From there a thread
drives it until it says `on_loop`, which whatever waits for the client or for other requests does. So a thread is held while
something is worked out and never while somebody is waited for, and there is one hop to a thread a request, seldom two.

There are `THREADS` places in them. Who finds none free waits, the more urgent first, for `PATIENCE` altogether; after that
`TooBusyError` is raised where the coroutine stands, and nothing was done.
"""

import asyncio
import heapq
import itertools
import types
from collections.abc import AsyncIterator, Callable, Coroutine, Generator, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager, contextmanager
from contextvars import Context, ContextVar, copy_context
from dataclasses import dataclass, field
from enum import Enum, IntEnum
from functools import partial
from typing import Any, TypeVar
from weakref import WeakKeyDictionary

T = TypeVar("T")
Hear = Callable[[str, float], None]
THREADS = 8
"""Places of a process. What is worked out shares its one interpreter, so that more would only be slower each; what waits for the
database or the disk leaves it to others."""
PATIENCE = 1.0
"""Seconds for which a request waits altogether, for a thread and for its turn to write."""


class Rank(IntEnum):
    """Who is served first of those that wait."""

    BEGUN = 0  # has been served in part already
    SHEET = 1  # a tablet's or phone's mark of a bow that was just played
    READ = 2
    WRITE = 3
    ADVICE = 4  # the dearest


class TooBusyError(Exception):
    """So many are served already that this one would wait too long; nothing of it was done."""


class _To(Enum):
    THREAD = "thread"
    LOOP = "loop"


class Places:
    """So many at once, of one event loop; ``hear`` is told of each wait that ended: what was waited for, and seconds (-1: given up)."""

    def __init__(self, name: str, most: int, hear: Hear) -> None:
        self._name, self._most, self._free, self._hear = name, most, most, hear
        self._loop = asyncio.get_running_loop()
        self._waiting: list[tuple[Rank, int, asyncio.Future[None]]] = []
        self._number = itertools.count()

    async def enter(self, rank: Rank, patience: float) -> float:
        """Take a place; return for how many seconds it was waited for; raises `TooBusyError` after ``patience`` of them."""
        if self._free:
            self._free -= 1
            self._hear(self._name, 0.0)
            return 0.0
        place, began = self._loop.create_future(), self._loop.time()
        heapq.heappush(self._waiting, (rank, next(self._number), place))
        end = self._loop.call_later(max(patience, 0.0), _give_up, place)
        try:
            await place
        except TooBusyError:
            self._hear(self._name, -1.0)
            raise
        except asyncio.CancelledError:
            if place.done() and not place.cancelled() and place.exception() is None:
                self._pass_on()
            raise
        finally:
            end.cancel()
        waited = self._loop.time() - began
        self._hear(self._name, waited)
        return waited

    @property
    def taken(self) -> int:
        """How many are taken."""
        return self._most - self._free

    def leave(self) -> None:
        """Give a place back, from whichever thread."""
        if asyncio._get_running_loop() is self._loop:  # noqa: SLF001 - documented for this purpose; the other one raises
            self._pass_on()
        else:
            self._loop.call_soon_threadsafe(self._pass_on)

    def _pass_on(self) -> None:
        while self._waiting:
            _rank, _number, place = heapq.heappop(self._waiting)
            if not place.done():
                place.set_result(None)
                return
        self._free += 1


def _give_up(place: asyncio.Future[None]) -> None:
    if not place.done():
        place.set_exception(TooBusyError())


def _unheard(_what: str, _seconds: float) -> None:
    pass


class Queue:
    """Places of a name, for each event loop its own."""

    def __init__(self, name: str, most: int) -> None:
        self._name, self._most = name, most
        self._places: WeakKeyDictionary[asyncio.AbstractEventLoop, Places] = WeakKeyDictionary()
        self.hear: Hear = _unheard

    def _heard(self, what: str, seconds: float) -> None:
        self.hear(what, seconds)

    @asynccontextmanager
    async def held(self) -> AsyncIterator[None]:
        """Hold a place, waited for on the event loop at the rank and with the patience of what is under way."""
        await on_loop()
        places = await self.enter(_errand.get() or Errand())
        try:
            yield
        finally:
            places.leave()

    @property
    def taken(self) -> int:
        """How many places are taken, of all event loops."""
        return sum(places.taken for places in self._places.values())

    async def enter(self, errand: "Errand") -> Places:
        """Take a place for an errand, out of its patience; the caller gives it back."""
        loop = asyncio.get_running_loop()
        places = self._places.get(loop)
        if places is None:
            places = self._places[loop] = Places(self._name, self._most, self._heard)
        errand.patience -= await places.enter(errand.rank, errand.patience)
        return places


@dataclass(slots=True)
class Errand:
    """One thing under way: how urgent, how many seconds it may still wait, and whether a thread drives it just now."""

    rank: Rank = Rank.WRITE
    patience: float = field(default_factory=lambda: PATIENCE)
    in_thread: bool = False


_errand: ContextVar[Errand | None] = ContextVar("errand", default=None)


@types.coroutine
def _go(where: _To) -> Generator[_To, None, None]:
    yield where


async def off_loop() -> None:
    """Go on in a worker thread, where sessions are opened and figures worked out; `TooBusyError` where none is free in time."""
    errand = _errand.get()
    if errand is not None and not errand.in_thread:
        await _go(_To.THREAD)


async def on_loop() -> None:
    """Go on on the event loop, where clients and other requests are waited for."""
    errand = _errand.get()
    if errand is not None and errand.in_thread:
        await _go(_To.LOOP)


@dataclass(slots=True)
class _Outcome:
    """What came of a stretch in a thread: it asks for the loop, ended with ``value``, or ``raised``."""

    ended: bool
    value: Any = None
    raised: BaseException | None = None


@dataclass(slots=True)
class _Stretch:
    reply: asyncio.Future[None]
    outcome: _Outcome | None = None

    def tell(self, outcome: _Outcome) -> None:
        self.outcome = outcome
        if not self.reply.done():
            self.reply.set_result(None)


class Workers:
    """The worker threads of one application; they begin when they are first wanted."""

    def __init__(self, most: int = THREADS) -> None:
        self.places = Queue("thread", most)
        self._pool = ThreadPoolExecutor(most, "worker")

    async def drive(self, coroutine: Coroutine[Any, Any, T], rank: Rank = Rank.WRITE) -> T:
        """Return what a coroutine returns that goes into threads and back by `off_loop` and `on_loop`."""
        context, errand = copy_context(), Errand(rank)
        context.run(_errand.set, errand)
        try:
            driven: T = await _Driven(self, coroutine, context, errand)
        finally:
            _take_over(context)
        return driven

    async def call(self, work: Callable[..., T], *arguments: object, errand: Errand | None = None) -> T:
        """Return what a function returns, called in a worker thread."""
        outcome, cancelled = await self.stretch(partial(_called, copy_context(), work, arguments), errand or Errand())
        returned: T = _told(outcome, cancelled)
        return returned

    def close(self) -> None:
        """Let the threads end."""
        self._pool.shutdown(wait=False)

    async def stretch(
        self, work: Callable[[], _Outcome], errand: Errand
    ) -> tuple[_Outcome, asyncio.CancelledError | None]:
        """Run one stretch in a thread, to its end even where the request is cancelled meanwhile, which is told beside it."""
        places = await self.places.enter(errand)
        loop, cancelled = asyncio.get_running_loop(), None
        stretch = _Stretch(loop.create_future())
        errand.in_thread, errand.rank = True, Rank.BEGUN
        try:
            self._pool.submit(_run, work, stretch, loop)
            while stretch.outcome is None:
                try:
                    await stretch.reply
                except asyncio.CancelledError as error:
                    cancelled, stretch.reply = error, loop.create_future()
        finally:
            errand.in_thread = False
            places.leave()
        return stretch.outcome, cancelled


def _told(outcome: _Outcome, cancelled: asyncio.CancelledError | None) -> Any:
    raised = cancelled or outcome.raised
    if raised is not None:
        raise raised
    return outcome.value


def _run(work: Callable[[], _Outcome], stretch: _Stretch, loop: asyncio.AbstractEventLoop) -> None:
    outcome = work()
    loop.call_soon_threadsafe(stretch.tell, outcome)


def _called(context: Context, work: Callable[..., Any], arguments: tuple[object, ...]) -> _Outcome:
    try:
        return _Outcome(True, context.run(work, *arguments))
    except BaseException as error:  # noqa: BLE001 - raised again on the event loop
        return _Outcome(True, raised=error)


@dataclass(slots=True)
class _Driven:
    """A coroutine that is driven on the loop and in threads by turns, always in one context."""

    workers: Workers
    coroutine: Coroutine[Any, Any, Any]
    context: Context
    errand: Errand
    task: asyncio.Task[Any] | None = None
    _send: Callable[[Any], Any] = field(init=False)
    _value: Any = None

    def __await__(self) -> Generator[Any, Any, Any]:
        self._send, self.task = self.coroutine.send, asyncio.current_task()
        while True:
            try:
                asked = self.context.run(self._send, self._value)
            except StopIteration as done:
                return done.value
            try:
                if asked is not _To.THREAD:
                    self._next(self.coroutine.send, (yield asked))
                    continue
                outcome, cancelled = yield from self.workers.stretch(self._in_thread, self.errand).__await__()
            except BaseException as error:  # noqa: BLE001 - raised where the coroutine stands
                self._next(self.coroutine.throw, error)
                continue
            if cancelled and not outcome.ended:
                self._next(self.coroutine.throw, cancelled)
            elif outcome.ended:
                return _told(outcome, cancelled)

    def _next(self, send: Callable[[Any], Any], value: Any) -> None:
        self._send, self._value = send, value

    def _in_thread(self) -> _Outcome:
        self._next(self.coroutine.send, None)
        with _as_if_on_loop(self.task):
            return self._stretch()

    def _stretch(self) -> _Outcome:
        try:
            asked = self.context.run(self.coroutine.send, None)
            while asked is not _To.LOOP:
                wrong = RuntimeError("waits in a worker thread; expected `on_loop` before it")
                asked = self.context.run(self.coroutine.throw, wrong)
        except StopIteration as done:
            return _Outcome(True, done.value)
        except BaseException as error:  # noqa: BLE001 - raised again on the event loop
            return _Outcome(True, raised=error)
        return _Outcome(False)


class InThread:
    """What a worker thread has for an event loop while it drives a request: nothing that could be waited for."""


@contextmanager
def _as_if_on_loop(task: asyncio.Task[Any] | None) -> Iterator[None]:
    """Let the framework find the request's own task where it looks whether it was cancelled (asyncio's manual, 'Extending')."""
    here: Any = InThread()
    asyncio._set_running_loop(here)  # noqa: SLF001 - for whoever writes a loop of their own
    try:
        if task is not None:
            asyncio._enter_task(here, task)  # noqa: SLF001 - likewise
        yield
    finally:
        if task is not None:
            asyncio._leave_task(here, task)  # noqa: SLF001 - likewise
        asyncio._set_running_loop(None)  # noqa: SLF001 - likewise


def _take_over(context: Context) -> None:
    """Set what was set in a context here too."""
    for variable, value in context.items():
        if variable is not _errand and variable.get(None) is not value:
            variable.set(value)
