"""The log of a process that serves: one JSON object a line, with the request's id, without anybody's words, never a flood."""

import asyncio
import io
import json
import logging
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
import pytest
import uvicorn
from sqlalchemy.exc import OperationalError
from starlette.types import Message

from service.app import create_app
from service.core import logs
from service.mail.sending import Postman
from service.settings import LOG_LEVELS
from tests.service.client import BROWSER, Client, serving, settings_in
from tests.service.page import Page

EMAIL = "ada@player.example"
LOGGERS = ("service.app", "service.mail.sending", "uvicorn.error", "alembic", "anything.else")


class Log:
    """What was written, line by line."""

    def __init__(self) -> None:
        self.stream = io.StringIO()

    @property
    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.stream.getvalue().splitlines()]

    def at(self, level: str) -> "Log":
        logs.set_up(level, self.stream)
        return self


@pytest.fixture
def log() -> Iterator[Log]:
    """A log of its own; afterwards everything that logs is as it was."""
    named = (
        "",
        "uvicorn",
        "uvicorn.access",
        "uvicorn.error",
        "sqlalchemy",
        "asyncio",
        "PIL",
        "python_multipart",
        "httpx",
        "httpcore",
    )
    before = {name: (one := logging.getLogger(name), list(one.handlers), one.level, one.propagate) for name in named}
    hook = threading.excepthook
    yield Log()
    logging.captureWarnings(False)
    threading.excepthook = hook
    for logger, handlers, level, propagate in before.values():
        logger.handlers, logger.propagate = handlers, propagate
        logger.setLevel(level)


# Shape


def test_a_line_says_when_how_bad_what_and_by_whom(log: Log) -> None:
    log.at("info")
    logging.getLogger("service.app").warning("attempt %d was in vain", 3)
    (line,) = log.lines
    # RFC 3339, 5.6, in UTC.
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", line["time"])
    assert (line["level"], line["event"], line["logger"]) == ("warning", "attempt 3 was in vain", "service.app")


@pytest.mark.parametrize("level", LOG_LEVELS)
def test_the_level_reaches_every_library_and_thread(log: Log, level: str) -> None:
    log.at(level)

    def tell() -> None:
        for name in LOGGERS:
            for each in LOG_LEVELS:
                logging.getLogger(name).log(logging.getLevelNamesMapping()[each.upper()], "said")

    thread = threading.Thread(target=tell)
    thread.start()
    thread.join()
    heard = LOG_LEVELS[: LOG_LEVELS.index(level) + 1]
    assert [(line["logger"], line["level"]) for line in log.lines] == [
        (name, each) for name in LOGGERS for each in heard
    ]


def test_statements_are_written_while_debugging_only_and_never_with_what_they_were_about(
    log: Log, tmp_path: Path
) -> None:
    for level, written in (("info", False), ("debug", True)):
        log.at(level)
        with serving(settings_in(tmp_path)) as client:
            body = {"instrument": "violin", "contact": {"email": EMAIL, "consent": {"advice": True}}}
            assert client.advice(body).status_code == 200
        assert ("INSERT INTO enquiries" in log.stream.getvalue()) == written
    assert EMAIL not in log.stream.getvalue()


@pytest.mark.parametrize(
    "value", ["a\nb", "a\r\nb", "\x1b[2J\x1b[31m", "\x9b31m", "a\x7fb", "a\u2028b", "a\u202eb", '"}\n{"']
)
def test_no_value_begins_a_line_or_steers_a_terminal(log: Log, value: str) -> None:
    # OWASP ASVS 5.0, 16.4.1: log injection.
    log.at("info")
    logging.getLogger("service.app").warning("got %s", value, extra={"reason": value})
    logging.getLogger(value).error("said")
    first, second = log.lines
    assert (first["event"], first["reason"], second["logger"]) == (f"got {value}".strip(), value, value)
    assert re.fullmatch(r"[ -~\n]*", log.stream.getvalue())


def test_nothing_gets_into_a_line_but_what_is_meant_to(log: Log) -> None:
    log.at("info")
    logging.getLogger("any").warning("said", extra={"email": EMAIL, "reason": None}, stack_info=True)
    (line,) = log.lines
    assert line.keys() <= {"time", "level", "event", "logger", "process", "reason"}
    assert EMAIL not in log.stream.getvalue()


def test_of_an_error_its_kind_and_place_are_told_and_not_its_words(log: Log) -> None:
    log.at("info")

    def fail() -> None:
        try:
            int(EMAIL)
        except ValueError as error:
            raise RuntimeError(EMAIL) from error

    thread = threading.Thread(target=fail)
    thread.start()
    thread.join()
    (line,) = log.lines
    assert line["error"] == ["builtins.RuntimeError", "builtins.ValueError"]
    assert any(re.fullmatch(r"tests/service/core/test_logs\.py:\d+ fail", where) for where in line["at"])
    assert EMAIL not in log.stream.getvalue()


# Floods


def _record(text: str, error: Exception | None = None) -> logging.LogRecord:
    info = (type(error), error, None) if error else None
    return logging.LogRecord("service.x", logging.ERROR, __file__, 1, text, (), info)


def test_of_what_comes_again_and_again_a_minute_has_so_many_lines_and_the_rest_is_counted() -> None:
    now = [0.0]
    seldom = logs.Seldom(lambda: now[0])
    lost = OperationalError("SELECT", {}, RuntimeError("refused"))
    assert [seldom.filter(_record("a page failed", lost)) for _each in range(500)].count(True) == 1
    assert [seldom.filter(_record("a line")) for _each in range(500)].count(True) == 60
    assert seldom.filter(_record("another line"))
    now[0] = 61.0
    again = _record("a page failed", lost)
    assert seldom.filter(again)
    assert again.__dict__["left_out"] == 499


def test_kinds_without_end_take_no_memory_without_end() -> None:
    seldom = logs.Seldom(lambda: 0.0)
    for number in range(5 * logs.MOST_KINDS):
        seldom.filter(_record(f"line {number}"))
    assert len(seldom._kinds) <= logs.MOST_KINDS


@contextmanager
def _shut_port() -> Iterator[int]:
    """Give a port at which nobody listens: connecting is refused at once."""
    with socket.socket() as held:
        held.bind(("127.0.0.1", 0))
        yield held.getsockname()[1]


def test_a_database_that_is_away_costs_one_line_a_minute_however_many_ask(log: Log, tmp_path: Path) -> None:
    log.at("info")
    with _shut_port() as port:
        app = create_app(settings_in(tmp_path, database_url=f"postgresql://bows@127.0.0.1:{port}/bows"))
        postman = Postman(app.state.database, app.state.mail_service, every=0.01)
        postman.start()
        client = Client(app)
        asked: list[Callable[[], httpx.Response]] = [
            lambda: client.get("/privacy", headers=BROWSER),
            lambda: client.get("/embed/harbour/preview/any/any/", headers=BROWSER),
            lambda: client.get("/desk", headers=BROWSER | {"Cookie": "desk=anybody"}),
            lambda: client.get("/advice/nobodys", headers=BROWSER),
            lambda: client.advice({"instrument": "violin"}),
            lambda: client.advice(
                {"instrument": "violin"}, {"Origin": "https://shop.example", "Authorization": "Bearer x"}
            ),
        ]
        replies = [ask() for _time in range(20) for ask in asked]
        postman.stop()
        app.state.database.close()
    assert [reply.status_code for reply in replies] == [503] * len(replies)
    assert {reply.headers["x-content-type-options"] for reply in replies} == {"nosniff"}
    assert len({reply.headers["x-request-id"] for reply in replies}) == len(replies)
    (line,) = log.lines
    assert (line["level"], line["event"]) == ("error", "the database did not answer")
    assert "refused" in line["reason"]
    assert len(log.stream.getvalue()) < 1000


# Requests


async def _broken_off(app: Any, path: str, headers: dict[str, str]) -> list[Message]:
    """Post to a path as a client that goes away in the middle of the body; return what the service sent."""
    coming: list[Message] = [{"type": "http.request", "body": b"a", "more_body": True}, {"type": "http.disconnect"}]
    sent: list[Message] = []

    async def receive() -> Message:
        return coming.pop(0) if len(coming) > 1 else coming[0]

    async def send(message: Message) -> None:
        sent.append(message)

    given = {"host": "bows.example", "content-length": "100", **headers}
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "POST",
        "scheme": "http",
        "path": path,
        "raw_path": path.encode(),
        "query_string": b"",
        "root_path": "",
        "headers": [(name.encode(), value.encode()) for name, value in given.items()],
        "client": ("127.0.0.1", 50_000),
        "server": ("127.0.0.1", 80),
    }
    await app(scope, receive, send)
    return sent


@pytest.mark.parametrize("path", ["/desk/sign-in", "/privacy", "/api/v1/advice", "/", "/advice/x/again"])
def test_a_client_that_breaks_off_leaves_no_trace(log: Log, tmp_path: Path, path: str) -> None:
    log.at("info")
    kind = "application/json" if path.startswith("/api") else "application/x-www-form-urlencoded"
    with serving(settings_in(tmp_path)) as client:
        asyncio.run(_broken_off(client.app, path, {"content-type": kind, "accept": BROWSER["Accept"]}))
    assert log.lines == []


@contextmanager
def _listening(app: Any) -> Iterator[str]:
    """Serve an application in a thread, as `serve` does, and give its address."""
    server = uvicorn.Server(uvicorn.Config(app, port=0, log_config=None, log_level="info", lifespan="off"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + 30
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(30)


def test_an_error_is_found_in_the_log_by_the_number_on_the_readers_page(
    log: Log, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def failing(*_arguments: object, **_named: object) -> None:
        raise ValueError(EMAIL)

    monkeypatch.setattr("service.privacy.privacy_pages.access_requests.send_link", failing)
    log.at("info")
    with serving(settings_in(tmp_path)) as client, _listening(client.app) as address:
        csrf = client.app.state.tokens.make("privacy")
        reply = httpx.post(f"{address}/privacy?dealer=planted", data={"csrf": csrf, "email": EMAIL}, headers=BROWSER)
    page = Page(reply)
    ident = reply.headers["x-request-id"]
    assert (page.status, page.faults) == (500, [])
    assert f"name this number: {ident}." in page.text
    (line,) = [line for line in log.lines if line["level"] == "error"]
    assert line["request"] == ident
    assert line["error"] == ["builtins.ValueError"]
    assert any(where.endswith(" failing") for where in line["at"])
    assert (EMAIL in log.stream.getvalue(), "planted" in log.stream.getvalue()) == (False, False)


def test_no_request_keeps_the_id_that_its_sender_made_up(tmp_path: Path) -> None:
    with serving(settings_in(tmp_path)) as client:
        planted = {"X-Request-Id": "mine"}
        found = [
            client.get(path, headers=planted).headers.get_list("x-request-id")
            for path in ("/", "/static/embed.js", "/no")
        ]
    assert all(len(each) == 1 and re.fullmatch("[0-9a-f]{10}", each[0]) for each in found)
    assert len({each[0] for each in found}) == 3
