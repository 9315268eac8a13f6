"""Every route under /desk: who may ask, that nothing changes without the form's token, that another dealer's is not there.

The routes are read off the application; one of which nothing is said here fails the test.
"""

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.service import cast, desk_world, front_door
from tests.service.cast import DEALER, OTHER, Desk, Member, desk_routes
from tests.service.desk_world import (
    ANY,
    ELSEWHERE,
    EVERY,
    LED,
    NEVER,
    OPEN,
    OWN,
    OWN_ACCOUNT,
    REFUSED,
    ROLES,
    WITHOUT_SIGN_IN,
    World,
)
from tests.service.page import Page

NAMED = ("{secret}",)
"""Places in a path that belong to no dealer."""


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    """One world for all tests here: what each asks is answered alike in whatever state the others leave it."""
    with cast.opened(tmp_path_factory.mktemp("desk"), _migrated_file) as desk:
        yield World(desk)


def is_open(method: str, path: str) -> bool:
    return desk_world.reach("owner", method, path) == OPEN


def reached(name: str, method: str, path: str) -> bool:
    return desk_world.reach(name, method, path) in (OPEN, ANY, OWN, EVERY, NEVER)


def test_every_route_for_staff_names_one_permission_of_its_area(world: World) -> None:
    # OWASP ASVS 5.0, 8.3.1: every function is guarded by a rule of its own, in the service.
    unnamed, odd = [], []
    for route in front_door.routes(world.desk.app):
        if not route.at_desk or route.path.startswith(OWN_ACCOUNT):
            odd += [route] if route.needs else []
            continue
        if len(route.needs) != 1:
            unnamed.append((route.method, route.path))
            continue
        area, verb = next(iter(route.needs)).split(":")
        if area != desk_world.area_of(route.path) or (verb == "view" and route.method != "GET"):
            odd.append(route)
    assert (unnamed, odd) == ([], [])


def test_every_kind_of_answer_is_met_and_every_place_is_filled(world: World) -> None:
    routes = desk_routes(world.desk.app)
    met = {desk_world.reach(name, method, path) for method, path in routes for name in ROLES}
    assert met == {OPEN, ANY, OWN, EVERY, NEVER, LED, REFUSED}
    assert {path for _method, path in routes if "{" in world.address(path)} == set()
    assert {path for _method, path in routes if path in WITHOUT_SIGN_IN} == set(WITHOUT_SIGN_IN)


@pytest.mark.parametrize("name", [*ROLES, None], ids=[*ROLES, "nobody"])
def test_each_role_reaches_what_it_may_and_nothing_else(world: World, name: str | None) -> None:
    wrong = []
    for method, path in desk_routes(world.desk.app):
        if is_open(method, path) and method == "POST":
            continue  # their tokens are not a session's; test_sign_in has them
        reply = world.ask(name, method, world.address(path))
        to_sign_in = reply.status_code == 303 and reply.headers["location"].startswith("/desk/sign-in")
        signs_out = path == "/desk/sign-out" and name is not None
        said = (OPEN if is_open(method, path) else "sign in") if name is None else desk_world.reach(name, method, path)
        came = reply.status_code not in (403, 500) and not (to_sign_in and not signs_out)
        answered = {
            REFUSED: reply.status_code == 403,
            LED: reply.headers.get("location") == "/desk/stock",
            NEVER: reply.status_code == 404,
            "sign in": to_sign_in,
        }
        there = reply.status_code != 404 or "{" not in path or path.endswith(NAMED)
        if not answered.get(said, came and there):
            wrong.append((method, path, said, reply.status_code))
    assert wrong == []


@pytest.mark.parametrize("name", ROLES)
def test_what_is_another_dealers_is_not_there(world: World, name: str) -> None:
    # A foreign id is a 404, not a 403: that it is somebody's would be telling too.
    asked, wrong = 0, []
    for method, path in desk_routes(world.desk.app):
        said = desk_world.reach(name, method, path)
        if "{" not in path or path.endswith(NAMED) or said == REFUSED:
            continue
        asked += 1
        foreign = world.ask(ELSEWHERE[name], method, world.address(path), acts_for=OTHER)
        if (foreign.status_code == 404) != (said in (OWN, NEVER)):
            wrong.append((method, path, said, foreign.status_code))
    assert wrong == []
    assert asked >= (4 if "workshop" in name else 25)


@pytest.mark.parametrize("id_", ["0", "-1", "no-such-thing", "9" * 30, "%00", "a" * 3000, "%F0%9F%8E%BB"])
def test_an_id_that_nobody_has_is_not_there_either(world: World, id_: str) -> None:
    wrong = []
    for method, path in desk_routes(world.desk.app):
        if "{" in path and not is_open(method, path):
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
        name = next((n for n in ("adviser", "owner") if reached(n, method, path)), "owner")
        reply = world.ask(name, method, world.address(path), token)
        if reply.status_code != 403:
            wrong.append((method, path, reply.status_code))
    assert wrong == []
    assert asked >= 20
    assert _dump(desk) == before


def test_no_get_changes_anything_but_the_record(world: World) -> None:
    # That it was asked for may be noted (RFC 9110, 9.2.1).
    def kept() -> list[str]:
        return [line for line in _dump(world.desk) if not line.startswith('INSERT INTO "audit"')]

    before = kept()
    for method, path in desk_routes(world.desk.app):
        if method == "GET":
            world.ask("owner", "GET", world.address(path))
    assert kept() == before


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
    assert "Estimate" not in ways("adviser", "/desk")
    assert ways("workshop", "/desk/stock") == ["Stock", "Range", "Estimate"]
    assert set(ways("owner", "/desk")) >= {*adviser, "Range", "Estimate", "Tablets", "Users", "Audit"}
    assert "Range" not in ways("bound owner", "/desk") + ways("bound workshop", "/desk/stock")


def test_another_cookies_name_or_a_cut_secret_is_nobody(world: World) -> None:
    secret = world.desk.sign_in("adviser").secret or ""
    for planted in (secret[:-1], secret + "a", secret.swapcase(), "", "\x7f"):
        assert Member(world.desk.app, planted).get("/desk/account").status_code == 303
