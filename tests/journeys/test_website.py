"""The desk's page of a website in Chromium: everything fits, the form is seen as set up, and it goes on from there."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from service.accounts import users
from service.core import tokens
from service.web import staff_sessions
from tests.journeys import dealer_site, measures
from tests.journeys.dealer_site import DEALER, Place
from tests.service.logo_files import PNG

Keep = Callable[[Page, str], None]


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Place]:
    with dealer_site.opened(tmp_path_factory.mktemp("website"), _migrated_file) as place:
        yield place


@pytest.fixture
def desk(browser: Browser, place: Place) -> Iterator[Page]:
    """The page, before an owner who is signed in; at the end the browser has had nothing to complain of."""
    with place.database.writing() as session:
        owner = users.add(session, "owner@bows.example", "owner").account.id
        secret = staff_sessions.begin(session, owner)
        staff_sessions.act_for(session, tokens.digest(secret), DEALER)
    context = browser.new_context(viewport={"width": 1440, "height": 900}, base_url=place.service)
    context.set_default_timeout(30_000)
    context.add_cookies([{"name": "desk", "value": secret, "url": place.service}])
    page = context.new_page()
    troubles: list[str] = []
    page.on("console", lambda message: troubles.append(message.text) if message.type in ("error", "warning") else None)
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto("/desk/website")
    page.frame_locator("iframe").locator("h1").wait_for()
    yield page
    context.close()
    assert troubles == []


@pytest.mark.parametrize("width", [320, 390, 1024, 1440])
def test_everything_fits_and_can_be_hit(desk: Page, picture: Keep, width: int) -> None:
    desk.set_viewport_size({"width": width, "height": 900})
    measures.check(desk, width)
    picture(desk, str(width))


def test_what_is_set_is_seen_at_once_in_the_form_beside_it(desk: Page) -> None:
    desk.fill("#action_colour", "#0a3d91")
    desk.get_by_role("button", name="Keep and show").click()
    button = desk.frame_locator("iframe").locator(".go")
    expect(button).to_have_css("background-color", "rgb(10, 61, 145)")
    desk.set_input_files("#file", {"name": "logo.png", "mimeType": "image/png", "buffer": PNG})
    desk.get_by_role("button", name="Keep the logo").click()
    logo = desk.frame_locator("iframe").locator(".logo")
    expect(logo).to_have_js_property("naturalWidth", 24)
    assert logo.get_attribute("alt") == "Harbour Strings (invented)"


def test_the_form_beside_it_can_be_tried(desk: Page) -> None:
    frame = desk.frame_locator("iframe")
    frame.locator(".go").click()
    frame.locator("#instrument-cello").check()
    frame.locator(".buttons .go").click()
    frame.locator("#settings-orchestra").wait_for()
    assert desk.url.endswith("/desk/website")


def test_the_line_that_is_shown_is_the_line_that_works(desk: Page, place: Place, browser: Browser) -> None:
    line = desk.locator(".once").first.inner_text()
    context = browser.new_context()
    page = context.new_page()
    page.goto(place.dealer.put("/pasted", line))
    page.frame_locator("iframe").locator(".go").wait_for()
    context.close()
