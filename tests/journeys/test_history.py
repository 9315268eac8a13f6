"""A browser's history holds pages that can be asked for: back after a refused form leads to the form, and nothing is sent twice."""

from collections.abc import Callable
from urllib.parse import quote

from playwright.sync_api import Page, expect
from sqlalchemy import delete, func, select

from service import tables
from tests.journeys import test_sign_in
from tests.journeys.conftest import Opened, Site
from tests.journeys.going import follow
from tests.journeys.test_sign_in import desk, page, sign_in  # noqa: F401 - fixtures
from tests.service.cast import PASSWORD, Desk

Keep = Callable[[Page, str], None]
SERIAL = "DB-juniper-0"


def _events(desk_: Desk) -> int:
    with desk_.database.reading() as session:
        return session.scalar(select(func.count()).select_from(tables.Event)) or 0


def _send(page_: Page) -> None:
    follow(page_, page_.get_by_role("button", name="Record it"))


def test_back_after_a_refused_form_of_the_desk(page: Page, desk: tuple[str, Desk], picture: Keep) -> None:  # noqa: F811
    sign_in(page, "adviser", f"/desk/stock/{SERIAL}")
    page.fill("#note", "cracked frog (invented)")
    _send(page)  # what was done is not chosen
    expect(page.locator("#faults")).to_be_visible()
    assert page.input_value("#note") == "cracked frog (invented)"
    test_sign_in.look(page, "refused", picture)
    refused = page.url
    page.reload()
    expect(page.locator("#faults")).to_be_visible()
    page.go_back()
    expect(page.get_by_role("heading", name=SERIAL, exact=True)).to_be_visible()
    page.go_forward()
    assert page.url == refused
    page.check("#event-repaired")
    _send(page)
    assert "cracked frog" in page.inner_text(".events")
    page.go_back()  # of a post that was answered by itself Chromium shows 'Confirm form resubmission' here
    assert page.url == refused
    assert page.input_value("#note") == "cracked frog (invented)"
    page.go_back()
    expect(page.locator("#note")).to_be_visible()
    assert _events(desk[1]) == 1


def test_a_sign_in_that_ends_is_said_and_the_form_is_as_it_was(
    page: Page,  # noqa: F811
    desk: tuple[str, Desk],  # noqa: F811
    picture: Keep,
) -> None:
    page.clock.install()
    sign_in(page, "adviser", quote("/desk/compose?instrument=double_bass+german&budget=4000&minutes=75"))
    expect(page.locator("#ended")).to_be_hidden()
    chosen = page.locator("input[name=copies]").first
    chosen.set_checked(not chosen.is_checked())
    page.check("#place-post")
    page.fill("#country", "AT")
    page.fill("#name", "Bo Lind (invented)")
    ticked = page.eval_on_selector_all("input[name=copies]:checked", "all => all.map((one) => one.value)")
    with desk[1].database.writing() as session:
        session.execute(delete(tables.StaffSession))
    page.clock.run_for((2 * 60 - 4) * 60_000)
    expect(page.locator("#ended")).to_be_visible()
    test_sign_in.look(page, "ended", picture)
    follow(page, ".effect .go")
    assert "What you typed is kept" in page.inner_text("main")
    test_sign_in.look(page, "sign-in-again", picture)
    page.get_by_label("Your e-mail address").fill("adviser@bows.example")
    page.get_by_label("Password").fill(PASSWORD)
    follow(page, page.get_by_role("button", name="Sign in"))
    assert page.eval_on_selector_all("input[name=copies]:checked", "all => all.map((one) => one.value)") == ticked
    expect(page.locator("#place-post")).to_be_checked()
    assert (page.input_value("#country"), page.input_value("#name")) == ("AT", "Bo Lind (invented)")
    test_sign_in.look(page, "as-it-was", picture)


def test_back_after_a_refused_step_of_the_questionnaire(opened: Opened) -> None:
    page_ = opened("/")
    follow(page_, ".go")
    follow(page_)  # no instrument is chosen
    expect(page_.locator("#faults")).to_be_visible()
    refused = page_.url
    page_.check("#instrument-violin")
    follow(page_)
    page_.go_back()
    assert page_.url == refused
    expect(page_.locator("#instrument-violin")).to_be_visible()
    page_.reload()
    page_.go_back()
    expect(page_.locator("#instrument-violin")).to_be_visible()


def test_a_name_without_consent_is_handed_back_and_written_down_nowhere(live_server: Site, opened: Opened) -> None:
    page_ = opened("/")
    follow(page_, ".go")
    page_.check("#instrument-violin")
    address = page_.url.rsplit("/", 1)[0]
    follow(page_)
    page_.goto(f"{address}/contact")
    page_.fill("#name", "Ada Nameless (invented)")
    follow(page_)
    expect(page_.locator("#faults")).to_be_visible()
    assert page_.input_value("#name") == "Ada Nameless (invented)"
    with live_server.database.reading() as session:
        assert "Nameless" not in repr(session.scalars(select(tables.Draft.answers)).all())
    page_.go_back()
    page_.go_forward()
    assert page_.input_value("#name") == "Ada Nameless (invented)"
