"""Signing in and out, against OWASP's Application Security Verification Standard 5.0, level 2 (numbers in the comments)."""

import datetime as dt
import logging
import re
from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path

import httpx
import pytest
from argon2 import PasswordHasher
from sqlalchemy import func, select, update

from service import tables
from service.accounts import passwords, users
from service.accounts.tries import FREE
from service.app import SIGN_INS_PER_MINUTE
from service.core import tokens
from service.core.scopes import AllDealers
from service.privacy import retention
from service.web import permissions, staff_sessions
from tests.service import cast
from tests.service.cast import PASSWORD, Desk, Member, hidden, sign_in_form
from tests.service.client import Client
from tests.service.page import Page

DIGEST = passwords.hash_password(PASSWORD)
EMAIL = "adviser@bows.example"


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    """The desk, whose adviser has a password."""
    with cast.opened(tmp_path, _migrated_file) as opened:
        opened.give_password("adviser", DIGEST)
        yield opened


def _cookies(reply: httpx.Response) -> SimpleCookie:
    found = SimpleCookie()
    for line in reply.headers.get_list("set-cookie"):
        found.load(line)
    return found


def _count(desk: Desk, table: type[tables.Base]) -> int:
    with desk.database.reading() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_an_account_is_made_given_a_password_signed_in_and_out(desk: Desk) -> None:
    with desk.database.writing() as session:
        secret = users.add(session, "Eve@Bows.example", "adviser", cast.DEALER, name="Eve").secret
    eve = desk.nobody()
    page = eve.read(f"/desk/password/{secret}")
    set_to = hidden(page) | {"password": PASSWORD, "again": PASSWORD}
    page = Page(eve.send("POST", f"/desk/password/{secret}", data=set_to, follow=True))
    assert page.h1 == "Sign in to the desk"
    assert "Your password is set." in page.text
    reply = sign_in_form(eve, "eve@bows.example", PASSWORD, "/desk/account")
    assert (reply.status_code, reply.headers["location"]) == (303, "/desk/account")
    page = eve.read("/desk/account")
    assert "Eve, adviser" in page.text
    assert eve.get(f"/desk/password/{secret}").status_code == 404
    page = Page(eve.send("POST", "/desk/sign-out", data=hidden(page), follow=True))
    assert "You are signed out." in page.text
    assert eve.get("/desk/account").headers["location"] == "/desk/sign-in?next=%2Fdesk%2Faccount"


def test_the_cookie_is_closed_to_scripts_and_to_other_sites(desk: Desk) -> None:
    # 3.3.1 to 3.3.4: Secure, __Host-, SameSite, HttpOnly. By plain http, as on the loopback, the first two cannot be.
    reply = sign_in_form(desk.nobody(), EMAIL, PASSWORD)
    cookie = _cookies(reply)["desk"]
    assert (cookie["httponly"], cookie["samesite"], cookie["path"], cookie["domain"]) == (True, "lax", "/", "")
    secure = Member(desk.app, base="https://bows.example")
    cookie = _cookies(sign_in_form(secure, EMAIL, PASSWORD))["__Host-desk"]
    assert (cookie["secure"], cookie["httponly"], cookie["samesite"]) == (True, True, "lax")
    assert (cookie["path"], cookie["domain"], cookie["max-age"]) == ("/", "", "")
    assert secure.get("/desk/account").status_code == 200


def test_behind_a_proxy_the_public_address_says_that_cookies_are_secure(desk: Desk) -> None:
    desk.app.state.public_address = "https://bows.example"
    assert _cookies(desk.nobody().get("/desk/sign-in"))["__Host-desk-in"]["secure"]


def test_a_session_has_twice_the_random_bits_that_are_asked_for_and_is_kept_as_a_digest(desk: Desk) -> None:
    # 7.2.3: at least 128 bits of entropy.
    secrets = set()
    for _time in range(3):
        secrets.add(_cookies(sign_in_form(desk.nobody(), EMAIL, PASSWORD))["desk"].value)
    assert len(secrets) == 3
    assert all(len(secret) * 6 >= 2 * 128 for secret in secrets)
    with desk.database.reading() as session:
        kept = set(session.scalars(select(tables.StaffSession.digest)))
    assert kept == {tokens.digest(secret) for secret in secrets}
    assert not kept & secrets


def test_each_sign_in_is_a_new_session_and_ends_the_one_before(desk: Desk) -> None:
    # 7.2.4: session fixation. A secret planted by somebody else never becomes a session.
    planted = "planted-by-somebody-else-0123456789abcdefghij"
    member = Member(desk.app, planted)
    sign_in_form(member, EMAIL, PASSWORD)
    first = member.cookies["desk"]
    assert first != planted
    assert Member(desk.app, planted).get("/desk/account").status_code == 303
    member.cookies["desk"] = first
    with desk.database.writing() as session:
        again = staff_sessions.begin(session, desk.ids["adviser"], replaced=first)
    assert again != first
    assert Member(desk.app, first).get("/desk/account").status_code == 303
    assert Member(desk.app, again).get("/desk/account").status_code == 200


def test_signing_in_over_an_open_session_ends_it(desk: Desk) -> None:
    member = desk.sign_in("adviser")
    before = member.secret
    nobody = desk.nobody()
    page = Page(nobody.get("/desk/sign-in"))
    nobody.cookies["desk"] = before or ""
    reply = nobody.send("POST", "/desk/sign-in", data=hidden(page) | {"email": EMAIL, "password": PASSWORD})
    assert reply.status_code == 303
    assert member.get("/desk/account").status_code == 303


WRONG = {
    "a wrong password": (EMAIL, "rosin kettle amber looms"),
    "an unknown address": ("nobody@bows.example", PASSWORD),
    "an account without a password": ("owner@bows.example", PASSWORD),
    "nothing": ("", ""),
    "a NUL": ("adviser@bows.example\0", "\0"),
}


def test_whatever_is_wrong_gets_one_answer_after_the_same_work(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    # 6.3.8: valid users cannot be told from the answer, nor, as both cost one digest and one line of the record, from its time.
    digests: list[str] = []
    fits = passwords.fits

    def counted(digest: str, password: str) -> bool:
        digests.append(digest)
        return fits(digest, password)

    monkeypatch.setattr(passwords, "fits", counted)
    bodies = set()
    for email, password in WRONG.values():
        before = _count(desk, tables.AuditEntry)
        reply = sign_in_form(desk.nobody(), email, password)
        assert reply.status_code == 422
        assert [e.text.strip() for e in Page(reply).all("h2")] == ["Address or password not right"]
        assert "desk" not in _cookies(reply)
        assert _count(desk, tables.AuditEntry) == before + 1
        bodies.add(re.sub(r'value="[^"]*"', "", reply.text))
    assert len(bodies) == 1
    assert "The address or the password is not right, or this account is not in use" in bodies.pop()
    assert len(digests) == len(WRONG)


def test_a_disabled_account_is_out_at_once_and_cannot_come_back(desk: Desk) -> None:
    # 7.4.2: sessions end when an account is disabled.
    member = desk.nobody()
    sign_in_form(member, EMAIL, PASSWORD)
    assert member.get("/desk/account").status_code == 200
    with desk.database.writing() as session:
        users.disable(session, AllDealers(), desk.ids["adviser"])
    assert member.get("/desk/account").status_code == 303
    assert sign_in_form(member, EMAIL, PASSWORD).status_code == 422


def test_an_account_is_tried_a_few_times_from_wherever_and_then_waits(desk: Desk) -> None:
    # 6.3.1: brute force and credential stuffing.
    member = desk.nobody()
    data = hidden(Page(member.get("/desk/sign-in"))) | {"email": EMAIL.upper(), "password": "wrong"}
    headers = {"cookie": f"desk-in={member.cookies['desk-in']}", "accept": "text/html"}
    for n in range(FREE + 1):
        reply = Client(desk.app, host=f"203.0.113.{n}").send("POST", "/desk/sign-in", data=data, headers=headers)
        assert reply.status_code == (422 if n < FREE else 429)
    assert 0 < int(reply.headers["retry-after"]) <= 60
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 429


def test_one_address_of_the_network_tries_a_few_accounts_a_minute(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(passwords, "fits", lambda *_: False)
    desk.app.state.sign_in_limit.clock = lambda: 0.0  # however long the machine takes for them
    for n in range(SIGN_INS_PER_MINUTE):
        assert sign_in_form(desk.nobody(), f"user{n}@bows.example", "wrong").status_code == 422
    assert sign_in_form(desk.nobody(), "one-more@bows.example", "wrong").status_code == 429


def test_a_refused_try_makes_no_digest(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    for _time in range(FREE):
        sign_in_form(desk.nobody(), EMAIL, "wrong")
    monkeypatch.setattr(passwords, "fits", lambda *_: pytest.fail("a digest was made"))
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 429


def _age(desk: Desk, **columns: dt.timedelta) -> None:
    """Put a session's moments back by so much."""
    with desk.database.writing() as session:
        for row in session.scalars(select(tables.StaffSession)):
            for name, by in columns.items():
                setattr(row, name, getattr(row, name) - by)


MINUTE = dt.timedelta(minutes=1)


@pytest.mark.parametrize(
    ("aged", "status"),
    [
        ({"seen_at": staff_sessions.IDLE - MINUTE}, 200),
        ({"seen_at": staff_sessions.IDLE}, 303),
        ({"expires_at": staff_sessions.LIFE - MINUTE}, 200),
        ({"expires_at": staff_sessions.LIFE}, 303),
    ],
    ids=["nearly idle", "idle", "nearly over", "over"],
)
def test_a_session_ends_after_two_idle_hours_and_after_twelve_in_all(
    desk: Desk, aged: dict[str, dt.timedelta], status: int
) -> None:
    # 7.3.1 and 7.3.2
    member = desk.sign_in("adviser")
    _age(desk, **aged)
    assert member.get("/desk/account").status_code == status


def test_a_session_in_use_slides_on_and_is_written_at_most_once_a_minute(desk: Desk) -> None:
    member = desk.sign_in("adviser")

    def seen() -> dt.datetime:
        with desk.database.reading() as session:
            return session.scalars(select(tables.StaffSession.seen_at)).one()

    first = seen()
    member.get("/desk/account")
    assert seen() == first
    _age(desk, seen_at=2 * MINUTE)
    member.get("/desk/account")
    assert seen() > first
    _age(desk, seen_at=2 * MINUTE)
    # The route that writes asks for the database too; neither waits for the other.
    assert member.post("/desk/account/sessions", {"which": "others", "mine": PASSWORD}).status_code == 303
    assert seen() > first


def test_signing_out_ends_the_session_and_not_only_the_cookie(desk: Desk) -> None:
    # 7.4.1
    member = desk.sign_in("adviser")
    reply = member.post("/desk/sign-out")
    assert _cookies(reply)["desk"]["max-age"] == "0"
    assert Member(desk.app, member.secret).get("/desk/account").status_code == 303


def test_expired_sessions_are_swept_and_others_are_not(desk: Desk) -> None:
    desk.sign_in("workshop")
    _age(desk, expires_at=staff_sessions.LIFE)
    desk.sign_in("adviser")
    retention.sweep(desk.database, dt.datetime.now(dt.UTC))
    assert _count(desk, tables.StaffSession) == 1


@pytest.mark.parametrize(
    ("asked", "reached"),
    [
        ("/desk/trials?state=open", "/desk/trials?state=open"),
        ("https://elsewhere.example/desk", "/desk"),
        ("//elsewhere.example/", "/desk"),
        ("/desk//elsewhere.example", "/desk"),
        ("/desk/../../elsewhere", "/desk/../../elsewhere"),
        ("/desk\\elsewhere", "/desk"),
        ("/desk.elsewhere.example", "/desk"),
        ("/desk\r\nSet-Cookie: a=b", "/desk"),
        ("javascript:alert(1)", "/desk"),
        ("/", "/desk"),
        ("", "/desk"),
    ],
)
def test_the_way_back_stays_on_this_site(asked: str, reached: str) -> None:
    # CWE-601. Dots cannot leave the site: a path is resolved against its own host (RFC 3986, 5.2).
    assert permissions.local(asked) == reached


def test_the_page_asked_for_is_reached_after_signing_in(desk: Desk) -> None:
    member = desk.nobody()
    reply = member.get("/desk/account?x=1")
    assert reply.headers["location"] == "/desk/sign-in?next=%2Fdesk%2Faccount%3Fx%3D1"
    page = member.read("/desk/account?x=1")
    data = hidden(page) | {"email": EMAIL, "password": PASSWORD}
    assert member.send("POST", "/desk/sign-in", data=data).headers["location"] == "/desk/account?x=1"


def test_nobody_is_signed_in_by_another_sites_form(desk: Desk) -> None:
    # The token hangs on a cookie that the other site neither has nor can set.
    page = Page(desk.nobody().get("/desk/sign-in"))
    data = hidden(page) | {"email": EMAIL, "password": PASSWORD}
    assert desk.nobody().send("POST", "/desk/sign-in", data=data).status_code == 403
    member = desk.nobody()
    member.get("/desk/sign-in")
    assert member.send("POST", "/desk/sign-in", data=data).status_code == 403
    assert member.send("POST", "/desk/sign-in", data=data | {"csrf": ""}).status_code == 403
    without = {"csrf": desk.app.state.tokens.make("sign-in:"), "email": EMAIL, "password": PASSWORD}
    assert desk.nobody().send("POST", "/desk/sign-in", data=without).status_code == 403


def test_whoever_is_signed_in_already_goes_on(desk: Desk) -> None:
    assert desk.sign_in("adviser").get("/desk/sign-in?next=/desk/account").headers["location"] == "/desk/account"


def test_a_program_that_is_not_signed_in_gets_a_plain_refusal_and_no_page(desk: Desk) -> None:
    reply = desk.client.get("/desk/account", headers={"accept": "*/*"})
    assert reply.status_code == 403
    assert reply.json()["detail"] == "Sign in first."


def test_an_older_digest_is_made_anew_at_sign_in(desk: Desk) -> None:
    cheap = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1).hash(PASSWORD)
    desk.give_password("adviser", cheap)
    assert sign_in_form(desk.nobody(), EMAIL, PASSWORD).status_code == 303
    with desk.database.reading() as session:
        kept = session.get_one(tables.User, desk.ids["adviser"]).password or ""
    assert not passwords.is_outdated(kept)
    assert passwords.fits(kept, PASSWORD)


def test_a_link_works_once_and_for_three_days_and_ends_every_session(desk: Desk) -> None:
    member = desk.sign_in("adviser")
    with desk.database.writing() as session:
        old = users.new_link(session, AllDealers(), desk.ids["adviser"])
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"])
    nobody = desk.nobody()
    assert nobody.get(f"/desk/password/{old}").status_code == 404
    data = hidden(nobody.read(f"/desk/password/{secret}")) | {"password": "kettle loom rosin amber"}
    refused = Page(nobody.send("POST", f"/desk/password/{secret}", data=data | {"again": "kettle"}))
    assert refused.status == 422
    assert "The two do not agree" in refused.text
    weak = Page(nobody.send("POST", f"/desk/password/{secret}", data=data | {"password": "short", "again": "short"}))
    assert "expected 15 or more" in weak.text
    assert weak.faults == refused.faults == []
    data |= {"again": data["password"]}
    assert nobody.send("POST", f"/desk/password/{secret}", data=data).status_code == 303
    assert nobody.send("POST", f"/desk/password/{secret}", data=data).status_code == 404
    assert member.get("/desk/account").status_code == 303
    assert sign_in_form(nobody, EMAIL, PASSWORD).status_code == 422
    assert sign_in_form(nobody, EMAIL, "kettle loom rosin amber").status_code == 303


def test_a_link_ends_after_three_days(desk: Desk) -> None:
    with desk.database.writing() as session:
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"])
        link = session.get_one(tables.PasswordLink, tokens.digest(secret))
        assert link.expires_at - dt.datetime.now(dt.UTC) > dt.timedelta(hours=71, minutes=59)
        session.execute(update(tables.PasswordLink).values(expires_at=dt.datetime.now(dt.UTC)))
    assert desk.nobody().get(f"/desk/password/{secret}").status_code == 404


def test_looking_at_a_link_changes_nothing_and_sends_it_nowhere(desk: Desk) -> None:
    with desk.database.writing() as session:
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"])
    nobody = desk.nobody()
    replies = [nobody.get(f"/desk/password/{secret}") for _time in range(3)]
    assert [reply.status_code for reply in replies] == [200] * 3
    headers = replies[0].headers
    assert headers["referrer-policy"] == "no-referrer"
    assert headers["cache-control"] == "no-store"
    assert headers["x-robots-tag"] == "noindex, nofollow"


def test_changing_the_password_asks_for_the_current_one_and_ends_other_sessions(desk: Desk) -> None:
    # 6.2.3, 7.4.3
    here, elsewhere = desk.sign_in("adviser"), desk.sign_in("adviser")
    new = {"current": "wrong wrong wrong", "password": "kettle loom rosin amber", "again": "kettle loom rosin amber"}
    page = here.submit("/desk/account/password", new)
    assert (page.status, page.of_class("fault")[0].text.strip()) == (422, "This is not your current password.")
    page = here.submit("/desk/account/password", new | {"current": PASSWORD})
    assert "Your password is changed" in page.text
    assert elsewhere.get("/desk/account").status_code == 303
    assert here.get("/desk/account").status_code == 200


@pytest.mark.parametrize("path", ["/desk/sign-in", "/desk/password/{secret}", "/desk/account/password"])
def test_secrets_stand_in_no_page_no_log_and_no_record(desk: Desk, path: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.DEBUG)
    typed = "a secret nobody should see again"
    member = desk.sign_in("adviser")
    with desk.database.writing() as session:
        secret = users.new_link(session, AllDealers(), desk.ids["adviser"])
    nobody = desk.nobody()
    page = Page(nobody.get("/desk/sign-in"))
    data = {"email": EMAIL, "password": typed, "again": f"{typed} not", "current": typed}
    sender = member if "account" in path else nobody
    token = member.csrf if "account" in path else desk.app.state.tokens.make(f"password:{secret}")
    token = hidden(page)["csrf"] if "sign-in" in path else token
    reply = sender.send("POST", path.format(secret=secret), data=data | {"csrf": token})
    assert reply.status_code == 422
    with desk.database.reading() as session:
        record = " ".join(f"{row.did} {row.about} {row.detail}" for row in session.scalars(select(tables.AuditEntry)))
    # What the test's own client logs is not the service's.
    logged = " ".join(line.getMessage() for line in caplog.records if not line.name.startswith("httpx"))
    assert "sign-in" not in path or "refused" in logged
    for told in (reply.text, logged, record):
        assert typed not in told
        assert (member.secret or "") not in told
        assert DIGEST not in told
    for told in (logged, record):
        assert secret not in told
        assert EMAIL not in told


def test_an_unforeseen_error_tells_no_secret_either(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_args: object, **_named: object) -> None:
        raise RuntimeError("a secret nobody should see again")

    monkeypatch.setattr(staff_sessions, "of_user", broken)
    member = desk.sign_in("adviser")
    client = Client(desk.app, forgiving=True)
    reply = client.get("/desk/account", headers={"accept": "text/html", "cookie": f"desk={member.secret}"})
    assert reply.status_code == 500
    for secret in (member.secret or "", "nobody should see", "RuntimeError", "Traceback"):
        assert secret not in reply.text


def test_secrets_are_no_part_of_what_a_log_would_print(desk: Desk) -> None:
    staff = permissions.Staff(1, "a@b.c", "A", "adviser", None, None, AllDealers(), session="digest-x", csrf="token-x")
    assert "digest-x" not in repr(staff)
    assert "token-x" not in repr(staff)
    assert desk.app.state.signer.secret not in repr(desk.app.state.signer)
