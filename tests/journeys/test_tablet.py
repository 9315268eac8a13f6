"""The tablet's screens in a real browser: how they look at every size, what is covered, wiped and asked, and what nobody else sees."""

from collections.abc import Callable, Iterator
from typing import Literal

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect

from model.domain.vocabulary import Place
from service.trials import lifecycle, paired_comparison
from tests.journeys import measures, shop
from tests.journeys.going import follow
from tests.journeys.probing import two_strokes
from tests.journeys.shop import DEALER, Shop, all_sent, enrolled, until_true

Keep = Callable[[Page, str], None]
SIZES: tuple[tuple[int, int, Literal["light", "dark"]], ...] = (
    (1024, 768, "light"),
    (768, 1024, "dark"),
    (390, 800, "light"),
    (320, 700, "light"),
)
BUTTON = 64
"""CSS px: the height of every button on the tablet."""
_LOW = """(least) => [...document.querySelectorAll('button, .go, .back, .unsure-alone, .seven label')]
  .filter((e) => e.checkVisibility())
  .filter((e) => e.getBoundingClientRect().height < (innerWidth < 480 && e.matches('.seven label') ? 56 : least) - 0.01)
  .map((e) => e.outerHTML.slice(0, 80))"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with shop.opened(tmp_path_factory.mktemp("tablet")) as opened:
        opened.new_trial()
        yield opened


@pytest.fixture
def tablet(browser: Browser, site: Shop) -> Iterator[BrowserContext]:
    context = enrolled(browser, site)
    yield context
    context.close()


@pytest.fixture
def look(picture: Keep) -> Callable[[Page, str], None]:
    """Give a function that measures a screen at every size, and keeps pictures where they are asked for."""

    def at_every_size(page: Page, name: str) -> None:
        for width, height, scheme in SIZES:
            page.set_viewport_size({"width": width, "height": height})
            page.emulate_media(color_scheme=scheme)
            measures.check(page, width)
            assert page.evaluate(_LOW, BUTTON) == []
            picture(page, f"{width}-{name}")
        page.set_viewport_size({"width": 1024, "height": 768})

    return at_every_size


def opened(context: BrowserContext, clock: bool = False) -> Page:
    page = context.new_page()
    if clock:
        page.clock.install()
    page.goto("/tablet")
    page.wait_for_selector("main[data-screen]")
    return page


def go(page: Page, button: str, then: str) -> None:
    page.click(f"footer [data-do={button}]")
    page.wait_for_selector(f"main[data-screen={then}]")


def first_bow(page: Page, key: str) -> None:
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=start]")
    go(page, "go", "warm")
    go(page, "go", "bow")


def rate(page: Page, overall: int) -> None:
    before = page.inner_text("#place")
    page.check(f"#overall-{overall}")
    page.click("footer [data-do=next]")
    until_true(page, f"() => document.getElementById('place').textContent !== {before!r}", "another screen")


def text(page: Page) -> str:
    """Return all that stands in the document, the page's own templates and sentences apart, fields included."""
    said: str = page.evaluate(
        """() => [document.body.innerText, ...[...document.querySelectorAll('input, textarea')].map((e) => e.type === 'radio' ? e.checked : e.value)].join(' ')"""
    )
    return said


def test_a_tablet_is_enrolled_by_the_link_of_its_picture_and_the_code_leaves_the_address(
    browser: Browser, site: Shop, look: Keep
) -> None:
    context = browser.new_context(base_url=site.address)
    page = context.new_page()
    page.goto(f"/tablet/enrol?code={site.new_code()}")
    page.wait_for_selector("main[data-screen=enrol]")
    assert page.url == f"{site.address}/tablet"
    look(page, "enrol")
    page.click("main form .go")
    page.wait_for_selector("main[data-screen=waiting]")
    assert page.url == f"{site.address}/tablet"
    context.close()


def test_a_wrong_code_is_refused_in_a_sentence(browser: Browser, site: Shop) -> None:
    context = browser.new_context(base_url=site.address)
    page = context.new_page()
    page.goto("/tablet")
    page.fill("#code", "AAAA-AAAA")
    page.click("main form .go")
    page.wait_for_selector("[data-text=fault]:not([hidden])")
    assert page.inner_text("[data-text=fault]").startswith("This code is not valid")
    context.close()


def test_where_the_address_is_not_secure_the_tablet_says_so_and_a_phone_has_its_plain_forms(
    browser: Browser, site: Shop
) -> None:
    key = site.new_trial()
    context = browser.new_context(base_url=site.address)
    context.add_init_script("Object.defineProperty(window, 'isSecureContext', {get: () => false})")
    page = context.new_page()
    page.goto("/tablet")
    until_true(page, "() => document.getElementById('status').textContent.includes('https')", "a sentence on https")
    page.goto(site.link(key))
    follow(page, ".links a >> nth=0")
    page.check("#overall-4")
    follow(page, "footer .go")
    assert site.sheets(key)[0].ratings == {"overall": 4}
    context.close()


def test_a_whole_trial_at_every_size(tablet: BrowserContext, site: Shop, look: Keep) -> None:
    key = site.new_trial()
    page = opened(tablet)
    page.wait_for_selector(f"[data-trial='{key}']")
    look(page, "waiting")
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=start]")
    look(page, "start")
    go(page, "go", "warm")
    look(page, "warm-up")
    go(page, "go", "bow")
    assert page.inner_text("#place").startswith("Bow 1 of 4 · about 20 minutes left")
    page.click("footer [data-do=next]")
    expect(page.locator("[data-text=fault]")).to_have_text(
        "Say first how you like it as a whole, or that you cannot tell."
    )
    look(page, "bow-fault")
    page.check("#overall-5")
    page.check("#response-cannot_tell")
    page.fill("#note", "speaks at once")
    look(page, "bow")
    two_strokes(page, look)
    page.click("footer [data-do=next]")
    until_true(page, "() => document.getElementById('place').textContent.startsWith('Bow 2')", "the next bow")
    rate(page, 4)
    assert page.inner_text("h1") == "Your own bow"
    look(page, "own-bow")
    rate(page, 3)
    rate(page, 3)
    page.wait_for_selector("main[data-screen=thanks]")
    look(page, "thanks")
    all_sent(page)
    go(page, "again", "waiting")
    kept = [(one.letter, dict(one.ratings), one.note) for one in site.sheets(key) if one.counts]
    assert kept[0] == ("F", {"overall": 5, "response": "cannot_tell"}, "speaks at once")
    assert sorted(str(site.runs(key)[0].strokes).split()) == [*"02", *"??????"]
    assert site.runs(key)[0].clean_strokes is None, "six are missing"
    assert [letter for letter, _ratings, _note in kept] == ["F", "C", "", ""]


def test_back_shows_what_was_given_and_a_change_is_a_later_revision(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    page = opened(tablet)
    first_bow(page, key)
    rate(page, 5)
    page.check("#overall-2")
    go(page, "back", "bow")
    page.wait_for_selector("#overall-5:checked")
    rate(page, 6)
    page.wait_for_selector("#overall-2:checked")
    all_sent(page)
    assert [(one.position, one.revision, one.ratings["overall"]) for one in site.sheets(key)] == [
        (1, 1, 5),
        (1, 2, 6),
        (2, 1, 2),
    ]


def test_the_tablet_has_one_address_and_no_history_to_go_back_through(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    page = opened(tablet)
    before = page.evaluate("history.length")
    first_bow(page, key)
    rate(page, 5)
    assert page.evaluate("history.length") == before
    assert page.url == f"{site.address}/tablet"


def test_after_two_idle_minutes_a_trial_is_covered_and_earlier_ratings_are_hidden(
    tablet: BrowserContext, site: Shop, look: Keep
) -> None:
    key = site.new_trial()
    page = opened(tablet, clock=True)
    first_bow(page, key)
    rate(page, 5)
    page.check("#overall-2")
    page.fill("#note", "a private word")
    page.clock.run_for(115_000)
    expect(page.locator("main[data-screen=bow]")).to_have_count(1)
    page.clock.run_for(10_000)
    page.wait_for_selector("main[data-screen=cover]")
    assert "a private word" not in text(page)
    expect(page.locator("main input")).to_have_count(0)
    expect(page.locator("main [data-text=letter]")).to_have_text("C")
    look(page, "cover")
    page.reload()
    page.wait_for_selector("main[data-screen=cover]")
    go(page, "go", "bow")
    expect(page.locator("#overall-2")).to_be_checked()
    expect(page.locator("#note")).to_have_value("a private word")


def test_ninety_idle_minutes_end_a_trial_here_and_lose_nothing(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    page = opened(tablet, clock=True)
    first_bow(page, key)
    page.check("#overall-2")
    page.fill("#note", "a private word")
    page.dispatch_event("#note", "change")
    page.clock.fast_forward("01:31:00")
    page.wait_for_selector("main[data-screen=waiting]")
    assert "a private word" not in text(page)
    all_sent(page)
    assert [(one.ratings, one.note) for one in site.sheets(key)] == [({"overall": 2}, "a private word")]


def test_the_adviser_ends_a_trial_here_from_the_cover(tablet: BrowserContext, site: Shop, look: Keep) -> None:
    key = site.new_trial()
    page = opened(tablet, clock=True)
    first_bow(page, key)
    page.check("#overall-2")
    page.clock.run_for(125_000)
    page.wait_for_selector("main[data-screen=cover]")
    go(page, "end", "end")
    look(page, "end")
    go(page, "back", "cover")
    go(page, "end", "end")
    go(page, "go", "waiting")
    all_sent(page)
    assert [one.ratings for one in site.sheets(key)] == [{"overall": 2}]


def test_nothing_of_one_player_is_seen_by_the_next(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial(letters=("F",))
    page = opened(tablet)
    first_bow(page, key)
    page.fill("#note", "a private word")
    rate(page, 7)
    rate(page, 1)
    all_sent(page)
    tablet.set_offline(True)
    rate(page, 2)
    page.wait_for_selector("main[data-screen=thanks]")
    go(page, "again", "waiting")
    expect(page.locator("#status")).to_have_text("No network. 1 sheet waits on this device; it is safe.")
    kept = page.evaluate(
        """async () => { const open = indexedDB.open('tablet'); await new Promise((done) => { open.onsuccess = done; });
        const of = (name) => new Promise((done) => { const all = open.result.transaction(name).objectStore(name).getAll(); all.onsuccess = () => done(all.result); });
        return {sheets: (await of('sheets')).length, waiting: (await of('waiting')).length, kept: (await of('kept')).length}; }"""
    )
    assert kept == {"sheets": 0, "waiting": 1, "kept": 1}, "only who the tablet is, and what waits to be sent"
    assert "private" not in text(page)
    tablet.set_offline(False)
    all_sent(page)
    page.go_back()
    assert "private" not in text(page)


def test_the_questions_are_answered_at_the_same_address_and_wiped_when_nobody_is_there(
    tablet: BrowserContext, site: Shop, look: Keep
) -> None:
    page = opened(tablet, clock=True)
    before = page.evaluate("history.length")
    page.click("[data-do=questions]")
    page.click("[data-page] .go")
    page.check("#instrument-double_bass")
    look(page, "question")
    page.check("#hold-german")
    page.fill("#string_length_mm", "9")
    page.click("[data-page] .go")
    page.wait_for_selector(".faults")
    page.click(".faults a")
    expect(page.locator("#string_length_mm")).to_be_focused()
    page.fill("#string_length_mm", "")
    page.click("[data-page] .go")
    page.wait_for_selector("#settings-orchestra")
    page.check("#settings-orchestra")
    assert (page.url, page.evaluate("history.length")) == (f"{site.address}/tablet", before)
    page.clock.run_for(121_000)
    page.wait_for_selector("dialog[open]")
    look(page, "still-there")
    page.click("dialog .go")
    expect(page.locator("dialog")).to_have_count(0)
    expect(page.locator("#settings-orchestra")).to_be_checked()
    page.clock.run_for(155_000)
    page.wait_for_selector("main[data-screen=waiting]")
    expect(page.locator("dialog")).to_have_count(0)
    expect(page.locator("#settings-orchestra")).to_have_count(0)


def test_the_questions_lead_to_an_answer_and_start_again_wipes_it(
    tablet: BrowserContext, site: Shop, look: Keep
) -> None:
    page = opened(tablet)
    page.click("[data-do=questions]")
    page.click("[data-page] .go")
    page.check("#instrument-violin")
    for step in ("settings-orchestra", "own_bow-yes", "priority_1", "amount", "name"):
        page.click("[data-page] .go")
        page.wait_for_selector(f"#{step}")
    page.click("[data-page] .go")
    until_true(page, "() => document.querySelector('[data-page] form')?.action.includes('/again')", "the answer")
    look(page, "answer")
    go(page, "again", "waiting")
    expect(page.locator("[data-page]")).to_have_count(0)


def test_without_network_the_questions_say_so_and_keep_what_was_typed(tablet: BrowserContext) -> None:
    page = opened(tablet)
    page.click("[data-do=questions]")
    page.click("[data-page] .go")
    page.check("#instrument-viola")
    tablet.set_offline(True)
    page.click("[data-page] .go")
    page.wait_for_selector("[data-trouble]:not([hidden])")
    expect(page.locator("[data-trouble]")).to_contain_text("The questions need the network")
    expect(page.locator("#instrument-viola")).to_be_checked()
    tablet.set_offline(False)
    page.click("[data-page] .go")
    page.wait_for_selector("#settings-orchestra")


def handed(site: Shop, key: str) -> paired_comparison.Handing:
    """Return which bows are handed over next, as the desk is told."""
    with site.database.reading() as session:
        handing = paired_comparison.handing(session, DEALER, key)
    assert handing is not None
    return handing


def test_two_bows_are_compared_pair_by_pair_until_it_is_settled(tablet: BrowserContext, site: Shop, look: Keep) -> None:
    key = site.new_trial()
    with site.database.writing() as session:
        paired_comparison.start(session, site.users[0], DEALER, key, ("F", "C"))
    page = opened(tablet)
    page.wait_for_selector(f"[data-trial='{key}']")
    assert "two bows, pair by pair" in page.inner_text(f"[data-trial='{key}']")
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=pair]")
    look(page, "pair")
    for number in range(1, 5):
        until_true(
            page, f"() => document.getElementById('place').textContent.endsWith('Pair {number}')", "the next pair"
        )
        assert "F" not in page.inner_text("main").split()
        all_sent(page)
        handing = handed(site, key)
        assert handing.number == number
        page.click(f"[data-do={'first' if handing.first == 'C' else 'second'}]")
    page.wait_for_selector("main[data-screen=pairs-over]")
    look(page, "pairs-over")
    all_sent(page)
    handing = handed(site, key)
    assert handing.verdict == "second"
    assert handing.text.startswith("The player preferred bow C in 4 of 4 pairs.")


def test_pairs_go_on_without_network_and_arrive_in_order(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    with site.database.writing() as session:
        paired_comparison.start(session, site.users[0], DEALER, key, ("F", "C"))
    page = opened(tablet)
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=pair]")
    tablet.set_offline(True)
    for number in (1, 2, 3):
        until_true(
            page, f"() => document.getElementById('place').textContent.endsWith('Pair {number}')", "the next pair"
        )
        page.click("[data-do=first]")
    until_true(page, "() => document.getElementById('place').textContent.endsWith('Pair 4')", "the next pair")
    page.reload()
    until_true(page, "() => document.getElementById('place').textContent.endsWith('Pair 4')", "the same pair")
    tablet.set_offline(False)
    all_sent(page)
    handing = handed(site, key)
    assert (handing.pairs, handing.number) == (3, 4)


def test_the_listeners_phone_and_the_plain_forms_at_every_size(browser: Browser, site: Shop, look: Keep) -> None:
    key = site.new_trial()
    for scripts in (True, False):
        context = browser.new_context(base_url=site.address, java_script_enabled=scripts)
        page = context.new_page()
        page.goto(site.link(key, "listener"))
        page.click("footer [data-do=go]" if scripts else ".links a >> nth=0")
        page.wait_for_selector("#carrying-4")
        if scripts:
            look(page, "listener")
        page.check("#overall-3")
        page.check("#carrying-6")
        page.click("footer .go")
        page.wait_for_selector("#overall-3:not(:checked)")
        context.close()
    kept = [(one.rater, one.position, one.flags, one.ratings) for one in site.sheets(key)]
    assert kept[0] == ("listener", 1, "", {"overall": 3, "carrying": 6})
    assert kept[1] == ("listener", 1, "other_device", {"overall": 3, "carrying": 6})


def test_a_trial_by_post_without_scripts(browser: Browser, site: Shop, picture: Keep) -> None:
    key = site.new_trial(place=Place.POST)
    context = browser.new_context(
        base_url=site.address, java_script_enabled=False, viewport={"width": 390, "height": 800}
    )
    page = context.new_page()
    page.goto(site.link(key))
    picture(page, "plain-start")
    follow(page, ".links a >> nth=0")
    for overall in (4, 5, 6, 7):
        page.check(f"#overall-{overall}")
        picture(page, f"plain-bow-{overall}")
        follow(page, "footer .go")
    assert "Thank you, every bow is rated" in page.inner_text("h1")
    picture(page, "plain-end")
    assert [one.ratings["overall"] for one in site.sheets(key)] == [4, 5, 6, 7]
    context.close()


def test_where_the_device_cannot_keep_a_sheet_it_says_so_and_does_not_go_on(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    page = opened(tablet)
    first_bow(page, key)
    page.check("#overall-4")
    page.evaluate(
        "() => { IDBObjectStore.prototype.add = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
    )
    page.click("footer [data-do=next]")
    until_true(
        page, "() => document.getElementById('status').textContent.startsWith('This device could not keep')", "it"
    )
    assert page.inner_text("#place").startswith("Bow 1")
    expect(page.locator("#overall-4")).to_be_checked()


def test_a_sheet_is_filled_in_by_keyboard_alone(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial()
    page = opened(tablet)
    first_bow(page, key)
    expect(page.locator("h1:focus"), "a reader of the screen begins at its heading").to_have_count(1)
    page.focus("#overall-1")
    for _step in range(4):
        page.keyboard.press("ArrowRight")
    expect(page.locator("#overall-5")).to_be_checked()
    page.keyboard.press("Tab")
    page.keyboard.press("Space")
    page.focus("footer [data-do=next]")
    page.keyboard.press("Enter")
    until_true(page, "() => document.getElementById('place').textContent.startsWith('Bow 2')", "the next bow")
    all_sent(page)
    assert site.sheets(key)[0].ratings["overall"] == 5


def test_the_result_is_shown_once_it_is_revealed_and_wiped_for_the_next(tablet: BrowserContext, site: Shop) -> None:
    key = site.new_trial(letters=("F",))
    page = opened(tablet, clock=True)
    first_bow(page, key)
    for mark in (7, 3, 4):
        rate(page, mark)
    page.wait_for_selector("main[data-screen=thanks]")
    all_sent(page)
    page.click("[data-do=result]")
    expect(page.locator("main [data-text=trouble]")).to_contain_text("not revealed yet")
    with site.database.writing() as session:
        lifecycle.reveal(session, site.users[0], DEALER, key)
    page.click("[data-do=result]")
    expect(page.locator("svg.marks desc")).to_contain_text("Bow F 7")
    page.clock.run_for(121_000)
    page.wait_for_selector("dialog[open]")
    page.clock.run_for(31_000)
    page.wait_for_selector("main[data-screen=waiting]")
    expect(page.locator("dialog, svg.marks, [data-do=result]")).to_have_count(0)
