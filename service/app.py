"""The wiring: one application from its settings, the same in tests and in service.

Run by ``uvicorn --factory service.app:create_app``, or by ``python -m service serve``.
"""

import os
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from starlette.staticfiles import StaticFiles

from service import embedding, security, speaking, templating
from service.access.links import Signer
from service.database import Database
from service.mail.office import open_office
from service.mail.sending import Postman
from service.pages import (
    api,
    api_keys,
    api_runs,
    api_trials,
    desk_mail,
    embed,
    errors,
    form,
    guard,
    mail_links,
    play,
    privacy,
    staff,
    tablet,
    tablet_files,
    website,
)
from service.pages.desk import routes as desk
from service.privacy.daily import Caretaker
from service.settings import Settings
from service.together import Together

STATIC_FILES = Path(__file__).resolve().parent / "static"
SERVER_CALLS_PER_MINUTE = 600
"""Enquiries that one dealer's server may make in a minute, per process."""
ENROLMENTS_PER_MINUTE = 10
"""Tries at a tablet's code from one address; a code has 36 bits and is good for minutes."""
SIGN_INS_PER_MINUTE, TRIES_PER_MINUTE = 20, 5
"""Tries at a password from one address of the network, and for one account from anywhere."""


@asynccontextmanager
async def _while_serving(app: FastAPI) -> AsyncIterator[None]:
    postman = Postman(app.state.database, app.state.office)
    caretaker = Caretaker(app.state.database)
    postman.start()
    caretaker.start()
    yield
    caretaker.stop()
    postman.stop()
    app.state.database.close()


def create_app(settings: Settings | None = None) -> FastAPI:
    """Return the application; without ``settings`` they are read from the environment, as uvicorn's factory needs it."""
    settings = settings or Settings.from_environment(os.environ)
    # The pages that describe the API load scripts from elsewhere; the description itself stays at /openapi.json.
    app = FastAPI(title="Bow trial", version="1", docs_url=None, redoc_url=None, lifespan=_while_serving)
    app.state.database = Database(settings.database_url)
    app.state.together = Together(app.state.database)
    app.state.templates = templating.environment()
    app.state.tokens = security.FormTokens(settings.secret_key())
    app.state.advice_limit = security.RateLimit(settings.advice_per_minute)
    app.state.server_limit = security.RateLimit(SERVER_CALLS_PER_MINUTE)
    app.state.enrol_limit = security.RateLimit(ENROLMENTS_PER_MINUTE)
    app.state.sign_in_limit = security.RateLimit(SIGN_INS_PER_MINUTE)
    app.state.account_limit = security.RateLimit(TRIES_PER_MINUTE)
    app.state.signer = Signer(settings.secret_key())
    app.state.office = open_office(
        settings.mail, settings.data_dir / "mail", settings.public_address, settings.secret_key()
    )
    app.state.demo = settings.demo
    app.state.public_address = settings.public_address
    app.include_router(api.router)
    app.include_router(api_runs.router)
    app.include_router(api_trials.router)
    app.include_router(form.router, include_in_schema=False)
    app.include_router(tablet.router, include_in_schema=False)
    app.include_router(play.router, include_in_schema=False)
    app.include_router(desk.router, include_in_schema=False)
    app.include_router(tablet_files.router, include_in_schema=False)
    app.include_router(staff.router, include_in_schema=False)
    app.include_router(mail_links.router, include_in_schema=False)
    app.include_router(desk_mail.router, include_in_schema=False)
    app.include_router(privacy.router, include_in_schema=False)
    app.mount("/static", StaticFiles(directory=STATIC_FILES), name="static")
    errors.install(app)
    guard.install(app)
    app.include_router(embed.router, include_in_schema=False)
    app.include_router(website.router, include_in_schema=False)
    _protect(app, https_only=(settings.public_address or "").startswith("https:"))
    _describe(app)
    return app


def _protect(app: FastAPI, https_only: bool) -> None:
    app.add_middleware(security.BodyLimit)
    app.add_middleware(api_keys.DealersPages, database=app.state.database)
    app.add_middleware(speaking.ReadersLanguage)
    app.add_middleware(embedding.Embedding, database=app.state.database)
    app.add_middleware(security.WithoutNul)
    app.add_middleware(security.ProtectiveHeaders, https_only=https_only)


def _describe(app: FastAPI) -> None:
    """Let the description at /openapi.json, made once, hold the questionnaire too."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = api.add_questionnaire(
                get_openapi(title=app.title, version=app.version, routes=app.routes)
            )
        return app.openapi_schema

    # FastAPI's own recipe for a changed description: the method is replaced on the instance.
    setattr(app, "openapi", openapi)  # noqa: B010 - mypy refuses the plain assignment to a method
