"""The staff's own pages in a real browser: signing in by keyboard alone, and every page at every width, light and dark."""

import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import uvicorn
from playwright.sync_api import Browser, Page, expect

from service.accounts import passwords, users
from service.core.scopes import AllDealers
from tests.journeys import measures
from tests.journeys.conftest import SECONDS
from tests.journeys.going import enter, follow
from tests.service import cast
from tests.service.cast import DEALER, PASSWORD, Desk

WIDTHS = {1440: "light", 1024: "dark", 390: "light", 320: "dark"}


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[tuple[str, Desk]]:
    """Serve the desk on a small invented range; give its address and cast."""
    with cast.opened(tmp_path_factory.mktemp("staff"), _migrated_file, demo=True) as opened:
        digest = passwords.hash_password(PASSWORD)
        for name in ("adviser", "owner"):
            opened.give_password(name, digest)
        server = uvicorn.Server(
            uvicorn.Config(opened.app, host="127.0.0.1", port=0, log_level="warning", lifespan="off")
        )
        thread = threading.Thread(target=server.run, daemon=True)
        thread.start()
        until = time.monotonic() + SECONDS
        while not server.started and time.monotonic() < until:
            time.sleep(0.02)
        assert server.started
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}", opened
        server.should_exit = True
        thread.join(SECONDS)


@pytest.fixture
def page(browser: Browser, desk: tuple[str, Desk]) -> Iterator[Page]:
    """A browser's page; at the end nothing may have gone wrong in it."""
    context = browser.new_context(base_url=desk[0])
    context.set_default_timeout(SECONDS * 1000)
    opened = context.new_page()
    troubles: list[str] = []
    opened.on("pageerror", lambda error: troubles.append(str(error)))
    opened.on("console", lambda said: troubles.append(said.text) if "Policy" in said.text else None)
    yield opened
    context.close()
    assert troubles == []


def sign_in(page: Page, name: str, onwards: str = "") -> None:
    page.goto(f"/desk/sign-in?next={onwards}")
    page.get_by_label("Your e-mail address").fill(f"{name}@bows.example")
    page.get_by_label("Password").fill(PASSWORD)
    follow(page, page.get_by_role("button", name="Sign in"))


def look(page: Page, name: str, picture: Callable[[Page, str], None]) -> None:
    """Measure a page at every width and keep a picture of each."""
    for width, scheme in WIDTHS.items():
        page.set_viewport_size({"width": width, "height": 900})
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type] # one of the two words
        measures.check(page, width)
        picture(page, f"{name}-{width}")


def test_signing_in_needs_no_mouse(page: Page, picture: Callable[[Page, str], None]) -> None:
    page.goto("/desk/account")
    look(page, "sign-in", picture)
    page.keyboard.press("Tab")  # the way past the head of the page
    for text in ("adviser@bows.example", "wrong wrong wrong"):
        page.keyboard.press("Tab")
        page.keyboard.type(text)
    enter(page)
    expect(page.locator("#faults")).to_be_focused()
    look(page, "refused", picture)
    assert page.get_by_role("textbox", name="Password").input_value() == ""
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#email")).to_be_focused()
    page.keyboard.press("Tab")
    page.keyboard.type(PASSWORD)
    enter(page)
    assert page.url.endswith("/desk/account")
    assert page.get_by_role("heading", level=1).inner_text() == "Your account"


def test_every_page_of_the_staff_holds_at_every_width(
    page: Page, desk: tuple[str, Desk], picture: Callable[[Page, str], None]
) -> None:
    sign_in(page, "owner", "/desk/users")
    page.goto("/desk/dealers")
    look(page, "dealers", picture)
    follow(page, page.get_by_role("button", name="Harbour Strings (invented)"))
    for name in ("users", "audit", "account", "tablets"):
        page.goto(f"/desk/{name}")
        look(page, name, picture)
    page.get_by_label("What the tablet is called").fill("Trial room")
    follow(page, page.get_by_role("button", name="Show a code"))
    look(page, "code", picture)
    page.goto("/desk/users")
    page.get_by_label("E-mail address").fill("eve@bows.example")
    page.get_by_label("Adviser").check()
    page.get_by_label("Dealer", exact=True).select_option(DEALER)
    follow(page, page.get_by_role("button", name="Make the account"))
    look(page, "link", picture)
    link = page.locator(".once").inner_text()
    follow(page, page.get_by_role("button", name="Sign out", exact=True).first)
    assert page.get_by_role("status").inner_text() == "You are signed out."
    page.goto(link)
    look(page, "password", picture)


def test_the_cookie_is_out_of_reach_of_scripts(page: Page, desk: tuple[str, Desk]) -> None:
    sign_in(page, "adviser", "/desk/account")
    assert page.evaluate("document.cookie") == ""
    (cookie,) = [each for each in page.context.cookies() if each["name"] == "desk"]
    assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Lax")
    with desk[1].database.writing() as session:
        users.end_sessions(session, AllDealers(), desk[1].ids["adviser"])
    page.reload()
    assert page.get_by_role("heading", level=1).inner_text() == "Sign in to the desk"
