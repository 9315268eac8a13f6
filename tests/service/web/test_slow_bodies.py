"""No body is read while a session is open, at any route; a body that does not come is not waited for for ever."""

import asyncio
import json
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from starlette.requests import ClientDisconnect

from service.advice import advise
from service.dealers import api_keys
from service.devices import tablets
from service.questionnaire import forms
from service.web import security
from tests.service import cast
from tests.service.cast import DEALER, Desk
from tests.service.front_door import FORM, JSON, Request, Route, never, routes

WITHOUT_BODY = {
    "POST /data/{token}",
    "POST /data/{token}/link",
    "POST /erase/{token}",
    "POST /mail/confirm/{token}",
    "POST /mail/still-right/{token}/{answer}",
    "POST /mail/unsubscribe/{token}",
}
"""Posts that are whole without a body: their address is the signed secret."""


class World:
    """The desk, with an owner signed in, a tablet and a dealer's server."""

    def __init__(self, desk: Desk) -> None:
        self.app, self.database = desk.app, desk.database
        owner = desk.sign_in("owner")
        with self.database.writing() as session:
            code = tablets.make_code(session, desk.ids["owner"], DEALER, "window")
            _, self.tablet = tablets.enrol(session, code)
            self.server = api_keys.make(session, None, DEALER, api_keys.SERVER)
        self.cookie = f"{owner.cookie}={owner.secret}"

    def headers(self, route: Route) -> dict[str, str]:
        """Return what lets a request through to where its body is read."""
        key = self.server if route.path.startswith("/api/") else self.tablet
        told = {"Content-Type": route.kind, "Content-Length": "100"}
        if route.path == "/tablet/enrol":
            return told
        return told | ({"Cookie": self.cookie} if route.kind == FORM else {"Authorization": f"Bearer {key}"})


@pytest.fixture(scope="module")
def world(tmp_path_factory: pytest.TempPathFactory, _migrated_file: Path) -> Iterator[World]:
    with cast.opened(tmp_path_factory.mktemp("slow"), _migrated_file) as desk:
        yield World(desk)


def held(world: World) -> list[str]:
    """Return what of the database somebody holds just now."""
    found = ["the write turn"] if world.database.turns.taken else []
    return found + ["a session"] * world.database.engine.pool.checkedout()  # type: ignore[attr-defined] # a QueuePool


def test_no_route_reads_its_body_while_a_session_is_open(world: World) -> None:
    while_read: dict[str, list[str]] = {}

    async def ask(route: Route) -> None:
        name = f"{route.method} {route.path}"

        async def receive() -> dict[str, Any]:
            while_read.setdefault(name, held(world))
            return {"type": "http.disconnect"}

        with suppress(ClientDisconnect):
            await Request(world.app, receive).send(route.method, route.address, world.headers(route))

    asked = [route for route in routes(world.app) if route.method in ("POST", "PUT", "PATCH", "DELETE")]
    for route in asked:
        asyncio.run(ask(route))
    assert {name: what for name, what in while_read.items() if what} == {}
    assert {f"{route.method} {route.path}" for route in asked} - set(while_read) == WITHOUT_BODY


def test_a_write_gets_through_while_a_connection_holds_back_its_body(world: World) -> None:
    with world.database.writing() as session:
        address = advise.address_of(session, advise.advise(session, forms.check({"instrument": "violin"}))["id"])
    receiving = asyncio.Event()

    async def one_byte_and_no_more() -> dict[str, Any]:
        if not receiving.is_set():
            receiving.set()
            return {"type": "http.request", "body": b"c", "more_body": True}
        await asyncio.Event().wait()
        raise AssertionError

    async def body() -> dict[str, Any]:
        return {"type": "http.request", "body": b'{"instrument":"viola"}', "more_body": False}

    async def attack() -> int:
        idle = Request(world.app, one_byte_and_no_more, "198.51.100.66")
        told = {"Content-Type": FORM, "Content-Length": "100"}
        slow = asyncio.create_task(idle.send("POST", f"/advice/{address}/again", told))
        await receiving.wait()
        headers = {"Content-Type": "application/json"}
        other = await asyncio.wait_for(Request(world.app, body).send("POST", "/api/v1/advice", headers), 20)
        slow.cancel()
        await asyncio.gather(slow, return_exceptions=True)
        return other.status

    assert asyncio.run(attack()) == 200


@pytest.mark.parametrize(("method", "path"), [("POST", "/form"), ("POST", "/api/v1/advice"), ("POST", "/desk/sign-in")])
def test_a_body_that_does_not_come_is_ended_and_so_is_its_connection(
    world: World, monkeypatch: pytest.MonkeyPatch, method: str, path: str
) -> None:
    monkeypatch.setattr(security, "PATIENCE", 0.01)
    (route,) = (each for each in routes(world.app) if (each.method, each.path) == (method, path))
    answer = asyncio.run(Request(world.app, never).send(method, path, {"Content-Type": route.kind}))
    # RFC 9110, 15.5.9: 408, and the connection closed, since the rest of the body would be taken for another request.
    assert answer.status == 408
    assert answer.headers["connection"] == "close"
    assert "in time" in json.loads(answer.body)["detail"]


@pytest.mark.parametrize(
    ("least_rate", "longest", "parts", "status"),
    [(0.1, 60.0, 40, 422), (100_000.0, 60.0, 100_000, 408), (1.0, 0.02, 100_000, 408)],
    ids=["steadily", "by drops", "without end"],
)
def test_a_body_may_come_slowly_but_not_by_drops_nor_without_end(
    world: World, monkeypatch: pytest.MonkeyPatch, least_rate: float, longest: float, parts: int, status: int
) -> None:
    """Two bytes at once, then two every millisecond or more; where that is too slow, the wait ends long before the last part."""
    monkeypatch.setattr(security, "PATIENCE", 0.01)
    monkeypatch.setattr(security, "LEAST_RATE", least_rate)
    monkeypatch.setattr(security, "BODY_SECONDS", longest)
    left = iter(range(parts))

    async def receive() -> dict[str, Any]:
        at = next(left, None)
        if at:
            await asyncio.sleep(0.001)
        more = at is not None
        return {"type": "http.request", "body": b"  " if more else b"", "more_body": more}

    answer = asyncio.run(Request(world.app, receive).send("POST", "/api/v1/advice", {"Content-Type": JSON}))
    assert answer.status == status
