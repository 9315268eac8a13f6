"""A player fills in the form: four instruments, three widths, with and without scripts, by keyboard alone."""

import re
from collections.abc import Callable
from typing import Literal

import pytest
from playwright.sync_api import Page, expect
from sqlalchemy import func, select

from service.dealers import shop_card
from service.dealers.colours import DARK, LIGHT, Scheme
from service.tables import Enquiry
from tests.journeys import measures
from tests.journeys.conftest import Opened, Site
from tests.journeys.going import enter, follow

Keep = Callable[[Page, str], None]
SCHEMES: dict[Literal["light", "dark"], Scheme] = {"light": LIGHT, "dark": DARK}
INSTRUMENTS = ("violin", "viola", "cello", "double_bass")
WIDTHS: dict[int, Literal["light", "dark"]] = {390: "light", 1024: "dark", 1440: "light", 391: "dark"}
"""Each width in one of the two schemes, the phone's in both."""
RATED = {
    "violin": {"overall": 4, "tone": 5, "clarity": 4},
    "viola": {"overall": 5, "tone": 5},
    "cello": {"overall": 4, "response": 3, "steadiness": 5},
    "double_bass": {"overall": 4, "response": 3},
}


def answer_instrument(page: Page, instrument: str) -> None:
    page.check(f"#instrument-{instrument}")
    if instrument == "double_bass":
        page.check("#hold-german")
        page.check("#strings-4")
        page.fill("#string_length_mm", "1050")


def answer_own_bow(page: Page, instrument: str) -> None:
    page.check("#own_bow-yes")
    page.check("#own_kind-wood")
    for criterion, rating in RATED[instrument].items():
        page.check(f"#own_rating_{criterion}-{rating}")


def answer_wishes(page: Page, _instrument: str) -> None:
    page.select_option("#priority_1", "response")
    page.select_option("#priority_2", "off_string")
    page.check("#wish_mass--1")


def answer_budget(page: Page, _instrument: str) -> None:
    page.fill("#amount", "4000")
    page.check("#stretch_percent-10")
    page.check("#minutes-40")
    page.check("#place-shop")


ANSWERS: dict[str, Callable[[Page, str], None]] = {
    "instrument": answer_instrument,
    "work": lambda page, _instrument: page.check("#settings-orchestra"),
    "own-bow": answer_own_bow,
    "wishes": answer_wishes,
    "budget": answer_budget,
    "contact": lambda page, _instrument: page.fill("#name", ""),
}


def fill_in(page: Page, instrument: str, on_each: Callable[[str], None] = lambda _name: None) -> None:
    """Go from the start to the answer; ``on_each`` is called on every page once it is filled in."""
    on_each("0-start")
    follow(page)
    for number, (step, answer) in enumerate(ANSWERS.items(), start=1):
        assert page.url.endswith(step)
        answer(page, instrument)
        on_each(f"{number}-{step}")
        follow(page)
    assert "/advice/" in page.url
    on_each("7-answer")


@pytest.mark.parametrize("instrument", INSTRUMENTS)
def test_the_form_leads_to_an_answer_and_fits_every_width(opened: Opened, picture: Keep, instrument: str) -> None:
    page = opened("/")

    def look(name: str) -> None:
        for width, scheme in WIDTHS.items():
            page.set_viewport_size({"width": width, "height": 800})
            page.emulate_media(color_scheme=scheme)
            measures.check(page, width)
            picture(page, f"{width}-{name}")

    fill_in(page, instrument, look)
    assert page.locator(".tier").count() >= 1
    assert page.locator(".steps [aria-current]").count() == 1
    page.locator("summary").click()
    expect(page.locator("details tbody tr")).to_have_count(page.locator(".tier").count())
    look("8-numbers")


def test_the_grounds_that_a_dealers_colours_are_fitted_to_are_those_of_the_pages(opened: Opened) -> None:
    page = opened("/", 390)
    for name, scheme in SCHEMES.items():
        page.emulate_media(color_scheme=name)
        asked = [f"--{ground}" for ground in ("paper", "card", "wash", "on-spruce")]
        found = page.evaluate("(names) => names.map((n) => getComputedStyle(document.body).getPropertyValue(n))", asked)
        assert [each.strip() for each in found] == [*scheme.grounds, scheme.words]


def test_on_the_narrowest_screen_nothing_scrolls_sideways(opened: Opened, picture: Keep) -> None:
    page = opened("/?dealer=quince-court", 320)

    def look(name: str) -> None:
        measures.check(page, 320)
        picture(page, name)

    fill_in(page, "double_bass", look)


def test_the_form_works_without_scripts(opened: Opened) -> None:
    page = opened("/", 390, java_script_enabled=False)
    fill_in(page, "double_bass")


def test_the_double_bass_is_asked_in_place_once_it_is_chosen(opened: Opened) -> None:
    page = opened("/", 390)
    follow(page)
    expect(page.locator("#hold-german")).to_be_hidden()
    page.check("#instrument-double_bass")
    expect(page.locator("#hold-german")).to_be_visible()
    page.check("#instrument-cello")
    expect(page.locator("#hold-german")).to_be_hidden()


def test_i_have_none_takes_the_questions_on_the_own_bow_away(opened: Opened) -> None:
    page = opened("/", 390)
    follow(page)
    page.check("#instrument-cello")
    follow(page)
    follow(page)
    expect(page.locator("#own_rating_overall-4")).to_be_visible()
    page.check("#own_bow-none")
    expect(page.locator("#own_rating_overall-4")).to_be_hidden()


def tab_to(page: Page, name: str) -> None:
    """Press Tab until the control of an id, or one of its group, has the focus; a user has patience for 60."""
    for _ in range(60):
        page.keyboard.press("Tab")
        focus = page.evaluate("() => document.activeElement.id || document.activeElement.className")
        if focus == name:
            return
    pytest.fail(f"{name} cannot be reached by Tab on {page.url}")


def test_the_form_can_be_filled_in_by_keyboard_alone(opened: Opened) -> None:
    page = opened("/", 1024)
    tab_to(page, "skip")
    tab_to(page, "go")
    enter(page)
    tab_to(page, "instrument-violin")
    page.keyboard.press("Space")
    for _ in range(3):
        page.keyboard.press("ArrowDown")
    expect(page.locator("#instrument-double_bass")).to_be_checked()
    tab_to(page, "hold-german")
    page.keyboard.press("Space")
    tab_to(page, "go")
    enter(page)
    tab_to(page, "settings-orchestra")
    page.keyboard.press("Space")
    enter(page)
    tab_to(page, "own_bow-yes")
    page.keyboard.press("Space")
    tab_to(page, "own_rating_overall-1")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#own_rating_overall-2")).to_be_checked()
    enter(page)
    assert page.url.endswith("/wishes")
    tab_to(page, "go")
    enter(page)
    tab_to(page, "amount")
    page.keyboard.type("3000")
    enter(page)
    tab_to(page, "email")
    enter(page)
    assert "/advice/" in page.url, "Enter in a field goes on, not back to an answer"


def test_what_is_wrong_has_the_focus_and_leads_to_its_field(opened: Opened, picture: Keep) -> None:
    page = opened("/", 390)
    follow(page)
    page.check("#instrument-viola")
    follow(page)
    follow(page)
    page.fill("#own_mass_g", "7000")
    follow(page)
    assert page.title().startswith("Error")
    expect(page.locator("#faults")).to_be_focused()
    page.locator("#faults a").click()
    expect(page.locator("#own_mass_g")).to_be_focused()
    assert page.input_value("#own_mass_g") == "7000"
    measures.check(page, 390)
    picture(page, "faults")


def enquiries(site: Site) -> int:
    with site.reading() as session:
        return session.scalar(select(func.count()).select_from(Enquiry)) or 0


def test_a_double_click_a_reload_and_going_back_give_one_enquiry(opened: Opened, live_server: Site) -> None:
    page = opened("/", 390)
    before = enquiries(live_server)
    follow(page)
    page.check("#instrument-violin")
    follow(page)
    for _ in range(4):
        follow(page)
    page.locator(".buttons .go").dblclick()
    page.wait_for_url("**/advice/*", wait_until="load")
    answer = page.url
    page.reload()
    page.go_back()
    assert page.url == answer, "the draft's address leads to the answer"
    assert enquiries(live_server) == before + 1


def test_a_chosen_priority_is_not_offered_twice(opened: Opened) -> None:
    page = opened("/", 390)
    follow(page)
    page.check("#instrument-violin")
    for _ in range(3):
        follow(page)
    page.select_option("#priority_1", "tone")
    expect(page.locator("#priority_2 option[value=tone]")).to_be_disabled()
    page.select_option("#priority_1", "")
    expect(page.locator("#priority_2 option[value=tone]")).to_be_enabled()


PAPERS = {"A4": (210, 297), "Letter": (216, 279)}
"""Millimetres (ISO 216; ANSI/ASME Y14.1)."""
SIDES_MM = 36
"""Both margins that the style sheet asks for."""


LONGEST_TERMS = dict.fromkeys(shop_card.TERMS, ("A bow goes home for a week, insured by us. " * 12)[:500])
LONGEST_TERMS |= {
    "address": "Quay Street 12\n1020 Vienna\nAustria",
    "opening": "Tue to Fri 10 to 18\nSat 10 to 14\nand as agreed",
}


def test_the_answer_prints_whole(opened: Opened, live_server: Site, picture: Keep) -> None:
    page = opened("/?dealer=quince-court", 1024, color_scheme="dark")
    fill_in(page, "cello")
    page.emulate_media(media="print")
    for paper, (width, _height) in PAPERS.items():
        assert page.pdf(format=paper).startswith(b"%PDF")
        # A CSS pixel is 1/96 of an inch (CSS Values 4, 6.2).
        page.set_viewport_size({"width": int((width - SIDES_MM) / 25.4 * 96), "height": 900})
        measures.check_reflow(page)
        for table in page.locator("table").all():
            assert (table.bounding_box() or {"height": 0})["height"] > 40, "the numbers are printed"
        picture(page, paper)
    ink = page.evaluate("() => getComputedStyle(document.body).color + getComputedStyle(document.body).backgroundColor")
    assert ink == "rgb(0, 0, 0)rgb(255, 255, 255)"
    expect(page.locator("text=Change your answers")).to_be_hidden()
    for terms in (LONGEST_TERMS, {}):
        with live_server.database.writing() as session:
            shop_card.keep(session, None, "quince-court", **terms)
        check_sheet(page, picture)


def check_sheet(page: Page, picture: Keep) -> None:
    """The answer that is brought along to the shop fits one sheet of either paper, with the desk's code on it."""
    for language in ("de", "fr"):
        page.goto(f"{page.url.partition('/print')[0]}/print?lang={language}")
        for paper, (width, height) in PAPERS.items():
            page.emulate_media(media="print")
            page.set_viewport_size({"width": int((width - 26) / 25.4 * 96), "height": int((height - 18) / 25.4 * 96)})
            measures.check_reflow(page)
            expect(page.locator(".code svg")).to_be_in_viewport()
            # ISO 32000-1, 7.7.3.3: every page is a dictionary of this type.
            assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) == 1, f"{language}, {paper}"
            picture(page, f"sheet {language} {paper}")
