"""Every route under /desk: who may ask, that nothing changes without the form's token, that another dealer's is not there.

The routes are read off the application; one of which nothing is said here fails the test.
"""

import datetime as dt
import re
import sqlite3
import uuid
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from sqlalchemy import select

from service import advice, forms, tables
from service.access import tablets, users
from service.forms.composing import Composing
from service.pages.guard import MAY
from service.trials import composing
from tests.service import cast
from tests.service.cast import DEALER, PEOPLE, Desk, Member, desk_routes
from tests.service.page import Page

WHO = {
    "/desk": "trials",
    "/desk/account": "any",
    "/desk/audit": "accounts",
    "/desk/compose": "trials",
    "/desk/dealers": "accounts",
    "/desk/enquiries": "trials",
    "/desk/mail": "trials",
    "/desk/model": "model",
    "/desk/password": "open",
    "/desk/players": "trials",
    "/desk/sign-in": "open",
    "/desk/sign-out": "any",
    "/desk/stock": "stock",
    "/desk/tablets": "trials",
    "/desk/trials": "trials",
    "/desk/users": "accounts",
    "/desk/website": "trials",
    "POST /desk/website": "accounts",
}
"""What a route asks for, by the first two parts of its path: nothing ('open'), a sign-in ('any'), or a role that may so in `MAY`.

With a method before it, what is said holds for that method only."""
NAMED = ("{secret}",)
"""Places in a path that belong to no dealer."""
NOT_KEPT = ("/desk/mail/{ident}",)
"""Not there for anybody here: a mail's text is kept only where no mail server is set and it was written to a folder."""


class World:
    """The desk with one of everything that belongs to the dealer of the cast."""

    def __init__(self, desk: Desk) -> None:
        self.desk, enquiry = desk, str(uuid.uuid4())
        answers = {"instrument": "double_bass", "hold": "german", "budget": {"amount": 2600, "currency": "EUR"}}
        with desk.database.writing() as session:
            advice.advise(session, forms.check(answers | {"dealer": DEALER, "id": enquiry}))
        with desk.database.writing() as session:
            asked = {"id": uuid.uuid4(), "answers": answers, "copies": ["DB-bramble-0", "DB-juniper-0"]}
            request = Composing.model_validate(asked | {"on": dt.datetime.now(dt.UTC).date()})
            trial = composing.compose(session, desk.ids["adviser"], DEALER, request)
            theirs = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
            player = session.scalars(theirs.where(tables.Trial.key == trial)).one()
            tablet, _key = tablets.enrol(session, tablets.make_code(session, desk.ids["adviser"], DEALER, "Room"))
            target = users.add(session, "target@bows.example", "adviser", DEALER).account.id
            mail = _mail()
            session.add(mail)
            session.flush()
            key = tables.ApiKey(digest="a" * 64, dealer=DEALER, kind="server", hint="aaaa", made_at=mail.queued_at)
            session.add(key)
            self.places = {
                "/desk/enquiries/{id_}": enquiry,
                "/desk/mail/{ident}": str(mail.id),
                "/desk/password/{secret}": "nobodys-link",
                "/desk/players/{key}": player,
                "/desk/stock/{serial}": "DB-bramble-1",
                "/desk/tablets/{tablet}": tablet.id,
                "/desk/trials/{key}": trial,
                "/desk/trials/{key}/print/{name}": "sheet",
                "/desk/users/{user}": str(target),
                "/desk/website/keys/{key}": key.digest,
            }

    def address(self, path: str, **instead: str) -> str:
        """Return a route's path with the dealer's things in its places; a place without one is a gap of this test."""
        address = path
        for found in re.finditer(r"\{\w+\}", path):
            place = path[: found.end()]
            assert place in self.places, f"{place} is not in this test's table"
            address = address.replace(found[0], instead.get("every") or self.places[place], 1)
        return address

    def ask(self, name: str | None, method: str, address: str, token: str | None = None) -> httpx.Response:
        """Ask as one of the cast, in a session of its own; a post carries its token unless another is given."""
        member = self.desk.nobody() if name is None else self.desk.sign_in(name)
        if method == "GET":
            return member.get(address)
        fields = {"csrf": member.csrf if token is None else token}
        return member.send(method, address, data=fields)


def _mail() -> tables.OutboxItem:
    now = dt.datetime.now(dt.UTC)
    given = {"channel": "mail", "kind": "before_trial", "about": "a test", "dealer": DEALER, "values": {}}
    address = {"address": "player@bows.example", "language": "en", "message_id": "<1@bows.example>"}
    return tables.OutboxItem(**given, **address, queued_at=now, due_at=now, sent_at=now)


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    """One world for all tests here: what each asks is answered alike in whatever state the others leave it."""
    with cast.opened(tmp_path_factory.mktemp("desk"), _migrated_file) as desk:
        yield World(desk)


def start_of(path: str) -> str:
    return "/".join(path.split("/")[:3])


def who(method: str, path: str) -> str:
    """Return what a route asks for."""
    start = start_of(path)
    assert start in WHO, f"{start} is not in this test's table"
    return WHO.get(f"{method} {start}", WHO[start])


def may(name: str | None, method: str, path: str) -> bool:
    asks = who(method, path)
    return asks == "open" or (name is not None and (asks == "any" or asks in MAY[PEOPLE[name][0]]))


def test_every_route_is_in_the_table_and_nothing_else_is(world: World) -> None:
    paths = {path for _method, path in desk_routes(world.desk.app)}
    assert {start_of(path) for path in paths} == {start.split(" ")[-1] for start in WHO}
    assert {path for path in paths if "{" in world.address(path)} == set()


@pytest.mark.parametrize("name", [*PEOPLE, None], ids=[*PEOPLE, "nobody"])
def test_each_role_reaches_what_it_may_and_nothing_else(world: World, name: str | None) -> None:
    wrong = []
    for method, path in desk_routes(world.desk.app):
        if who(method, path) == "open" and method == "POST":
            continue  # their tokens are not a session's; test_sign_in has them
        reply = world.ask(name, method, world.address(path))
        to_sign_in = reply.status_code == 303 and reply.headers["location"].startswith("/desk/sign-in")
        signs_out = path == "/desk/sign-out" and name is not None
        reached = reply.status_code not in (403, 500) and not (to_sign_in and not signs_out)
        led_away = path == "/desk" and name == "workshop" and reply.headers.get("location") == "/desk/stock"
        refused = led_away or (to_sign_in if name is None else reply.status_code == 403)
        if not (reached if may(name, method, path) else refused):
            wrong.append((method, path, reply.status_code))
    assert wrong == []


@pytest.mark.parametrize("name", ["stranger", "strange owner"])
def test_what_is_another_dealers_is_not_there(world: World, name: str) -> None:
    # A foreign id is a 404, not a 403: that it is somebody's would be telling too.
    asked, wrong = 0, []
    for method, path in desk_routes(world.desk.app):
        if "{" not in path or path.endswith(NAMED) or not may(name, method, path):
            continue
        asked += 1
        foreign = world.ask(name, method, world.address(path))
        if foreign.status_code != 404:
            wrong.append((method, path, foreign.status_code))
    assert wrong == []
    assert asked >= 25


def test_what_is_another_dealers_is_there_for_its_own(world: World) -> None:
    """Without this the test above could pass because nothing is there for anybody."""
    asked = [("POST", "/desk/mail/{ident}/resend")]
    asked += [(method, path) for method, path in desk_routes(world.desk.app) if method == "GET" and "{" in path]
    for method, path in asked:
        if path not in NOT_KEPT and not path.endswith(NAMED):
            assert world.ask("owner", method, world.address(path)).status_code != 404, path


@pytest.mark.parametrize("id_", ["0", "-1", "no-such-thing", "9" * 30, "%00", "a" * 3000, "%F0%9F%8E%BB"])
def test_an_id_that_nobody_has_is_not_there_either(world: World, id_: str) -> None:
    wrong = []
    for method, path in desk_routes(world.desk.app):
        if "{" in path and who(method, path) != "open":
            reply = world.ask("owner", method, world.address(path, every=id_))
            if reply.status_code not in ((400,) if id_ == "%00" else (404, 422)):
                wrong.append((method, path, reply.status_code))
    assert wrong == []


def _dump(desk: Desk) -> list[str]:
    """Return everything in the database but the sessions, which asking itself makes."""
    file = desk.database.file
    assert file is not None
    with sqlite3.connect(file) as connection:
        lines = [line for line in connection.iterdump() if "staff_sessions" not in line]
    connection.close()
    return lines


@pytest.mark.parametrize("kind", ["none", "another session's", "another page's"])
def test_no_post_changes_anything_without_its_own_token(world: World, kind: str) -> None:
    # ASVS 5.0, 3.5.1: every state-changing request carries a token that another site cannot know.
    desk = world.desk
    token = {
        "none": "",
        "another session's": desk.sign_in("owner").csrf,
        "another page's": desk.app.state.tokens.make("begin"),
    }[kind]
    before, wrong, asked = _dump(desk), [], 0
    for method, path in desk_routes(desk.app):
        if method == "GET":
            continue
        asked += 1
        name = next((n for n in ("adviser", "owner") if may(n, method, path)), "owner")
        reply = world.ask(name, method, world.address(path), token)
        if reply.status_code != 403:
            wrong.append((method, path, reply.status_code))
    assert wrong == []
    assert asked >= 20
    assert _dump(desk) == before


def test_no_get_changes_anything(world: World) -> None:
    before = _dump(world.desk)
    for method, path in desk_routes(world.desk.app):
        if method == "GET":
            world.ask("owner", "GET", world.address(path))
    assert _dump(world.desk) == before


def test_no_page_of_the_desk_is_kept_or_listed(world: World) -> None:
    for method, path in desk_routes(world.desk.app):
        if method == "GET":
            headers = world.ask("owner", "GET", world.address(path)).headers
            assert headers["cache-control"] == "no-store", path
            assert headers["x-robots-tag"] == "noindex, nofollow", path


def test_an_owner_without_a_dealer_chooses_one_first(world: World) -> None:
    owner = world.desk.sign_in("owner", acts_for=None)
    reply = owner.get("/desk/trials?state=open")
    assert reply.headers["location"] == "/desk/dealers?next=%2Fdesk%2Ftrials%3Fstate%3Dopen"
    page = owner.read("/desk/trials?state=open")
    fields = {name: next(f.get("value") for f in page.all("input", name=name)) for name in ("csrf", "next")}
    reply = owner.send("POST", "/desk/dealers", data=fields | {"dealer": DEALER})
    assert reply.headers["location"] == "/desk/trials?state=open"
    assert "You act for Harbour Strings (invented) now." in owner.read("/desk/trials").text
    assert "You act for" not in owner.read("/desk/trials").text


def test_an_owner_who_is_bound_to_a_dealer_cannot_act_for_another(world: World) -> None:
    owner = world.desk.sign_in("strange owner")
    assert owner.post("/desk/dealers", {"dealer": DEALER}).status_code == 404
    assert [e.text.strip() for e in owner.read("/desk/dealers").of_class("go")] == ["Hill Strings (invented) (now)"]


def test_a_refusal_says_in_plain_words_whose_it_is(world: World) -> None:
    page = Page(world.desk.sign_in("adviser").get("/desk/users"))
    assert page.faults == []
    assert (page.status, page.h1) == (403, "This is not open to you")
    assert [e.get("href") for e in page.of_class("go")] == ["/desk"]


def test_the_way_through_the_desk_shows_what_the_role_may(world: World) -> None:
    def ways(name: str, start: str) -> list[str]:
        page = world.desk.sign_in(name).read(start)
        nav = page.all("nav")[0]
        return [e.text.strip() for e in nav.walk() if e.tag == "a"]

    adviser = ["Today", "Enquiries", "Trials", "Stock", "Players"]
    assert ways("adviser", "/desk")[:5] == adviser
    assert "Model" not in ways("adviser", "/desk")
    assert ways("workshop", "/desk/stock") == ["Stock", "Model"]
    assert set(ways("owner", "/desk")) >= {*adviser, "Model", "Tablets", "Users", "Audit"}


def test_another_cookies_name_or_a_cut_secret_is_nobody(world: World) -> None:
    secret = world.desk.sign_in("adviser").secret or ""
    for planted in (secret[:-1], secret + "a", secret.swapcase(), "", "\x7f"):
        assert Member(world.desk.app, planted).get("/desk/account").status_code == 303
