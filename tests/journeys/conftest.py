"""A browser, and the application served on this machine from the fitted demo data.

``SCREENSHOTS=DIR`` in the environment keeps a picture of every page.
"""

import asyncio
import os
import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
import uvicorn
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect, sync_playwright
from sqlalchemy.orm import Session

from model.domain.arrays import Floats
from service.app import create_app
from service.core.database import Database
from tests import browser as chromium
from tests.conftest import LOOPS_OF_TESTS
from tests.journeys import filled_demo
from tests.service.client import settings_in

FLAGS = ["--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu", "--disable-background-networking"]
SECONDS = 30
expect.set_options(timeout=SECONDS * 1000)  # a page that comes late on a busy machine is no fault of it
# What a browser itself notes of an answer of 422; the page in it is what was meant.
EXPECTED_NOISE = re.compile(r"status of 422")


class Site:
    """The served application: its address, and its database to look into."""

    def __init__(self, address: str, database: Database) -> None:
        self.address, self.database = address, database

    def reading(self) -> Session:
        return Session(self.database.engine)


@pytest.fixture(scope="package")
def live_server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """Serve the application on a free port of this machine."""
    folder = tmp_path_factory.mktemp("journeys")
    filled_demo.put(folder / "bows.db")
    app = create_app(settings_in(folder, demo=True))
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + SECONDS
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    assert server.started, f"the application did not start within {SECONDS} seconds"
    port = server.servers[0].sockets[0].getsockname()[1]
    yield Site(f"http://127.0.0.1:{port}", app.state.database)
    server.should_exit = True
    thread.join(SECONDS)


# For this package only: the driver keeps an event loop running in the thread of the tests, and those of the service need their own.
@pytest.fixture(scope="package")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Start Chromium; where it is missing the journeys fail and say how to get it. Its microphone hears a struck stick, once."""
    try:
        path = chromium.path()
    except FileNotFoundError as error:
        pytest.fail(str(error), pytrace=False)
    heard = tmp_path_factory.mktemp("microphone") / "blow.wav"
    soundfile.write(heard, _blow(), 48_000)
    microphone = ["--use-fake-device-for-media-stream", f"--use-file-for-fake-audio-capture={heard}%noloop"]
    with sync_playwright() as driver:
        LOOPS_OF_TESTS.add(asyncio.get_running_loop())
        started = driver.chromium.launch(executable_path=path, headless=True, args=[*FLAGS, *microphone])
        yield started
        started.close()


def _blow() -> Floats:
    """Return a tone of 440 Hz that begins after half a second and falls by 60 dB within a second."""
    t = np.arange(3 * 48_000) / 48_000 - 0.5
    tone = np.where(t < 0.0, 0.0, 0.5 * 10.0 ** (-3.0 * t) * np.sin(2.0 * np.pi * 440.0 * t))
    return np.asarray(tone)


Opened = Callable[..., Page]


@pytest.fixture
def opened(browser: Browser, live_server: Site) -> Iterator[Opened]:
    """Give a function that opens a page; at the end nothing may have gone wrong or gone elsewhere."""
    contexts: list[BrowserContext] = []
    troubles: list[str] = []

    def note(message: ConsoleMessage) -> None:
        if message.type in {"error", "warning"} and not EXPECTED_NOISE.search(message.text):
            troubles.append(message.text)

    def watch(request: Request) -> None:
        if not request.url.startswith((live_server.address, "data:")):
            troubles.append(f"a request to {request.url}")

    def open_(path: str = "/", width: int = 1024, **options: object) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": 800},
            base_url=live_server.address,
            **options,  # type: ignore[arg-type] # handed through
        )
        context.set_default_timeout(SECONDS * 1000)
        contexts.append(context)
        page = context.new_page()
        page.on("console", note)
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("request", watch)
        page.goto(path)
        return page

    yield open_
    for context in contexts:
        context.close()
    assert troubles == []


@pytest.fixture
def picture(request: pytest.FixtureRequest) -> Callable[[Page, str], None]:
    """Give a function that keeps a picture of a page where SCREENSHOTS names a folder, and does nothing else."""
    folder = os.environ.get("SCREENSHOTS")

    def keep(page: Page, name: str) -> None:
        if folder:
            page.wait_for_timeout(150)  # a change of width is still being painted
            Path(folder).mkdir(parents=True, exist_ok=True)
            test = re.sub(r"[^\w-]+", "-", request.node.name).strip("-")
            page.screenshot(path=f"{folder}/{test}-{name}.png", full_page=True)

    return keep
