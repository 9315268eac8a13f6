"""The table of routes leads wherever the framework's own search does."""

import asyncio
import itertools
from functools import cache
from pathlib import Path

import httpx
from fastapi import APIRouter, FastAPI, Request
from fastapi.routing import iter_route_contexts

from service.app import create_app
from service.web.straight_routes import Straight, table
from tests.service.client import settings_in

PATHS = (
    "/",
    "/a",
    "/a/",
    "/a/new",
    "/a/x",
    "/a/x/",
    "/a/x/b",
    "/a/new/b",
    "/a/x/b/c",
    "/a/{}",
    "/b/7",
    "/b/x",
    "/c",
    "/c/d",
    "/c/d/e",
    "/d/z",
    *("/e/a", "/e/b", "//a", "/a//b", "/a/x%2Fb", "/nowhere"),
)


def of_many_parts() -> FastAPI:
    """Return an application of routers in routers whose routes stand before each other in every way; each says its name and places."""
    inner, middle, app = APIRouter(), APIRouter(), FastAPI(redirect_slashes=False)

    def route(router: APIRouter, method: str, path: str) -> None:
        async def told(request: Request) -> list[object]:
            return [method, path, request.path_params, getattr(request.scope["route"], "path", None)]

        router.add_api_route(path, told, methods=[method])

    for router, method, path in (
        (inner, "GET", "/a/{x}"),
        (inner, "POST", "/a/new"),
        (inner, "GET", "/b/{n:int}"),
        (inner, "GET", "/c/d"),
        (inner, "GET", "/c/{rest:path}"),
        (middle, "GET", "/a/new"),
        (middle, "GET", "/a/{x}/{y}"),
        (middle, "GET", "/a/{x}/b"),
        (middle, "PUT", "/a/{y}"),
        (middle, "GET", "/{first}/z"),
        (middle, "GET", "/"),
        (middle, "GET", "/a"),
        (middle, "GET", "/e/b"),
        (middle, "GET", "/e/{x}"),
    ):
        route(router, method, path)
    middle.include_router(inner)
    app.include_router(middle)
    return app


def test_every_request_is_led_where_the_search_leads_it() -> None:
    searched, straight = of_many_parts(), of_many_parts()
    straight.router.middleware_stack = Straight(straight.router, cache(lambda: table(straight.router.routes)))

    async def answered(app: FastAPI) -> list[tuple[str, str, int, bytes]]:
        transport, methods = httpx.ASGITransport(app), ("GET", "POST", "PUT", "DELETE")
        async with httpx.AsyncClient(transport=transport, base_url="http://bows.example") as client:
            asked = [
                (method, path, await client.request(method, path)) for method, path in itertools.product(methods, PATHS)
            ]
        return [(method, path, reply.status_code, reply.content) for method, path, reply in asked]

    expected = asyncio.run(answered(searched))
    assert {status for *_asked, status, _content in expected} == {200, 404, 405}
    assert asyncio.run(answered(straight)) == expected


def test_nearly_every_route_of_the_service_stands_in_the_table(tmp_path: Path) -> None:
    routes = create_app(settings_in(tmp_path)).routes
    named = {(method, each.path) for each in iter_route_contexts(routes) for method in each.methods or ()}
    found = {(key[0], each.path) for key, several in table(routes).items() for each in several}
    assert {path.split("/")[1] for _method, path in named - found if path} == {"embed"}
