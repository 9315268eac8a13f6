"""Going on from a page: what leads to another one is waited for, so that what is asked next is asked of the page that came."""

import time
from collections.abc import Callable

import pytest
from playwright.sync_api import Frame, Locator, Page

SECONDS = 30


def follow(page: Page | Frame, what: str | Locator = ".buttons .go") -> None:
    """Click something (the first that a selector finds) that leads to another page, and wait until that page is there with its styles and scripts."""
    with page.expect_navigation(wait_until="load"):
        (page.locator(what).first if isinstance(what, str) else what).click()


def enter(page: Page) -> None:
    """Press Enter where that leads to another page, and wait for it as `follow` does."""
    with page.expect_navigation(wait_until="load"):
        page.keyboard.press("Enter")


def waiting(page: Page, what: Callable[[], bool], seconds: float = SECONDS) -> None:
    """Wait until something is so that `playwright.sync_api.expect` has no word for, as a row in the database."""
    ends = time.monotonic() + seconds
    while not what():
        if time.monotonic() > ends:
            pytest.fail(f"{page.url}: it did not come within {seconds} seconds")
        page.wait_for_timeout(20)
