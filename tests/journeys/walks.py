"""Pages that stand at the end of a way: the form step by step, mistakes in it, the tablet's screens, refusals."""

import re
from collections.abc import Callable, Mapping

from playwright.sync_api import Page, expect

from service.core.limits import RateLimit
from tests.journeys.every_page import CAREFUL, NOBODY, OWNER, READER, WORKSHOP, Visit
from tests.journeys.going import follow
from tests.journeys.one_of_each import DEALER, PASSWORD
from tests.journeys.shop import until_true

Walk = Callable[[Visit], None]


def form(visit: Visit) -> None:
    """Fill the form in, each step first with something wrong where that is possible."""
    page = visit.page()
    page.goto("/")
    follow(page)
    visit.world.places["draft"] = page.url.split("/form/")[1].split("/")[0]
    follow(page)
    visit.at(page, "instrument, nothing chosen")
    page.check("#instrument-double_bass")
    visit.at(page, "instrument")
    page.fill("#string_length_mm", "9")
    follow(page)
    visit.at(page, "instrument, wrong string length")
    page.goto(page.url.partition("?")[0].rpartition("/")[0] + "/double-bass")
    visit.at(page, "double bass")
    page.check("#hold-german")
    page.fill("#string_length_mm", "")
    follow(page)
    visit.at(page, "work")
    page.check("#settings-orchestra")
    follow(page)
    page.check("#own_bow-yes")
    visit.at(page, "own bow")
    page.check("#own_rating_overall-4")
    page.fill("#own_mass_g", "7000")
    follow(page)
    visit.at(page, "own bow, wrong mass")
    page.fill("#own_mass_g", "")
    follow(page)
    visit.at(page, "wishes")
    page.select_option("#priority_1", "response")
    follow(page)
    visit.at(page, "budget")
    page.fill("#amount", "x")
    follow(page)
    visit.at(page, "budget, no number")
    page.fill("#amount", "3000")
    follow(page)
    visit.at(page, "contact")
    page.fill("#email", "x")
    follow(page)
    visit.at(page, "contact, wrong address")
    page.fill("#email", "")
    follow(page)
    assert "/advice/" in page.url
    page.locator("summary").first.click()
    visit.at(page, "answer, its numbers shown")
    answer = page.url
    follow(page, "form[action$=mail] button")
    visit.at(page, "answer, nobody to mail it to")
    page.goto(answer)
    follow(page, "form[action$=again] button")
    visit.at(page, "again")


def framed(visit: Visit) -> None:
    """Fill the first steps in as they stand in a dealer's page, in the dealer's colours."""
    page = visit.page()
    page.goto(f"/embed/{visit.world.places['dealer']}/preview/{visit.language}-both/")
    follow(page)
    follow(page)
    visit.at(page, "framed instrument, nothing chosen")
    page.check("#instrument-cello")
    follow(page)
    follow(page)
    page.check("#own_bow-yes")
    page.check("#own_rating_overall-4")
    visit.at(page, "framed own bow")


def refusals(visit: Visit) -> None:
    """Meet what is not there, not allowed, expired, and asked too often."""
    page = visit.page()
    page.goto("/nothing-here")
    visit.look(page, "404")
    page.goto("/?dealer=nobody")
    follow(page)
    page.evaluate("() => { document.querySelector('[name=csrf]').value = 'old'; }")
    page.check("#instrument-cello")
    follow(page)
    visit.look(page, "403")
    _too_often(visit, page)
    page = visit.page(WORKSHOP)
    page.goto("/desk/users")
    visit.at(page, "403 at the desk")


def _too_often(visit: Visit, page: Page) -> None:
    state = visit.world.app.state
    usual, state.advice_limit = state.advice_limit, RateLimit(1)
    page.goto("/")
    follow(page)
    page.goto("/")
    follow(page)
    visit.look(page, "429")
    state.advice_limit = usual


def asking_for_data(visit: Visit) -> None:
    """Ask for the link to one's data with an address that is none; then be thanked for an answer, and end the mails."""
    page = visit.page()
    page.goto("/privacy")
    page.fill("#email", "x")
    follow(page, "form[action^='/privacy'] button")
    visit.at(page, "privacy, wrong address")
    places = visit.world.places
    page.goto(f"/mail/still-right/{places['still_right']}/yes")
    follow(page, "main button")
    visit.at(page, "still right, answered")
    page.goto(f"/mail/unsubscribe/{places['unsubscribe']}")
    follow(page, "main button")
    visit.at(page, "unsubscribed")
    page.goto(f"/mail/confirm/{places['confirm']}")
    follow(page, "main button")
    visit.at(page, "address confirmed")
    page.goto(f"/data/{places['over_data']}")
    follow(page, "main button")
    visit.at(page, "new link to the data")


def signing_in(visit: Visit) -> None:
    """Sign in with a wrong password, and set one that is too short."""
    page = visit.page(NOBODY)
    page.goto("/desk/sign-in")
    page.fill("#email", "nobody@bows.example")
    page.fill("#password", "wrong wrong wrong")
    follow(page, "main form button")
    visit.at(page, "sign-in refused")
    page.goto(f"/desk/password/{visit.world.places['secret']}")
    for each in page.locator("input[type=password]").all():
        each.fill("short")
    follow(page, "main form button")
    visit.at(page, "password too short")


def second_factor(visit: Visit) -> None:
    """Sign in with a code, wrong at first; look at the second factor, replace its app in vain, make new recovery codes."""
    page = visit.page(CAREFUL)
    page.goto("/desk/sign-in?next=/desk/account/factor")
    page.fill("#email", "careful@bows.example")
    page.fill("#password", PASSWORD)
    follow(page, "main form button")
    visit.at(page, "code")
    page.fill("#code", "000000")
    follow(page, "main form button")
    visit.at(page, "code refused")
    codes = visit.world.places["codes"].split()
    page.fill("#code", codes[0])
    follow(page, "main form button")
    visit.at(page, "second factor")
    page.goto("/desk/account/factor?replace=yes")
    for name, given in (("code", "0"), ("current", "wrong"), ("proof", "0")):
        page.fill(f"#{name}", given)
    follow(page, "main form button")
    visit.at(page, "another app, refused")
    page.goto("/desk/account/factor")
    page.fill("#current", PASSWORD)
    page.fill("#proof", codes[1])
    follow(page, "main form .go")
    visit.at(page, "recovery codes")
    visit.world.places["codes"] = " ".join(page.locator(".codes li").all_inner_texts())
    page.goto("/desk/account")
    visit.at(page, "account with a second factor")


def mistakes_at_the_desk(visit: Visit) -> None:
    """Send forms of the desk with nothing or the wrong thing in them."""
    page = visit.page(OWNER)
    page.goto("/desk/users")
    follow(page, "form[action='/desk/users'] button")
    visit.at(page, "users, nothing filled in")
    page.goto("/desk/tablets")
    follow(page, "form[action='/desk/tablets'] button")
    visit.at(page, "tablets, no name")
    page.fill("form[action='/desk/tablets'] input[type=text]", "Trial room")
    follow(page, "form[action='/desk/tablets'] button")
    visit.at(page, "tablets, a code")
    page.goto("/desk/account")
    for each in page.locator("input[type=password]").all():
        each.fill("short")
    follow(page, "form[action='/desk/account/password'] button")
    visit.at(page, "account, wrong passwords")
    page.goto("/desk/website")
    page.fill("#action_colour", "red")
    follow(page, "form[action='/desk/website'] button")
    visit.at(page, "website, no colour")
    page.goto(f"/desk/compose?enquiry={visit.world.places['answer']}")
    while page.locator("input[name=copies]:checked").count():
        page.locator("input[name=copies]:checked").first.uncheck()
    follow(page, ".effect .go")
    visit.at(page, "compose, no bow")


def loading_a_file(visit: Visit) -> None:
    """Look at what a file would change: one that can be taken in, and one that cannot."""
    page = visit.page(OWNER)
    for name, row in (
        ("prices, a new one", "hedge-gate,quince-court,999,EUR"),
        ("prices, wrong ones", "nobodys,quince-court,-1,EUR"),
    ):
        page.goto("/desk/bows/files")
        table = f"tier,dealer,price,currency\n{row}\n".encode()
        page.set_input_files("#file", {"name": "prices.csv", "mimeType": "text/csv", "buffer": table})
        follow(page, "form[enctype] .go")
        visit.at(page, name)


def _shown(page: Page, button: str, then: str) -> None:
    page.click(f"footer [data-do={button}]")
    page.wait_for_selector(f"main[data-screen={then}]")


def _tablet(visit: Visit) -> Page:
    page = visit.page("tablet")
    page.clock.install()
    reply = page.goto(f"/tablet/enrol?code={visit.world.code()}")
    assert reply is not None
    assert reply.ok
    visit.seen.add("/tablet/enrol")  # its script puts /tablet into the address, where the code is not kept
    page.wait_for_selector("main[data-screen=enrol]")
    visit.at(page, "enrol")
    page.click("main form .go")
    page.wait_for_selector("main[data-screen=waiting]")
    return page


def tablet(visit: Visit) -> None:
    """Enrol a tablet and play a trial on it."""
    page = _tablet(visit)
    key, _link = visit.world.trial()
    page.reload()
    page.wait_for_selector(f"[data-trial='{key}']")
    visit.at(page, "waiting")
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=start]")
    visit.at(page, "start")
    _shown(page, "go", "warm")
    visit.at(page, "warm-up")
    _shown(page, "go", "bow")
    page.click("footer [data-do=next]")
    expect(page.locator("[data-text=fault]")).to_be_visible()
    visit.at(page, "bow, nothing rated")
    page.check("#overall-5")
    page.check("#response-cannot_tell")
    page.locator("main summary").first.click()
    visit.at(page, "bow")
    page.clock.run_for(125_000)
    page.wait_for_selector("main[data-screen=cover]")
    visit.at(page, "cover")
    _shown(page, "end", "end")
    visit.at(page, "end")
    _shown(page, "back", "cover")
    _shown(page, "go", "bow")
    _rest_of_the_bows(visit, page)
    visit.world.end(key)


def _rest_of_the_bows(visit: Visit, page: Page) -> None:
    own = False
    while page.locator("main[data-screen=bow]").count():
        if page.locator(".own-name").count() and not own:
            own = True
            visit.at(page, "own bow")
        before = page.inner_text("#place")
        page.check("#overall-4")
        page.click("footer [data-do=next]")
        changed = f"document.getElementById('place').textContent !== {before!r}"
        until_true(page, f"() => {changed} || document.querySelector('main[data-screen=thanks]') !== null", "the next")
    assert own
    visit.at(page, "thanks")


def pairs(visit: Visit) -> None:
    """Compare two bows pair by pair on a tablet; answer its questions, and leave them."""
    page = _tablet(visit)
    key, _link = visit.world.trial()
    visit.world.pairs(key)
    page.reload()
    page.click(f"[data-trial='{key}']")
    page.wait_for_selector("main[data-screen=pair]")
    visit.at(page, "pair")
    for _pair in range(40):
        if page.locator("main[data-screen=pairs-over]").count():
            break
        before = page.inner_text("#place")
        page.click("[data-do=first]")
        changed = f"document.getElementById('place').textContent !== {before!r}"
        until_true(page, f"() => {changed} || document.querySelector('main[data-screen=pairs-over]') !== null", "more")
    visit.at(page, "pairs over")
    visit.world.end(key)


def questions(visit: Visit) -> None:
    """Answer the questions on a tablet until it asks whether somebody is there."""
    page = _tablet(visit)
    page.click("[data-do=questions]")
    page.click("[data-page] .go")
    page.check("#instrument-double_bass")
    visit.at(page, "a question")
    page.clock.run_for(121_000)
    page.wait_for_selector("dialog[open]")
    visit.at(page, "somebody there?")


PLAYED = ("/{position}", "/{position}/strokes", "/{position}/strokes/{number}")
"""Below a link: a bow's sheet, its strokes, one of them."""


def phone(visit: Visit) -> None:
    """Play a trial from its link, with scripts and as a plain form."""
    key, link = visit.world.trial()
    page = visit.page()
    page.goto(link)
    page.wait_for_selector("main[data-screen]")
    visit.at(page, "link")
    plain = visit.page("without scripts")
    plain.route(
        re.compile(r"/static/.*[.]js"), lambda route: route.abort()
    )  # axe-core itself needs a browser that runs scripts
    plain.goto(link)
    visit.at(plain, "plain link")
    follow(plain, ".links a >> nth=0")
    visit.at(plain, "plain bow")
    follow(plain, "footer .go")
    visit.at(plain, "plain bow, nothing rated")
    plain.check("#overall-4")
    follow(plain, "[name=then]")
    visit.at(plain, "strokes")
    follow(plain, "footer .go")
    visit.at(plain, "one stroke")
    visit.world.end(key)
    page = visit.page()
    page.goto(link)
    visit.at(page, "link of a trial that is over")


def listener(visit: Visit) -> None:
    """Listen from across the room."""
    key, link = visit.world.trial("listener")
    page = visit.page(READER)
    page.goto(link)
    page.wait_for_selector("main[data-screen]")
    visit.at(page, "listener's link")
    page.click("footer [data-do=go]")
    page.wait_for_selector("#carrying-4")
    visit.at(page, "listener's bow")
    visit.world.end(key)


def bows_played(visit: Visit) -> None:
    """Name bows played here already, in a shop's form: one that is none of them, and a second row."""
    page = visit.page()
    page.goto(f"/?dealer={DEALER}")
    follow(page)
    page.check("#instrument-cello")
    follow(page)
    follow(page)
    page.check("#own_bow-yes")
    follow(page, "button.plain[value=tried]")
    visit.at(page, "bows played here")
    page.fill("#tried_1_copy", "none of them")
    page.check("#tried_1_overall-6")
    follow(page, "button[value=add]")
    visit.at(page, "two bows played here")
    follow(page)
    visit.at(page, "a bow that is none")


WALKS: Mapping[str, tuple[Walk, tuple[str, ...]]] = {
    "form": (form, ("/form/{address}/{name}",)),
    "framed": (framed, ()),
    "bows played": (bows_played, ()),
    "refusals": (refusals, ()),
    "asking for data": (asking_for_data, ()),
    "signing in": (signing_in, ()),
    "second factor": (second_factor, ("/desk/sign-in/code",)),
    "mistakes at the desk": (mistakes_at_the_desk, ()),
    "loading a file": (loading_a_file, ("/desk/bows/files/{secret}",)),
    "tablet": (tablet, ("/tablet", "/tablet/enrol")),
    "pairs": (pairs, ()),
    "questions": (questions, ()),
    "phone": (phone, tuple(f"/play/{{token}}{end}" for end in ("", *PLAYED))),
    "listener": (listener, ()),
}
"""By name: a way, and the routes whose pages stand on it and nowhere in `every_page.PAGES`."""
