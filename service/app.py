"""The wiring: one application from its settings, the same in tests and in service.

Run by ``uvicorn --factory service.app:create_app``, or by ``python -m service serve``.
"""

import asyncio
import mimetypes
import os
import re
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.routing import BaseRoute
from starlette.staticfiles import StaticFiles

from service.advice import advice_api
from service.bench import recordings
from service.calendar import calendar_routes
from service.core import logs
from service.core.database import Database
from service.core.group_commit import Together
from service.core.limits import Ledger, RateLimit
from service.core.signed_links import Signer
from service.core.workers import Workers
from service.dealers import embedding, key_check, website_routes
from service.desk import desk_routes
from service.devices import link_pages, offline_page, sheets_api, stroke_pages, tablet_doors
from service.form import embed, form_routes
from service.inventory import inventory_api, uploads
from service.inventory.finisher import Finisher
from service.mail import mail_links, outbox_page
from service.mail.mail_service import open_mail_service
from service.mail.sending import Postman
from service.modelling import fit_runs
from service.operations import health, health_doors, metrics_doors, well_known
from service.operations.counted_together import SHARED
from service.operations.metrics import Metrics
from service.privacy import privacy_pages
from service.privacy.daily import RetentionWorker
from service.registry import MAILS
from service.settings import Settings
from service.trials import reading_api, result_page, still_right_page, trials_api
from service.web import (
    costs,
    edge,
    error_pages,
    locale,
    off_loop,
    permissions,
    problem_types,
    refused_forms,
    refused_requests,
    request_frame,
    security,
    straight_routes,
    templating,
)
from service.web.compression import Compression
from service.web.static_files import STATIC_FILES

mimetypes.add_type("font/woff2", ".woff2")  # RFC 8081; not every system's table has it
SERVER_CALLS_PER_MINUTE = 600
"""Requests of every kind that one dealer's server may make in a minute."""
TEST_CALLS_PER_MINUTE = 120
"""The same with one test key."""
ENROLMENTS_PER_MINUTE = 10
"""Tries at a tablet's code from one address; a code has 36 bits and is good for minutes."""
SIGN_INS_PER_MINUTE = 20
"""Tries at passwords from one address of the network; how many for one account: `service.accounts.tries`."""

_SHEETS = re.compile(r"/api/v1/trials/[^/]+/runs/[^/]+|/tablet/trials/[^/]+/pairs/[^/]+|/play/[^/]+/[0-9].*")
_ADVICE = re.compile(r"/api/v1/advice|/form/[^/]+/[^/]+|/advice/[^/]+/again")
"""What is served first and last of those that wait: what a tablet hands in of a trial under way, and what a player asks."""


@asynccontextmanager
async def _while_serving(app: FastAPI) -> AsyncIterator[None]:
    postman = Postman(app.state.database, app.state.mail_service)
    patient = Database(app.state.database.url)
    retention_worker, finisher = RetentionWorker(patient), Finisher(patient)
    postman.start()
    retention_worker.start()
    finisher.start()
    tasks = [asyncio.create_task(app.state.ledger.keep())]
    if app.state.metrics is not None:
        tasks.append(asyncio.create_task(app.state.metrics.watch_loop()))
    yield
    for task in tasks:
        task.cancel()
    await asyncio.gather(*tasks, return_exceptions=True)
    app.state.ledger.close()
    app.state.workers.close()
    finisher.stop()
    retention_worker.stop()
    postman.stop()
    patient.close()
    app.state.database.close()


def create_app(settings: Settings | None = None) -> FastAPI:
    """Return the application; without ``settings`` they are read from the environment, as uvicorn's factory needs it."""
    if settings is None:
        settings = Settings.from_environment(os.environ)
        logs.set_up(settings.log_level)  # each worker process begins here
    # The pages that describe the API load scripts from elsewhere; the description itself is at /openapi.json, in `advice.advice_api`.
    app = FastAPI(
        title="Bow trial", version="1", docs_url=None, redoc_url=None, openapi_url=None, lifespan=_while_serving
    )
    app.router.redirect_slashes = False  # its redirects would repeat the Host header
    app.router.default = costs.Paid(edge.nowhere)
    app.state.database = Database(settings.database_url, patient=False)
    app.state.workers = Workers()
    app.state.together = Together(app.state.database, app.state.workers)
    app.state.templates = templating.environment()
    secret, *older = settings.secret_keys()
    app.state.tokens = security.FormTokens(secret, tuple(older))
    _measure(app, settings, _limit(app, settings))
    app.state.signer = Signer(secret, tuple(older))
    app.state.mail_service = open_mail_service(
        settings.mail, settings.data_dir / "mail", settings.public_address, secret, MAILS, older=tuple(older)
    )
    address = settings.database_url.render_as_string(hide_password=False)
    app.state.launch_fit = fit_runs.launcher({**os.environ, "DATABASE_URL": address})
    app.state.second_factor = settings.second_factor
    app.state.demo = settings.demo
    app.state.public_address = settings.public_address
    app.state.data_dir = settings.data_dir
    app.state.look = health.ReadinessLook(app.state.database, settings.data_dir)
    app.state.security_contact = settings.security_contact
    app.router.routes.extend(_routes())
    app.router.middleware_stack = straight_routes.Straight(app.router, _table)
    error_pages.install(app)
    permissions.install(app)
    refused_requests.install(app)
    _protect(app, settings)
    _describe(app)
    return app


def _limit(app: FastAPI, settings: Settings) -> dict[str, RateLimit]:
    """Set up how often one client may ask for what, by name; ``app.state.ledger`` settles it between all processes."""
    per_minute = {
        "advice": settings.advice_per_minute,
        "cost": settings.cost_per_minute,
        "server": SERVER_CALLS_PER_MINUTE,
        "test": TEST_CALLS_PER_MINUTE,
        "enrol": ENROLMENTS_PER_MINUTE,
        "sign_in": SIGN_INS_PER_MINUTE,
    }
    limits = {name: RateLimit(most, name) for name, most in per_minute.items()}
    for name, limit in limits.items():
        setattr(app.state, f"{name}_limit", limit)
    app.state.ledger = Ledger(app.state.database, settings.signing_key(), tuple(limits.values()))
    return limits


def _measure(app: FastAPI, settings: Settings, limits: Mapping[str, RateLimit]) -> None:
    """Keep figures for a monitoring program where one is let in; without its token nothing is counted."""
    app.state.metrics_token, app.state.metrics = settings.metrics_token, None
    if settings.metrics_token is None:
        return
    kept = Metrics(Path(os.environ[SHARED]) if SHARED in os.environ else None)
    kept.listen(app.state.database)
    app.state.workers.places.hear = app.state.database.turns.hear = kept.heard
    for name, limit in limits.items():
        limit.refused = kept.refused.labels(name).inc
    app.state.metrics = kept


@cache
def _routes() -> tuple[BaseRoute, ...]:
    """Return every route. They hold nothing of an application's own, and are worked out once in a process."""
    every = APIRouter()
    paid = [Depends(costs.pay)]
    for described in (
        advice_api.router,
        sheets_api.router,
        trials_api.router,
        reading_api.router,
        inventory_api.router,
        health_doors.router,
    ):
        every.include_router(described, dependencies=paid)
    for router in (
        form_routes.router,
        tablet_doors.router,
        stroke_pages.router,
        link_pages.router,
        desk_routes.router,
        offline_page.router,
        mail_links.router,
        still_right_page.router,
        result_page.router,
        outbox_page.router,
        privacy_pages.router,
        embed.router,
        website_routes.router,
        calendar_routes.router,
        well_known.router,
        metrics_doors.router,
        problem_types.router,
    ):
        every.include_router(router, dependencies=paid, include_in_schema=False)
    every.mount("/static", costs.Paid(StaticFiles(directory=STATIC_FILES)), name="static")
    return tuple(every.routes)


@cache
def _table() -> straight_routes.Table:
    return straight_routes.table(_routes())


def _protect(app: FastAPI, settings: Settings) -> None:
    kept: Metrics | None = app.state.metrics
    if kept is not None:
        app.add_middleware(metrics_doors.NoteRoute)
    app.add_middleware(off_loop.OffLoop, by=app.state.workers, sheets=_SHEETS, advice=_ADVICE)
    wider = {"/bench/recording": recordings.LARGEST, "/desk/bows/files": uploads.LARGEST}
    wider = {address: most + security.LARGEST_BODY for address, most in wider.items()}
    app.add_middleware(security.BodyLimit, wider=wider)
    app.add_middleware(refused_forms.Refusals)
    app.add_middleware(key_check.DealersPages, database=app.state.database)
    app.add_middleware(locale.ReadersLanguage)
    app.add_middleware(embedding.Embedding, database=app.state.database)
    app.add_middleware(Compression)
    app.add_middleware(edge.HeadAsGet)
    app.add_middleware(edge.Edge, known=settings.hosts())
    https_only = (settings.public_address or "").startswith("https:")
    app.add_middleware(request_frame.Requests)
    app.add_middleware(security.ProtectiveHeaders, https_only=https_only)
    if kept is not None:
        app.add_middleware(metrics_doors.Measure, metrics=kept)


def _describe(app: FastAPI) -> None:
    """Let the description at /openapi.json, made once, hold the questionnaire too."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = advice_api.add_questionnaire(
                get_openapi(title=app.title, version=app.version, routes=app.routes)
            )
        return app.openapi_schema

    # FastAPI's own recipe for a changed description: the method is replaced on the instance.
    setattr(app, "openapi", openapi)  # noqa: B010 - mypy refuses the plain assignment to a method
