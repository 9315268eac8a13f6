"""A dealer's page with the form in it, across two sites, in Chromium: with other sites' cookies blocked, with all blocked, and by a stranger."""

import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Frame, Page, Response, expect

from service.dealers import logos, site
from tests.journeys import dealer_site, measures
from tests.journeys.dealer_site import DEALER, NO_COOKIES, NO_THIRD_PARTY_COOKIES, Place
from tests.journeys.going import follow, waiting
from tests.journeys.shop import until_true
from tests.service.dealers.test_origins import AS_WRITTEN
from tests.service.logo_files import chunk, png

Keep = Callable[[Page, str], None]
STEPS = ("instrument", "work", "own-bow", "wishes", "budget", "contact")
SECONDS = 30
MOST_BYTES = 110_000
"""Of the form's page with all its parts, the faces among them; a dealer's logo of at most 20 kB comes on top."""


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Place]:
    with dealer_site.opened(tmp_path_factory.mktemp("embedding"), _migrated_file) as place:
        yield place


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport={"width": 390, "height": 800})
    context.set_default_timeout(30_000)
    yield context
    context.close()


def visit(context: BrowserContext, address: str) -> tuple[Page, Frame]:
    """Open a dealer's page and wait for the form in it."""
    page = context.new_page()
    return page, form_in(page, address)


def form_in(page: Page, address: str) -> Frame:
    """Lead a page to a dealer's and wait for the form in it."""
    page.goto(address)
    page.frame_locator("iframe").locator("h1").wait_for()
    frame = page.locator("iframe").element_handle().content_frame()
    assert frame is not None
    frame.wait_for_load_state()  # what is there may still wait for its styles
    return frame


def fill_in(frame: Frame, on_each: Callable[[int], None] = lambda _step: None) -> None:
    """Go from the start to the answer within the frame."""
    on_each(0)
    follow(frame, ".go")
    heights(frame.page, frame)  # while the frame is still being fitted a click may go beside what it is meant for
    frame.locator("#instrument-double_bass").check()
    heights(frame.page, frame)
    frame.locator("#hold-german").check()
    for step, onwards in enumerate((*STEPS[1:], "again"), start=1):
        on_each(step)
        follow(frame)
        frame.locator(f"form[action$='/{onwards}']").wait_for()
    on_each(len(STEPS) + 1)


def heights(page: Page, frame: Frame) -> tuple[float, float]:
    """Return the height of the frame and of the page in it, once they agree."""
    ends = time.monotonic() + SECONDS
    while True:
        outer = (page.locator("iframe").bounding_box() or {"height": 0.0})["height"]
        inner: float = frame.locator("html").evaluate("(html) => html.getBoundingClientRect().height")
        if abs(outer - inner) <= 1 or time.monotonic() > ends:
            return outer, inner
        page.wait_for_timeout(20)


# The whole way, whatever becomes of cookies


@pytest.mark.parametrize(
    ("blocked", "preferences", "language"),
    [("of other sites", NO_THIRD_PARTY_COOKIES, "it"), ("all", NO_COOKIES, "de")],
)
def test_the_form_is_filled_in_to_its_end_with_cookies_blocked(
    browser: Browser, place: Place, tmp_path: Path, blocked: str, preferences: dict[str, object], language: str
) -> None:
    address = place.dealer.put(f"/{language}", place.line(language))
    with dealer_site.browsing(browser.browser_type, tmp_path / "profile", preferences) as context:
        page, frame = visit(context, address)
        # That they are blocked: in the frame a cookie that is set is not there afterwards.
        assert frame.locator("html").evaluate("() => { document.cookie = 'a=b'; return document.cookie; }") == ""
        enabled = page.evaluate("() => { document.cookie = 'a=b'; return document.cookie; }") == "a=b"
        assert enabled == (blocked == "of other sites")
        spoken = []
        fill_in(frame, lambda _step: spoken.append(frame.locator("html").get_attribute("lang")))
        assert set(spoken) == {language}, "the language is kept from page to page"
        assert frame.locator(".tier").count() >= 1
        assert page.url == address
        assert context.cookies(place.service) == []


@pytest.mark.parametrize("language", ["en", "de", "fr", "it"])
def test_the_form_stands_in_the_language_that_the_line_asks_for(
    context: BrowserContext, place: Place, language: str
) -> None:
    _page, frame = visit(context, place.dealer.put("/language", place.line(language)))
    assert frame.locator("html").get_attribute("lang") == language
    follow(frame, ".go")
    frame.locator("#instrument-viola").wait_for()
    assert frame.locator("html").get_attribute("lang") == language


def test_the_height_follows_the_page_and_every_target_fits(
    context: BrowserContext, place: Place, picture: Keep
) -> None:
    page, frame = visit(context, place.dealer.put("/height", place.line()))
    seen = set()

    def look(step: int) -> None:
        outer, inner = heights(page, frame)
        assert abs(outer - inner) <= 1, f"step {step}: the frame has {outer} px, the page in it {inner}"
        seen.add(round(outer))
        measures.check_reflow(page)
        picture(page, f"390-{step}")

    fill_in(frame, look)
    assert len(seen) > len(STEPS) // 2, "pages differ in height, and the frame with them"


def test_a_page_that_shrinks_gives_its_height_back(context: BrowserContext, place: Place) -> None:
    page, frame = visit(context, place.dealer.put("/shrink", place.line()))
    follow(frame, ".go")
    frame.locator("#instrument-cello").check()
    low, _inner = heights(page, frame)
    frame.locator("#instrument-double_bass").check()
    high, inner = heights(page, frame)
    assert high > low + 200
    assert abs(high - inner) <= 1
    frame.locator("#instrument-cello").check()
    assert heights(page, frame)[0] == pytest.approx(low, abs=1)


def test_the_next_step_begins_at_its_head(context: BrowserContext, place: Place) -> None:
    page, frame = visit(context, place.dealer.put("/head", place.line()))
    fill_in(frame, lambda step: page.evaluate("() => scrollTo(0, document.body.scrollHeight)") if step < 6 else None)
    frame.locator(".buttons .back").first.wait_for()
    top = "document.querySelector('iframe').getBoundingClientRect().top"
    until_true(page, f"() => -1 <= {top} && {top} <= 300", "the head of the form in view")


def test_the_form_weighs_little_and_asks_nobody_else(context: BrowserContext, place: Place) -> None:
    largest = png(extra=chunk(b"tEXt", b"x" * (logos.LARGEST - len(png()) - 12)))
    with place.database.writing() as session:
        site.put_logo(session, None, DEALER, largest)
    weights: dict[str, int] = {}
    strangers: list[str] = []
    address = place.dealer.put("/weight", place.line())

    def weigh(response: Response) -> None:
        if not response.url.startswith((place.service, place.dealer.address, "data:")):
            strangers.append(response.url)
        elif response.url.startswith(place.service) and response.status == 200:
            weights[response.url.removeprefix(place.service)] = len(response.body())

    page = context.new_page()
    page.on("response", weigh)
    frame = form_in(page, address)
    frame.locator(".logo").wait_for()
    fill_in(frame)
    with place.database.writing() as session:
        site.drop_logo(session, None, DEALER)
    assert strangers == []
    pages = {url: size for url, size in weights.items() if "/embed/" in url}
    parts = sum(size for url, size in weights.items() if url not in pages)
    heaviest = max(pages.values())
    print(f"heaviest page {heaviest}, all parts {parts}, of which the logo {len(largest)}")
    assert len(pages) >= len(STEPS)
    assert any("embed-logo" in url for url in weights)
    assert heaviest + parts - len(largest) <= MOST_BYTES, weights


# Strangers, and what remains where nothing can be framed


def refused(page: Page) -> None:
    """Wait until the browser itself has refused the frame in a page."""
    waiting(page, lambda: page.frames[-1].url.startswith("chrome-error:"))


def test_a_stranger_who_pastes_the_line_gets_the_link(context: BrowserContext, place: Place) -> None:
    page = context.new_page()
    page.goto(place.stranger.put("/", place.line()))
    page.get_by_role("link", name="Which bow should you try?").wait_for(state="visible")
    expect(page.locator("iframe")).to_be_hidden()
    refused(page)


def test_a_stranger_who_frames_the_form_of_another_origin_is_refused_by_the_browser(
    context: BrowserContext, place: Place
) -> None:
    _page, frame = visit(context, place.dealer.put("/known", place.line()))
    framed = frame.locator("html").evaluate("() => location.href")
    page = context.new_page()
    told = []
    page.on("console", lambda message: told.append(message.text))
    page.goto(place.stranger.put("/thief", f'<iframe src="{framed}"></iframe>'))
    refused(page)
    waiting(page, lambda: any("frame-ancestors" in text for text in told))


def test_the_desk_and_a_page_by_itself_are_framed_by_nobody(context: BrowserContext, place: Place) -> None:
    for path in ("/", "/desk/sign-in", f"/?dealer={DEALER}"):
        page = context.new_page()
        page.goto(place.dealer.put("/own", f'<iframe src="{place.service}{path}"></iframe>'))
        refused(page)


def test_without_scripts_the_link_leads_to_the_form(browser: Browser, place: Place) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(place.dealer.put("/plain", place.line()))
    follow(page, page.get_by_role("link", name="Which bow should you try?"))
    assert page.locator("h1").inner_text() == "Which bow should you try?"
    assert page.locator(".masthead").inner_text() == "Harbour Strings (invented)"
    context.close()


def test_a_message_from_elsewhere_moves_nothing(context: BrowserContext, place: Place) -> None:
    page, frame = visit(context, place.dealer.put("/forged", place.line()))
    before = heights(page, frame)[0]
    # The test's own listener is the last to be asked, so the page's own has had the message by then.
    page.evaluate("""() => new Promise((heard) => {
      addEventListener('message', () => requestAnimationFrame(heard));
      postMessage({bows: 'height', height: 9000}, '*'); })""")
    assert heights(page, frame)[0] == before


def test_the_frame_has_a_name_and_no_rights(context: BrowserContext, place: Place) -> None:
    page, _frame = visit(context, place.dealer.put("/named", place.line()))
    frame = page.locator("iframe")
    assert frame.get_attribute("title") == "Which bow should you try?"
    assert frame.get_attribute("allow") is None
    expect(page.get_by_role("link", name="Which bow should you try?")).to_be_hidden()


@pytest.mark.parametrize(
    ("style", "dark"),
    [("", False), (":root { color-scheme: light dark }", True), (":root { color-scheme: light }", False)],
)
def test_the_form_is_dark_only_in_a_page_that_knows_the_dark(
    browser: Browser, place: Place, style: str, dark: bool
) -> None:
    context = browser.new_context(color_scheme="dark")
    _page, frame = visit(context, place.dealer.put("/scheme", place.line(), style))
    paper = frame.locator("body").evaluate("(body) => getComputedStyle(body).backgroundColor")
    button = frame.locator(".go").evaluate("(go) => getComputedStyle(go).backgroundColor")
    context.close()
    # The house's paper in both schemes; the dealer's red, made lighter in the dark.
    assert paper == ("rgb(23, 27, 30)" if dark else "rgb(250, 248, 243)")
    assert (button == "rgb(200, 16, 46)") == (not dark)


# What the rules for bytes and origins rest on, by the browser itself


def test_every_picture_that_a_canvas_writes_is_taken_as_a_logo(context: BrowserContext) -> None:
    page = context.new_page()
    for kind in (logos.PNG, logos.JPEG, logos.WEBP):
        written = page.evaluate(
            """(kind) => { const canvas = document.createElement('canvas'); canvas.width = 80; canvas.height = 30;
            canvas.getContext('2d').fillRect(3, 3, 40, 20);
            return [...atob(canvas.toDataURL(kind).split(',')[1])].map((letter) => letter.charCodeAt(0)); }""",
            kind,
        )
        assert logos.check(bytes(written)) == kind


def test_origins_are_written_as_the_browser_writes_them(context: BrowserContext) -> None:
    page = context.new_page()
    for text, origin in AS_WRITTEN:
        assert page.evaluate("(text) => new URL(text.trim()).origin", text) == origin
