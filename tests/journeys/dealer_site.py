"""A dealer's page on a site of its own, and the service that it embeds: two servers of this machine under two names.

The service is reached at 127.0.0.1 and the pages at localhost, so that to a browser they are two sites (HTML, 'same site').
"""

import json
import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import uvicorn
from fastapi import FastAPI
from playwright.sync_api import BrowserContext, BrowserType

from service.app import create_app
from service.core.database import Database
from service.dealers import site
from tests import browser as chromium
from tests.journeys.conftest import FLAGS
from tests.service.client import add_small_range, settings_in

SECONDS = 30
DEALER = "harbour"
_PAGE = """<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Harbour Strings (invented)</title><link rel="icon" href="data:,"><style>{style}</style></head>
<body><h1>Find your bow</h1>{line}<p id="after">Open from ten to six.</p></body></html>"""


@dataclass
class Pages:
    """A site that shows whatever was put under a path."""

    address: str
    shown: dict[str, str] = field(default_factory=dict)

    def put(self, path: str, line: str, style: str = "") -> str:
        """Put a page with a line in it under a path and return its address."""
        self.shown[path] = _PAGE.format(line=line, style=style)
        return f"{self.address}{path}"


@dataclass
class Place:
    """The service, a dealer's site that it knows, and a stranger's that it does not."""

    service: str
    app: FastAPI
    dealer: Pages
    stranger: Pages

    @property
    def database(self) -> Database:
        database = self.app.state.database
        assert isinstance(database, Database)
        return database

    def line(self, language: str = "") -> str:
        """Return what a dealer pastes."""
        spoken = f' data-lang="{language}"' if language else ""
        return (
            f'<a href="{self.service}/?dealer={DEALER}">Which bow should you try?</a>'
            f'<script async src="{self.service}/static/embed.js" data-dealer="{DEALER}"{spoken}></script>'
        )


@contextmanager
def opened(folder: Path, migrated: Path) -> Iterator[Place]:
    """Serve all three; ``migrated``: an empty database with this version's tables, to copy."""
    shutil.copyfile(migrated, folder / "bows.db")
    app = create_app(settings_in(folder, advice_per_minute=0))
    add_small_range(app.state.database)
    with _site() as dealer, _site() as stranger, _served(app) as service:
        with app.state.database.writing() as session:
            site.set_pages(session, None, DEALER, dealer.address, "#c8102e", "#e8a33d")
        yield Place(service, app, dealer, stranger)


@contextmanager
def _served(app: FastAPI) -> Iterator[str]:
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + SECONDS
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    assert server.started, f"the application did not start within {SECONDS} seconds"
    yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    server.should_exit = True
    thread.join(SECONDS)


@contextmanager
def _site() -> Iterator[Pages]:
    pages = Pages("")

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            text = pages.shown.get(self.path)
            body = (text or "").encode()
            self.send_response(200 if text else 404)
            self.send_header("Content-Type", "text/html; charset=utf-8")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_args: object) -> None:
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    pages.address = f"http://localhost:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield pages
    server.shutdown()
    server.server_close()
    thread.join(SECONDS)


@contextmanager
def browsing(kind: BrowserType, folder: Path, preferences: dict[str, object]) -> Iterator[BrowserContext]:
    """Open a browser whose own preferences are set, which a mere context's cannot be."""
    (folder / "Default").mkdir(parents=True)
    (folder / "Default" / "Preferences").write_text(json.dumps({"profile": preferences}), encoding="utf-8")
    context = kind.launch_persistent_context(
        folder, executable_path=chromium.path(), headless=True, args=FLAGS, viewport={"width": 390, "height": 800}
    )
    context.set_default_timeout(SECONDS * 1000)
    yield context
    context.close()


NO_THIRD_PARTY_COOKIES: dict[str, object] = {"block_third_party_cookies": True, "cookie_controls_mode": 1}
NO_COOKIES: dict[str, object] = {"default_content_setting_values": {"cookies": 2}}
"""Chromium's own names; the tests see in the page that they are in force."""
