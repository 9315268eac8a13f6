"""The front door: connections that idle, bodies that cost dearly to read, and as many requests as one client gets.

Everything runs against one process on SQLite over the loopback, for less than two minutes. Addresses are given as a proxy on this
machine would give them.
"""

import asyncio
import os
import statistics
import tempfile
import time
import uuid
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import httpx

from service import migrations
from service.core.database import Database
from service.dealers import api_keys
from service.settings import Settings, default_database_url
from tests.benchmarks._server import HOST, Server, running
from tests.service import trial_rows
from tests.service.front_door import BOMBS, DOORS

TABLETS, SECONDS = 8, 5.0
IDLE = b"POST /advice/x/again HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/x-www-form-urlencoded\r\n"
IPV4 = "198.51.100.{}"
TRIES = 3
LONGEST = 20.0


def run() -> Iterator[str]:
    """Yield the figures, line by line."""
    with _serving(limited=False) as (server, given):
        yield from _saves(server, given)
        yield from _refusals(server, given)
    with _serving(limited=True) as (server, _given):
        yield from _budgets(server)


@contextmanager
def _serving(*, limited: bool) -> Iterator[tuple[Server, Mapping[str, str]]]:
    """Give a server on a database of its own, with the keys of a tablet and a dealer's server."""
    with tempfile.TemporaryDirectory(prefix="front-") as folder:
        settings = Settings(database_url=default_database_url(Path(folder)), data_dir=Path(folder))
        database = Database(settings.database_url)
        migrations.upgrade(database)
        with database.writing() as session:
            trial_rows.add_dealer(session)
            _, tablet = trial_rows.add_tablet(session, name="Window")
            for number in range(TABLETS):
                trial_rows.add_trial(session, key=f"trial-{number}")
            given = {"tablet": tablet, "server": api_keys.make(session, None, "quayside", api_keys.SERVER)}
        database.close()
        with _limits(limited=limited), running("service", settings) as server:
            server.send(200, "GET", "/healthz")
            yield server, given


@contextmanager
def _limits(*, limited: bool) -> Iterator[None]:
    """Let the server started meanwhile have the limits that every service has, or none."""
    usual = {"ADVICE_PER_MINUTE": "120", "COST_PER_MINUTE": "12000"} if limited else {}
    os.environ |= usual
    try:
        yield
    finally:
        for name in usual:
            del os.environ[name]


def _saves(server: Server, given: Mapping[str, str]) -> Iterator[str]:
    asyncio.run(_saved(server, given["tablet"], 0))  # what is made once in a process is made before
    for idle, told in ((0, "no connection idling"), (1, "one connection idling"), (50, "fifty connections idling")):
        saved = asyncio.run(_saved(server, given["tablet"], idle))
        yield f"{saved / SECONDS:6.1f} sheets saved a second, {TABLETS} tablets, {told}"


async def _saved(server: Server, key: str, idle: int) -> int:
    idling = [asyncio.create_task(_idle(server.client.base_url.port or 0)) for _ in range(idle)]
    await asyncio.sleep(0.5)
    address, end = str(server.client.base_url), time.perf_counter() + SECONDS
    counts = await asyncio.gather(*(_tablet(address, key, number, end) for number in range(TABLETS)))
    for task in idling:
        task.cancel()
    await asyncio.gather(*idling, return_exceptions=True)
    return sum(counts)


async def _idle(port: int) -> None:
    """Announce a body, send one byte of it, wait until the service ends that, and begin again."""
    while True:
        reading, writing = await asyncio.open_connection(HOST, port)
        writing.write(IDLE + b"Content-Length: 100\r\n\r\nc")
        with suppress(ConnectionError):
            await reading.read()
        writing.close()


async def _tablet(address: str, key: str, number: int, end: float) -> int:
    saved = 0
    headers = {"Authorization": f"Bearer {key}"}
    async with httpx.AsyncClient(base_url=address, headers=headers, timeout=SECONDS, trust_env=False) as client:
        while time.perf_counter() < end:
            now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
            sheet = {"revision": 1, "position": 1, "letter": "F", "rater": "player", "ratings": {"overall": 4}}
            path = f"/api/v1/trials/trial-{number}/runs/{uuid.uuid4()}"
            with suppress(httpx.TimeoutException):
                answer = await client.put(path, json=sheet | {"rated_at": now})
                answer.raise_for_status()
                saved += 1
    return saved


def _refusals(server: Server, given: Mapping[str, str]) -> Iterator[str]:
    largest, slowest, dearest = (0, ""), (0.0, ""), (0.0, "")
    for door, (method, path, whose) in DOORS.items():
        for told, key in ((door, given.get(whose)), (f"{door}, with an unknown key", "nobodys")):
            for bomb, body in BOMBS.items():
                headers = {"Content-Type": "application/json"} | ({"Authorization": f"Bearer {key}"} if key else {})
                size, took, worked = _refused(server, method, path, body, headers)
                what = f"{bomb} at {told}"
                largest, slowest = max(largest, (size, what)), max(slowest, (took, what))
                dearest = max(dearest, (worked, what))
    yield f"{largest[0] / 1000:6.1f} kB, the largest refusal ({largest[1]})"
    yield f"{slowest[0]:6.1f} ms, the slowest refusal by the clock ({slowest[1]})"
    yield f"{dearest[0]:6.1f} ms of the server's processor, the dearest refusal ({dearest[1]})"


def _refused(
    server: Server, method: str, path: str, body: bytes, headers: Mapping[str, str]
) -> tuple[int, float, float]:
    """Return bytes of a refusal, and milliseconds by the clock and of the server's processor: of several tries the medians."""
    took = []
    for _ in range(TRIES):
        began, before = time.perf_counter(), server.cpu()
        answer = server.client.request(method, path, content=body, headers=dict(headers))
        took.append((1000 * (time.perf_counter() - began), server.cpu() - before))
        if answer.status_code not in (401, 422, 429):
            msg = f"{method} {path}: got {answer.status_code}, expected a refusal"
            raise RuntimeError(msg)
    return len(answer.content), *(statistics.median(each) for each in zip(*took, strict=True))


def _budgets(server: Server) -> Iterator[str]:
    asked: dict[str, Any] = {"content": b"{}", "headers": {"Content-Type": "application/json"}}
    clients = {
        "one IPv4 address": lambda _: IPV4.format(1),
        "the same, written as an IPv6 address": lambda _: f"::ffff:{IPV4.format(1)}",
        "an IPv6 /64, an address each": lambda number: f"2001:db8:1::{number + 1:x}",
        "an IPv6 /48, a /64 each": lambda number: f"2001:db8:2:{number * 257 % 65536:x}::1",
    }
    for told, address in clients.items():
        passed, seconds = _passed(server, "POST", "/api/v1/advice", address, asked)
        yield f"{passed:6d} questions at once (in {seconds:.1f} s) from {told}"
    passed, seconds = _passed(server, "GET", "/privacy", lambda _: IPV4.format(2), {})
    yield f"{passed:6d} pages at once (in {seconds:.1f} s) from one IPv4 address"


def _passed(server: Server, method: str, path: str, address: Any, request: Mapping[str, Any]) -> tuple[int, float]:
    """Return how many requests pass before ten in a row are refused, or `LONGEST` is over, and how long that took."""
    passed = refused = number = 0
    began = time.perf_counter()
    while refused < 10 and time.perf_counter() < began + LONGEST:
        headers = {**request.get("headers", {}), "X-Forwarded-For": address(number)}
        answer = server.client.request(method, path, content=request.get("content"), headers=headers)
        number += 1
        refused = refused + 1 if answer.status_code == 429 else 0
        passed += answer.status_code != 429
    return passed, time.perf_counter() - began
