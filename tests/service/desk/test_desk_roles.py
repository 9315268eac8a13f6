"""Roles and bindings: nobody grants, moves, hands on or sees more than their own account covers, whatever a form says."""

import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service import tables
from service.accounts import users
from service.core.scopes import AllDealers, OneDealer, Scope
from service.web import roles
from service.web.roles import ROLES, Permission, Role
from tests.service import cast, desk_world
from tests.service.cast import DEALER, OTHER, Desk, Member, desk_routes
from tests.service.desk_world import OWN, Things, World

NAMES_NOTHING = (
    "POST /desk/account/factor",
    "POST /desk/account/factor/codes",
    "POST /desk/account/factor/file",
    "POST /desk/account/factor/remove",
    "POST /desk/account/password",
    "POST /desk/account/sessions",
    "POST /desk/bows/files",
    "POST /desk/bows/files/{secret}",
    "POST /desk/bows/prices/{tier}",
    "POST /desk/calendar",
    "POST /desk/calendar/revoke",
    "POST /desk/calendar/zone",
    "POST /desk/enquiries/{id_}/erase",
    "POST /desk/enquiries/{id_}/settle",
    "POST /desk/enquiries/{id_}/take",
    "POST /desk/forgotten",
    "POST /desk/mail/{ident}/bounced",
    "POST /desk/mail/{ident}/resend",
    "POST /desk/model/fit",
    "POST /desk/password/{secret}",
    "POST /desk/players/{key}/erase",
    "POST /desk/players/{key}/note",
    "POST /desk/players/{key}/part",
    "POST /desk/players/{key}/ratings",
    "POST /desk/range/{tier}",
    "POST /desk/retention/clock",
    "POST /desk/sign-in",
    "POST /desk/sign-in/code",
    "POST /desk/sign-out",
    "POST /desk/stock/{serial}/bench",
    "POST /desk/stock/{serial}/bench/recording",
    "POST /desk/stock/{serial}/bench/remove",
    "POST /desk/stock/{serial}/correct",
    "POST /desk/stock/{serial}/event",
    "POST /desk/stock/{serial}/remove",
    "POST /desk/stock/{serial}/take-back",
    "POST /desk/stock/{serial}/status",
    "POST /desk/tablets",
    "POST /desk/tablets/{tablet}/revoke",
    "POST /desk/trials/{key}/arrived",
    "POST /desk/trials/{key}/cancel",
    "POST /desk/trials/{key}/close",
    "POST /desk/trials/{key}/confirm",
    "POST /desk/trials/{key}/extend",
    "POST /desk/trials/{key}/head-to-head",
    "POST /desk/trials/{key}/move",
    "POST /desk/trials/{key}/open",
    "POST /desk/trials/{key}/paper",
    "POST /desk/trials/{key}/parcel",
    "POST /desk/trials/{key}/reopen",
    "POST /desk/trials/{key}/reveal",
    "POST /desk/trials/{key}/seat",
    "POST /desk/users/{user}/disable",
    "POST /desk/users/{user}/enable",
    "POST /desk/users/{user}/link",
    "POST /desk/users/{user}/sessions",
    "POST /desk/website",
    "POST /desk/website/card",
    "POST /desk/website/keys",
    "POST /desk/website/keys/{key}/revoke",
    "POST /desk/website/logo",
    "POST /desk/website/logo/remove",
    "POST /desk/website/messages",
    "POST /desk/website/secret",
)
"""Forms in whose fields no thing of a dealer's is named."""


def named(own: Things, theirs: Things) -> list[tuple[str, dict[str, Any]]]:
    """Return each form that names things, filled in with one that is another dealer's."""
    trial = {"go": "set", "place": "shop", "blinding": "blind", "minutes": "60", "model_consent": "yes"}
    asked = trial | {"instrument": "double_bass", "hold": "german", "id": "2f1c3f6e-6f0a-4b0e-8a51-0f6a5f9d7a11"}
    enquiry, player = theirs.places["/desk/enquiries/{id_}"], theirs.places["/desk/players/{key}"]
    return [
        ("GET /desk/compose", {"enquiry": enquiry}),
        ("GET /desk/compose", {"previous": theirs.trial}),
        ("GET /desk/compose", {"player": player}),
        ("POST /desk/compose", asked | {"enquiry": enquiry, "copies": own.free}),
        ("POST /desk/compose", asked | {"previous": theirs.trial, "copies": own.free}),
        ("POST /desk/compose", asked | {"player": player, "copies": own.free}),
        ("POST /desk/compose", asked | {"copies": theirs.free}),
        (
            "POST /desk/bows/new",
            {"copy": "N-1", "tier": "bramble", "hold": "german", "status": "in_stock", "dealer": OTHER},
        ),
        ("POST /desk/dealers", {"dealer": OTHER}),
        ("GET /desk/enquiries/{id_}/player", {"player": player}),
        ("POST /desk/enquiries/{id_}/player", {"player": player}),
        ("GET /desk/players/{key}/join", {"other": player}),
        ("POST /desk/players/{key}/join", {"other": player}),
        ("POST /desk/mail/addresses/reopen", {"address": theirs.address}),
        ("POST /desk/retention/erase", {"dealer": OTHER, "persons": "3"}),
        ("GET /desk/stock/{serial}/bench", {"beside": theirs.free}),
        ("POST /desk/stock/{serial}/place", {"to": OTHER}),
        ("POST /desk/tablets/load", {"file": theirs.file}),
        ("GET /desk/bows/labels", {"copy": theirs.free}),
        ("GET /desk/bows/labels", {"tier": "bramble", "copy": theirs.free}),
        ("POST /desk/trials/{key}/case", {"code": theirs.free}),
        ("POST /desk/trials/{key}/case", {"code": theirs.free, "way": "back", "condition": "good"}),
        ("POST /desk/trials/{key}/correct", {"wrong": "", "what": f"kept {theirs.free}", "on": "2026-03-02"}),
        ("POST /desk/trials/{key}/count", {"sheet": theirs.sheet}),
        ("POST /desk/trials/{key}/outcome", {"what": f"kept - {theirs.free}", "sure": "yes"}),
        ("POST /desk/trials/{key}/paid", {"bow": theirs.free, "price": "900"}),
        ("POST /desk/trials/{key}/send", {f"condition.{theirs.free}": "good"}),
        ("POST /desk/trials/{key}/swap", {"out": own.copies[0], "into": theirs.free}),
        ("POST /desk/trials/{key}/swap", {"out": theirs.copies[0], "into": own.free}),
        ("POST /desk/trials/{key}/take-back", {f"condition.{theirs.free}": "good"}),
        ("POST /desk/users", {"email": "new@bows.example", "role": "workshop", "dealer": OTHER}),
    ]


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    with cast.opened(tmp_path_factory.mktemp("desk"), _migrated_file) as desk:
        yield World(desk)


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        yield opened


def _kept(desk: Desk) -> list[str]:
    """Return everything in the database but sessions and the record of what was done."""
    file = desk.database.file
    assert file is not None
    with sqlite3.connect(file) as connection:
        lines = [
            line for line in connection.iterdump() if not line.startswith(('INSERT INTO "staff_s', 'INSERT INTO "audi'))
        ]
    connection.close()
    return lines


def test_every_form_is_said_to_name_something_or_nothing(world: World) -> None:
    posts = {f"{method} {path}" for method, path in desk_routes(world.desk.app) if method == "POST"}
    naming = {route for route, _fields in named(world.things[DEALER], world.things[OTHER])}
    assert naming & set(NAMES_NOTHING) == set()
    assert posts - naming - set(NAMES_NOTHING) == set()


@pytest.mark.parametrize("name", ["adviser", "bound workshop", "bound owner"])
def test_nothing_of_another_dealer_is_reached_by_what_a_form_names(world: World, name: str) -> None:
    # OWASP ASVS 5.0, 8.2.2: data-specific access, and not only by what stands in the path.
    own, theirs = world.things[DEALER], world.things[OTHER]
    nobodys = Things(
        dict.fromkeys(theirs.places, "nobodys"), "nobodys", ("DB-none-0",), "DB-none-1", "999999999", "", b"[]"
    )
    before, wrong, asked = _kept(world.desk), [], 0
    for (route, fields), (_route, made_up) in zip(named(own, theirs), named(own, nobodys), strict=True):
        method, path = route.split(" ")
        if desk_world.reach(name, method, path) != OWN or route == "POST /desk/users":
            continue
        asked += 1
        reply = world.ask(name, method, world.address(path), fields=fields)
        refused = reply.status_code in (404, 409, 422)
        # These say on the next page that nothing was closed, or asked.
        unchanged = path.endswith(("/reopen", "/retention/erase")) and reply.status_code == 303
        # Whether it is another's or nobody's is not told either.
        alike = world.ask(name, method, world.address(path), fields=made_up).status_code == reply.status_code
        if not ((refused or unchanged) and alike) or _kept(world.desk) != before:
            wrong.append((route, fields, reply.status_code))
    assert wrong == []
    assert asked >= (1 if name == "bound workshop" else 16)


def test_the_same_forms_reach_what_is_ones_own(world: World) -> None:
    """Without this the test above could pass because every form is refused to everybody."""
    own = world.things[DEALER]
    asked: list[tuple[str, dict[str, Any]]] = [
        ("GET /desk/compose", {"enquiry": own.places["/desk/enquiries/{id_}"]}),
        ("GET /desk/compose", {"previous": own.trial}),
        ("GET /desk/compose", {"player": own.places["/desk/players/{key}"]}),
        ("POST /desk/tablets/load", {"file": own.file}),
        ("POST /desk/trials/{key}/count", {"sheet": own.sheet}),
        ("POST /desk/trials/{key}/swap", {"out": own.copies[0], "into": "DB-bramble-3"}),
        ("POST /desk/mail/addresses/reopen", {"address": own.address}),
    ]
    for route, fields in asked:
        method, path = route.split(" ")
        reply = world.ask("adviser", method, world.address(path), fields=fields)
        # The trial before has no outcome yet, which is said of one's own only.
        assert reply.status_code == 409 if "previous" in fields else reply.status_code in (200, 303), (
            route,
            reply.text,
        )


# Bows


def _place(desk: Desk, serial: str) -> str | None:
    with desk.database.reading() as session:
        return session.get_one(tables.Copy, serial).dealer


@pytest.mark.parametrize("name", ["adviser", "bound workshop", "bound owner"])
def test_who_is_bound_moves_a_bow_to_the_workshop_only_and_is_not_told_which_dealers_there_are(
    desk: Desk, name: str
) -> None:
    World(desk)
    member = desk.sign_in(name)
    there = member.post("/desk/stock/DB-bramble-2/place", {"to": OTHER})
    nowhere = member.post("/desk/stock/DB-bramble-2/place", {"to": "hill-and-dale"})
    assert (there.status_code, nowhere.status_code) == (422, 422)
    assert there.text.replace(OTHER, "X") == nowhere.text.replace("hill-and-dale", "X")
    assert "Hill Strings" not in member.get("/desk/stock/DB-bramble-2").text
    assert _place(desk, "DB-bramble-2") == DEALER
    assert member.post("/desk/stock/DB-bramble-2/place", {"to": "workshop"}).status_code == 303
    assert _place(desk, "DB-bramble-2") is None


@pytest.mark.parametrize("name", ["workshop", "owner"])
def test_who_is_bound_to_no_dealer_moves_a_bow_to_any(desk: Desk, name: str) -> None:
    assert desk.sign_in(name).post("/desk/stock/DB-bramble-2/place", {"to": OTHER}).status_code == 303
    assert _place(desk, "DB-bramble-2") == OTHER


def test_a_bound_workshop_sees_the_bows_of_its_dealer_and_no_player(world: World) -> None:
    def serials(name: str) -> set[str]:
        page = world.desk.sign_in(name).read("/desk/stock")
        return {
            link.rpartition("/")[2] for e in page.all("a") if (link := e.get("href") or "").startswith("/desk/stock/")
        }

    hill = {f"DB-hill-{number}" for number in range(4)}
    assert serials("strange workshop") == hill
    assert serials("workshop") > hill
    assert serials("bound workshop") & hill == set()
    played = world.things[OTHER].copies[0]
    for page in (
        world.desk.sign_in("strange workshop").read(where) for where in ("/desk/stock", f"/desk/stock/{played}")
    ):
        assert [e.get("href") for e in page.all("a") if (e.get("href") or "").startswith("/desk/trials")] == []
        assert "Its trials" not in page.text


# Accounts


def test_an_account_that_a_bound_owner_makes_reaches_nothing_beyond_the_dealer(desk: Desk) -> None:
    world = World(desk)
    for number, role in enumerate(ROLES):
        for dealer in ("", OTHER, DEALER):
            email = f"made-{number}-{dealer or 'none'}@bows.example"
            reply = desk.sign_in("strange owner").post("/desk/users", {"email": email, "role": role, "dealer": dealer})
            assert reply.status_code == 200
            with desk.database.reading() as session:
                made = session.scalars(select(tables.User).where(tables.User.email == email)).one()
            assert (made.role, made.dealer) == (role, OTHER)
            desk.ids["made"] = made.id
            bow = world.things[DEALER].free
            assert desk.sign_in("made").post(f"/desk/stock/{bow}/place", {"to": OTHER}).status_code == 404
            assert desk.sign_in("made").get(f"/desk/stock/{bow}").status_code == 404
    assert _place(desk, world.things[DEALER].free) == DEALER


ACCOUNTS = [(role, scope) for role in (*ROLES, "janitor") for scope in (AllDealers(), OneDealer(DEALER))]
"""Every role, and one that there is not, free and bound."""


def test_the_table_is_closed() -> None:
    assert roles.permissions("adviser", AllDealers()) == frozenset()
    assert roles.permissions("janitor", OneDealer(DEALER)) == frozenset()
    for role in ROLES:
        assert Permission.RANGE_CHANGE not in roles.permissions(role, OneDealer(DEALER))
    assert set(Permission) == roles.permissions("owner", AllDealers())


@pytest.mark.parametrize("account", ACCOUNTS, ids=str)
def test_nobody_grants_wider_than_their_own(account: tuple[str, Scope]) -> None:
    role, scope = account
    mine = roles.permissions(role, scope)
    for granted in ROLES:
        for wanted in (AllDealers(), OneDealer(DEALER), OneDealer(OTHER), OneDealer(DEALER, unassigned=True)):
            if roles.may_grant(role, scope, granted, wanted):
                assert role == "owner"
                assert scope == AllDealers() or wanted == OneDealer(DEALER)
                assert roles.permissions(granted, wanted) <= mine
    assert roles.may_grant(role, scope, "adviser", OneDealer(DEALER)) == (role == "owner")


def _as(desk: Desk, monkeypatch: pytest.MonkeyPatch, may: frozenset[Permission], dealer: str | None) -> Member:
    """Return somebody of a role that is one more entry of the table, and nothing else."""
    monkeypatch.setitem(roles.ROLES, "shelf", Role("shelf", "sees what it is told", may))
    with desk.database.writing() as session:
        desk.ids["shelf"] = users.add(session, "shelf@bows.example", "shelf", dealer).account.id
    return desk.sign_in("shelf")


@pytest.mark.parametrize("dealer", [None, DEALER])
def test_a_role_that_may_only_see_the_stock_is_one_entry_and_changes_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, dealer: str | None
) -> None:
    world = World(desk)
    member = _as(desk, monkeypatch, frozenset({Permission.STOCK_VIEW}), dealer)
    before, opened, asked = _kept(desk), set(), 0
    for method, path in desk_routes(desk.app):
        if path.startswith(desk_world.OWN_ACCOUNT) or path in desk_world.WITHOUT_SIGN_IN:
            continue
        if method != "GET":
            asked += 1
            assert member.post(world.address(path)).status_code == 403, path
        elif (reply := member.get(world.address(path))).status_code != 403:
            opened.add((path, reply.status_code))
    assert asked > 40
    assert _kept(desk) == before
    # A bow that is not out on a trial cannot be asked for its buyer, and labels are of bows that are named.
    assert opened == {
        ("/desk", 303),
        ("/desk/bows/labels", 404),
        ("/desk/stock", 200),
        ("/desk/stock/{serial}", 200),
        ("/desk/stock/{serial}/bench", 200),
        ("/desk/stock/{serial}/bench/file", 200),
        ("/desk/stock/{serial}/sold", 409),
        ("/desk/tiers/{tier}/picture", 200),
    }
    page = member.read("/desk")
    assert [e.text.strip() for e in page.all("nav")[0].walk() if e.tag == "a"] == ["Stock"]
    bow = member.read(f"/desk/stock/{world.things[DEALER].free}")
    assert {form.get("action") for form in bow.all("form", method="post")} <= {"/desk/sign-out"}


def test_an_account_that_may_more_is_not_handed_on_by_one_that_may_less(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    member = _as(desk, monkeypatch, frozenset({Permission.USERS_VIEW, Permission.USERS_CHANGE}), None)
    for name in ("owner", "adviser", "workshop"):
        for verb in ("link", "enable", "disable", "sessions"):
            assert member.post(f"/desk/users/{desk.ids[name]}/{verb}").status_code == 403, (name, verb)
    made = member.post("/desk/users", {"email": "new@bows.example", "role": "owner", "dealer": ""})
    assert (made.status_code, "no more than your own" in made.text) == (422, True)
    own_kind = member.post("/desk/users", {"email": "new@bows.example", "role": "shelf", "dealer": DEALER})
    assert own_kind.status_code == 200


def test_a_role_that_is_no_longer_in_the_table_may_nothing(desk: Desk) -> None:
    with desk.database.writing() as session:
        session.get_one(tables.User, desk.ids["owner"]).role = "janitor"
    owner = desk.sign_in("owner")
    assert owner.get("/desk").headers["location"] == "/desk/account"
    assert owner.read("/desk/account").status == 200
    assert {owner.get(path).status_code for path in ("/desk/stock", "/desk/users", "/desk/trials")} == {403}


# Mail and the record


def test_mail_of_no_dealer_is_for_those_alone_who_are_bound_to_none(world: World) -> None:
    row = desk_world.mail_of(None)
    with world.desk.database.writing() as session:
        session.add(row)
        session.flush()
        number, address = row.id, row.address
    for name, seen in (("owner", True), ("bound owner", False), ("adviser", False)):
        assert (address in world.desk.sign_in(name).get("/desk/mail?state=sent").text) == seen, name
        assert (world.ask(name, "POST", f"/desk/mail/{number}/resend").status_code == 303) == seen, name
        assert (world.ask(name, "POST", f"/desk/mail/{number}/bounced").status_code == 303) == seen, name
