"""The figures for a monitoring program, behind a token of their own; and what counts them on the way of every request."""

import asyncio
import hmac
import time
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from pydantic import SecretStr
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core.database import Database
from service.operations.metrics import Metrics
from service.web import costs
from service.web.device_requests import bearer, client_of, not_too_often, unknown_key
from service.web.edge import METRICS
from service.web.static_files import STATIC

router = APIRouter()
_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})
_OTHER = "other"
_FOUND = "bows.route"
"""Where in a request's scope, which some pass on as a copy, stands the list that its route is written into."""


async def _scraper(request: Request) -> None:
    """Raise 404 where no figures are kept, 401 for any other key than theirs; tries of either are limited."""
    token: SecretStr | None = request.app.state.metrics_token
    if token is None:
        costs.charge(request, costs.SMALL)
        raise HTTPException(404)
    try:
        right = hmac.compare_digest(bearer(request).encode(), token.get_secret_value().encode())
    except HTTPException:
        right = False
    if not right:
        not_too_often(client_of(request), request.app.state.advice_limit)
        raise unknown_key()


async def _kept(request: Request) -> Metrics:
    found: Any = request.app.state.metrics
    assert isinstance(found, Metrics)  # noqa: S101 - wiring, not input
    return found


@router.get(METRICS, dependencies=[Depends(_scraper)])
async def metrics(request: Request, kept: Annotated[Metrics, Depends(_kept)]) -> Response:
    """Tell the figures. In a thread that none of the requests waits for: they are wanted most where every other one is taken."""
    database: Database = request.app.state.database
    folder: Path = request.app.state.data_dir
    text, kind = await asyncio.to_thread(kept.told, database, folder, request.headers.get("accept", ""))
    return Response(text, headers={"Content-Type": kind})


class Measure:
    """Counts every request, by what is answered in the end and however long it took; the outermost of all."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self.app, self.metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; one that ends in an error without an answer is answered with 500 further out."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        status, began, found = 500, time.perf_counter(), list[str]()

        async def send_noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app({**scope, _FOUND: found}, receive, send_noted)
        finally:
            method = scope["method"] if scope["method"] in _METHODS else _OTHER
            route = found[0] if found else _OTHER
            self.metrics.requests.labels(method, route, str(status)).inc()
            self.metrics.seconds.labels(method, route).observe(time.perf_counter() - began)


class NoteRoute:
    """Writes down for `Measure` which route a request was led to; the innermost of all."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; afterwards the router has put its route into the scope."""
        try:
            await self.app(scope, receive, send)
        finally:
            template = getattr(scope.get("route"), "path", STATIC if scope["path"].startswith(STATIC) else None)
            if _FOUND in scope and template:
                scope[_FOUND].append(template)
