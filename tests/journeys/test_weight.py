"""What the form weighs before anything of it is kept, and what it is set in."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from playwright.sync_api import CDPSession, Page, expect

from tests.journeys.conftest import Opened
from tests.journeys.going import follow

MOST = 110_000
"""Bytes of the form's first page and first question with styles, script and faces, as they come over the line."""
LETTERS = "Ärger, Öl, Übung, Größe; à l’étui, déjà, cœur, où, Île; perché, più, così, È; „Frosch“ ‘tip’ “hair” – … · × − 0123456789 ½ € £ §"
NAMES = "Łukasz Dvořák Šimić Şahin Győző Żuraw"


@contextmanager
def _driven(page: Page) -> Iterator[CDPSession]:
    driver = page.context.new_cdp_session(page)
    yield driver
    driver.detach()


def test_the_form_with_its_faces_stays_light(opened: Opened) -> None:
    page = opened("about:blank")
    came: list[float] = []
    with _driven(page) as driver:
        driver.on("Network.loadingFinished", lambda told: came.append(told["encodedDataLength"]))
        driver.send("Network.enable")
        page.goto("/", wait_until="networkidle")
        first = sum(came)
        follow(page)
        page.wait_for_load_state("networkidle")
    expect(page.locator("#instrument-violin")).to_be_visible()
    assert 40_000 < first < sum(came) <= MOST, f"got {first} and {sum(came)} bytes"


def test_headings_and_text_are_set_in_our_faces_and_a_face_that_comes_late_moves_nothing(opened: Opened) -> None:
    page = opened("about:blank")
    late: list[Any] = []
    page.route("**/*.woff2", lambda route: late.append(route))  # noqa: PLW0108 - the driver marks what it calls
    page.goto("/", wait_until="domcontentloaded")
    places = "() => [...document.querySelectorAll('main > *')].map((e) => e.getBoundingClientRect().top)"
    begun = "(all) => new Set([...document.fonts].filter((f) => all.includes(f.status)).map((f) => f.family)).size >= 2"
    page.wait_for_function(begun, arg=["loading"])
    before = page.evaluate(places)
    for route in late:
        route.continue_()
    page.unroute("**/*.woff2")
    page.wait_for_function(begun, arg=["loaded"])
    after = page.evaluate(places)
    assert max(abs(one - other) for one, other in zip(before, after, strict=True)) <= 2, (before, after)
    page.evaluate(
        "(text) => document.querySelectorAll('h1, .lead').forEach((e) => { e.textContent = text; })", LETTERS + NAMES
    )
    page.wait_for_function("() => document.fonts.status === 'loaded'")
    with _driven(page) as driver:
        for what in ("DOM", "CSS"):
            driver.send(f"{what}.enable")
        root = driver.send("DOM.getDocument")["root"]["nodeId"]
        for where, face in (("h1", "Vollkorn"), (".lead", "Lato")):
            node = driver.send("DOM.querySelector", {"nodeId": root, "selector": where})["nodeId"]
            used = driver.send("CSS.getPlatformFontsForNode", {"nodeId": node})["fonts"]
            assert [font["isCustomFont"] for font in used] == [True], (face, used)
