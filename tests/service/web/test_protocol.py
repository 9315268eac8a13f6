"""HTTP/1.1 as `serve` speaks it: slow or large heads, slow bodies, and what cannot be read, over a connection that a test holds."""

import asyncio
from collections.abc import Awaitable, Callable
from contextvars import ContextVar
from pathlib import Path
from typing import Any

import pytest
import uvicorn
from uvicorn.server import ServerState

from service.cli import protocol, web_server
from service.cli.protocol import LARGEST_HEAD, MOST_HEADERS, BoundedHttp
from service.web import api_schema
from tests.service.client import settings_in

ASK = b"GET /here HTTP/1.1\r\nHost: bows.example\r\n"


async def app(scope: Any, receive: Any, send: Any) -> None:
    """Answer with the path, without reading any body."""
    del receive
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"5")]})
    await send({"type": "http.response.body", "body": scope["path"].encode()})


class Wire(asyncio.Transport):
    """The service's end of a connection: keeps what was written, and knows when it was closed."""

    def __init__(self) -> None:
        super().__init__()
        self.written, self.closed = b"", asyncio.Event()

    def write(self, data: Any) -> None:
        self.written += bytes(data)

    def close(self) -> None:
        self.closed.set()

    def is_closing(self) -> bool:
        return self.closed.is_set()

    def pause_reading(self) -> None:
        """There is nothing to pause."""

    resume_reading = pause_reading

    def get_extra_info(self, name: str, default: Any = None) -> Any:
        del name
        return default

    @property
    def status(self) -> int | None:
        return int(self.written.split()[1]) if self.written else None

    @property
    def error(self) -> dict[str, Any]:
        head, _, content = self.written.partition(b"\r\n\r\n")
        assert b"\r\nconnection: close" in head.lower()
        assert b"content-security-policy" in head.lower()
        assert b"\r\ncontent-type: application/problem+json" in head.lower()
        found: dict[str, Any] = api_schema.Problem.model_validate_json(content).model_dump(exclude_none=True)
        assert found["status"] == self.status
        return found


def connected(script: Callable[[BoundedHttp, Wire], Awaitable[None]], config: uvicorn.Config | None = None) -> Wire:
    """Run a script with a connection that was just made, and return the wire."""
    config = config or uvicorn.Config(app, http=BoundedHttp, log_config=None)

    async def run() -> Wire:
        config.load()
        wire = Wire()
        connection = BoundedHttp(config, ServerState(), {})
        connection.connection_made(wire)
        await script(connection, wire)
        connection.connection_lost(None)
        return wire

    return asyncio.run(run())


def sent(*parts: bytes, config: uvicorn.Config | None = None) -> Wire:
    """Return the wire after parts were sent at once and what they cause has happened."""

    async def script(connection: BoundedHttp, wire: Wire) -> None:
        for part in parts:
            if not wire.is_closing():
                connection.data_received(part)
        for _ in range(5):
            await asyncio.sleep(0)

    return connected(script, config)


@pytest.fixture
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the deadlines be over as soon as everything else that is to be done is done."""
    monkeypatch.setattr(protocol, "HEAD_SECONDS", 0.01)
    monkeypatch.setattr(protocol, "BODY_SECONDS", 0.01)


def waited(*parts: bytes) -> Wire:
    """Return the wire of a client who sends parts and then falls silent, once the service has closed it."""

    async def script(connection: BoundedHttp, wire: Wire) -> None:
        for part in parts:
            connection.data_received(part)
            await asyncio.sleep(0)
        await asyncio.wait_for(wire.closed.wait(), 30)

    return connected(script)


def test_an_ordinary_request_is_answered_in_one_part_or_in_many() -> None:
    for parts in ((ASK + b"\r\n",), tuple(bytes([byte]) for byte in ASK + b"\r\n")):
        wire = sent(*parts)
        assert wire.status == 200
        assert wire.written.endswith(b"/here")


def test_two_requests_at_once_are_answered_one_after_the_other() -> None:
    assert sent((ASK + b"\r\n") * 2).written.count(b"/here") == 2


def test_nothing_that_a_request_is_bound_to_is_there_in_the_next_one_of_its_connection(tmp_path: Path) -> None:
    bound, seen = ContextVar("bound", default="to nobody"), list[str]()

    async def binding(scope: Any, receive: Any, send: Any) -> None:
        seen.append(bound.get())
        bound.set("to one dealer")
        await app(scope, receive, send)

    config = web_server.configured(settings_in(tmp_path), binding)
    assert sent(ASK + b"\r\n", (ASK + b"\r\n") * 2, config=config).written.count(b"/here") == 3
    assert seen == ["to nobody"] * 3


@pytest.mark.usefixtures("impatient")
def test_a_head_that_does_not_end_is_not_waited_for() -> None:
    wire = waited(ASK + b"X-Slow: ")
    assert wire.status == 408  # RFC 9110, 15.5.9
    assert "in time" in wire.error["detail"]


@pytest.mark.usefixtures("impatient")
def test_nor_the_head_of_a_second_request() -> None:
    wire = waited(ASK + b"\r\n", b"\r\n", b"GET /")
    assert wire.written.count(b"HTTP/1.1 ") == 2
    assert b"HTTP/1.1 408 " in wire.written


@pytest.mark.usefixtures("impatient")
def test_a_connection_on_which_nothing_comes_is_closed_without_a_word() -> None:
    # RFC 9110, 15.5.9: browsers open connections ahead of need, and would take a 408 for the answer to their first request.
    assert waited().written == b""


@pytest.mark.usefixtures("impatient")
def test_a_body_that_nobody_reads_is_not_waited_for() -> None:
    wire = waited(b"POST /here HTTP/1.1\r\nHost: bows.example\r\nContent-Length: 100\r\n\r\n", b"a")
    assert wire.status == 200


@pytest.mark.parametrize(
    "head",
    [
        ASK + b"X-Long: " + b"x" * LARGEST_HEAD + b"\r\n\r\n",
        b"GET /" + b"x" * LARGEST_HEAD + b" HTTP/1.1\r\nHost: bows.example\r\n\r\n",
        ASK + b"X-Many: 1\r\n" * MOST_HEADERS + b"\r\n",
        ASK + b"X-Some: " + b"x" * 200 + b"\r\n" + (b"X-Some: " + b"x" * 200 + b"\r\n") * 90 + b"\r\n",
    ],
    ids=["a long header", "a long address", "many headers", "some long headers"],
)
@pytest.mark.parametrize("size", [1_000_000, 1_000], ids=["at once", "in parts"])
def test_a_head_that_is_too_large_is_refused(head: bytes, size: int) -> None:
    wire = sent(*(head[at : at + size] for at in range(0, len(head), size)))
    assert wire.status == 431  # RFC 6585, section 5
    assert wire.written.count(b"HTTP/1.1 ") == 1
    assert "16 kB" in wire.error["detail"]
    assert wire.is_closing()


def test_a_head_that_never_ends_is_refused_once_it_is_too_large() -> None:
    parts = [ASK + b"X-Long: ", *[b"x" * 1_000] * 100]
    wire = sent(*parts)
    assert wire.status == 431


def test_a_large_body_is_no_large_head() -> None:
    wire = sent(b"POST /here HTTP/1.1\r\nHost: a\r\nContent-Length: 200000\r\n\r\n" + b"x" * 200_000, ASK + b"\r\n")
    assert wire.written.count(b"HTTP/1.1 200 ") == 2


def test_what_is_no_http_is_refused_in_the_one_shape_of_errors() -> None:
    wire = sent(b"\x16\x03\x01 hello\r\n\r\n")
    assert wire.status == 400
    assert wire.error["detail"]


@pytest.mark.parametrize(
    "lengths",
    [
        b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n",
        b"Transfer-Encoding: chunked\r\nContent-Length: 5\r\n",
        b"Content-Length: 5\r\nContent-Length: 6\r\n",
        b"Content-Length: +5\r\n",
        b"Transfer-Encoding: chunked, identity\r\n",
    ],
)
def test_a_message_whose_end_could_be_read_in_two_ways_is_refused(lengths: bytes) -> None:
    # RFC 9112, 6.3: what a proxy before the service and the service itself may end at different places (request smuggling).
    wire = sent(
        b"POST /here HTTP/1.1\r\nHost: bows.example\r\n" + lengths + b"\r\n0\r\n\r\nGET /smuggled HTTP/1.1\r\n\r\n"
    )
    assert wire.status == 400
    assert b"/smuggled" not in wire.written
