"""A trial in bad weather, in a real browser with a real service worker: every rating given is in the database exactly once."""

import json
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, expect
from sqlalchemy import update

from model.bench import playable_range
from model.domain.vocabulary import Place
from service import tables
from service.core.errors import ConflictError
from service.devices import offline_export
from service.trials import strokes
from tests.journeys import offline, shop
from tests.journeys.probing import play_strokes
from tests.journeys.shop import DEALER, Shop, all_sent, enrolled, until_true
from tests.service.trial_rows import OPENED

SEEDS = (3, 14)
"""A handful; `python -m tests.benchmarks offline` plays fifty."""
# Only a worker that is at work answers for a page without network; that the page lies in its cache is not enough.
KEPT = """async () => Boolean(await caches.match(location.pathname))
  && (await navigator.serviceWorker.getRegistration())?.active?.state === 'activated'"""


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with shop.opened(tmp_path_factory.mktemp("offline")) as opened:
        yield opened


@pytest.fixture
def trial(site: Shop) -> str:
    return site.new_trial(("F",))


@pytest.fixture
def tablet(browser: Browser, site: Shop, trial: str) -> Iterator[BrowserContext]:
    context = enrolled(browser, site)
    yield context
    site.weather.share = 0.0
    context.close()


def begun(tablet: BrowserContext, trial: str) -> Page:
    """Open the tablet's page and the trial, up to the first bow."""
    page = tablet.new_page()
    page.goto("/tablet")
    page.click(f"[data-trial='{trial}']")
    page.click("main[data-screen=start] ~ footer .go")
    page.click("main[data-screen=warm] ~ footer .go")
    page.wait_for_selector("main[data-screen=bow]")
    return page


def rate(page: Page, overall: int) -> None:
    """Rate the bow on the screen, once it is there whole, and go on."""
    until_true(page, "() => document.getElementById('place').textContent.startsWith('Bow ')", "a bow")
    before = page.inner_text("#place")
    page.check(f"#overall-{overall}")
    page.click("footer .go")
    until_true(page, f"() => document.getElementById('place').textContent !== {before!r}", "another screen")


def status_is(page: Page, beginning: str) -> None:
    until_true(page, f"() => document.getElementById('status').textContent.startsWith({beginning!r})", beginning)


def stored(site: Shop, trial: str) -> list[tuple[int, int, int]]:
    return [(one.position, one.revision, one.ratings["overall"]) for one in site.sheets(trial)]


@pytest.mark.parametrize("seed", SEEDS)
def test_whatever_goes_wrong_every_rating_given_is_stored_exactly_once(browser: Browser, site: Shop, seed: int) -> None:
    key, given = offline.played(browser, site, seed)
    assert len(given.sheets) == 4
    assert given.cuts + given.reloads + given.closed > 0
    offline.check(site, key, given)


def test_once_opened_a_trial_is_played_to_its_end_without_network(
    tablet: BrowserContext, site: Shop, trial: str
) -> None:
    page = begun(tablet, trial)
    tablet.set_offline(True)
    play_strokes(page, ("clean", "broken", "noisy", "clean"))
    page.reload()
    play_strokes(page, ("clean", "clean", "broken", "clean"), first=5)
    page.click("main[data-screen=probed] ~ footer .go")
    rate(page, 3)
    status_is(page, "No network. 1 sheet waits on this device; it is safe.")
    page.close()
    page = tablet.new_page()
    page.goto("/tablet")
    page.wait_for_selector("main[data-screen=bow]")
    rate(page, 4)
    rate(page, 5)
    page.wait_for_selector("main[data-screen=thanks]")
    status_is(page, "No network. 3 sheets wait on this device; they are safe.")
    assert stored(site, trial) == []
    tablet.set_offline(False)
    all_sent(page)
    assert [(run.position, run.overall, run.clean_strokes) for run in site.runs(trial)] == [
        (1, 3, 5),
        (2, 4, None),
        (3, 5, None),
    ]
    assert [one.flags for one in site.sheets(trial)] == ["", "", "", ""]
    given = ("clean", "broken", "noisy", "clean", "clean", "clean", "broken", "clean")
    in_order = dict(zip(strokes.order(trial, 1, "F"), given, strict=True))
    marks = [str(playable_range.MARKS.index(in_order[place])) for place in range(8)]
    assert site.runs(trial)[0].strokes == " ".join(marks)


def test_a_reply_lost_after_the_commit_doubles_nothing(tablet: BrowserContext, site: Shop, trial: str) -> None:
    page = begun(tablet, trial)
    site.weather.share, site.weather.faults = 1.0, ("lost",)
    rate(page, 3)
    status_is(page, "No network. 1 sheet waits")
    assert stored(site, trial) == [(1, 1, 3)], "it was stored, but the tablet does not know"
    site.weather.share = 0.0
    all_sent(page)
    assert stored(site, trial) == [(1, 1, 3)]
    assert site.sheets(trial)[0].flags == ""


def test_what_waits_is_saved_to_a_file_without_network_and_loaded_once(
    tablet: BrowserContext, site: Shop, trial: str, tmp_path: Path
) -> None:
    page = begun(tablet, trial)
    tablet.set_offline(True)
    for overall in (3, 4, 5):
        rate(page, overall)
    with page.expect_download() as downloading:
        page.click("[data-do=save]")
    file = tmp_path / downloading.value.suggested_filename
    downloading.value.save_as(file)
    assert file.name.startswith("waiting-sheets-")
    for _time in range(2):
        with site.database.writing() as session:
            loaded = offline_export.load(session, site.users[0], DEALER, file.read_bytes())
        assert (loaded.sheets, loaded.left_out) == (3, ())
    altered = json.loads(file.read_text())
    altered["content"] = altered["content"].replace('"overall":3', '"overall":7')
    with site.database.writing() as session, pytest.raises(ConflictError, match="something in it was changed"):
        offline_export.load(session, site.users[0], DEALER, json.dumps(altered).encode())
    tablet.set_offline(False)
    all_sent(page)
    assert stored(site, trial) == [(1, 1, 3), (2, 1, 4), (3, 1, 5)]


def test_a_revoked_tablet_keeps_what_waits_and_says_so(tablet: BrowserContext, site: Shop, trial: str) -> None:
    page = begun(tablet, trial)
    with site.database.writing() as session:
        session.execute(update(tables.Tablet).values(revoked_at=OPENED))
    rate(page, 3)
    status_is(page, "1 sheet waits on this device; it is safe. This tablet is no longer enrolled here.")
    page.reload()
    page.wait_for_selector("main[data-screen=bow]")
    status_is(page, "1 sheet waits on this device")
    with site.database.writing() as session:
        session.execute(update(tables.Tablet).values(revoked_at=None))
    page.reload()
    all_sent(page)
    assert stored(site, trial) == [(1, 1, 3)]


def test_two_tablets_on_one_trial_are_both_kept_and_the_first_counts(
    browser: Browser, tablet: BrowserContext, site: Shop, trial: str
) -> None:
    other = enrolled(browser, site)
    first, second = begun(tablet, trial), begun(other, trial)
    rate(first, 3)
    all_sent(first)
    rate(second, 6)
    all_sent(second)
    kept = [(one.ratings["overall"], one.flags, one.counts) for one in site.sheets(trial)]
    assert kept == [(3, "", True), (6, "other_device", False)]
    other.close()


def test_two_tabs_of_one_tablet_share_each_sheet(tablet: BrowserContext, site: Shop, trial: str) -> None:
    first = begun(tablet, trial)
    second = tablet.new_page()
    second.goto("/tablet")
    second.wait_for_selector("main[data-screen=bow]")
    rate(first, 3)
    all_sent(first)
    rate(second, 6)
    all_sent(second)
    assert stored(site, trial) == [(1, 1, 3), (1, 2, 6)]
    assert [one.flags for one in site.sheets(trial)] == ["", ""]
    assert [run.overall for run in site.runs(trial)] == [6]


def test_a_trial_closed_at_the_desk_ends_on_the_tablet_and_what_was_rated_is_kept(
    tablet: BrowserContext, site: Shop, trial: str
) -> None:
    page = begun(tablet, trial)
    page.check("#overall-4")
    with site.database.writing() as session:
        session.execute(update(tables.Composition).values(state="closed", closed_at=OPENED))
    tablet.set_offline(True)
    tablet.set_offline(False)  # coming back, the tablet asks at once
    page.wait_for_selector("main[data-screen=over]")
    all_sent(page)
    assert stored(site, trial) == [(1, 1, 4)]
    assert site.sheets(trial)[0].flags == "late"


def test_a_phone_plays_a_trial_by_post_without_network_and_once_more(browser: Browser, site: Shop) -> None:
    trial = site.new_trial(("F",), place=Place.POST)
    context = browser.new_context(viewport={"width": 390, "height": 800}, base_url=site.address)
    context.set_default_timeout(shop.SECONDS * 1000)
    page = context.new_page()
    page.goto(site.link(trial))
    page.wait_for_selector("main[data-screen=start]")
    until_true(page, KEPT, "the page to be kept")
    page.click("footer .go")
    page.click("main[data-screen=warm] ~ footer .go")
    context.set_offline(True)
    page.wait_for_selector("main[data-screen=bow]")
    rate(page, 3)
    page.close()
    page = context.new_page()
    page.goto(site.link(trial))
    page.wait_for_selector("main[data-screen=bow]")
    rate(page, 4)
    rate(page, 5)
    page.wait_for_selector("main[data-screen=thanks-link]")
    expect(page.locator("[data-unsaved]")).to_be_visible()
    context.set_offline(False)
    all_sent(page)
    expect(page.locator("p[data-saved]")).to_be_visible()
    assert stored(site, trial) == [(1, 1, 3), (2, 1, 4), (3, 1, 5)]
    first = [one.letter for one in site.sheets(trial)]
    page.click("main[data-screen=thanks-link] form[action$='/sitting'] button")
    page.wait_for_selector("main[data-screen=start]")
    page.click("footer .go")
    page.click("main[data-screen=warm] ~ footer .go")
    page.wait_for_selector("main[data-screen=bow]")
    for mark in (6, 7, 2):
        rate(page, mark)
    page.wait_for_selector("main[data-screen=thanks-link]")
    all_sent(page)
    assert stored(site, trial)[3:] == [(4, 1, 6), (5, 1, 7), (6, 1, 2)], "and the first sitting stands as it was"
    assert [one.letter for one in site.sheets(trial)][3:] == first[::-1]
    context.close()
