"""The eight strokes as a player marks them on a screen."""

from collections.abc import Callable, Sequence

from playwright.sync_api import Page, expect

from tests.journeys.shop import until_true


def play_strokes(page: Page, marks: Sequence[str], first: int = 1) -> None:
    """Mark strokes of the bow on the screen, from the one at a place of its order on."""
    if first == 1:
        page.click("[data-do=probe]")
        page.click("main[data-screen=probe] ~ footer .go")
    for number, mark in enumerate(marks, first):
        page.wait_for_selector(f"h1:text-is('Stroke {number} of 8')")
        page.click(f"main [data-do={mark}]")
    page.wait_for_selector("h1:text-is('Stroke 5 of 8'), main[data-screen=probed]")


def two_strokes(page: Page, look: Callable[[Page, str], None]) -> None:
    """Mark two strokes of the bow on the screen, one of them with a double tap, and leave it at that."""
    page.click("main [data-do=probe]")
    page.wait_for_selector("main[data-screen=probe]")
    expect(page.locator("main [data-list=cautions]")).to_contain_text("first pain, tingling or numbness")
    page.click("footer [data-do=go]")
    page.wait_for_selector("main[data-screen=stroke]")
    look(page, "stroke")
    page.click("main [data-do=broken]")
    until_true(page, "() => document.getElementById('place').textContent.endsWith('Stroke 2 of 8')", "the next stroke")
    page.dblclick("main [data-do=clean]")
    until_true(page, "() => document.getElementById('place').textContent.endsWith('Stroke 3 of 8')", "one stroke on")
    page.click("footer [data-do=leave]")
    page.wait_for_selector("main[data-screen=probed]")
    assert "1 of 2 strokes clean" in page.inner_text("main")
    assert "6 strokes are not played yet. They can be left so." in page.inner_text("main")
    page.click("footer [data-do=go]")
    page.wait_for_selector("main[data-screen=bow]")
    expect(page.locator("#overall-5")).to_be_checked()
