"""A form that was sent and not taken is not lost: after signing in again it is as it was, and a refusal has its own address."""

import datetime as dt
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from sqlalchemy import delete, select

from service import privacy, tables
from service.accounts import passwords, second_factor
from service.core import clock_watch
from service.privacy import daily, retention
from service.web import kept_forms
from service.web.refill import refilled
from service.web.security import FormTokens
from tests.service import cast, desk_shop
from tests.service.cast import PASSWORD, Member
from tests.service.desk_shop import Shop, fields_of, form_to
from tests.service.desk_world import World
from tests.service.page import Element, Page
from tests.service.trial_cast import BOWS

NAVIGATES = {"Sec-Fetch-Mode": "navigate"}


@pytest.fixture(scope="module")
def digest() -> str:
    return passwords.hash_password(PASSWORD)


@pytest.fixture
def shop(tmp_path: Path, _migrated_file: Path, digest: str) -> Iterator[Shop]:
    """A shop whose adviser is signed in and has a password."""
    with desk_shop.opened(tmp_path, _migrated_file) as shop:
        for name in ("adviser", "stranger", "owner", "strange owner"):
            shop.desk.give_password(name, digest)
        shop.adviser = shop.desk.sign_in("adviser")  # a new password ends what was open
        yield shop


def end_all(shop: Shop) -> None:
    """Let every sign-in end, as the hours do."""
    with shop.desk.database.writing() as session:
        session.execute(delete(tables.StaffSession))


def typed_into(page: Page, action: str, **changes: str | list[str]) -> dict[str, list[str] | str]:
    return fields_of(form_to(page, action)) | changes


def sign_in(shop: Shop, member: Member, reply_location: str, email: str) -> Page:
    """Fill in the sign-in that a post has led to, and go on where it leads."""
    page = Page(member.get(reply_location))
    fields = cast.hidden(page) | {"email": email, "password": PASSWORD}
    return Page(member.send("POST", "/desk/sign-in", data=fields, follow=True))


def send_after_the_end(shop: Shop, where: str, action: str, by: str = "adviser", **changes: str | list[str]) -> Page:
    """Fill in a form, let the sign-in end, send it, sign in on the spot, and return the page that comes then."""
    member = shop.adviser = shop.desk.sign_in(by)
    page = member.read(where)
    form = form_to(page, action)
    end_all(shop)
    reply = member.send("POST", form.get("action"), data=typed_into(page, action, **changes))
    assert reply.status_code == 303
    asked = Page(member.get(reply.headers["location"]))
    assert "What you typed is kept" in asked.text
    return sign_in(shop, member, reply.headers["location"], f"{by.replace(' ', '-')}@bows.example")


def test_a_composition_is_as_it_was_after_signing_in_on_the_spot(shop: Shop) -> None:
    enquiry = shop.enquire()
    typed: dict[str, Any] = {
        "copies": [BOWS[2], BOWS[0]],
        "place": "post",
        "country": "AT",
        "minutes": "75",
        "go": "set",
    }
    page = send_after_the_end(shop, f"/desk/compose?enquiry={enquiry}", "/desk/compose", **typed)
    assert "Nothing of it was sent yet." in page.text
    fields = fields_of(form_to(page, "/desk/compose"))
    assert sorted(fields["copies"]) == sorted([BOWS[2], BOWS[0]])
    assert (fields["place"], fields["country"], fields["enquiry"]) == (["post"], ["AT"], [enquiry])
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.Composition)).all() == []
    # It can be sent now.
    sent = shop.adviser.send("POST", "/desk/compose", data=fields | {"go": "set"})
    assert sent.headers["location"].startswith("/desk/trials/")


FORMS: Mapping[str, tuple[str, str, dict[str, str]]] = {
    "stock": (f"/desk/stock/{BOWS[0]}", "/event", {"event": "repaired", "on": "2026-03-02", "note": 'a "new" <frog>'}),
    "website": (
        "/desk/website",
        "/desk/website",
        {"origins": "https://shop.example & more", "action_colour": "#1d5b4f"},
    ),
    "walk-in": (
        "/desk/compose?instrument=double_bass+german&budget=4000",
        "/desk/compose",
        {"name": "Bo Lind (invented)"},
    ),
    "tablet": ("/desk/tablets", "/desk/tablets", {"name": "By the window"}),
    "mail": ("/desk/mail", "/desk/mail/addresses/reopen", {"address": "again@bows.example"}),
}


@pytest.mark.parametrize("name", FORMS)
def test_every_form_of_the_desk_is_as_it_was(shop: Shop, name: str) -> None:
    address, action, typed = FORMS[name]
    page = send_after_the_end(shop, address, action, "strange owner" if name == "website" else "adviser", **typed)
    fields = fields_of(form_to(page, action))
    in_text = {key: page.by_id(key).text.strip() for key in typed if key not in fields}  # of a <textarea>
    shown = {key: fields[key][0] for key in typed if key in fields} | in_text
    assert shown == typed


def test_a_correction_of_an_outcome_is_as_it_was(shop: Shop) -> None:
    key = shop.opened()
    shop.adviser.submit(f"/desk/trials/{key}/outcome", {"what": "none price", "sure": "yes"})
    typed = {"what": "more_asked", "reason": "sound", "on": "2026-03-02"}
    page = send_after_the_end(shop, f"/desk/trials/{key}/correct", "/correct", **typed)
    fields = fields_of(form_to(page, "/correct"))
    assert {name: fields[name][0] for name in typed} == typed


def test_another_account_that_signs_in_sees_nothing_of_it(shop: Shop) -> None:
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    fields = typed_into(page, "/event", event="repaired", note="Secret words (invented)")
    end_all(shop)
    reply = shop.adviser.send("POST", f"/desk/stock/{BOWS[0]}/event", data=fields)
    for email in ("owner@bows.example", "stranger@bows.example"):
        seen = sign_in(shop, Member(shop.desk.app), reply.headers["location"], email)
        assert "Secret words" not in seen.source
    # Nor does one who is signed in already and is handed the address.
    onwards = parse_qs(urlsplit(reply.headers["location"]).query)["next"][0]
    assert "Secret words" not in shop.desk.sign_in("owner").get(onwards).text
    assert "Secret words" in sign_in(shop, shop.adviser, reply.headers["location"], "adviser@bows.example").source


def test_a_form_that_was_not_written_here_is_not_kept(shop: Shop) -> None:
    # OWASP ASVS 5.0, 3.5.1: a request of another site, whose token nobody here has written.
    stranger = Member(shop.desk.app)
    tokens = [
        "",
        "x",
        "a~1~L2Rlc2s~b",
        shop.adviser.csrf,
        f"{shop.adviser.csrf}~1~L2Rlc2s~{shop.adviser.csrf}",
        "~~~",
        "a~b",
    ]
    for token in tokens:
        reply = stranger.send("POST", "/desk/compose", data={"csrf": token, "name": "x"})
        assert (reply.status_code, reply.headers["location"]) == (303, "/desk/sign-in")
    with shop.desk.database.reading() as session:
        assert session.scalars(select(tables.KeptForm)).all() == []


def test_a_form_that_stood_open_while_the_key_was_changed_is_taken(shop: Shop) -> None:
    """ASVS 5.0, 11.1.1: a key can be replaced at any time; what the one before it signed is good until that is retired."""
    page = shop.adviser.read(f"/desk/stock/{BOWS[0]}")
    form = form_to(page, "/event")
    fields = typed_into(page, "/event", event="repaired", on="2026-03-02", note="new hair")
    before = shop.desk.app.state.tokens
    shop.desk.app.state.tokens = FormTokens("n" * 64, (before.key,))
    reply = shop.adviser.send("POST", form.get("action"), data=fields)
    assert (reply.status_code, reply.headers["location"]) == (303, f"/desk/stock/{BOWS[0]}")
    shop.desk.app.state.tokens = FormTokens("n" * 64)  # retired
    assert shop.adviser.send("POST", form.get("action"), data=fields).status_code == 403


TYPED = "five words that nobody keeps"


def secrets_in(form: Element) -> set[str]:
    """Return the names of a form's fields that hold passwords, codes, and the secret of a second factor."""
    inputs = [e for e in form.walk() if e.tag == "input"]
    return {
        e.get("name")
        for e in inputs
        if e.get("type") == "password" or e.get("autocomplete") == "one-time-code" or e.get("name") == "secret"
    }


def forms_with_secrets(page: Page) -> Iterator[tuple[str, dict[str, list[str] | str]]]:
    """Give the address of each such form of a page, of each of its buttons, with what is sent there."""
    for form in page.all("form"):
        names = secrets_in(form)
        to = {form.get("action"), *(e.get("formaction") for e in form.walk() if e.tag == "button")} - {""}
        yield from ((each, fields_of(form) | dict.fromkeys(names, TYPED)) for each in sorted(to) if names)


@pytest.fixture
def world(tmp_path: Path, _migrated_file: Path) -> Iterator[World]:
    """The desk with one of everything, for the pages that show it."""
    with cast.opened(tmp_path, _migrated_file) as desk:
        yield World(desk)


@pytest.mark.parametrize("enrolled", [False, True], ids=["no factor", "a factor"])
def test_no_password_or_code_of_any_form_of_the_desk_is_kept(world: World, enrolled: bool) -> None:
    """ASVS 5.0, 11.4.2 and 14.2.4: a password is stored as its digest alone, wherever on the desk it was typed."""
    desk = world.desk
    with desk.database.writing() as session:
        if enrolled:
            second_factor.set_up(session, desk.ids["owner"], second_factor.draw_secret(), 0)
    member = desk.sign_in("owner")
    addresses = [world.address(path) for method, path in cast.desk_routes(desk.app) if method == "GET"]
    pages = [member.get(address) for address in (*addresses, "/desk/account/factor?replace=yes")]
    shown = [Page(each) for each in pages if "text/html" in each.headers.get("content-type", "")]
    sent = [each for page in shown for each in forms_with_secrets(page)]
    assert len(sent) >= (5 if enrolled else 3), sent
    token = fields_of(form_to(member.read("/desk/account"), "/desk/account/sessions"))["csrf"]
    with desk.database.writing() as session:
        session.execute(delete(tables.StaffSession))
    for address, fields in sent:
        # With a token that tells page and user, whichever the form itself carries: it is kept then.
        assert member.send("POST", address, data=fields | {"csrf": token}).status_code == 303, address
    with desk.database.reading() as session:
        rows = session.scalars(select(tables.KeptForm)).all()
        assert {row.path for row in rows} == {address for address, _fields in sent}
        assert [(row.path, row.fields) for row in rows if TYPED in str(row.fields)] == []


def test_what_is_kept_is_bounded_in_number_size_and_time_and_holds_no_password(shop: Shop) -> None:
    user, now = shop.desk.ids["adviser"], dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    with shop.desk.database.writing() as session:
        secrets = [
            kept_forms.typed(
                session, user, "/desk/x", {"n": [str(n)], "password": ["p"], "csrf": ["c"]}, now + dt.timedelta(0, n)
            )
            for n in range(25)
        ]
        assert kept_forms.typed(session, user, "/desk/x", {"n": ["x" * 300_000]}, now) is None
        rows = session.scalars(select(tables.KeptForm)).all()
        assert len(rows) == 20
        assert {name for row in rows for name in row.fields or {}} == {"n"}
        last, later = str(secrets[-1]), now + dt.timedelta(hours=2)
        assert kept_forms.find(session, last, user, "", now) is not None
        assert kept_forms.find(session, last, user, "", later) is None
        kept_forms.typed(session, user, "/desk/x", {}, later)
        assert len(session.scalars(select(tables.KeptForm)).all()) == 1


@pytest.mark.parametrize("clock_is", ["right", "years ahead of the last sign of work"])
def test_what_was_kept_goes_each_hour_whether_or_not_the_clock_is_believed(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, clock_is: str
) -> None:
    """Also off the disk; nobody has to send another form, and no sweep has to be due."""
    database, user, now = shop.desk.database, shop.desk.ids["adviser"], dt.datetime.now(dt.UTC)
    ages = {"over": 61, "still": 30, "of a clock ahead": -3 * 365 * 24 * 60}
    with database.writing() as session:
        moments = {name: now - dt.timedelta(minutes=age) for name, age in ages.items()}
        for name, at in moments.items():  # each kept under the clock of its own moment
            row = {"user": user, "path": f"/desk/{name}", "fields": {"name": [f"Words typed, {name}"]}}
            session.add(tables.KeptForm(digest=name, at=at, **row))
        worked = now if clock_is == "right" else now - dt.timedelta(days=1_000)
        session.add_all(
            [
                tables.Duty(name=clock_watch.WATCH, begun_at=worked, counts={}),
                tables.Duty(name=retention.SWEEP, begun_at=now, counts={}),
            ]
        )
    looked, sweep = threading.Event(), retention.sweep_if_due

    def looking(*given: Any) -> Any:
        try:
            return sweep(*given)
        finally:
            looked.set()

    monkeypatch.setattr(daily, "sweep_if_due", looking)
    retention_worker = daily.RetentionWorker(database, first=0.0)
    retention_worker.start()
    assert looked.wait(30)
    retention_worker.stop()
    with database.reading() as session:
        assert session.scalars(select(tables.KeptForm.digest)).all() == ["still"]
    assert database.file is not None
    written = b"".join(path.read_bytes() for path in database.file.parent.glob(f"{database.file.name}*"))
    assert [name for name in ages if f"Words typed, {name}".encode() in written] == ["still"]


@pytest.mark.parametrize(
    ("dealer", "stay"),
    [(cast.DEALER, {"stranger", "strange owner"}), (None, {"adviser", "stranger", "strange owner"})],
    ids=["a dealer's player", "nobody's player"],
)
def test_erasing_a_person_takes_what_those_typed_who_may_act_for_the_dealer_and_nobody_elses(
    shop: Shop, dealer: str | None, stay: set[str]
) -> None:
    enquiry = shop.enquire()
    with shop.desk.database.writing() as session:
        session.get_one(tables.Enquiry, enquiry).dealer = dealer
        for name in cast.PEOPLE:
            assert (
                kept_forms.typed(session, shop.desk.ids[name], "/desk/compose", {"name": ["Clara (invented)"]})
                is not None
            )
    with shop.desk.database.writing() as session:
        privacy.erase(session, None, privacy.of_enquiry(session, enquiry))
    with shop.desk.database.reading() as session:
        left = set(session.scalars(select(tables.KeptForm.user)))
    assert {name for name, number in shop.desk.ids.items() if number in left} == stay


def test_what_a_clock_ahead_kept_is_not_shown_for_years(shop: Shop) -> None:
    user, now = shop.desk.ids["adviser"], dt.datetime(2026, 5, 1, tzinfo=dt.UTC)
    with shop.desk.database.writing() as session:
        secret = kept_forms.typed(session, user, "/desk/x", {"n": ["1"]}, now + dt.timedelta(days=1_000))
        assert secret is not None
        assert kept_forms.find(session, secret, user, "", now) is None


def test_a_refusal_leads_a_browser_to_a_page_of_its_own(shop: Shop) -> None:
    address = f"/desk/stock/{BOWS[0]}"
    fields = typed_into(shop.adviser.read(address), "/event", event="repaired", on="yesterday", note="kept words")
    reply = shop.adviser.send("POST", f"{address}/event", data=fields, headers=NAVIGATES)
    assert reply.status_code == 303
    assert reply.headers["location"].startswith(f"{address}?kept=")
    page = Page(shop.adviser.get(reply.headers["location"]))
    assert (page.status, page.faults) == (422, [])
    assert "expected a day" in page.text
    assert fields_of(form_to(page, "/event"))["note"] == ["kept words"]
    again = shop.adviser.send(  # once more wrong, from the page that said why
        "POST", f"{address}/event", data=typed_into(page, "/event", on="tomorrow"), headers=NAVIGATES
    )
    assert again.headers["location"].startswith(f"{address}?kept=")
    # Shown to nobody else, and not in another session of the same user's.
    for member in (shop.desk.sign_in("owner"), shop.desk.sign_in("adviser")):
        assert "kept words" not in member.get(reply.headers["location"]).text


def test_a_scripts_own_request_and_a_browser_that_does_not_say_get_the_answer_at_once(shop: Shop) -> None:
    for headers in ({}, {"Sec-Fetch-Mode": "cors", "Upgrade-Insecure-Requests": "1"}):
        fields = {"csrf": shop.adviser.csrf, "event": "", "on": ""}
        assert (
            shop.adviser.send("POST", f"/desk/stock/{BOWS[0]}/event", data=fields, headers=headers).status_code == 422
        )


def test_what_is_left_is_told_without_keeping_the_sign_in_alive(shop: Shop) -> None:
    now = dt.datetime.now(dt.UTC)
    with shop.desk.database.writing() as session:
        for row in session.scalars(select(tables.StaffSession)):
            row.seen_at = now - dt.timedelta(minutes=110)
    left = shop.adviser.get("/desk/sign-in/left").json()["seconds"]
    assert 9 * 60 < left <= 10 * 60
    assert shop.adviser.get("/desk/sign-in/left").json()["seconds"] <= left
    assert (
        shop.adviser.send("GET", "/desk/sign-in/stay", headers={"Accept": "application/json"}).json()["seconds"] > 7000
    )
    assert shop.adviser.get("/desk/sign-in/left").json()["seconds"] > 7000
    end_all(shop)
    assert shop.adviser.get("/desk/sign-in/left").json() == {"seconds": 0}


def test_only_the_forms_own_fields_are_filled_in() -> None:
    source = (
        "<!doctype html><p>a &amp; b &#8211; c<!-- x --></p><form action='/b'><input name=n value=old></form>"
        '<form method="post" action="/b"><input name="n" value="old"><input type="hidden" name="csrf" value="t">'
        '<textarea name="note">was &lt;this</textarea><select name="s"><option value="1" selected>1</option>'
        '<option value="2">2</option></select><input type="checkbox" name="c" value="yes" checked>'
        "<input type=radio name=r value=x><svg><path d='M0'/></svg></form><b>end</b>"
    )
    filled, found = refilled(
        source, "/b", {"n": ['"><b>'], "csrf": ["z"], "note": ["</textarea>&"], "s": ["2"], "r": ["x"]}
    )
    assert found
    assert filled == (
        "<!doctype html><p>a &amp; b &#8211; c<!-- x --></p><form action='/b'><input name=n value=old></form>"
        '<form method="post" action="/b"><input name="n" value="&quot;&gt;&lt;b&gt;"><input type="hidden" name="csrf" value="t">'
        '<textarea name="note">\n&lt;/textarea&gt;&amp;</textarea><select name="s"><option value="1">1</option>'
        '<option value="2" selected>2</option></select><input type="checkbox" name="c" value="yes">'
        '<input type="radio" name="r" value="x" checked><svg><path d=\'M0\'/></svg></form><b>end</b>'
    )
