"""Twice as much asked as can be answered, a database that is stopped, thousands of idle and slow connections: who is still served, and is anything lost.

On SQLite and on PostgreSQL, one process each. Advice is asked for at twice the rate that was measured just before; pages, files and
signs of life are asked for meanwhile. Every advice has an id of its own, and each that was answered with 200 must be in the database.
"""

import argparse
import asyncio
import json
import os
import signal
import time
import uuid
from collections import Counter
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from functools import partial
from itertools import count
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from sqlalchemy import make_url, select, text

from service import migrations
from service.core.database import Database, writing_engine
from service.modelling import fits
from service.operations import row_transfer
from service.settings import Settings
from service.tables import Enquiry
from tests import postgres
from tests.benchmarks._demo import demo_settings, opened, read_demo
from tests.benchmarks._figures import table
from tests.benchmarks._goals import GOALS, tell
from tests.benchmarks._server import body_of, running

SECONDS, FROZEN, CONNECTIONS, SLOW = 15.0, 30.0, 10_000, 200
AT_ONCE = 4
LIVE, FILE, PAGE, READY = "/health/live", "/static/style.css", "/", "/health/ready"
PATIENCE = 60.0


class Light:
    """As little of a client as will do: one that takes time of its own, with hundreds under way, would measure itself."""

    def __init__(self, address: str) -> None:
        self.url = httpx.URL(address)
        self._free: list[tuple[asyncio.StreamReader, asyncio.StreamWriter]] = []

    async def send(self, path: str, body: dict[str, object] | None = None) -> tuple[int, bytes]:
        """Return status and head of an answer that was read whole; raises `OSError` or `EOFError` where none comes."""
        reader, writer = await self._connection()
        content = b"" if body is None else json.dumps(body).encode()
        head = f"{'GET' if body is None else 'POST'} {path} HTTP/1.1\r\nHost: {self.url.host}:{self.url.port}\r\n"
        kind = f"Content-Type: application/json\r\nContent-Length: {len(content)}\r\n" if content else ""
        try:
            async with asyncio.timeout(PATIENCE):
                writer.write(f"{head}{kind}\r\n".encode() + content)
                told = (await reader.readuntil(b"\r\n\r\n")).lower()
                await reader.readexactly(int(told.split(b"\r\ncontent-length: ")[1].split(b"\r\n")[0]))
        except BaseException:
            writer.close()
            raise
        self._free.append((reader, writer))
        return int(told.split()[1]), told

    async def _connection(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        while self._free:
            reader, writer = self._free.pop()
            if not reader.at_eof():
                return reader, writer
            writer.close()
        return await asyncio.open_connection(self.url.host, self.url.port)

    def close(self) -> None:
        """Close what is open."""
        for _reader, writer in self._free:
            writer.close()


@dataclass
class Tally:
    """What came of requests: seconds by what was asked and status, and the ids of advice that was answered."""

    took: dict[tuple[str, int], list[float]] = field(default_factory=dict)
    answered: list[str] = field(default_factory=list)
    without_when: int = 0

    async def ask(self, client: Light, path: str, body: dict[str, object] | None = None) -> int:
        """Ask once and note it; 0 stands for an answer that never came."""
        began = time.monotonic()
        try:
            status, head = await client.send(path, body)
            self.without_when += status == 503 and path != READY and b"\r\nretry-after:" not in head
        except (OSError, EOFError):  # TimeoutError is the one, a connection that ends too soon the other
            status = 0
        self.took.setdefault((path, status), []).append(time.monotonic() - began)
        if status == 200 and body is not None:
            self.answered.append(str(body["id"]))
        return status

    def worst(self, *paths: str) -> float:
        """Return the longest that one of the addresses took, whatever the answer."""
        return max((max(took) for (path, _status), took in self.took.items() if path in paths), default=0.0)

    def statuses(self, path: str) -> Counter[int]:
        return Counter({status: len(took) for (each, status), took in self.took.items() if each == path})


def main(argv: Sequence[str]) -> int:
    """Measure, count, and print the figures; status 1 where anything that was acknowledged is lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks overload", description=__doc__)
    parser.add_argument(
        "--seconds", type=float, default=SECONDS, metavar="S", help=f"of overload (default: {SECONDS:g})"
    )
    parser.add_argument("--frozen", type=float, default=FROZEN, metavar="S", help=f"stopped (default: {FROZEN:g})")
    parser.add_argument(
        "--connections", type=int, default=CONNECTIONS, metavar="N", help=f"idle (default: {CONNECTIONS})"
    )
    asked = parser.parse_args(argv)
    print("python -m tests.benchmarks overload\n")
    found: dict[str, float] = {}
    for name, settings in _databases():
        with opened(settings) as database, running("service", settings) as server:
            server.send(200, "GET", READY)
            figures = asyncio.run(_measured(str(server.client.base_url), database, asked))
        print(table((name, "found"), [(figure, f"{value:.3g}") for figure, value in figures.items()]), "\n", flush=True)
        found |= {f"{name}: {figure}": value for figure, value in figures.items()}
    goals = {goal.figure for goal in GOALS["overload"]}
    tell("overload", {figure: value for figure, value in found.items() if figure in goals})
    return 1 if any(value for figure, value in found.items() if figure.endswith("lost")) else 0


def _databases() -> Iterator[tuple[str, Settings]]:
    """Give the settings of the demo data with a model fitted to it, on each database."""
    with demo_settings() as settings, postgres.Server.started() as server:
        with opened(settings) as database:
            fits.fit(database)
            yield "SQLite", settings
            url = make_url(server.url("postgres").partition("?")[0])
            with opened(settings.model_copy(update={"database_url": url})) as other:
                migrations.upgrade(other)
                row_transfer.copy(database, other)
        yield "PostgreSQL", settings.model_copy(update={"database_url": url})


async def _measured(address: str, database: Database, asked: argparse.Namespace) -> dict[str, float]:
    demo = read_demo(database)
    bodies = [body_of(trial, demo.purses[trial.key], dealer=True) for trial in demo.trials[:200]]
    numbers = count()

    def body() -> dict[str, object]:
        return bodies[next(numbers) % len(bodies)] | {"id": str(uuid.uuid4())}

    with closing(Light(address)) as client:
        await _closed(client, body, 3.0)
        rate = await _closed(client, body, 6.0) / 6.0
        crowd = Tally()
        await _for(asked.seconds, crowd, client, body, 2.0 * rate)
        accepted = crowd.took.get(("/api/v1/advice", 200), [0.0])
        found = {
            "advice a second, as many as can be": rate,
            "twice that: answered": len(crowd.answered),
            "twice that: told to come again": crowd.statuses("/api/v1/advice")[503],
            "twice that: longest GET, s": crowd.worst(LIVE, FILE, PAGE),
            "twice that: accepted, p99, s": float(np.quantile(accepted, 0.99)),
            "afterwards: first advice, s": await _first(crowd, client, body),
        }
        if not database.is_sqlite:
            found |= await _while_frozen(crowd, client, body, database, asked.frozen, rate)
        found |= await _connected(crowd, client, address, asked.connections)
        found["503 without Retry-After"] = crowd.without_when
        found["acknowledged and lost"] = _lost(database, crowd)
    return found


async def _closed(client: Light, body: Callable[[], dict[str, object]], seconds: float) -> int:
    """Return how many are answered in so many seconds to a few who ask again at once."""
    tally, end = Tally(), time.monotonic() + seconds

    async def one() -> None:
        while time.monotonic() < end:
            await tally.ask(client, "/api/v1/advice", body())

    await asyncio.gather(*(one() for _each in range(AT_ONCE)))
    return len(tally.answered)


async def _for(seconds: float, tally: Tally, client: Light, body: Callable[[], dict[str, object]], rate: float) -> None:
    """Ask for advice at a rate, whatever becomes of it, and ten times a second for a page, a file and a sign of life."""
    others = (_every(0.1, seconds, partial(tally.ask, client, path)) for path in (LIVE, FILE, PAGE))
    await asyncio.gather(_every(1.0 / rate, seconds, lambda: tally.ask(client, "/api/v1/advice", body())), *others)


async def _every(gap: float, seconds: float, ask: Callable[[], Coroutine[Any, Any, object]]) -> None:
    began, tasks = time.monotonic(), list[asyncio.Task[object]]()
    for number in range(int(seconds / gap)):
        await asyncio.sleep(began + number * gap - time.monotonic())
        tasks.append(asyncio.create_task(ask()))
    await asyncio.gather(*tasks)


async def _first(tally: Tally, client: Light, body: Callable[[], dict[str, object]]) -> float:
    """Return after how many seconds an advice is answered, asking until one is."""
    began = time.monotonic()
    while await tally.ask(client, "/api/v1/advice", body()) != 200 and time.monotonic() - began < PATIENCE:
        await asyncio.sleep(0.05)
    return time.monotonic() - began


async def _while_frozen(
    crowd: Tally,
    client: Light,
    body: Callable[[], dict[str, object]],
    database: Database,
    seconds: float,
    rate: float,
) -> dict[str, float]:
    frozen = Tally()
    with _stopped(database):
        under_load = asyncio.create_task(_for(seconds, frozen, client, body, rate))
        ready = asyncio.create_task(_every(2.0, seconds, lambda: frozen.ask(client, READY)))
        await asyncio.sleep(seconds)
    again = await _first(frozen, client, body)
    await asyncio.gather(under_load, ready)
    crowd.answered += frozen.answered
    crowd.without_when += frozen.without_when
    statuses = frozen.statuses("/api/v1/advice")
    return {
        "frozen: longest GET of a file or sign of life, s": frozen.worst(LIVE, FILE),
        "frozen: longest /health/ready, s": frozen.worst(READY),
        "frozen: longest answer to advice, s": frozen.worst("/api/v1/advice"),
        "frozen: told to come again": statuses[503],
        "frozen: neither 200 nor 503": sum(statuses.values()) - statuses[200] - statuses[503],
        "thawed: first advice, s": again,
    }


@contextmanager
def _stopped(database: Database) -> Iterator[None]:
    """Stop a PostgreSQL and every process of it, and let it go on at the end."""
    with writing_engine(database).connect() as connection:
        backend = connection.execute(text("SELECT pg_backend_pid()")).scalar_one()
    parents = {int(each.name): _parent(each) for each in Path("/proc").iterdir() if each.name.isdigit()}
    postmaster = parents[backend]
    everyone = [postmaster, *(pid for pid, parent in parents.items() if parent == postmaster)]
    for pid in everyone:
        os.kill(pid, signal.SIGSTOP)
    try:
        yield
    finally:
        for pid in reversed(everyone):
            os.kill(pid, signal.SIGCONT)


def _parent(process: Path) -> int:
    try:
        return int((process / "stat").read_text(errors="replace").rpartition(")")[2].split()[1])
    except (FileNotFoundError, ProcessLookupError):
        return 0


async def _connected(crowd: Tally, client: Light, address: str, number: int) -> dict[str, float]:
    """Hold connections open that say nothing, and some that send a head byte by byte, and ask meanwhile."""
    url, open_ones, tally = httpx.URL(address), list[asyncio.StreamWriter](), Tally()
    for _group in range(0, number, 100):
        connecting = (asyncio.open_connection(url.host, url.port) for _each in range(100))
        open_ones += [
            made[1]
            for made in await asyncio.gather(*connecting, return_exceptions=True)
            if not isinstance(made, BaseException)
        ]
        await tally.ask(client, LIVE)

    async def dribble(writer: asyncio.StreamWriter) -> None:
        for letter in b"GET / HTTP/1.1\r\nHost: " * 2:
            writer.write(bytes([letter]))
            await asyncio.sleep(0.2)

    slow = [asyncio.create_task(dribble(writer)) for writer in open_ones[:SLOW]]
    await _every(0.1, 5.0, lambda: tally.ask(client, LIVE))
    await asyncio.gather(*slow, return_exceptions=True)
    for writer in open_ones:
        writer.close()
    crowd.without_when += tally.without_when
    return {"connections held open": len(open_ones), "meanwhile: longest GET of a sign of life, s": tally.worst(LIVE)}


def _lost(database: Database, tally: Tally) -> int:
    """Return how many that were acknowledged are not in the database."""
    with database.reading() as session:
        stored = set(session.scalars(select(Enquiry.id)))
    return len(set(tally.answered) - stored)
