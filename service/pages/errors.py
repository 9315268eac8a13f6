"""One shape for every error: JSON for programs, a page in plain words for browsers; never a traceback.

``{"error": {"message": "…", "problems": [{"path": "…", "message": "…"}]}}``
"""

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from jinja2 import TemplateError
from starlette.exceptions import HTTPException

from service import logs, security
from service.errors import FieldProblem, Invalid, NotAllowed, NotHere, Refused
from service.language import N_, _, spoken
from service.pages import methods
from service.pages.contexts import Page
from service.pages.rendering import render

log = logging.getLogger(__name__)
REQUEST_ID = "X-Request-Id"
"""The header by which an answer names its request, as the log does."""

HEADINGS: dict[int, str] = {
    400: N_("This request could not be read"),
    401: N_("This needs a key"),
    403: N_("This form has expired"),
    404: N_("There is nothing at this address"),
    405: N_("This address does not take that"),
    408: N_("This took too long to arrive"),
    409: N_("This cannot be done as things stand"),
    413: N_("That is too large"),
    415: N_("This is the wrong kind of content"),
    421: N_("This is not the service you asked for"),
    422: N_("Some answers cannot be used"),
    429: N_("Too many questions at once"),
    500: N_("Something went wrong on our side"),
    503: N_("The service cannot answer just now"),
}
SENTENCES: dict[int, str] = {
    400: N_("The request is not well formed; please send it again."),
    401: N_("Expected a key that opens this, sent as Authorization: Bearer KEY; this one is unknown or was revoked."),
    403: N_("Go back to the page, load it again and send the form once more; nothing was changed."),
    404: N_("The link may be mistyped, or what it led to is no longer kept."),
    405: N_("The address exists, but not for this method."),
    408: N_("The request did not come whole in time, so nothing was changed; please send it again."),
    409: N_("Nothing was changed."),
    413: N_("Expected at most 256 kB, and from a form at most 32 kB; a questionnaire has a few thousand characters."),
    415: N_("Expected JSON, sent as Content-Type: application/json."),
    421: N_("The service does not answer under this name; whoever runs it sets ALLOWED_HOSTS."),
    422: N_("Nothing was changed. Mend the fields named here and send it again."),
    429: N_("Please wait a moment and ask again."),
    500: N_("The mistake was recorded and nothing was changed; please try again later."),
    503: N_("Nothing was changed; please try again in a few seconds."),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPage(Page):
    """An error in plain words; ``title`` is its heading, ``at_desk`` says whose way back it shows.

    ``ident``: of the request, by which whoever runs the service finds it in the log; empty where the reader can mend it.

    Rendered by errors/STATUS.html, else by errors/error.html.
    """

    status: int
    message: str
    problems: tuple[FieldProblem, ...] = ()
    at_desk: bool = False
    ident: str = ""


def install(app: FastAPI) -> None:
    """Let every error of ``app`` be answered in the one shape."""
    app.add_exception_handler(Invalid, _invalid)
    app.add_exception_handler(Refused, _refused)
    app.add_exception_handler(NotHere, not_here)
    app.add_exception_handler(NotAllowed, not_allowed)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _by_status)
    for away in logs.AWAY:
        app.add_exception_handler(away, _busy)
    app.add_exception_handler(Exception, _unforeseen)


def answer(
    request: Request,
    status: int,
    message: str | None = None,
    problems: Sequence[FieldProblem] = (),
    headers: Mapping[str, str] | None = None,
    title: str | None = None,
) -> Response:
    """Return the error in the shape that the client can read; ``title``: a page's heading other than its status's own."""
    message = message or _(SENTENCES.get(status, SENTENCES[400 if status < 500 else 500]))
    title = title or _(HEADINGS.get(status, HEADINGS[400 if status < 500 else 500]))
    reply = (
        _page(request, status, title, message, problems) if _is_browser(request) else _json(status, message, problems)
    )
    reply.headers.update(headers or {})
    return reply


def body(message: str, problems: Sequence[FieldProblem] = ()) -> dict[str, Any]:
    """Return the error as the JSON object of the API."""
    told = [{"path": problem.path, "message": problem.message} for problem in problems]
    return {"error": {"message": message, "problems": told}}


def _json(status: int, message: str, problems: Sequence[FieldProblem]) -> Response:
    return JSONResponse(body(message, problems), status)


def _page(request: Request, status: int, title: str, message: str, problems: Sequence[FieldProblem]) -> Response:
    page = ErrorPage(
        title=title,
        status=status,
        message=message,
        problems=tuple(problems),
        demo=request.app.state.demo,
        at_desk=request.url.path.startswith("/desk"),
        ident=logs.request_id() if status >= 500 else "",
    )
    try:
        return render(request, [f"errors/{status}.html", "errors/error.html"], page, status)
    except TemplateError:
        log.exception("the error page could not be made")
        return _bare(status, title, message)


def _bare(status: int, title: str, message: str) -> HTMLResponse:
    """Return a page that needs no template: the template may be what is broken."""
    return HTMLResponse(
        f'<!doctype html><html lang="{spoken()}"><head><meta charset="utf-8"><title>{escape(title)}</title></head>'
        f"<body><main><h1>{escape(title)}</h1><p>{escape(message)}</p></main></body></html>",
        status,
    )


def _is_browser(request: Request) -> bool:
    return "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/")


async def _invalid(request: Request, error: Exception) -> Response:
    return answer(request, 422, problems=error.problems if isinstance(error, Invalid) else ())


async def _refused(request: Request, error: Exception) -> Response:
    return answer(request, 409, str(error))


async def not_here(request: Request, error: Exception) -> Response:
    """Answer what is not there, or another's."""
    del error
    return answer(request, 404)


async def not_allowed(request: Request, error: Exception) -> Response:
    """Answer what is there, but not for the role of who asks."""
    message = str(error) or _("Your role does not cover this. Whoever looks after the accounts can change that.")
    return answer(request, 403, message, title=_("This is not open to you"))


async def _unreadable(request: Request, error: Exception) -> Response:
    details = error.errors() if isinstance(error, RequestValidationError) else ()
    problems = [
        FieldProblem(".".join(map(str, detail["loc"][1:])), _("This is missing or cannot be read."))
        for detail in details
    ]
    return answer(request, 422, problems=problems)


async def _by_status(request: Request, error: Exception) -> Response:
    status, headers = (error.status_code, error.headers) if isinstance(error, HTTPException) else (500, None)
    if status == 405:
        headers = {"Allow": methods.allowed(request)}
    return answer(request, status, headers=headers)


def busy(request: Request) -> Response:
    """Return the answer where the database gives none."""
    return answer(request, 503, headers={"Retry-After": "5"})


async def _busy(request: Request, error: Exception) -> Response:
    logs.away(error)
    return busy(request)


async def _unforeseen(request: Request, error: Exception) -> Response:
    # This answer is made outside of the middleware, so it brings its headers along; the server's log has where it was met.
    del error
    named = {REQUEST_ID: logs.request_id()}
    return answer(request, 500, headers={**security.headers_for(request.url.path), **named})
