"""Every page that a person meets keeps WCAG 2.2 AA, in the light and in the dark, and holds together small and large.

Here each page is looked at in one language, its words measured in one with long words; ``python -m tests.benchmarks accessibility``
looks at all of them in every language.
"""

from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page

from tests.journeys import accessibility, every_page, one_of_each
from tests.journeys.conftest import Site
from tests.journeys.every_page import LANGUAGES, LONGEST, NO_PAGES, OWNER, PAGES, Visit
from tests.journeys.one_of_each import World
from tests.journeys.walks import WALKS
from tests.service import actions
from tests.service.page import parsed


@pytest.fixture(scope="module")
def world(live_server: Site, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    with one_of_each.opened(tmp_path_factory.mktemp("accessibility"), live_server.database) as opened:
        yield opened


@pytest.fixture(scope="module")
def visits(world: World, browser: Browser) -> Iterator[Mapping[str, Visit]]:
    """Give a reader of each language, whose browser is kept from page to page."""
    with ExitStack() as opened:
        yield {code: opened.enter_context(Visit(world, browser, code, _nothing)) for code in LANGUAGES}


def _nothing(_page: Page, _name: str) -> None:
    """Do not look."""


def go(visit: Visit, longest: Visit, name: str) -> tuple[list[str], set[str]]:
    """Look at the pages of a route or walk, their words in a long language; return what is wrong, and the routes seen."""
    wrong = list[str]()

    def breaks_no_rule(page: Page, what: str) -> None:
        found = accessibility.in_both_schemes(page)
        wrong.extend(f"{what}, {visit.language}, {scheme}: {each}" for scheme, each in found)
        wrong.extend(f"{what}: {each}" for each in actions.faults(list(parsed(page.content()).walk())))

    def holds_together(page: Page, what: str) -> None:
        wrong.extend(f"{what}, {longest.language}: {each}" for each in accessibility.measured(page))
        page.set_viewport_size({"width": accessibility.DESK, "height": 800})

    def both(page: Page, what: str) -> None:
        breaks_no_rule(page, what)
        holds_together(page, what)

    visit.look = both if visit is longest else breaks_no_rule
    seen = every_page.gone(visit, name, WALKS)
    if visit is not longest:
        longest.look = holds_together
        every_page.gone(longest, name, WALKS)
    return wrong, seen


@pytest.mark.parametrize("route", PAGES)
def test_the_pages_of_a_route_break_no_rule_and_hold_together(visits: Mapping[str, Visit], route: str) -> None:
    turn = list(PAGES).index(route)
    language, longest = LANGUAGES[turn % len(LANGUAGES)], LONGEST[turn % len(LONGEST)]
    wrong, seen = go(visits[language], visits[language if language in LONGEST else longest], route)
    assert "\n".join(wrong) == ""
    assert seen == {route}


@pytest.mark.parametrize("walk", WALKS)
def test_the_pages_of_a_walk_break_no_rule_and_hold_together(world: World, browser: Browser, walk: str) -> None:
    # A walk takes long: it is gone once, in a language with long words.
    language = LONGEST[list(WALKS).index(walk) % len(LONGEST)]
    with Visit(world, browser, language, _nothing) as visit:
        wrong, seen = go(visit, visit, walk)
    assert "\n".join(wrong) == ""
    assert seen >= set(WALKS[walk][1])


def test_every_route_has_its_pages_here_or_is_known_to_have_none(world: World) -> None:
    walked = {route for _walk, routes in WALKS.values() for route in routes}
    assert set(every_page.page_routes(world.app)) == {*PAGES, *NO_PAGES, *walked}


@pytest.mark.parametrize("route", NO_PAGES)
def test_a_route_that_is_said_to_have_no_page_has_none(world: World, browser: Browser, route: str) -> None:
    address = NO_PAGES[route].format_map(world.places | {"draft": "nobodys"})
    with Visit(world, browser, "en", _nothing) as visit:
        reply = visit.page(OWNER).request.get(address, max_redirects=0)
        kind = reply.headers.get("content-type", "")
    assert reply.status in (301, 303, 401, 404) or not kind.startswith("text/html")


def test_a_page_that_breaks_rules_is_found_out(browser: Browser, tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    file.write_text(
        "<!doctype html><title>A page</title><p style='color:#aaa;width:50px'>Bogenstangenhalter</p>"
        + 2 * "<button style='width:20px;height:20px;padding:0;border:0'></button>"
        + "<p style='margin-top:-1.2em'>over</p>"
    )
    page = browser.new_page(viewport={"width": 1024, "height": 800})
    page.goto(file.as_uri())
    broken = " ".join(each for _scheme, each in accessibility.in_both_schemes(page))
    assert all(rule in broken for rule in ("color-contrast", "html-has-lang", "button-name", "target-size"))
    found = " ".join(accessibility.measured(page))
    assert all(words in found for words in ("reaches out of", "20 x 20", "with letters of 200 %"))
    page.close()
