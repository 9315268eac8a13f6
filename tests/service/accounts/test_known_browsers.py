"""Tries at an account: strangers' are few and wait ever longer, and never shut out its owner (ASVS 5.0, 6.1.1 and 6.3.1)."""

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import select

from service import tables
from service.accounts import browsers, passwords, tries, users
from service.core import audit, tokens
from service.core.database import Database
from service.core.scopes import AllDealers
from service.web.browser_names import Device, device, network
from tests.service import cast
from tests.service.cast import PASSWORD, Desk, Member, hidden, sign_in_form
from tests.service.client import BROWSER, Client
from tests.service.page import Page

DIGEST = passwords.hash_password(PASSWORD)
EMAIL = "adviser@bows.example"
NEW = "kettle loom rosin amber"
START = dt.datetime(2026, 11, 30, 8, tzinfo=dt.UTC)
HOUR, MINUTE = dt.timedelta(hours=1), dt.timedelta(minutes=1)


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    """The desk, whose adviser and owner have a password."""
    with cast.opened(tmp_path, _migrated_file) as opened:
        for name in ("adviser", "owner"):
            opened.give_password(name, DIGEST)
        yield opened


def strangers_try(desk: Desk, times: int, email: str = EMAIL) -> list[int]:
    """Try wrong passwords from as many addresses; return the answers' statuses."""
    member = desk.nobody()
    data = hidden(Page(member.get("/desk/sign-in"))) | {"email": email, "password": "wrong wrong wrong"}
    headers = {"cookie": f"desk-in={member.cookies['desk-in']}", **BROWSER}
    return [
        Client(desk.app, host=f"203.0.113.{n}").send("POST", "/desk/sign-in", data=data, headers=headers).status_code
        for n in range(times)
    ]


def signed_out(member: Member) -> Member:
    """Return a browser whose session is over; what else it keeps stays."""
    member.cookies.pop("desk", None)
    return member


def signed_in_once(desk: Desk, email: str = EMAIL) -> Member:
    """Return a browser in which an account has signed in, and is signed out again."""
    member = desk.nobody()
    assert sign_in_form(member, email, PASSWORD).status_code == 303
    return signed_out(member)


def test_strangers_tries_never_shut_out_a_browser_in_which_its_owner_has_signed_in(desk: Desk) -> None:
    # 6.1.1: controls against brute force must not let somebody lock the account out.
    owners = signed_in_once(desk)
    statuses = strangers_try(desk, 30)
    assert statuses == [422] * 5 + [429] * 25
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 429
    assert sign_in_form(owners, EMAIL, PASSWORD).status_code == 303
    assert owners.get("/desk/account").status_code == 200


def test_neither_do_tries_from_the_address_of_its_own_shop(desk: Desk) -> None:
    owners, at_the_counter = signed_in_once(desk), desk.nobody()
    for n in range(30):
        sign_in_form(at_the_counter, f"user{n % 7}@bows.example", "wrong")
    assert sign_in_form(desk.nobody(), "owner@bows.example", PASSWORD).status_code == 429
    assert sign_in_form(owners, EMAIL, PASSWORD).status_code == 303


def test_a_known_browser_has_no_more_tries_than_a_stranger_and_none_at_other_accounts(desk: Desk) -> None:
    owners = signed_in_once(desk)
    assert [sign_in_form(owners, EMAIL, "wrong").status_code for _time in range(7)] == [422] * 5 + [429] * 2
    strangers_try(desk, 6, "owner@bows.example")
    assert sign_in_form(owners, "owner@bows.example", PASSWORD).status_code == 429


def test_the_refusal_says_how_long_to_wait_and_that_a_link_opens(desk: Desk) -> None:
    strangers_try(desk, 5)
    reply = sign_in_form(desk.nobody(), EMAIL, PASSWORD)
    page = Page(reply)
    assert page.faults == []
    assert "Wait 1 min., then try again." in page.text
    assert 0 < int(reply.headers["retry-after"]) <= 60
    assert "/desk/forgotten" in [e.get("href") for e in page.all("a")]


def test_an_address_without_an_account_is_refused_alike(desk: Desk) -> None:
    # 6.3.8: whether there is an account cannot be told from how often it can be tried.
    assert strangers_try(desk, 8, "nobody@bows.example") == strangers_try(desk, 8)


def test_right_passwords_use_no_tries_up(desk: Desk) -> None:
    for _time in range(8):
        assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 303


def test_the_cookie_is_long_lived_closed_to_scripts_and_kept_as_a_digest(desk: Desk) -> None:
    secure = Member(desk.app, base="https://bows.example")
    reply = sign_in_form(secure, EMAIL, PASSWORD)
    (line,) = [each for each in reply.headers.get_list("set-cookie") if each.startswith("__Host-desk-known=")]
    words = {word.strip().lower() for word in line.split(";")[1:]}
    assert {"httponly", "secure", "samesite=lax", "path=/"} <= words
    assert any(word.startswith("max-age=") and int(word[8:]) >= 30 * 86400 for word in words)
    value = line.partition("=")[2].partition(";")[0]
    with desk.database.reading() as session:
        (kept,) = session.scalars(select(tables.KnownBrowser.digest)).all()
    assert kept not in value
    assert value.rpartition(".")[0] not in kept
    assert tokens.digest(value.rpartition(".")[0]) == kept


def _known(desk: Desk, member: Member) -> bool:
    """Say whether a browser's own tries count apart: strangers have used up theirs."""
    strangers_try(desk, 6)
    return sign_in_form(member, EMAIL, PASSWORD).status_code == 303


@pytest.mark.parametrize("forged", ["", "x", "{value}x", "{other}"])
def test_a_cookie_that_was_not_made_here_is_nobodys(desk: Desk, forged: str) -> None:
    member = signed_in_once(desk)
    other = desk.app.state.signer.make("another-purpose", "secret")
    member.cookies["desk-known"] = forged.format(value=member.cookies["desk-known"], other=other)
    assert not _known(desk, member)


def test_a_cookie_planted_by_somebody_else_is_worth_nothing_after_the_sign_in(desk: Desk) -> None:
    # An attacker gives the victim the cookie of an own browser, to have its tries count apart.
    attackers = signed_in_once(desk, "owner@bows.example")
    planted = attackers.cookies["desk-known"]
    victim = desk.nobody()
    victim.cookies["desk-known"] = planted
    sign_in_form(victim, EMAIL, PASSWORD)
    assert victim.cookies["desk-known"] != planted
    assert not _known(desk, attackers)
    assert _known(desk, signed_out(victim))


def test_one_browser_is_known_for_each_who_signs_in_at_the_counter(desk: Desk) -> None:
    counter = signed_in_once(desk, "owner@bows.example")
    sign_in_form(counter, EMAIL, PASSWORD)
    strangers_try(desk, 6, "owner@bows.example")
    assert sign_in_form(signed_out(counter), "owner@bows.example", PASSWORD).status_code == 303
    assert _known(desk, signed_out(counter))


def test_other_browsers_are_forgotten_when_the_password_changes(desk: Desk) -> None:
    elsewhere, here = signed_in_once(desk), desk.nobody()
    sign_in_form(here, EMAIL, PASSWORD)
    page = here.read("/desk/account")
    token = next(e.get("value") for e in page.all("input", name="csrf"))
    fields = {"csrf": token, "current": PASSWORD, "password": NEW, "again": NEW}
    assert here.send("POST", "/desk/account/password", data=fields).status_code == 303
    strangers_try(desk, 6)
    assert sign_in_form(elsewhere, EMAIL, NEW).status_code == 429
    assert sign_in_form(signed_out(here), EMAIL, NEW).status_code == 303


def test_whoever_sets_the_password_by_a_link_gets_in_while_strangers_try(desk: Desk) -> None:
    # The way in from a new browser under attack: who reads the mailbox.
    old = signed_in_once(desk)
    strangers_try(desk, 6)
    with desk.database.writing() as session:
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"])
    new = desk.nobody()
    data = hidden(new.read(f"/desk/password/{secret}")) | {"password": NEW, "again": NEW}
    assert new.send("POST", f"/desk/password/{secret}", data=data).status_code == 303
    assert sign_in_form(desk.nobody(), EMAIL, NEW).status_code == 429
    assert sign_in_form(new, EMAIL, NEW).status_code == 303
    assert sign_in_form(old, EMAIL, NEW).status_code == 429


def test_a_browser_is_forgotten_half_a_year_after_its_last_sign_in_and_the_oldest_of_eleven(database: Database) -> None:
    with database.writing() as session:
        user = users.add(session, EMAIL, "workshop").account.id
        secret = browsers.remember(session, user, None, Device(), START)
        for day in (179, 180):
            known = browsers.known_user(session, EMAIL, secret, START + dt.timedelta(days=day))
            assert known == (user if day == 179 else None)
        others = [browsers.remember(session, user, None, Device(), START + n * MINUTE) for n in range(1, 11)]
        assert browsers.known_user(session, EMAIL, secret, START) is None
        assert [browsers.known_user(session, EMAIL, each, START) for each in others] == [user] * 10


# How often


def _tries_until(database: Database, until: dt.datetime, start: dt.datetime = START) -> int:
    """Return how many tries somebody gets who tries every ten seconds."""
    count, now = 0, start
    with database.writing() as session:
        while now < until:
            count += not tries.take(session, "x", now)
            now += dt.timedelta(seconds=10)
    return count


def test_who_tries_without_pause_gets_ten_tries_in_the_first_hour_and_one_in_each_that_follows(
    database: Database,
) -> None:
    assert _tries_until(database, START + HOUR) == 10
    assert _tries_until(database, START + 6 * HOUR, START + HOUR) == 5


def test_a_day_after_the_last_try_all_are_free_again_and_a_try_in_vain_prolongs_nothing(database: Database) -> None:
    with database.writing() as session:
        for _time in range(5):
            assert not tries.take(session, "x", START)
        assert tries.take(session, "x", START) == MINUTE
        assert tries.take(session, "x", START + MINUTE / 2) == MINUTE / 2
        assert not tries.take(session, "x", START + MINUTE)
        later = START + MINUTE + 24 * HOUR
        assert [tries.take(session, "x", later) for _time in range(5)] == [dt.timedelta()] * 5


def test_a_clock_that_was_years_ahead_shuts_nobody_out_once_it_is_right(database: Database) -> None:
    with database.writing() as session:
        for _time in range(9):
            tries.take(session, "x", START + dt.timedelta(days=1100))
        assert tries.take(session, "x", START) <= HOUR
        assert not tries.take(session, "x", START + HOUR)


def test_a_try_is_counted_before_it_is_made_so_that_many_at_once_are_no_more(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    at_once: list[int] = []

    def slow(_digest: str, _password: str) -> bool:
        with desk.database.reading() as session:
            at_once.append(session.scalars(select(tables.SignInTries.count)).one())
        return False

    monkeypatch.setattr(passwords, "fits", slow)
    sign_in_form(desk.nobody(), EMAIL, "wrong")
    sign_in_form(desk.nobody(), EMAIL, "wrong")
    assert at_once == [1, 2]


# Where somebody is signed in

WINDOWS = (
    "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0 Safari/537.36"
)
AGENTS = {
    WINDOWS: ("Chrome", "Windows"),
    f"{WINDOWS} Edg/142.0.0.0": ("Edge", "Windows"),
    f"{WINDOWS} OPR/120.0.0.0": ("Opera", "Windows"),
    "Mozilla/5.0 (X11; Linux x86_64; rv:144.0) Gecko/20100101 Firefox/144.0": ("Firefox", "Linux"),
    "Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15_7) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.1 Safari/605.1.15": (
        "Safari",
        "macOS",
    ),
    "Mozilla/5.0 (iPhone; CPU iPhone OS 18_1 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.1 Mobile/15E148 Safari/604.1": (
        "Safari",
        "iPhone",
    ),
    "Mozilla/5.0 (Linux; Android 15) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0 Mobile Safari/537.36": (
        "Chrome",
        "Android",
    ),
    "Mozilla/5.0 (X11; CrOS x86_64 14541.0.0) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/142.0.0.0 Safari/537.36": (
        "Chrome",
        "ChromeOS",
    ),
    "curl/8.5.0": (None, None),
    "": (None, None),
    "<script>" * 9999: (None, None),
}


@pytest.mark.parametrize(
    "agent", AGENTS, ids=[" ".join(map(str, told)) + f" {n}" for n, told in enumerate(AGENTS.values())]
)
def test_a_browser_is_told_in_two_words(agent: str) -> None:
    told = device(agent, "203.0.113.77")
    assert (told.browser, told.system) == AGENTS[agent]


@pytest.mark.parametrize(
    ("host", "kept"),
    [
        ("203.0.113.77", "203.0.113.0/24"),
        ("::ffff:203.0.113.77", "203.0.113.0/24"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1::/48"),
        ("testclient", None),
        ("", None),
    ],
)
def test_only_the_network_of_an_address_is_kept(host: str, kept: str | None) -> None:
    assert network(host) == kept


def _signed_in_from(desk: Desk, agent: str, host: str) -> httpx.Response:
    member = desk.nobody()
    data = hidden(Page(member.get("/desk/sign-in"))) | {"email": EMAIL, "password": PASSWORD}
    headers = {"cookie": f"desk-in={member.cookies['desk-in']}", "user-agent": agent, **BROWSER}
    return Client(desk.app, host=host).send("POST", "/desk/sign-in", data=data, headers=headers)


def _own(desk: Desk, member: Member, kind: str, word: str) -> str:
    """Return what the form sends for the line that holds a word."""
    (radio,) = [
        radio
        for radio in member.read("/desk/account").all("input", name="end")
        if radio.get("value").startswith(kind) and word in (radio.within("tr") or radio).text
    ]
    return radio.get("value")


def test_sessions_and_browsers_are_listed_by_device_and_ended_singly_for_the_password(desk: Desk) -> None:
    # ASVS 5.0, 7.5.2: users can view and, having authenticated again, terminate any of their sessions.
    here = desk.sign_in("adviser")
    firefox = next(agent for agent, told in AGENTS.items() if told == ("Firefox", "Linux"))
    reply = _signed_in_from(desk, firefox, "198.51.100.23")
    cookies = {
        line.partition("=")[0]: line.partition("=")[2].partition(";")[0]
        for line in reply.headers.get_list("set-cookie")
    }
    theirs = Member(desk.app, cookies["desk"], {"desk-known": cookies["desk-known"]})
    _signed_in_from(desk, WINDOWS, "2001:db8:1::9")
    text = here.read("/desk/account").text
    for word in ("Firefox on Linux", "198.51.100.0/24", "Chrome on Windows", "2001:db8:1::/48"):
        assert word in text
    assert "198.51.100.23" not in text
    chosen = _own(desk, here, "session", "Firefox on Linux")
    wrong = here.submit("/desk/account/sessions", {"end": chosen, "which": "one", "mine": "wrong wrong wrong"})
    assert (wrong.status, theirs.get("/desk/account").status_code) == (422, 200)
    assert here.submit("/desk/account/sessions", {"which": "one", "mine": PASSWORD}).status == 422
    page = here.submit("/desk/account/sessions", {"end": chosen, "which": "one", "mine": PASSWORD})
    assert "This session has ended." in page.text
    assert theirs.get("/desk/account").status_code == 303
    assert "Chrome on Windows" in page.text
    chosen = _own(desk, here, "browser", "Firefox on Linux")
    here.submit("/desk/account/sessions", {"end": chosen, "which": "one", "mine": PASSWORD})
    assert not _known(desk, Member(desk.app, None, {"desk-known": cookies["desk-known"]}))
    with desk.database.reading() as session:
        did = {entry.did for entry in audit.entries(session, AllDealers()).rows}
    assert did >= {"ended one session of their own", "had a known browser forgotten"}


def test_nobody_ends_anothers_session(desk: Desk) -> None:
    theirs, here = desk.sign_in("owner"), desk.sign_in("adviser")
    chosen = _own(desk, theirs, "session", "here")
    here.submit("/desk/account/sessions", {"end": chosen, "which": "one", "mine": PASSWORD})
    assert theirs.get("/desk/account").status_code == 200


def test_all_other_sessions_end_at_once(desk: Desk) -> None:
    # 7.4.3, 7.5.2
    here, elsewhere = desk.sign_in("adviser"), desk.sign_in("adviser")
    page = here.submit("/desk/account/sessions", {"which": "others", "mine": PASSWORD})
    assert "signed out everywhere else" in page.text
    assert elsewhere.get("/desk/account").status_code == 303
    assert here.get("/desk/account").status_code == 200


def test_ones_own_password_cannot_be_guessed_from_an_open_session_either(desk: Desk) -> None:
    here = desk.sign_in("adviser")
    fields = {"which": "others", "mine": "wrong wrong wrong"}
    statuses = [here.post("/desk/account/sessions", fields).status_code for _time in range(7)]
    assert statuses == [422] * 5 + [429] * 2


def test_the_well_known_address_leads_to_where_the_password_is_changed(desk: Desk) -> None:
    # W3C, 'A Well-Known URL for Changing Passwords': 302, 303 or 307; and what is not there is answered so (section 4).
    reply = desk.nobody().get("/.well-known/change-password")
    assert (reply.status_code, reply.headers["location"]) == (303, "/desk/account#new-password")
    unlikely = "/.well-known/resource-that-should-not-exist-whose-status-code-should-not-be-200"
    assert desk.nobody().get(unlikely).status_code == 404
    page = desk.sign_in("adviser").read("/desk/account")
    assert [e.tag for e in page.elements if e.get("id") == "new-password"] == ["h2"]
