"""What the tests of the front door share: every route with a way to reach it, and requests whose bodies a test holds back."""

import asyncio
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

from fastapi import FastAPI
from fastapi.dependencies.models import Dependant
from fastapi.routing import iter_route_contexts

from service.web.permissions import Needs
from service.web.roles import Permission

FORM, JSON = "application/x-www-form-urlencoded", "application/json"
_PLACES = {"{position}": "1", "{answer}": "yes", "{name}": "instrument", "{rest:path}": "x", "{run_id}": "run-0001"}


@dataclass(frozen=True)
class Route:
    """One method at one path; ``asks`` are the names of its dependencies in the order in which they are met.

    ``needs``: the permissions that it names.
    """

    method: str
    path: str
    asks: tuple[str, ...]
    needs: frozenset[Permission] = frozenset()

    @property
    def at_desk(self) -> bool:
        """Whether it is for somebody of the staff, signed in."""
        return bool({"_any_staff", "_entering"} & set(self.asks))

    @property
    def address(self) -> str:
        """A path that leads to it, to nothing that is there."""
        parts = [_PLACES.get(part, "x" if part.startswith("{") else part) for part in self.path.split("/")]
        return "/".join(parts).replace("{dealer}", "x")

    @property
    def kind(self) -> str:
        """The type of content that it takes."""
        return JSON if self.path.startswith("/api/") or "/tablet/" in self.path.removeprefix("/desk/tablets") else FORM


def routes(app: FastAPI) -> list[Route]:
    """Return every route of an application that answers by itself."""
    found = []
    for context in iter_route_contexts(app.routes):
        dependant = getattr(context, "dependant", None)
        if dependant is not None and context.path is not None:
            calls = tuple(_asked(dependant))
            asks = tuple(getattr(call, "__name__", "") for call in calls)
            needs = frozenset(call.permission for call in calls if isinstance(call, Needs))
            found += [Route(method, context.path, asks, needs) for method in sorted(context.methods or ())]
    assert len(found) > 100
    return found


def _asked(dependant: Dependant) -> Iterator[Callable[..., Any] | None]:
    for each in dependant.dependencies:
        yield from _asked(each)
        yield each.call


@dataclass
class Request:
    """One request straight to the application; ``on_receive`` is called each time the application asks for the body."""

    app: FastAPI
    on_receive: Callable[[], Awaitable[dict[str, Any]]]
    host: str = "127.0.0.1"
    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""

    async def send(self, method: str, address: str, headers: dict[str, str]) -> "Request":
        """Send it and keep the answer."""
        path, _, query = address.partition("?")
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "query_string": query.encode(),
            "root_path": "",
            "headers": [(b"host", b"bows.example"), *((k.lower().encode(), v.encode()) for k, v in headers.items())],
            "client": (self.host, 50_000),
            "server": ("bows.example", 80),
            "state": {},
        }
        await self.app(scope, self.on_receive, self._keep)
        return self

    async def _keep(self, message: Any) -> None:
        if message["type"] == "http.response.start":
            self.status = message["status"]
            self.headers = {name.decode().lower(): value.decode() for name, value in message["headers"]}
        self.body += message.get("body", b"")


async def never() -> dict[str, Any]:
    """Give nothing, as a client does that sends no more."""
    await asyncio.Event().wait()
    return {"type": "http.disconnect"}


WHOLE = 250_000


def filled(head: bytes, item: bytes, tail: bytes) -> bytes:
    """Return a body of nearly the largest size, of as many items as fit."""
    return head + b",".join([item] * ((WHOLE - len(head) - len(tail)) // (len(item) + 1))) + tail


BOMBS = {
    "empty bows": filled(b'{"instrument":"violin","tried":[', b"{}", b"]}"),
    "numbers": filled(b'{"instrument":"violin","settings":[', b"1", b"]}"),
    "names": b"{" + b",".join(b'"a%d":1' % number for number in range(20_000)) + b"}",
    "ratings": b'{"ratings":{' + b",".join(b'"a%d":9' % number for number in range(20_000)) + b"}}",
    "lists in lists": b'{"tried":' + b"[" * WHOLE,
    "objects in objects": b'{"a":' * 40_000 + b"1" + b"}" * 40_000,
    "a number without end": b'{"strings":' + b"9" * WHOLE + b"}",
    "a text without end": b'{"instrument":"' + b"x" * WHOLE,
    "a long text": b'{"note":"' + b"\\u0022" * 40_000 + b'"}',
    "quotes": b'"\\' * (WHOLE // 2),
    "no JSON": b"]" * WHOLE,
    "a long name": b'{"' + b"n" * WHOLE + b'":1}',
    "as much as the lengths let through": b'{"tried":['
    + b",".join([b'{"ratings":{"a":9,"b":9,"c":9,"d":9}}'] * 59)
    + b"]}",
}
"""Bodies of about the largest size that is read, each of which costs the careless dearly."""

DOORS = {
    "advice": ("POST", "/api/v1/advice", ""),
    "enrolment": ("POST", "/tablet/enrol", ""),
    "sheet": ("PUT", "/api/v1/trials/x/runs/run-00001", "tablet"),
    "pair": ("PUT", "/tablet/trials/x/pairs/pair-0001", "tablet"),
    "trial": ("POST", "/api/v1/trials", "server"),
    "outcome": ("POST", "/api/v1/trials/x/outcome", "server"),
}
"""Where the API takes a body: method, path, and whose key it wants."""
