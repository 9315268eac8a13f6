"""What the tests share: databases of both kinds, and no way out to the network."""

import asyncio
import gc
import itertools
import socket
import subprocess
import sys
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, create_engine, event, make_url, text
from sqlalchemy.dialects.postgresql.psycopg import PGDialect_psycopg
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.pool import Pool
from sqlalchemy.util import LRUCache

from service import migrations
from service.core import database as core_database
from service.core import impatient, workers
from service.core.database import Database, writing_engine
from service.core.workers import InThread
from tests import migrated
from tests.postgres import OWNER, Server

LOOPBACK = ("127.0.0.1", "::1", "localhost", "")
POSTGRES = {"_postgres_server", "postgres_database"}
_numbers = itertools.count()
_running: list[pytest.Item] = []


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what needs a browser or a PostgreSQL server; what starts a Python of its own says so itself (`process`)."""
    for item in items:
        if "journeys" in item.path.parts:
            item.add_marker("browser")
        parameters = getattr(item, "callspec", None)
        chosen = {each for each in parameters.params.values() if isinstance(each, str)} if parameters else set()
        if POSTGRES & {*getattr(item, "fixturenames", ()), *chosen}:
            item.add_marker("postgresql")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    """Know which test runs."""
    _running[:] = [item]
    return (yield)


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """Look for garbage less often: modules and tests stay to the end, and going through them took a seventh of the time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(50_000, 50, 100)


@pytest.fixture(scope="session", autouse=True)
def _no_network() -> Iterator[None]:
    """Let a test reach this machine only: what would go further fails it."""
    connect, connect_ex = socket.socket.connect, socket.socket.connect_ex

    def guarded_connect(self: socket.socket, address: object) -> None:
        _check(self, address)
        connect(self, address)  # type: ignore[arg-type] # whatever the caller gave

    def guarded_connect_ex(self: socket.socket, address: object) -> int:
        _check(self, address)
        return connect_ex(self, address)  # type: ignore[arg-type] # whatever the caller gave

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", guarded_connect)
        patch.setattr(socket.socket, "connect_ex", guarded_connect_ex)
        yield


@pytest.fixture(scope="session", autouse=True)
def _no_process_unmarked() -> Iterator[None]:
    """Let a test start a Python of its own, which takes seconds, only where it is marked with `process`."""
    init = subprocess.Popen.__init__

    def guarded(self: subprocess.Popen[Any], command: Any, *rest: Any, **more: Any) -> None:
        own = not isinstance(command, str) and sys.executable in [str(part) for part in command]
        if own and not any(item.get_closest_marker("process") for item in _running):
            pytest.fail(f"{_running[0].nodeid} starts {command}: mark it with pytest.mark.process.")
        init(self, command, *rest, **more)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(subprocess.Popen, "__init__", guarded)
        yield


def _check(used: socket.socket, address: object) -> None:
    if used.family != socket.AF_UNIX and not (isinstance(address, tuple) and address[0] in LOOPBACK):
        pytest.fail(f"A test tried to reach {address}: tests use this machine only.")


@pytest.fixture(scope="session", autouse=True)
def _statements_compiled_once() -> Iterator[None]:
    """Let all databases of a kind share what SQLAlchemy compiled: an engine a test compiled everything anew, a sixth of the time.

    A cache's key names the dialect, one for each engine; those of a kind are the same here.
    """
    caches: defaultdict[type, LRUCache[Any, Any]] = defaultdict(lambda: LRUCache(5_000))

    def create(*told: Any, **more: Any) -> Engine:
        engine = create_engine(*told, **more)
        engine._compiled_cache = caches[type(engine.dialect)]
        return engine

    with pytest.MonkeyPatch.context() as patch:
        for dialect in (SQLiteDialect_pysqlite, PGDialect_psycopg):
            patch.setattr(dialect, "__eq__", lambda one, other: type(one) is type(other))
            patch.setattr(dialect, "__hash__", lambda one: hash(type(one)))
        patch.setattr(core_database, "create_engine", create)
        yield


@pytest.fixture(scope="session")
def _migrated_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    file = tmp_path_factory.mktemp("migrated") / "bows.db"
    migrated.put(file)
    return file


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    """An SQLite file of its own with this version's tables, empty."""
    file = tmp_path / "bows.db"
    migrated.put(file)
    opened = Database(f"sqlite:///{file}")
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def _postgres_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A PostgreSQL server with a database `migrated` that has this version's tables."""
    with Server.started() as server:
        _create(server, "migrated")
        database = Database(server.url("migrated"))
        migrations.upgrade(database)
        database.close()
        yield server


def _create(server: Server, name: str, template: str = "template1") -> None:
    admin = Database(server.admin())
    with writing_engine(admin).connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text(f'CREATE DATABASE "{name}" TEMPLATE "{template}" OWNER {OWNER}'))
    admin.close()


@pytest.fixture(scope="session")
def postgres_server(_postgres_server: Server) -> Server:
    """A real PostgreSQL server, for who makes databases of their own."""
    return _postgres_server


@pytest.fixture(scope="session")
def postgres_url(_postgres_server: Server) -> str:
    """The address of an empty database on a real PostgreSQL server."""
    return _postgres_server.url("postgres")


@pytest.fixture
def empty_postgres(_postgres_server: Server) -> Iterator[Database]:
    """A PostgreSQL database of its own without any tables."""
    yield from _opened(_postgres_server, "template1")


@pytest.fixture
def postgres_database(_postgres_server: Server) -> Iterator[Database]:
    """A PostgreSQL database of its own with this version's tables, empty."""
    yield from _opened(_postgres_server, "migrated")


def _opened(server: Server, template: str) -> Iterator[Database]:
    name = f"test_{next(_numbers)}"
    _create(server, name, template)
    opened = Database(server.url(name))
    yield opened
    opened.close()


@pytest.fixture(params=["database", "postgres_database"], ids=["sqlite", "postgresql"])
def any_database(request: pytest.FixtureRequest) -> Database:
    """An empty database of each kind in turn."""
    opened = request.getfixturevalue(request.param)
    assert isinstance(opened, Database)
    assert make_url(opened.url).database
    return opened


@pytest.fixture(scope="session", autouse=True)
def _patience() -> Iterator[None]:
    """Wait longer than a shop would, so that no test depends on how much else the machine does; some ask for less."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(impatient, "SILENCE_SECONDS", 60.0)
        patch.setattr(workers, "PATIENCE", 30.0)
        yield


LOOPS_OF_TESTS: set[asyncio.AbstractEventLoop] = set()
"""Loops that serve nobody, such as the one by which a test speaks to its browser."""


@pytest.fixture(scope="session", autouse=True)
def _no_statement_on_the_loop() -> Iterator[None]:
    """Fail whatever opens a session on a thread that an event loop runs on: all others would wait for it."""

    def check(*_told: object) -> None:
        loop = asyncio._get_running_loop()
        if loop is not None and not isinstance(loop, InThread) and loop not in LOOPS_OF_TESTS:
            pytest.fail("a session is opened on the event loop; expected `workers.off_loop` before it")

    event.listen(Pool, "checkout", check)
    yield
    event.remove(Pool, "checkout", check)
