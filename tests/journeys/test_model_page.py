"""The model's page as a file, in a real browser: every width, light and dark, on paper, and nothing asked of the network."""

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from service.core.scopes import AllDealers
from service.modelling.model_page import page_of, write
from tests.journeys.conftest import Site
from tests.journeys.measures import TARGET, check, check_reflow

WIDTHS = [320, 390, 1024, 1440]
_NAVIGATION = """(least) => [...document.querySelectorAll('nav a')].map((e) => [e.textContent, e.getBoundingClientRect()])
  .filter(([_, box]) => box.height < least - 0.01 || box.width < least - 0.01).map(([text]) => text)"""
_OVERLAPPING = """() => [...document.querySelectorAll('svg.picture')].flatMap((svg) => {
  const texts = [...svg.querySelectorAll('text')].map((e) => [e.textContent, e.getBoundingClientRect()]);
  return texts.flatMap(([one, a], place) => texts.slice(place + 1)
    .filter(([_, b]) => a.left < b.right && b.left < a.right && a.top + 2 < b.bottom && b.top + 2 < a.bottom)
    .map(([other]) => `${one} | ${other}`)); })"""
_BEYOND = """() => [...document.querySelectorAll('svg.picture')].flatMap((svg) => {
  const edge = svg.getBoundingClientRect();
  return [...svg.querySelectorAll('text, circle, rect, line')].map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
    .filter(([_, box]) => box.left < edge.left - 4 || box.right > edge.right + 4 || box.bottom > edge.bottom + 4)
    .map(([what]) => what); })"""
_FILLS = """() => [...document.querySelectorAll('.part')].map((e) => [...e.classList].at(-1) + ' ' + getComputedStyle(e).fill)"""

Viewed = Callable[..., Page]


@pytest.fixture(scope="module")
def file(live_server: Site, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of the demo's model, written as the command writes it."""
    target = tmp_path_factory.mktemp("page") / "model.html"
    with live_server.reading() as session:
        write(target, page_of(session, AllDealers(), demo=True))
    return target


@pytest.fixture
def viewed(browser: Browser, file: Path) -> Iterator[Viewed]:
    """Give a function that opens the file; at the end nothing may have gone wrong, and nothing else been asked for."""
    troubles: list[str] = []
    contexts = []

    def view(width: int, **options: object) -> Page:
        context = browser.new_context(viewport={"width": width, "height": 800}, **options)  # type: ignore[arg-type] # handed through
        contexts.append(context)
        page = context.new_page()
        page.on("console", lambda message: troubles.append(message.text))
        page.on("request", lambda request: troubles.append(request.url) if request.url != file.as_uri() else None)
        page.goto(file.as_uri())
        return page

    yield view
    for context in contexts:
        context.close()
    assert troubles == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", WIDTHS)
def test_the_page_holds_together_at_every_width(
    viewed: Viewed, picture: Callable[[Page, str], None], width: int, scheme: str
) -> None:
    page = viewed(width, color_scheme=scheme)
    check(page, width)
    assert page.evaluate(_NAVIGATION, TARGET) == []
    assert page.evaluate(_OVERLAPPING) == []
    assert page.evaluate(_BEYOND) == []
    picture(page, "page")


def test_opened_tables_scroll_within_themselves(viewed: Viewed) -> None:
    page = viewed(320)
    page.evaluate("() => document.querySelectorAll('details').forEach((each) => { each.open = true; })")
    assert page.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0


def test_the_parts_of_a_rating_are_filled_in_four_ways(viewed: Viewed) -> None:
    fills = set(viewed(1024).evaluate(_FILLS))
    assert len(fills) == len({fill.split(" ", 1)[1] for fill in fills}) == 4


def test_on_paper_every_table_is_there_and_nothing_is_cut(viewed: Viewed, picture: Callable[[Page, str], None]) -> None:
    page = viewed(700)
    page.emulate_media(media="print")
    assert page.locator("nav, summary").filter(visible=True).count() == 0
    assert page.locator("table").count() == page.locator("table").filter(visible=True).count() > 20
    check_reflow(page)
    picture(page, "print")
