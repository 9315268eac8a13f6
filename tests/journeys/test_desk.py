"""An adviser at the desk: composing, a trial from its opening to what came of it, a parcel, papers; at three widths, with and without scripts."""

import datetime as dt
import io
import json
import uuid
from collections.abc import Callable, Iterator

import numpy as np
import pytest
import soundfile
from playwright.sync_api import Page, expect
from sqlalchemy import select

from service import tables
from service.accounts import users
from service.advice import advise
from service.questionnaire import forms
from service.questionnaire.sheet_fields import SheetIn
from service.trials import desk_reads, sheets
from service.web import staff_sessions
from tests.journeys import measures
from tests.journeys.conftest import Opened, Site
from tests.journeys.going import follow, waiting

Keep = Callable[[Page, str], None]
DEALER = "quince-court"
WIDTHS = {1440: "light", 1024: "dark", 390: "light"}
PAPERS = {"A4": 210.0, "Letter": 215.9}
"""Widths in mm (ISO 216; ANSI Y14.1)."""
SIDES_MM = 30.0
"""Both margins that the style sheet asks for."""
ENQUIRY = {
    "instrument": "double_bass",
    "hold": "french",
    "settings": ["orchestra"],
    "budget": {"amount": 3800, "currency": "EUR", "stretch_percent": 10},
    "priorities": ["response"],
    "own_bow": {"kind": "wood", "ratings": {"overall": 4}},
    "trial": {"minutes": 60, "place": "shop"},
    "contact": {"name": "Clara Ahrens (invented)", "consent": {"advice": True}},
}
_BEYOND = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"


class Adviser:
    """Somebody signed in at the desk, in a browser."""

    def __init__(self, opened: Opened, site: Site, picture: Keep) -> None:
        self.opened, self.site, self.picture = opened, site, picture
        with site.database.writing() as session:
            email = f"{uuid.uuid4().hex}@bows.example"
            account = users.add(session, email, "adviser", DEALER).account
            session.get_one(tables.User, account.id).name = "Ada Lindqvist (invented)"
            self.secret = staff_sessions.begin(session, account.id)

    def open(self, path: str, width: int = 1440, **options: object) -> Page:
        """Open a page of the desk."""
        page = self.opened("/", width, **options)
        page.context.add_cookies([{"name": "desk", "value": self.secret, "url": self.site.address}])
        page.goto(path)
        return page

    def look(self, page: Page, name: str) -> None:
        """Measure the page at every width and keep a picture of each."""
        for width, scheme in WIDTHS.items():
            page.set_viewport_size({"width": width, "height": 900})
            page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type] # one of the two words
            measures.check(page, width)
            self.picture(page, f"{name}-{width}")
        page.set_viewport_size({"width": 1440, "height": 900})

    def enquire(self) -> str:
        """Let a player ask, and return the enquiry's id."""
        body = {**ENQUIRY, "dealer": DEALER, "id": str(uuid.uuid4())}
        with self.site.database.writing() as session:
            found: str = advise.advise(session, forms.check(body))["id"]
        return found

    def rate(self, key: str, marks: list[int]) -> None:
        """Let sheets come in for the first places of a trial."""
        with self.site.database.reading() as session:
            slots = desk_reads.trial(session, DEALER, key).slots
        for slot, mark in zip(slots, marks, strict=False):
            now = dt.datetime.now(dt.UTC).isoformat()
            told = {"revision": 1, "position": slot.position, "letter": slot.letter, "rater": "player"}
            sheet = {
                **told,
                "ratings": {"overall": mark, "response": mark},
                "note": None,
                "rated_at": now,
                "sent_at": now,
            }
            with self.site.database.writing() as session:
                run = f"{key}-{slot.position}"
                sheets.record(session, DEALER, key, run, SheetIn.model_validate_json(json.dumps(sheet)), "a test")


@pytest.fixture
def adviser(opened: Opened, live_server: Site, picture: Keep) -> Iterator[Adviser]:
    """Give an adviser; at the end every trial is given back, so that the next one finds the same stock."""
    person = Adviser(opened, live_server, picture)
    yield person
    with live_server.database.writing() as session:
        now = dt.datetime.now(dt.UTC)
        for carried in session.scalars(select(tables.TrialCopy).where(tables.TrialCopy.back_at.is_(None))):
            carried.out_at, carried.back_at = carried.out_at or now, now
        for composition in session.scalars(select(tables.Composition)):
            composition.state, composition.closed_at = "closed", composition.closed_at or now
        away = ("reserved", "on_trial", "in_transit")
        for copy in session.scalars(
            select(tables.Copy).where(tables.Copy.status.in_(away), tables.Copy.dealer == DEALER)
        ):
            copy.status = "in_stock"


def key_of(page: Page) -> str:
    return page.url.split("/desk/trials/")[1].split("#")[0]


def test_a_trial_is_composed_played_and_kept(adviser: Adviser) -> None:
    page = adviser.open(f"/desk/enquiries/{adviser.enquire()}")
    adviser.look(page, "1-enquiry")
    follow(page, "text=Compose a trial")
    adviser.look(page, "2-compose")
    follow(page, ".effect .go")
    adviser.look(page, "3-planned")
    key = key_of(page)
    follow(page, ".next .go")
    adviser.rate(key, [6, 4])
    page.reload()
    adviser.look(page, "4-open")
    adviser.rate(key, [6, 4, 5, 3, 4, 6, 5, 4, 5, 3])
    page.reload()
    adviser.look(page, "5-played")
    follow(page, ".pair-form button[value=start]")
    assert "Pair 1: hand over" in page.inner_text("#handing")
    adviser.look(page, "6-pairs")
    follow(page, ".next .go")
    follow(page, "text=Reveal the key …")
    adviser.look(page, "7-reveal")
    follow(page, "main .go")
    assert "DB-" in page.inner_text(".standing")
    follow(page, ".taps button >> nth=0")
    assert "Kept: DB-" in page.inner_text(".outcome")
    adviser.look(page, "8-kept")


def test_what_a_swap_does_is_seen_at_once(adviser: Adviser) -> None:
    page = adviser.open("/desk/compose?instrument=double_bass+french&budget=4000&minutes=60")
    before = page.inner_text("#effect .lead")
    page.locator("input[name=copies]:checked").first.uncheck()
    expect(page.locator("#effect .lead")).not_to_have_text(before)
    expect(page.locator(".effect button[value=look]")).to_be_hidden()
    while page.locator("input[name=copies]:checked").count():
        page.locator("input[name=copies]:checked").first.uncheck()
    expect(page.locator("#effect")).to_contain_text("No bow is chosen yet.")


def test_without_scripts_a_swap_is_looked_at_by_a_button(adviser: Adviser) -> None:
    page = adviser.open("/desk/compose", java_script_enabled=False)
    page.locator("[id='instrument-double_bass french']").check()
    page.check("#budget-4000")
    follow(page, ".walk-in .go")
    before = page.inner_text("#effect .lead")
    page.locator("input[name=copies]:checked").first.uncheck()
    follow(page, ".effect button[value=look]")
    assert page.inner_text("#effect .lead") != before
    follow(page, "button[value=set] >> nth=0")
    assert page.inner_text("h1").startswith("Trial ")


def test_a_walk_in_is_composed_by_three_taps_on_a_tablet(adviser: Adviser) -> None:
    page = adviser.open("/desk/compose", 1024)
    adviser.look(page, "1-asked")
    page.set_viewport_size({"width": 1024, "height": 768})
    for tap in ("label:has([id='instrument-double_bass french'])", "label:has(#budget-4000)"):
        page.click(tap)
    follow(page, ".walk-in .go")
    assert page.locator("input[name=copies]:checked").count() >= 2
    adviser.look(page, "2-proposed")
    for width, height in ((1024, 768), (1440, 900)):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("() => document.documentElement.scrollHeight") <= 2 * height
    page.fill("#name", "Bo Lind (invented)")
    page.click("label:has(#consent_advice)")
    follow(page, ".effect .go")
    follow(page, ".next .go")
    # From the door to the first bow: the way here from today's page, three taps, a fourth for the consent, and these two.
    assert "Hand over next: Bow" in page.inner_text("#order")


def test_the_standing_comes_by_itself_and_leaves_the_focus_where_it_is(adviser: Adviser) -> None:
    page = adviser.open(f"/desk/compose?enquiry={adviser.enquire()}")
    follow(page, ".effect .go")
    follow(page, ".next .go")
    key = key_of(page)
    page.focus("#one")
    page.evaluate("() => { document.getElementById('case-fold').open = true; }")
    adviser.rate(key, [6, 4, 5])
    waiting(page, lambda: page.inner_text("#standing").startswith("3 of"))
    expect(page.locator("#one")).to_be_focused()
    assert page.evaluate("() => document.getElementById('case-fold').open")
    assert page.locator("#standing .picture").count() == 1


def test_a_parcel_is_confirmed_sent_and_its_papers_print_whole(adviser: Adviser) -> None:
    page = adviser.open("/desk/compose?instrument=double_bass+french&budget=4000&minutes=75")
    page.check("#place-post")
    expect(page.locator("#blinding-masked")).to_be_checked()
    page.fill("#country", "AT")
    page.fill("#name", "Bo Lind (invented)")
    page.check("#consent_advice")
    follow(page, ".effect .go")
    adviser.look(page, "1-waits")
    key = key_of(page)
    with adviser.site.database.reading() as session:
        crosses = desk_reads.trial(session, DEALER, key).materials.waits
    if crosses:
        page.fill("#by", "Ada Lindqvist (invented)")
        follow(page, ".next .go")
    follow(page, "button[name=rater][value=player]")
    adviser.look(page, "2-to-send")
    for name in ("sheet", "letters", "key", "parcel", "loan"):
        _check_paper(adviser, page, f"/desk/trials/{key}/print/{name}", name)


def _check_paper(adviser: Adviser, page: Page, path: str, name: str) -> None:
    """Look at a paper on screens of every width, and at the widths of A4 and Letter as it is printed."""
    page.emulate_media(media="screen")
    page.goto(path)
    adviser.look(page, f"3-{name}")
    page.emulate_media(media="print", color_scheme="dark")
    expect(page.locator(".masthead")).to_be_hidden()
    for paper, width in PAPERS.items():
        assert page.pdf(format=paper).startswith(b"%PDF")
        # A CSS pixel is 1/96 of an inch (CSS Values 4, 6.2).
        page.set_viewport_size({"width": int((width - SIDES_MM) / 25.4 * 96), "height": 900})
        measures.check_reflow(page)
        adviser.picture(page, f"3-{name}-{paper}")
    ink = page.evaluate("() => getComputedStyle(document.body).color + getComputedStyle(document.body).backgroundColor")
    assert ink == "rgb(0, 0, 0)rgb(255, 255, 255)"


def test_whatever_is_wanted_is_found_within_two_actions_and_a_printed_number_in_one(adviser: Adviser) -> None:
    enquiry, another = adviser.enquire(), adviser.enquire()
    number = enquiry.partition("-")[0].upper()

    def type_(page: Page, text: str) -> None:
        page.get_by_role("search").first.get_by_role("searchbox").fill(text)
        with page.expect_navigation():
            page.keyboard.press("Enter")

    page = adviser.open("/desk/stock?instrument=cello")
    type_(page, number)  # typed as it stands on the paper
    assert page.url.endswith(f"/desk/enquiries/{enquiry}")
    type_(page, f"{adviser.site.address}/desk/enquiries/{another}")  # scanned: a scanner types the code and Enter
    assert page.url.endswith(f"/desk/enquiries/{another}")
    type_(page, "ahrens cl")
    adviser.picture(page, "found")
    follow(page, f"main a[href='/desk/enquiries/{enquiry}']")
    page.goto("/desk/enquiries?show=all&search=ahr&order=oldest&since=2020-01-01")
    adviser.picture(page, "narrowed")
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save what is shown").click()
    assert saved.value.path().read_text(encoding="utf-8").count("Clara Ahrens") == page.locator("main li.line").count()
    with page.expect_navigation():
        page.get_by_role("link", name="Show all again").click()
    assert page.url.endswith("/desk/enquiries?show=all")


@pytest.mark.parametrize("path", ["", "/enquiries?show=all", "/trials", "/stock?instrument=cello", "/players"])
def test_lists_hold_together_at_every_width(adviser: Adviser, path: str) -> None:
    adviser.enquire()
    adviser.look(adviser.open(f"/desk{path}"), "list")


def test_one_bow_holds_together_and_is_rehaired(adviser: Adviser) -> None:
    page = adviser.open("/desk/stock?instrument=cello")
    follow(page, "table.stock th a >> nth=0")
    adviser.look(page, "bow")
    page.check("#event-rehaired")
    follow(page, "form[action$=event] .go")
    assert page.locator(".notice[role=status]").count() == 1
    follow(page, "a[href$='/bench']")
    adviser.look(page, "bench")
    page.click("[data-start]")
    expect(page.locator(".recorder [role=status]")).to_contain_text("does not let this page listen")
    page.context.grant_permissions(["microphone"])
    sound, rate = soundfile.read(io.BytesIO(_recorded(page)))
    # One channel of what the microphone heard, at its pitch; gaps of a busy machine may be in it.
    assert sound.ndim == 1
    assert 0.3 < abs(sound).max() < 0.6
    assert abs(np.fft.rfftfreq(sound.size, 1.0 / rate)[abs(np.fft.rfft(sound)).argmax()] - 440.0) < 5.0
    follow(page, "[data-recorder] + .buttons button")
    expect(page.locator(".bench-curve >> nth=0").or_(page.locator("#file-fault"))).to_be_visible()


def _recorded(page: Page) -> bytes:
    """Record a blow until it has died away, and return the file that stands in the form's field then."""
    page.evaluate("() => { document.querySelector('.bench-recording').requestSubmit = () => null; }")
    page.click("[data-start]")
    # The loudest that was shown is kept in the page: who looks from without may come too late to see it.
    page.evaluate(
        "() => { const m = document.querySelector('meter'); setInterval(() => { m.title = Math.max(m.title, m.value); }, 20); }"
    )
    waiting(
        page,
        lambda: bool(
            page.evaluate(
                "() => { const m = document.querySelector('meter'); return m.title > 0.02 && m.value < 0.01; }"
            )
        ),
    )
    page.click("[data-stop]")
    expect(page.locator(".recorder [role=status]")).to_contain_text("Recorded")
    read = "() => document.querySelector('#file').files[0].arrayBuffer().then((b) => [...new Uint8Array(b)])"
    return bytes(page.evaluate(read))


def test_on_the_narrowest_screen_the_desk_does_not_scroll_sideways(adviser: Adviser) -> None:
    page = adviser.open(f"/desk/compose?enquiry={adviser.enquire()}", 320)
    assert page.evaluate(_BEYOND) <= 0
    follow(page, ".narrow-only .go")
    assert page.evaluate(_BEYOND) <= 0
    page.goto("/desk/stock?instrument=cello")
    assert page.evaluate(_BEYOND) <= 0
