"""What a page of the desk shows to do is open to whom it is shown: every form and link leads to a route whose permission they have.

Generated over roles and pages: a role that may look at everything and change nothing, and for each permission that one who has
every other one. Which permission a form or link needs is read off the route that it leads to.
"""

import datetime as dt
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from sqlalchemy.orm import Session

from service import tables
from service.accounts import users
from service.trials import lifecycle, outcomes
from service.web import roles
from service.web.roles import Permission, Role
from tests.service import cast, front_door, trial_cast
from tests.service.cast import DEALER, Member
from tests.service.desk_world import World
from tests.service.page import Page

LOOKS = frozenset(each for each in Permission if each.endswith(":view"))
LOOKER = "looker"


def without(permission: Permission) -> str:
    return f"without {permission}"


ROLES = {LOOKER: LOOKS} | {without(each): frozenset(Permission) - {each} for each in Permission}


@dataclass
class Shown:
    """The desk with a trial at every stage, the addresses of its pages, and what each route needs."""

    world: World
    addresses: list[str]
    needs: list[tuple[str, re.Pattern[str], frozenset[Permission]]]
    members: dict[str, Member] = field(default_factory=dict)

    def offered(self, role: str, address: str, *, frame: bool = True) -> list[tuple[str, str]]:
        """Return method and address of everything that a page has to do or to follow; nothing where it is no page for the role.

        ``frame``: also what every page has around its own part.
        """
        if role not in self.members:
            member = self.members[role] = self.world.desk.sign_in(role)
            member.post("/desk/dealers", {"dealer": DEALER})
        reply = self.members[role].send("GET", address, follow=True)
        is_page = reply.status_code == 200 and reply.headers["content-type"].startswith("text/html")
        return list(offered(Page(reply), frame=frame)) if is_page else []

    def needed(self, method: str, address: str) -> frozenset[Permission]:
        """Return what whoever follows a form or a link must have; of two routes the one without places."""
        path = urlsplit(address).path
        found = [needs for each, route, needs in self.needs if each == method and route.fullmatch(path)]
        return found[0] if found else frozenset()


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Shown]:
    with cast.opened(tmp_path_factory.mktemp("shown"), _migrated_file) as desk, pytest.MonkeyPatch.context() as patch:
        world = World(desk)
        for name, may in ROLES.items():
            patch.setitem(roles.ROLES, name, Role(name, "of a test", may))
        with desk.database.writing() as session:
            for number, name in enumerate(ROLES):
                # Whoever chooses no dealer acts for the one that they are bound to; what is no dealer's is not theirs.
                bound = DEALER if Permission.DEALERS_CHOOSE not in ROLES[name] else None
                desk.ids[name] = users.add(session, f"role-{number}@bows.example", name, bound).account.id
            yielded = [world.things[DEALER].trial, *trials(session)]
            session.add(tables.Event(copy="DB-bramble-1", on=dt.date(2026, 3, 2), event="rehaired"))
        routes = [route for route in front_door.routes(desk.app) if route.path.startswith("/desk")]
        routes.sort(key=lambda route: route.path.count("{"))
        needs = [(route.method, re.compile(re.sub(r"\{\w+\}", "[^/]+", route.path)), route.needs) for route in routes]
        addresses = [world.address(route.path) for route in routes if route.method == "GET"]
        addresses += [f"/desk/trials/{key}{more}" for key in yielded for more in ("", "/correct", "/reopen")]
        yield Shown(world, [each for each in addresses if "/desk/sign-" not in each], needs)


def trials(session: Session) -> Iterator[str]:
    """Compose a trial by post, one that is open and one that is closed, and give their keys."""
    on = dt.datetime.now(dt.UTC).date()
    yield trial_cast.compose(session, copies=["DB-juniper-1"], on=on.isoformat(), place="post", country="DE")
    for bow in ("DB-bramble-2", "DB-bramble-3"):
        key = trial_cast.compose(session, copies=[bow], on=on.isoformat())
        lifecycle.open_(session, None, DEALER, key)
        trial_cast.rate(session, key, {bow: 5, None: 4})
        if bow == "DB-bramble-3":
            outcomes.record(session, None, DEALER, key, "none", None, "price", on)
        yield key


def offered(page: Page, *, frame: bool) -> Iterator[tuple[str, str]]:
    for form in page.all("form"):
        if not frame and form.within("main") is None:
            continue
        method = form.get("method", "get").upper()
        yield method, form.get("action") or page.address
        yield from ((method, part.get("formaction")) for part in form.walk() if part.get("formaction"))
    links = [link for link in page.all("a") if frame or link.within("main") is not None]
    yield from (("GET", link.get("href")) for link in links if link.get("href").startswith("/desk"))


def closed_to(shown: Shown, role: str, addresses: list[str]) -> list[str]:
    """Return page, method and address of what one role is shown and may not do."""
    wrong = []
    for address in addresses:
        for method, to in shown.offered(role, address):
            lacks = shown.needed(method, to) - ROLES[role]
            if lacks:
                wrong.append(f"{address} shows {method} {to} without {' '.join(lacks)}")
    return wrong


def test_whoever_may_only_look_is_shown_nothing_that_they_may_not_do(shown: Shown) -> None:
    assert len(shown.addresses) > 40
    assert closed_to(shown, LOOKER, shown.addresses) == []


def test_whoever_lacks_one_permission_is_shown_nothing_that_needs_it(shown: Shown) -> None:
    """Only the pages on which somebody with every permission is shown something that needs it are looked at, and one for the frame."""
    pages: dict[Permission, set[str]] = {each: {"/desk/account"} for each in Permission}
    for address in shown.addresses:
        for method, to in shown.offered("owner", address, frame=False):
            for permission in shown.needed(method, to):
                pages.setdefault(permission, set()).add(address)
    found = {permission for permission, on in pages.items() if len(on) > 1}
    assert {each for each in Permission if each not in LOOKS} - {Permission.DEALERS_CHOOSE} <= found
    wrong = [each for permission, on in pages.items() for each in closed_to(shown, without(permission), sorted(on))]
    assert wrong == []
