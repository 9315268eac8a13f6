"""Nothing slow on the event loop: what every route is made of, and who is served while the database hangs."""

import inspect
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from fastapi.dependencies.models import Dependant
from fastapi.routing import RouteContext, iter_route_contexts

from service.app import create_app
from service.dealers import keyed
from service.web import database_sessions
from tests.service.client import serving, settings_in

WRITERS: set[Any] = {database_sessions.Writing, keyed.CallerWrites, keyed.ServerWrites}
HANDED_OUT = {"/desk/players/{key}/data", "/desk/enquiries/{id_}/data", "/data/{token}/download"}
"""Whoever is handed a person's data is put on record in the same commit."""


def called(dependant: Dependant) -> Iterator[Callable[..., Any]]:
    """Give a route's function and all that it depends on."""
    assert dependant.call is not None
    yield dependant.call
    for part in dependant.dependencies:
        yield from called(part)


def routes(folder: Path) -> Iterator[tuple[RouteContext, list[Callable[..., Any]]]]:
    for context in iter_route_contexts(create_app(settings_in(folder)).routes):
        if context.endpoint is not None and context.methods:
            yield context, list(called(context.dependant))


def test_no_address_that_is_read_takes_the_write_lock(tmp_path: Path) -> None:
    write = {depends.__metadata__[0].dependency for depends in WRITERS}
    reads = [(context.path, parts) for context, parts in routes(tmp_path) if "GET" in (context.methods or ())]
    assert len(reads) > 100
    assert {path for path, parts in reads if write.intersection(parts)} == HANDED_OUT


def test_every_part_of_a_route_is_a_coroutine_which_goes_into_a_thread_where_it_says(tmp_path: Path) -> None:
    # The framework would give what is none a thread of its own, outside of the places that are counted.
    for context, parts in routes(tmp_path):
        for part in parts:
            function = part if inspect.isfunction(part) else type(part).__call__
            assert inspect.iscoroutinefunction(function) or inspect.isasyncgenfunction(function), (context.path, part)


def test_while_every_thread_hangs_signs_of_life_and_files_are_answered_and_all_others_told_when_again(
    tmp_path: Path,
) -> None:
    with serving(settings_in(tmp_path)) as client:
        told = {"Accept": "text/html", "Authorization": "Bearer server_x"}
        paths = ("/health/live", "/static/style.css", "/", "/api/v1/stock", "/health/ready")
        lives, file, start, stock, ready = client.crowded(*(("GET", path, told) for path in paths))
        assert (lives.status_code, file.status_code, ready.status_code) == (200, 200, 200)
        assert (start.status_code, stock.status_code) == (503, 503)
        # RFC 9110, 15.6.4 and 10.2.3; RFC 9457 for programs, plain words for readers.
        assert int(start.headers["retry-after"]) > 0 < int(stock.headers["retry-after"])
        assert "Too many are asking at once" in start.text
        assert stock.json()["code"] == "busy"
        assert client.get("/").status_code == 200
