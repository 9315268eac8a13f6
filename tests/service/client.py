"""A client of the whole application in this process, and a small invented range for it."""

import asyncio
import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from decimal import Decimal
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import func, select
from starlette.requests import HTTPConnection

from model.domain.vocabulary import Hold, Instrument
from service import migrations, tables
from service.app import create_app
from service.core import workers
from service.core.database import Database
from service.settings import Settings
from service.web.database_sessions import workers_of
from tests import migrated

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
SECRET = "0123456789abcdef" * 4


class Client:
    """Sends one request at a time and hands back the whole answer.

    An unforeseen error of the application fails the test, unless ``forgiving``: then its 500 is the answer.
    """

    def __init__(self, app: FastAPI, host: str = "127.0.0.1", forgiving: bool = False) -> None:
        self.app, self.host, self.forgiving = app, host, forgiving

    def send(self, method: str, path: str, **request: Any) -> httpx.Response:
        """Send a request with httpx's own arguments."""
        return asyncio.run(self.asked(method, path, **request))

    async def asked(self, method: str, path: str, **request: Any) -> httpx.Response:
        """Send a request within an event loop."""
        transport = httpx.ASGITransport(self.app, raise_app_exceptions=not self.forgiving, client=(self.host, 50_000))
        async with httpx.AsyncClient(transport=transport, base_url="http://bows.example") as client:
            return await client.request(method, path, **request)

    def crowded(self, *requests: tuple[str, str, Mapping[str, str]]) -> list[httpx.Response]:
        """Send requests (method, path, headers) one after the other while every thread works for others, and goes on to."""
        by, free = workers_of(HTTPConnection({"type": "http", "app": self.app})), threading.Event()

        async def ask() -> list[httpx.Response]:
            taken = [asyncio.create_task(by.call(free.wait, 30)) for _each in range(workers.THREADS)]
            await asyncio.sleep(0)
            try:
                return [await self.asked(method, path, headers=headers) for method, path, headers in requests]
            finally:
                free.set()
                await asyncio.gather(*taken)

        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(workers, "PATIENCE", 0.01)
            return asyncio.run(ask())

    def get(self, path: str, **request: Any) -> httpx.Response:
        """Send a GET."""
        return self.send("GET", path, **request)

    def advice(self, body: Any, headers: Mapping[str, str] | None = None) -> httpx.Response:
        """Ask for advice; ``body`` is JSON's text, or what is to be written as JSON (NaN included, as some programs do)."""
        content = body if isinstance(body, bytes) else json.dumps(body).encode()
        return self.send(
            "POST",
            "/api/v1/advice",
            content=content,
            headers={"Content-Type": "application/json"} | dict(headers or {}),
        )

    def enquiries(self) -> list[tables.Enquiry]:
        """Return every enquiry kept."""
        with self.database.reading() as session:
            return list(session.scalars(select(tables.Enquiry)))

    def count(self) -> int:
        """Return how many enquiries are kept."""
        with self.database.reading() as session:
            return session.scalar(select(func.count()).select_from(tables.Enquiry)) or 0

    @property
    def database(self) -> Database:
        """The application's database."""
        database = self.app.state.database
        assert isinstance(database, Database)
        return database


def settings_in(folder: Path, **changes: Any) -> Settings:
    """Return settings for a database in ``folder``."""
    values: dict[str, Any] = {
        "database_url": f"sqlite:///{folder / 'bows.db'}",
        "data_dir": folder,
        "secret_key": SECRET,
        "allowed_hosts": ("bows.example",),
        # A test asks for more in a minute than any client may.
        "cost_per_minute": 0,
    }
    return Settings(**(values | changes))


@contextmanager
def serving(settings: Settings) -> Iterator[Client]:
    """Give a client of the application on a database that has this version's tables."""
    app = create_app(settings)
    file = app.state.database.file
    if file is None:
        migrations.upgrade(app.state.database)
    else:
        migrated.put(file)
    try:
        yield Client(app)
    finally:
        app.state.database.close()


def add_small_range(database: Database) -> None:
    """Put an invented dealer, two tiers for the double bass, one for the violin, and four copies of each on sale."""
    with database.writing() as session:
        session.add(tables.Dealer(slug="harbour", name="Harbour Strings (invented)", currency="EUR"))
        session.flush()
        for grade, (slug, price) in enumerate([("bramble", 1380), ("juniper", 2450)], start=1):
            session.add(_tier(slug, Instrument.DOUBLE_BASS, grade, price, holds="german french"))
        session.add(_tier("linnet", Instrument.VIOLIN, 1, 900))
        session.flush()
        for tier in ("bramble", "juniper"):
            session.add_all(_copy(f"DB-{tier}-{number}", tier, Hold.GERMAN) for number in range(4))
        session.add_all(_copy(f"V-linnet-{number}", "linnet", None) for number in range(4))


def _tier(slug: str, instrument: Instrument, grade: int, price: int, holds: str = "") -> tables.Tier:
    return tables.Tier(
        slug=slug,
        name=slug.capitalize(),
        instrument=instrument,
        holds=holds,
        grade=grade,
        price=Decimal(price),
        currency="EUR",
    )


def _copy(serial: str, tier: str, hold: Hold | None) -> tables.Copy:
    return tables.Copy(serial=serial, tier=tier, hold=hold, dealer="harbour", status="in_stock")
