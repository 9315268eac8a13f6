"""A dealer's own script asks for advice with the website's key: the example of the API's page, in Chromium, on three sites."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from service.core import tokens
from service.dealers import api_keys
from tests.journeys import dealer_site
from tests.journeys.dealer_site import DEALER, Place
from tests.service.test_readme import example


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Place]:
    with dealer_site.opened(tmp_path_factory.mktemp("own-form"), _migrated_file) as place:
        yield place


def make(place: Place, kind: str) -> str:
    with place.database.writing() as session:
        return api_keys.make(session, None, DEALER, kind)


def ask(browser: Browser, address: str, place: Place, key: str) -> dict[str, object]:
    """Run the example of the API's page in a page and return its status and answer, or what the browser threw."""
    code = example("js", "fetch").replace("https://bows.example", place.service).replace("site_…", key)
    context = browser.new_context()
    page: Page = context.new_page()
    page.goto(address)
    told: dict[str, object] = page.evaluate(
        f"async () => {{ try {{ {code}; return {{status: reply.status, advice}} }} catch (error) {{ return {{error: error.name}} }} }}"
    )
    context.close()
    return told


def test_the_example_works_on_the_dealers_own_page_and_is_told_no_serials(browser: Browser, place: Place) -> None:
    told = ask(browser, place.dealer.put("/own", ""), place, make(place, "website"))
    assert told["status"] == 200
    assert "Juniper" in str(told["advice"])
    assert "DB-" not in str(told["advice"])


def test_the_browser_keeps_the_answer_from_a_strangers_page(browser: Browser, place: Place) -> None:
    told = ask(browser, place.stranger.put("/own", ""), place, make(place, "website"))
    assert told == {"error": "TypeError"}


def test_a_server_key_in_a_page_is_refused_in_words_that_the_page_can_read(browser: Browser, place: Place) -> None:
    told = ask(browser, place.dealer.put("/own", ""), place, make(place, "server"))
    assert told["status"] == 403
    assert "secret" in str(told["advice"])


def test_a_revoked_key_is_refused_in_words_that_the_page_can_read(browser: Browser, place: Place) -> None:
    key = make(place, "website")
    with place.database.writing() as session:
        api_keys.revoke(session, None, DEALER, tokens.digest(key))
    told = ask(browser, place.dealer.put("/own", ""), place, key)
    assert told["status"] == 401
    assert "revoked" in str(told["advice"])
