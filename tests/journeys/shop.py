"""A shop to play trials in: the application served from an empty database with invented trials, behind a proxy."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import uvicorn
from playwright.sync_api import Browser, BrowserContext, Page
from sqlalchemy import select

from service import migrations, tables
from service.app import create_app
from service.core.database import Database
from service.devices import tablets
from service.trials import rater_links
from tests.journeys import weather
from tests.service import trial_rows
from tests.service.client import settings_in

SECONDS = 30
DEALER = "quayside"


@dataclass
class Shop:
    """The served application; ``address`` is the proxy's."""

    address: str
    database: Database
    weather: weather.Weather
    app: object
    trials: int = 0
    users: list[int] = field(default_factory=list)

    def new_trial(self, letters: tuple[str, ...] = ("F", "C"), **more: object) -> str:
        """Add an open trial and return its key; earlier ones are closed."""
        self.trials += 1
        key = f"trial-{self.trials}"
        with self.database.writing() as session:
            trial_rows.add_dealer(session)
            if not self.users:
                self.users.append(trial_rows.add_user(session))
            for earlier in session.scalars(select(tables.Composition).where(tables.Composition.state == "open")):
                earlier.state, earlier.closed_at = "closed", trial_rows.OPENED
            session.flush()
            trial_rows.add_trial(session, key=key, letters=letters, **more)  # type: ignore[arg-type] # handed through
        return key

    def new_code(self) -> str:
        """Return a code that enrols one tablet."""
        with self.database.writing() as session:
            return tablets.make_code(session, self.users[0], DEALER, "The tablet by the window")

    def link(self, key: str, rater: str = "player") -> str:
        """Return the path of a trial's link."""
        with self.database.writing() as session:
            signer = self.app.state.signer  # type: ignore[attr-defined] # Starlette's own state
            return rater_links.open_seat(session, self.users[0], DEALER, key, rater, signer=signer)

    def sheets(self, key: str) -> list[tables.Sheet]:
        """Return every sheet of a trial."""
        with self.database.reading() as session:
            trial = select(tables.Trial.id).where(tables.Trial.key == key).scalar_subquery()
            found = session.scalars(
                select(tables.Sheet).where(tables.Sheet.trial == trial).order_by(tables.Sheet.position, tables.Sheet.id)
            )
            return list(found)

    def runs(self, key: str) -> list[tables.Run]:
        """Return the runs of a trial that a fit reads."""
        with self.database.reading() as session:
            trial = select(tables.Trial.id).where(tables.Trial.key == key).scalar_subquery()
            newest = select(tables.Run).where(tables.Run.trial == trial, tables.newest_run())
            return list(session.scalars(newest.order_by(tables.Run.rater, tables.Run.position)))


@contextmanager
def opened(folder: Path) -> Iterator[Shop]:
    """Serve the application on free ports of this machine, itself and behind the proxy."""
    app = create_app(settings_in(folder, demo=True))
    app.state.enrol_limit.per_minute = 0  # on a quick machine more tablets are enrolled in a minute than in any shop
    migrations.upgrade(app.state.database)
    server = uvicorn.Server(uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    until = time.monotonic() + SECONDS
    while not server.started and time.monotonic() < until:
        time.sleep(0.02)
    if not server.started:
        msg = f"got no answer, expected the application to start within {SECONDS} seconds"
        raise RuntimeError(msg)
    port = server.servers[0].sockets[0].getsockname()[1]
    sky = weather.Weather()
    with weather.in_front_of(port, sky) as address:
        yield Shop(address, app.state.database, sky, app)
    server.should_exit = True
    thread.join(SECONDS)


def until_true(page: Page, script: str, what: str, seconds: float = SECONDS) -> None:
    """Wait until a script says true; polled from outside, because the pages' policy lets no text be run as a script."""
    ends = time.monotonic() + seconds
    while not page.evaluate(script):
        if time.monotonic() > ends:
            msg = f"got {page.url} in state {page.inner_text('body')[:300]!r}, expected {what} within {seconds} s"
            raise AssertionError(msg)
        page.wait_for_timeout(20)


def all_sent(page: Page) -> None:
    """Wait until nothing is on its way and nothing waits."""
    sent = "document.documentElement.dataset.sending === 'no' && document.getElementById('status').textContent === ''"
    until_true(page, f"() => {sent}", "everything to be sent", 3 * SECONDS)


def enrolled(browser: Browser, shop: Shop, width: int = 1024, height: int = 768) -> BrowserContext:
    """Return a browser of its own that is an enrolled tablet and can be opened without network."""
    context = browser.new_context(viewport={"width": width, "height": height}, base_url=shop.address)
    context.set_default_timeout(SECONDS * 1000)
    page = context.new_page()
    page.goto(f"/tablet#{shop.new_code()}")
    page.click("main form .go")
    page.wait_for_selector("main[data-screen=waiting]")
    until_true(page, "async () => Boolean((await navigator.serviceWorker.getRegistration())?.active)", "a worker")
    page.close()
    return context
