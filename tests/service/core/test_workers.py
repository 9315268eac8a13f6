"""Worker threads: what goes on where, who is served first, who is told to come again, and what is left when a request is cancelled."""

import asyncio
import contextvars
import threading

import pytest

from service.core import workers
from service.core.workers import Rank, TooBusyError, Workers

WORD: contextvars.ContextVar[str] = contextvars.ContextVar("word", default="none")


def here() -> str:
    return "thread" if threading.current_thread().name.startswith("worker") else "loop"


def test_a_coroutine_goes_where_it_says_and_keeps_what_it_set_on_its_way() -> None:
    async def travelling() -> list[str]:
        at = [here()]
        token = WORD.set("first")
        await workers.off_loop()
        at += [here(), WORD.get()]
        await workers.on_loop()
        WORD.reset(token)
        await asyncio.sleep(0)
        at += [here(), WORD.get()]
        await workers.off_loop()
        WORD.set("last")
        return [*at, here()]

    async def run() -> tuple[list[str], str]:
        return await Workers().drive(travelling()), WORD.get()

    assert asyncio.run(run()) == (["loop", "thread", "first", "loop", "none", "thread"], "last")


def test_what_is_raised_in_a_thread_is_raised_to_the_caller_and_the_thread_goes_on() -> None:
    async def failing() -> None:
        await workers.off_loop()
        raise KeyError("there")

    async def run() -> str:
        by = Workers(1)
        for _again in range(3):
            with pytest.raises(KeyError, match="there"):
                await by.drive(failing())
        return await by.call(here)

    assert asyncio.run(run()) == "thread"


def test_to_wait_in_a_thread_is_an_error_at_once() -> None:
    async def waiting() -> None:
        await workers.off_loop()
        await asyncio.sleep(0)

    with pytest.raises(RuntimeError, match="waits in a worker thread"):
        asyncio.run(Workers().drive(waiting()))


def test_the_loop_goes_on_while_all_threads_are_taken() -> None:
    free, turns = threading.Event(), 0

    async def slow() -> None:
        await workers.off_loop()
        assert free.wait(20)

    async def run() -> None:
        nonlocal turns
        by = Workers(2)
        under_way = [asyncio.create_task(by.drive(slow())) for _each in range(2)]
        for _turn in range(100):
            await asyncio.sleep(0)
            turns += 1
        free.set()
        await asyncio.gather(*under_way)

    asyncio.run(run())
    assert turns == 100


def _queued(*ranks: Rank) -> list[Rank]:
    """Return the order in which those are served that all wait for the only thread."""
    served, free = list[Rank](), threading.Event()

    async def holding() -> None:
        await workers.off_loop()
        assert free.wait(20)

    async def asking(rank: Rank) -> None:
        await workers.off_loop()
        served.append(rank)

    async def run() -> None:
        by = Workers(1)
        first = asyncio.create_task(by.drive(holding()))
        await asyncio.sleep(0)
        others = [asyncio.create_task(by.drive(asking(rank), rank)) for rank in ranks]
        await asyncio.sleep(0)
        free.set()
        await asyncio.gather(first, *others)

    asyncio.run(run())
    return served


def test_a_sheet_is_served_before_a_page_and_a_page_before_advice() -> None:
    assert _queued(Rank.ADVICE, Rank.READ, Rank.SHEET, Rank.ADVICE, Rank.WRITE, Rank.SHEET) == [
        Rank.SHEET,
        Rank.SHEET,
        Rank.READ,
        Rank.WRITE,
        Rank.ADVICE,
        Rank.ADVICE,
    ]


def test_who_waits_too_long_is_told_so_and_the_next_one_is_served_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "PATIENCE", 0.01)
    free, heard = threading.Event(), list[float]()

    async def slow() -> str:
        await workers.off_loop()
        assert free.wait(20)
        return "done"

    async def run() -> tuple[str, str]:
        by = Workers(1)
        by.places.hear = lambda _what, seconds: heard.append(seconds)
        first = asyncio.create_task(by.drive(slow()))
        await asyncio.sleep(0)
        with pytest.raises(TooBusyError):
            await by.drive(slow())
        free.set()
        return await first, await by.drive(slow())

    assert asyncio.run(run()) == ("done", "done")
    assert heard == [0.0, -1.0, 0.0]


def test_a_request_that_is_cancelled_ends_what_a_thread_does_for_it_before_it_is_gone() -> None:
    begun, free, ended = threading.Event(), threading.Event(), list[str]()

    async def writing() -> None:
        try:
            await workers.off_loop()
            begun.set()
            assert free.wait(20)
            ended.append("work")
            await workers.on_loop()
            ended.append("never")
        finally:
            ended.append("cleared")

    async def run() -> None:
        by = Workers(1)
        task = asyncio.create_task(by.drive(writing()))
        while not begun.is_set():
            await asyncio.sleep(0)
        task.cancel()
        await asyncio.sleep(0)
        assert by.places.taken == 1
        free.set()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert by.places.taken == 0

    asyncio.run(run())
    assert ended == ["work", "cleared"]


def test_a_place_that_a_cancelled_one_waited_for_goes_to_the_next() -> None:
    free = threading.Event()

    async def slow() -> str:
        await workers.off_loop()
        assert free.wait(20)
        return here()

    async def run() -> list[str]:
        by = Workers(1)
        tasks = [asyncio.create_task(by.drive(slow())) for _each in range(3)]
        await asyncio.sleep(0)
        tasks[1].cancel()
        free.set()
        found: list[str] = [await tasks[0], await tasks[2]]
        return found

    assert asyncio.run(run()) == ["thread", "thread"]
