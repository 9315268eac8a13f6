"""What anybody may ask costs something, at every route, and only so much of it may be spent in a minute."""

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.core.database import Database
from service.dealers import api_keys
from service.devices import tablets
from service.web import costs
from service.web.costs import COSTS
from tests.service import cast
from tests.service.cast import DEALER, Desk
from tests.service.client import Client, serving, settings_in
from tests.service.front_door import Request, Route, never, routes
from tests.test_house import sources

KEYED = {"_sender", "_tablet", "_server", "_caller", "_scraper"}
PER_MINUTE = 100


def stopped() -> float:
    """Return seconds that do not go by, however long a test takes."""
    return 1000.0


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path_factory.mktemp("costs"), _migrated_file, cost_per_minute=PER_MINUTE) as opened:
        opened.app.state.cost_limit.clock = stopped
        yield opened


def anybodys(desk: Desk) -> list[Route]:
    """Return the routes that ask for neither a sign-in nor a key."""
    return [route for route in routes(desk.app) if not route.at_desk and not KEYED & set(route.asks)]


def name_of(route: Route) -> str:
    return f"{route.method.replace('HEAD', 'GET')} {route.path}"


def test_every_route_that_anybody_may_ask_has_a_cost_and_no_other(desk: Desk) -> None:
    assert {name_of(route) for route in anybodys(desk)} == set(COSTS)
    assert all(route.asks[0] == "pay" for route in routes(desk.app))
    assert min(COSTS.values()) >= 1


def test_each_room_says_once_what_its_own_addresses_cost() -> None:
    declaring = [path for path in sources("service") if "costs.declare(" in path.read_text(encoding="utf-8")]
    assert {path.parent.name for path in declaring} > {"form", "devices", "accounts", "privacy", "web"}
    assert [path.name for path in declaring if path.parent.name == "web"] == ["problem_types.py"]
    for path in declaring:
        assert re.search(r"^router = APIRouter\(", path.read_text(encoding="utf-8"), re.MULTILINE), path
    with pytest.raises(ValueError, match="GET /privacy: expected one cost each"):
        costs.declare({"GET /privacy": costs.SMALL})
    assert COSTS["GET /privacy"] == costs.PAGE


def test_whoever_spent_a_minutes_budget_is_refused_at_every_one_of_them(desk: Desk) -> None:
    """Each from an address of its own; the addresses of RFC 5737 are for documentation."""
    never_refused = []
    for number, route in enumerate(anybodys(desk)):
        client = Client(desk.app, host=f"198.51.100.{number}")
        statuses = [client.send(route.method, route.address).status_code for _ in range(PER_MINUTE // 2 + 1)][-1:]
        if statuses != [429]:
            never_refused.append((name_of(route), statuses))
    assert never_refused == []


def test_files_and_the_desk_for_those_who_are_not_signed_in_cost_something_too(desk: Desk) -> None:
    for number, path in enumerate(["/static/style.css", "/desk/trials"]):
        client = Client(desk.app, host=f"203.0.113.{number}")
        assert [client.get(path).status_code == 429 for _ in range(PER_MINUTE // 2 + 1)] == [False] * 50 + [True]


def test_advice_is_limited_by_cost_as_well_as_by_count(desk: Desk) -> None:
    client = Client(desk.app, host="203.0.113.20")
    assert [client.advice({"instrument": "violin"}).status_code for _ in range(2)] == [200, 429]
    assert client.get("/privacy").status_code == 200


def test_staff_tablets_and_servers_are_not_counted(desk: Desk) -> None:
    with desk.database.writing() as session:
        _, tablet = tablets.enrol(session, tablets.make_code(session, desk.ids["owner"], DEALER, "window"))
        server = api_keys.make(session, None, DEALER, api_keys.SERVER)
    owner, client = desk.sign_in("owner"), Client(desk.app, host="203.0.113.21")
    for _ in range(PER_MINUTE // 2 + 1):
        assert owner.get("/desk/account").status_code == 200
        told = client.get("/tablet/trials", headers={"Authorization": f"Bearer {tablet}"})
        assert told.status_code == 200
    for _ in range(3):
        assert client.advice({"instrument": "violin"}, {"Authorization": f"Bearer {server}"}).status_code == 200


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("POST", "/api/v1/advice"),
        ("POST", "/api/v1/trials"),
        ("GET", "/api/v1/trials/x/standing"),
        ("POST", "/api/v1/trials/x/outcome"),
        ("PUT", "/api/v1/trials/x/runs/run-00001"),
        ("PUT", "/tablet/trials/x/pairs/pair-0001"),
        ("GET", "/tablet/trials"),
        ("GET", "/tablet/trials/x"),
    ],
)
def test_an_unknown_key_is_refused_before_the_body_is_read_and_counts(
    database: Database, tmp_path: Path, method: str, path: str
) -> None:
    with serving(settings_in(tmp_path, database_url=f"sqlite:///{database.file}", advice_per_minute=3)) as desk:
        desk.app.state.advice_limit.clock = stopped
        headers = {"Authorization": "Bearer server_nobodys", "Content-Type": "application/json"}

        async def ask() -> list[int]:
            # A body that never comes: whoever waits for it gives no answer.
            tries = [Request(desk.app, never, "203.0.113.22").send(method, path, headers) for _ in range(4)]
            return [(await asyncio.wait_for(each, 20)).status for each in tries]

        assert asyncio.run(ask()) == [401, 401, 401, 429]
        # They count as questions without a key.
        assert Client(desk.app, host="203.0.113.22").advice({}).status_code == 429
        assert Client(desk.app, host="203.0.113.23").advice({}).status_code == 422
