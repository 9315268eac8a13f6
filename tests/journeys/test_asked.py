"""Asked once, before the first bow, whether the ratings may help others: on the tablet and on a phone, with or without network."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, expect
from sqlalchemy import select, update

from service import tables
from tests.journeys import shop
from tests.journeys.shop import Shop, all_sent, enrolled
from tests.journeys.test_offline import rate


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shop]:
    with shop.opened(tmp_path_factory.mktemp("asked")) as opened:
        yield opened


@pytest.fixture
def trial(site: Shop) -> str:
    """A trial whose player was not asked, and is in no model."""
    key = site.new_trial(("F",))
    with site.database.writing() as session:
        session.execute(update(tables.Player).values(in_model=False, asked_at=None))
    return key


def said(site: Shop, trial: str) -> tuple[bool, bool]:
    """Return whether the player is in the model, and whether anybody asked."""
    with site.database.reading() as session:
        theirs = select(tables.Player).join(tables.Trial, tables.Trial.player == tables.Player.id)
        player = session.scalars(theirs.where(tables.Trial.key == trial)).one()
        return player.in_model, player.asked_at is not None


def play(page: Page, answer: str) -> None:
    """Answer on the first screen, go back to it once, and rate the first bow."""
    page.wait_for_selector("main[data-screen=start]")
    expect(page.locator("[data-may-help]")).to_be_visible()
    if answer:
        page.check(f"[data-may-help] input[value={answer}]")
    page.click("footer .go")
    page.click("main[data-screen=warm] ~ footer .back")
    page.wait_for_selector("main[data-screen=start]")
    expect(page.locator("[data-may-help] input:checked")).to_have_count(1 if answer else 0)
    page.click("footer .go")
    page.click("main[data-screen=warm] ~ footer .go")
    page.wait_for_selector("main[data-screen=bow]")
    rate(page, 3)


@pytest.mark.parametrize(("answer", "expected"), [("yes", (True, True)), ("no", (False, True)), ("", (False, False))])
def test_what_is_said_on_the_tablet_comes_with_the_sheets_and_is_not_asked_again(
    browser: Browser, site: Shop, trial: str, answer: str, expected: tuple[bool, bool]
) -> None:
    context = enrolled(browser, site)
    page = context.new_page()
    page.goto("/tablet")
    page.click(f"[data-trial='{trial}']")
    page.wait_for_selector("main[data-screen=start]")
    context.set_offline(True)
    play(page, answer)
    assert said(site, trial) == (False, False)
    context.set_offline(False)
    all_sent(page)
    assert said(site, trial) == expected
    context.close()
    again = enrolled(browser, site)
    page = again.new_page()
    page.goto("/tablet")
    page.click(f"[data-trial='{trial}']")
    page.wait_for_selector("main[data-screen=start]")
    expect(page.locator("[data-may-help]")).to_be_visible(visible=answer == "")
    again.close()


def test_a_phone_asks_too(browser: Browser, site: Shop, trial: str) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 800}, base_url=site.address)
    context.set_default_timeout(shop.SECONDS * 1000)
    page = context.new_page()
    page.goto(site.link(trial))
    play(page, "yes")
    all_sent(page)
    assert said(site, trial) == (True, True)
    context.close()
