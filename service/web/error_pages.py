"""One shape for every error: problem details (RFC 9457) for programs, a page in plain words for browsers; never a traceback."""

import logging
from collections.abc import Mapping, Sequence
from html import escape

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse, Response
from jinja2 import TemplateError
from starlette.exceptions import HTTPException
from starlette.routing import Match, Mount

from service.core import logs, problems
from service.core.errors import (
    Code,
    ConflictError,
    FieldCode,
    FieldProblem,
    ForbiddenError,
    InvalidInputError,
    NotFoundError,
)
from service.core.language import _, spoken
from service.core.problems import KINDS
from service.core.workers import TooBusyError
from service.web import security
from service.web.page_data import Page
from service.web.rendering import render

log = logging.getLogger(__name__)
REQUEST_ID = "X-Request-Id"
"""The header by which an answer names its request, as the log does."""
_ASKED_FOR = ("GET", "POST", "PUT", "PATCH", "DELETE")


class CodedHTTPException(HTTPException):
    """A refusal by its own code, where its status alone would say too little."""

    def __init__(self, code: Code, headers: Mapping[str, str] | None = None) -> None:
        self.code = code
        super().__init__(KINDS[code].status, headers=headers)


def install(app: FastAPI) -> None:
    """Let every error of ``app`` be answered in the one shape."""
    app.add_exception_handler(InvalidInputError, _invalid)
    app.add_exception_handler(ConflictError, _refused)
    app.add_exception_handler(NotFoundError, not_here)
    app.add_exception_handler(ForbiddenError, not_allowed)
    app.add_exception_handler(RequestValidationError, _unreadable)
    app.add_exception_handler(HTTPException, _by_status)
    for away in logs.AWAY:
        app.add_exception_handler(away, _busy)
    app.add_exception_handler(TooBusyError, _too_many)
    app.add_exception_handler(Exception, _unforeseen)


def answer(
    request: Request,
    code: Code,
    message: str | None = None,
    fields: Sequence[FieldProblem] = (),
    headers: Mapping[str, str] | None = None,
    *,
    status: int | None = None,
) -> Response:
    """Return the error in the shape that the client can read; ``status``: where it is not the code's usual one."""
    status = status or KINDS[code].status
    if "text/html" in request.headers.get("accept", "") and not request.url.path.startswith("/api/"):
        message = message or _(KINDS[code].detail)
        reply = _page(request, status, _(KINDS[code].title), message, fields)
    else:
        reply = as_json(code, message, fields, status)
    reply.headers.update(headers or {})
    return reply


def as_json(
    code: Code, message: str | None = None, fields: Sequence[FieldProblem] = (), status: int | None = None
) -> Response:
    """Return the error as problem details."""
    status = status or KINDS[code].status
    ident = logs.request_id() if status >= 500 else ""
    told = problems.details(code, message, fields, status=status, request=ident)
    return JSONResponse(told, status, media_type=problems.MEDIA_TYPE)


def _page(request: Request, status: int, title: str, message: str, fields: Sequence[FieldProblem]) -> Response:
    page, at_desk = Page(title=title, demo=request.app.state.demo), request.url.path.startswith("/desk")
    # By the request's number whoever runs the service finds it in the log; there is none where the reader can mend it.
    told = {"message": message, "problems": fields, "ident": logs.request_id() if status >= 500 else ""}
    # What may be there in a moment is asked for again where it is; a post would be sent a second time.
    again = request.method == "GET" and (status == 429 or status >= 500)
    try:
        return render(request, "web/error.html", page, status, at_desk=at_desk, again=again, **told)
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


async def _invalid(request: Request, error: Exception) -> Response:
    return answer(request, Code.INVALID, fields=error.problems if isinstance(error, InvalidInputError) else ())


async def _refused(request: Request, error: Exception) -> Response:
    code = error.code if isinstance(error, ConflictError) else Code.NOT_POSSIBLE
    return answer(request, code, str(error))


async def not_here(request: Request, error: Exception) -> Response:
    """Answer what is not there, or another's."""
    del error
    return answer(request, Code.NOT_FOUND)


async def not_allowed(request: Request, error: Exception) -> Response:
    """Answer what is there, but not for the role or key of who asks."""
    code = error.code if isinstance(error, ForbiddenError) else Code.NOT_ALLOWED
    return answer(request, code, str(error))


async def _unreadable(request: Request, error: Exception) -> Response:
    details = error.errors() if isinstance(error, RequestValidationError) else ()
    sentence = _("This is missing or cannot be read.")
    fields = [FieldProblem(".".join(map(str, detail["loc"][1:])), sentence, FieldCode.WRONG_FORM) for detail in details]
    return answer(request, Code.INVALID, fields=fields)


async def _by_status(request: Request, error: Exception) -> Response:
    status, headers = (error.status_code, error.headers) if isinstance(error, HTTPException) else (500, None)
    if status == 405:
        headers = {"Allow": _allowed(request)}
    code = error.code if isinstance(error, CodedHTTPException) else problems.of_status(status)
    return answer(request, code, headers=headers, status=status)


def _allowed(request: Request) -> str:
    """Return all methods that an address takes (RFC 9110, 15.5.6): 'GET, HEAD, POST'."""
    # What is mounted (static files) has taken its own part off the path; the whole address is asked about.
    asked = {**request.scope, "root_path": request.scope.get("app_root_path", "")}
    routes = request.app.routes
    if any(isinstance(route, Mount) and route.matches(asked)[0] is Match.FULL for route in routes):
        return "GET, HEAD"
    taken = [
        method
        for method in _ASKED_FOR
        if any(route.matches({**asked, "method": method})[0] is Match.FULL for route in routes)
    ]
    return ", ".join(name for method in taken for name in ((method, "HEAD") if method == "GET" else (method,)))


def busy(request: Request) -> Response:
    """Return the answer where the database gives none."""
    return answer(request, Code.UNAVAILABLE, headers={"Retry-After": "5"})


async def _busy(request: Request, error: Exception) -> Response:
    logs.away(error)
    return busy(request)


def too_many(request: Request) -> Response:
    """Return the answer where so many wait that this one would wait too long."""
    return answer(request, Code.BUSY, headers={"Retry-After": "2"})


async def _too_many(request: Request, error: Exception) -> Response:
    del error
    return too_many(request)


async def _unforeseen(request: Request, error: Exception) -> Response:
    # This answer is made outside of the middleware, so it brings its headers along; the server's log has where it was met.
    del error
    named = {REQUEST_ID: logs.request_id()}
    return answer(request, Code.INTERNAL, headers={**security.headers_for(request.url.path), **named})
