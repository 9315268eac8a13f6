"""The second factor: codes of an app (RFC 6238) and recovery codes, against ASVS 5.0, 6.4 to 6.6 (numbers in the comments)."""

import base64
import datetime as dt
import hashlib
import hmac
import re
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import func, select, update

from service import tables
from service.accounts import half_sign_ins, passwords, second_factor, securing, users
from service.core import audit, audit_events
from service.core.database import Database
from service.core.scopes import AllDealers
from tests.service import cast
from tests.service.cast import PASSWORD, Desk, Member, hidden, sign_in_form
from tests.service.desk_shop import fields_of, form_to
from tests.service.page import Page

DIGEST = passwords.hash_password(PASSWORD)
EMAIL = "adviser@bows.example"
FACTOR, NEW_PASSWORD = "/desk/account/factor", "/desk/account/password"
ANOTHER = "kettle loom rosin amber"
NOW = dt.datetime(2026, 11, 30, 9, 0, 10, tzinfo=dt.UTC)
# RFC 6238, appendix B: the seed of the SHA-1 column, and its codes' last six digits.
RFC_SECRET = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ"
RFC_CODES = {59: "287082", 1111111109: "081804", 1234567890: "005924", 2000000000: "279037"}


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    """The desk, whose adviser and owner have a password."""
    with cast.opened(tmp_path, _migrated_file) as opened:
        for name in ("adviser", "owner"):
            opened.give_password(name, DIGEST)
        yield opened


def _at(seconds: int) -> dt.datetime:
    return dt.datetime.fromtimestamp(seconds, dt.UTC)


def code_now(secret: str, steps: int = 0) -> str:
    """Return what an app shows so many steps from now, by RFC 4226, 5.3 and RFC 6238, 4.2 in their own terms."""
    counter = int(NOW.timestamp()) // 30 + steps
    mac = hmac.new(base64.b32decode(secret), counter.to_bytes(8, "big"), hashlib.sha1).digest()
    offset = mac[-1] & 15
    return f"{(int.from_bytes(mac[offset : offset + 4], 'big') & 0x7FFFFFFF) % 1_000_000:06d}"


@pytest.fixture(autouse=True)
def _standing_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the clock of the codes stand, so that none is over while a slow machine types it."""
    monkeypatch.setattr(second_factor, "utc_now", lambda: NOW)


def enrolled(desk: Desk, name: str = "adviser") -> tuple[str, list[str]]:
    """Give one of the cast a second factor; return the app's secret and the recovery codes."""
    secret = second_factor.draw_secret()
    with desk.database.writing() as session:
        return secret, second_factor.set_up(session, desk.ids[name], secret, 0)


def half_way(desk: Desk, onwards: str = "") -> Member:
    """Return a browser that gave the right password and is asked for a code."""
    member = desk.nobody()
    reply = sign_in_form(member, EMAIL, PASSWORD, onwards)
    assert reply.status_code == 303
    assert reply.headers["location"].startswith("/desk/sign-in/code")
    return member


def give(member: Member, code: str) -> int:
    """Give a code at the second step; return the answer's status."""
    page = Page(member.get("/desk/sign-in/code"))
    assert page.faults == []
    return member.send("POST", "/desk/sign-in/code", data=hidden(page) | {"code": code}).status_code


def notices(desk: Desk) -> list[str]:
    """Return what the mails to accounts are about, in order."""
    with desk.database.reading() as session:
        rows = session.scalars(select(tables.OutboxItem).order_by(tables.OutboxItem.id))
        return [row.values["what"] for row in rows if row.kind == "account_notice" and row.address == EMAIL]


# The algorithm


@pytest.mark.parametrize("seconds", RFC_CODES)
def test_codes_are_those_of_the_rfc(seconds: int) -> None:
    assert second_factor.step_of(RFC_SECRET, RFC_CODES[seconds], _at(seconds)) == seconds // 30


@pytest.mark.parametrize(("away", "fits"), [(-60, False), (-30, True), (0, True), (30, True), (60, False)])
def test_a_code_is_good_one_step_early_and_late_and_no_more(away: int, fits: bool) -> None:
    # RFC 6238, 5.2: 'at most one time step is allowed as the network delay'.
    found = second_factor.step_of(RFC_SECRET, RFC_CODES[1111111109], _at(1111111109 + away))
    assert (found is not None) is fits


@pytest.mark.parametrize("typed", ["28 7082", " 287082 ", "287\u00a0082"])
def test_blanks_in_a_code_do_not_matter(typed: str) -> None:
    assert second_factor.step_of(RFC_SECRET, typed, _at(59)) == 1


@pytest.mark.parametrize("typed", ["", "28708", "2870820", "٢٨٧٠٨٢", "\0", "x" * 9999, "é"])
def test_whatever_else_is_typed_is_no_code(typed: str) -> None:
    assert second_factor.step_of(RFC_SECRET, typed, _at(59)) is None


def test_secrets_and_recovery_codes_are_drawn_long_enough() -> None:
    # RFC 4226, 4: 160 bits recommended. ASVS 5.0, 6.5.2: a plain digest will do from 112 bits on; 6.5.3: drawn, not made up.
    assert len({second_factor.draw_secret() for _time in range(5)}) == 5
    assert len(second_factor.draw_secret()) * 5 >= 160


def test_recovery_codes_are_ten_long_and_kept_as_digests(desk: Desk) -> None:
    _secret, codes = enrolled(desk)
    assert len(set(codes)) == 10
    assert all(len(code.replace("-", "")) * 4.5 >= 112 for code in codes)
    with desk.database.reading() as session:
        kept = " ".join(session.scalars(select(tables.RecoveryCode.digest)))
    assert not any(code in kept or code.replace("-", "") in kept for code in codes)


# Signing in


def test_after_the_password_a_code_is_asked_for_and_lets_in_once(desk: Desk) -> None:
    # 6.3.3: more than one factor. 6.5.1: each code is used once.
    secret, _codes = enrolled(desk)
    member = half_way(desk, "/desk/account")
    code = code_now(secret)
    page = Page(member.get("/desk/sign-in/code?next=/desk/account"))
    reply = member.send("POST", "/desk/sign-in/code", data=hidden(page) | {"code": code})
    assert (reply.status_code, reply.headers["location"]) == (303, "/desk/account")
    assert "adviser" in member.read("/desk/account").text
    assert give(half_way(desk), code) == 422
    assert give(half_way(desk), code_now(secret, 1)) == 303


def test_a_code_before_the_one_used_last_is_refused_too(desk: Desk) -> None:
    secret, _codes = enrolled(desk)
    assert give(half_way(desk), code_now(secret, 1)) == 303
    assert give(half_way(desk), code_now(secret)) == 422


def test_each_recovery_code_opens_once_however_it_is_typed_and_its_owner_is_told(desk: Desk) -> None:
    _secret, codes = enrolled(desk)
    assert give(half_way(desk), codes[0].lower().replace("-", " ")) == 303
    assert give(half_way(desk), codes[0]) == 422
    assert give(half_way(desk), codes[1]) == 303
    assert notices(desk).count("code_used") == 2
    with desk.database.reading() as session:
        left = second_factor.of_user(session, desk.ids["adviser"])
    assert left is not None
    assert left.codes_left == 8


def test_nobody_elses_recovery_code_opens(desk: Desk) -> None:
    enrolled(desk)
    _secret, others = enrolled(desk, "owner")
    assert give(half_way(desk), others[0]) == 422


def test_the_half_state_opens_nothing_and_ends_in_minutes(desk: Desk) -> None:
    secret, _codes = enrolled(desk)
    member = half_way(desk)
    assert "desk" not in member.cookies
    for name in ("desk-half", "desk-known", "desk-in"):
        assert Member(desk.app, member.cookies.get(name, "x")).get("/desk/account").status_code == 303
    for path in ("/desk", "/desk/account", FACTOR, "/desk/users"):
        assert member.get(path).headers["location"].startswith("/desk/sign-in")
    page = Page(member.get("/desk/sign-in/code"))
    assert dt.timedelta(minutes=10) >= half_sign_ins.LIFE
    with desk.database.writing() as session:
        over = dt.datetime.now(dt.UTC) - dt.timedelta(seconds=1)
        session.execute(update(tables.HalfSignIn).values(expires_at=over))
    reply = member.send("POST", "/desk/sign-in/code", data=hidden(page) | {"code": code_now(secret)}, follow=True)
    assert "Begin again with the password." in reply.text
    assert "desk" not in member.cookies
    assert member.get("/desk/sign-in/code").headers["location"] == "/desk"


@pytest.mark.parametrize("what", ["disabled", "password", "factor", "sessions", "role"])
def test_a_half_state_ends_with_what_it_rested_on(desk: Desk, what: str) -> None:
    secret, _codes = enrolled(desk)
    member = half_way(desk)
    page = Page(member.get("/desk/sign-in/code"))
    with desk.database.writing() as session:
        if what == "disabled":
            users.disable(session, AllDealers(), desk.ids["adviser"])
        elif what == "password":
            users.change_password(session, desk.ids["adviser"], DIGEST, keep="")
        elif what == "sessions":
            users.end_sessions(session, AllDealers(), desk.ids["adviser"])
        elif what == "role":
            users.add(session, EMAIL, "workshop")
        else:
            securing.reset_factor(session, desk.ids["adviser"])
    reply = member.send("POST", "/desk/sign-in/code", data=hidden(page) | {"code": code_now(secret)})
    assert reply.headers["location"] == "/desk/sign-in"
    assert "desk" not in member.cookies


def test_the_codes_form_carries_a_token_of_its_own(desk: Desk) -> None:
    secret, _codes = enrolled(desk)
    member, another = half_way(desk), half_way(desk)
    token = hidden(Page(another.get("/desk/sign-in/code")))["csrf"]
    for csrf in ("", token, desk.app.state.tokens.make("code:")):
        data = {"csrf": csrf, "next": "", "code": code_now(secret)}
        assert member.send("POST", "/desk/sign-in/code", data=data).status_code == 403


def test_codes_can_be_tried_a_few_times_only_and_its_owner_is_told_that_the_password_is_known(desk: Desk) -> None:
    # 6.3.1, 6.6.3: brute force of codes; 6.3.5: suspicious attempts are told.
    secret, _codes = enrolled(desk)
    owners = desk.nobody()
    sign_in_form(owners, EMAIL, PASSWORD)
    assert give(owners, code_now(secret)) == 303
    owners.cookies.pop("desk")
    thief = half_way(desk)
    assert [give(thief, "000000") for _time in range(5)] == [422] * 5
    assert [give(half_way(desk), "000000") for _time in range(3)] == [429] * 3
    assert notices(desk).count("codes_tried") == 1
    # 16.3.1: each try is on record, also one that had to wait.
    with desk.database.reading() as session:
        refused = [
            entry for entry in audit.entries(session, AllDealers()).rows if entry.did == audit_events.CODE_REFUSED.did
        ]
    assert [(entry.about, entry.detail["times"]) for entry in refused] == [(f"user {desk.ids['adviser']}", 8)]
    # From the browser that is known its owner still gets in.
    sign_in_form(owners, EMAIL, PASSWORD)
    assert give(owners, code_now(secret, 1)) == 303


def test_of_two_who_give_one_code_at_once_one_gets_in(any_database: Database) -> None:
    with any_database.writing() as session:
        user = users.add(session, EMAIL, "workshop").account.id
        codes = second_factor.set_up(session, user, RFC_SECRET, 0)
    for code in (RFC_CODES[2000000000], codes[0]):
        got: list[str | None] = []

        def use(code: str = code, got: list[str | None] = got) -> None:
            with any_database.writing() as session:
                got.append(second_factor.use(session, user, code, _at(2000000000)))

        threads = [threading.Thread(target=use) for _each in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(each or "" for each in got)[:2] == ["", ""]
        assert len(got) == 3
        assert any(got)


def test_a_code_used_under_a_clock_ahead_shuts_nobody_out_once_it_is_right(database: Database) -> None:
    ahead = 2000000000
    with database.writing() as session:
        user = users.add(session, EMAIL, "workshop").account.id
        second_factor.set_up(session, user, RFC_SECRET, 0)
        assert second_factor.use(session, user, RFC_CODES[ahead], _at(ahead)) == "app"
        assert second_factor.use(session, user, RFC_CODES[1234567890], _at(1234567890)) == "app"
        assert second_factor.use(session, user, RFC_CODES[1234567890], _at(1234567890)) is None


# Setting up


def _secret_on(page: Page) -> str:
    return next(e.text for e in page.of_class("once")).replace(" ", "")


def set_up(member: Member, **changes: str) -> Page:
    """Set up an app on the page; return what it leads to."""
    page = member.read(FACTOR + changes.pop("query", ""))
    form = next(e for e in page.all("form") if e.get("action") == FACTOR)
    fields = {e.get("name"): e.get("value") for e in form.walk() if e.get("type") == "hidden"}
    given = {"current": PASSWORD, "code": code_now(_secret_on(page))} | changes
    reply = member.send("POST", FACTOR, data=fields | given, follow=True)
    member.secret = member.cookies.get("desk")
    page = Page(reply)
    assert page.faults == []
    return page


def recovery_codes_on(page: Page) -> list[str]:
    return [e.text.strip() for e in page.of_class("codes")[0].walk() if e.tag == "li"]


def test_it_is_set_up_by_a_code_and_the_recovery_codes_are_shown_once(desk: Desk) -> None:
    member, elsewhere = desk.sign_in("adviser"), desk.sign_in("adviser")
    before = member.secret
    page = member.read(FACTOR)
    secret = _secret_on(page)
    assert len(secret) == 32
    assert page.of_class("qr")
    assert _count(desk, tables.SecondFactor) == 0
    codes = recovery_codes_on(set_up(member))
    assert len(codes) == 10
    assert notices(desk) == ["password", "factor_set"]
    # 7.2.4, 7.4.3: a session of its own from here on, and every other one ends.
    assert Member(desk.app, before).get("/desk/account").status_code == 303
    assert elsewhere.get("/desk/account").status_code == 303
    assert "10 recovery codes are left" in member.read("/desk/account").text
    assert not any(code in member.read(FACTOR).source for code in codes)
    assert give(half_way(desk), codes[3]) == 303


def _count(desk: Desk, table: type[tables.Base]) -> int:
    with desk.database.reading() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_recovery_codes_can_be_saved_as_a_file_without_scripts(desk: Desk) -> None:
    member = desk.sign_in("adviser")
    page = set_up(member)
    form = next(e for e in page.all("form") if e.get("action") == f"{FACTOR}/file")
    fields = {e.get("name"): e.get("value") for e in form.walk() if e.get("type") == "hidden"}
    reply = member.send("POST", f"{FACTOR}/file", data=fields)
    assert reply.text.split() == recovery_codes_on(page)
    assert "attachment" in reply.headers["content-disposition"]
    assert reply.headers["content-type"].startswith("text/plain")


@pytest.mark.parametrize(
    "wrong", [{"current": "wrong wrong wrong"}, {"code": "000000"}, {"secret": "x"}, {"secret": ""}]
)
def test_nothing_is_set_up_without_the_password_and_a_code_of_this_very_secret(
    desk: Desk, wrong: dict[str, str]
) -> None:
    # 7.5.1: authentication again before the second factor is changed.
    member = desk.sign_in("adviser")
    assert set_up(member, **wrong).status == 422
    assert _count(desk, tables.SecondFactor) == 0


def test_after_a_mistake_the_same_secret_stays_on_the_page(desk: Desk) -> None:
    member = desk.sign_in("adviser")
    page = member.read(FACTOR)
    form = next(e for e in page.all("form") if e.get("action") == FACTOR)
    fields = {e.get("name"): e.get("value") for e in form.walk() if e.get("type") == "hidden"}
    again = Page(member.send("POST", FACTOR, data=fields | {"current": PASSWORD, "code": "000000"}))
    assert _secret_on(again) == _secret_on(page)
    assert PASSWORD not in again.source


def test_a_secret_shown_to_another_session_is_not_taken(desk: Desk) -> None:
    here, there = desk.sign_in("adviser"), desk.sign_in("owner")
    page = there.read(FACTOR)
    form = next(e for e in page.all("form") if e.get("action") == FACTOR)
    stolen = next(e.get("value") for e in form.walk() if e.get("name") == "secret")
    assert set_up(here, secret=stolen, code=code_now(_secret_on(page))).status == 422


@pytest.mark.parametrize("proof", ["app", "paper"])
def test_it_is_replaced_for_the_password_and_a_code_of_the_one_before(desk: Desk, proof: str) -> None:
    secret, codes = enrolled(desk)
    member = desk.sign_in("adviser")
    assert set_up(member, query="?replace=yes", proof="000000").status == 422
    page = set_up(member, query="?replace=yes", proof=code_now(secret) if proof == "app" else codes[0])
    assert "Your recovery codes" in page.h1
    assert notices(desk)[-1] == "factor_replaced"
    assert give(half_way(desk), codes[1]) == 422
    assert give(half_way(desk), code_now(secret, 1)) == 422
    assert give(half_way(desk), recovery_codes_on(page)[0]) == 303


def test_it_is_removed_for_password_and_code_only(desk: Desk) -> None:
    secret, _codes = enrolled(desk)
    member = desk.sign_in("adviser")
    for given in ({"current": PASSWORD, "proof": "000000"}, {"current": "wrong", "proof": code_now(secret)}, {}):
        assert member.submit(f"{FACTOR}/remove", given).status == 422
    page = member.submit(f"{FACTOR}/remove", {"current": PASSWORD, "proof": code_now(secret)})
    assert "The second factor is removed" in page.text
    assert notices(desk)[-1] == "factor_removed"
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD, "/desk/account").headers["location"] == "/desk/account"


def test_new_recovery_codes_end_the_earlier_ones(desk: Desk) -> None:
    secret, codes = enrolled(desk)
    member = desk.sign_in("adviser")
    page = member.submit(f"{FACTOR}/codes", {"current": PASSWORD, "proof": code_now(secret)})
    assert give(half_way(desk), codes[0]) == 422
    assert give(half_way(desk), recovery_codes_on(page)[0]) == 303


@pytest.mark.parametrize("path", [f"{FACTOR}/remove", NEW_PASSWORD])
def test_a_thief_of_a_session_cannot_try_codes_without_end(desk: Desk, path: str) -> None:
    enrolled(desk)
    member = desk.sign_in("adviser")
    given = {"current": PASSWORD, "proof": "000000", "password": ANOTHER, "again": ANOTHER}
    statuses = [member.post(path, given).status_code for _time in range(7)]
    assert statuses == [422] * 5 + [429] * 2


def test_another_password_is_set_for_the_current_one_and_a_code(desk: Desk) -> None:
    # 6.2.3: the current password; 6.3.3, 7.5.1: and the second factor, where there is one.
    secret, _codes = enrolled(desk)
    member = desk.sign_in("adviser")
    assert [e.get("autocomplete") for e in member.read("/desk/account").all("input", name="proof")] == ["one-time-code"]
    assert desk.sign_in("owner").read("/desk/account").all("input", name="proof") == []
    new = {"current": PASSWORD, "password": ANOTHER, "again": ANOTHER}
    for given in (new, new | {"proof": "000000"}):
        page = member.submit(NEW_PASSWORD, given)
        assert (page.status, page.of_class("fault")[0].text.strip()[:22]) == (422, "This code is not right")
    # A mistake elsewhere does not use the code up.
    assert member.submit(NEW_PASSWORD, new | {"again": PASSWORD, "proof": code_now(secret)}).status == 422
    assert sign_in_form(desk.nobody(), EMAIL, ANOTHER).status_code == 422
    assert "Your password is changed" in member.submit(NEW_PASSWORD, new | {"proof": code_now(secret)}).text
    assert sign_in_form(desk.nobody(), EMAIL, ANOTHER).status_code == 303


# Where it is required


@pytest.mark.parametrize(
    ("whose", "name", "asked"),
    [("optional", "owner", False), ("owners", "owner", True), ("owners", "adviser", False), ("all", "adviser", True)],
)
def test_where_it_is_required_nothing_else_opens_before_it_is_set_up(
    desk: Desk, whose: str, name: str, asked: bool
) -> None:
    desk.app.state.second_factor = whose
    member = desk.nobody()
    assert sign_in_form(member, f"{name}@bows.example", PASSWORD).status_code == 303
    member.secret = member.cookies["desk"]
    paths = ["/desk/account", "/desk/stock", "/desk/users" if name == "owner" else "/desk/trials"]
    for path in paths:
        reply = member.get(path)
        assert (reply.headers.get("location") == FACTOR) is asked, path
    assert (member.post("/desk/account/sessions", {"which": "others"}).headers.get("location") == FACTOR) is asked
    if asked:
        page = member.read(FACTOR)
        assert page.all("nav", **{"aria-label": "Desk"}) == []
        codes = set_up(member, current="")
        assert "Your recovery codes" in codes.h1
        assert member.get("/desk/account").status_code == 200
        assert (
            member.submit(f"{FACTOR}/remove", {"current": PASSWORD, "proof": recovery_codes_on(codes)[0]}).status == 409
        )


def test_a_session_that_may_only_set_it_up_ends_in_minutes(desk: Desk) -> None:
    desk.app.state.second_factor = "all"
    member = desk.sign_in("adviser")
    assert member.get(FACTOR).status_code == 200
    with desk.database.writing() as session:
        begun = tables.StaffSession.created_at
        row = session.scalars(select(tables.StaffSession)).one()
        assert begun is not None
        row.created_at -= dt.timedelta(minutes=15)
    assert member.get(FACTOR).headers["location"].startswith("/desk/sign-in")


def test_whoever_was_signed_in_when_it_became_required_is_led_to_the_sign_in_and_from_there_to_set_it_up(
    desk: Desk,
) -> None:
    member = desk.sign_in("owner")
    form = fields_of(form_to(member.read("/desk/users"), "/desk/users"))
    with desk.database.writing() as session:
        session.scalars(select(tables.StaffSession)).one().created_at -= dt.timedelta(minutes=20)
    desk.app.state.second_factor = "owners"
    for path in ("/desk/users", "/desk/sign-in", "/desk"):
        page = Page(member.send("GET", path, follow=True))
        assert (page.status, page.h1) == (200, "Sign in to the desk"), path
    assert member.get("/desk/sign-in/left").json() == {"seconds": 0}
    # What stood open is kept, as for anybody whose sign-in has ended.
    sent = member.send("POST", "/desk/users", data=form | {"email": "new@bows.example"})
    assert "What you typed is kept" in Page(member.get(sent.headers["location"])).text
    assert sign_in_form(member, "owner@bows.example", PASSWORD, "/desk/users").status_code == 303
    member.secret = member.cookies["desk"]
    assert member.get("/desk/users").headers["location"] == FACTOR
    assert member.get(FACTOR).status_code == 200


def test_one_who_must_set_it_up_can_still_sign_out(desk: Desk) -> None:
    desk.app.state.second_factor = "all"
    member = desk.sign_in("adviser")
    assert member.post("/desk/sign-out").headers["location"] == "/desk/sign-in"
    assert member.get(FACTOR).headers["location"].startswith("/desk/sign-in")


def test_secrets_of_the_factor_stand_in_no_record_and_no_mail(desk: Desk) -> None:
    member = desk.sign_in("adviser")
    page = member.read(FACTOR)
    codes = recovery_codes_on(set_up(member))
    with desk.database.reading() as session:
        kept = " ".join(f"{row.did} {row.about} {row.detail}" for row in session.scalars(select(tables.AuditEntry)))
        kept += " ".join(f"{row.about} {row.values}" for row in session.scalars(select(tables.OutboxItem)))
    for told in (_secret_on(page), *codes, *(re.sub("-", "", code) for code in codes)):
        assert told not in kept
    assert "set up a second factor" in kept
