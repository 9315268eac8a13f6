"""What a request must be before any page sees it: for a name that is ours, free of NUL; and HEAD, answered as GET is."""

from collections.abc import Collection
from urllib.parse import quote

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import MutableHeaders
from starlette.exceptions import HTTPException
from starlette.routing import Match
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core import language
from service.core.errors import Code
from service.core.language import N_, _
from service.web import error_pages, hosts

LIVE, READY, READY_TOO, METRICS = "/health/live", "/health/ready", "/healthz", "/metrics"
BY_ANY_NAME = (LIVE, READY, READY_TOO, METRICS)
"""Asked by load balancers and monitoring programs under whatever number or name they know: these answer to any single name, being
the same for all, or open to a key that no page has."""


class Edge:
    """Refuses a request whose ``Host`` is missing, double, malformed (400) or another's (421), or that holds NUL (400).

    RFC 9112, 3.2 and RFC 9110, 7.4. PostgreSQL keeps no NUL in text, so nothing is ever found by one.
    """

    def __init__(self, app: ASGIApp, known: Collection[str]) -> None:
        self.app, self.known = app, frozenset(known)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it in the one shape of errors."""
        refused = self._refusal(scope) if scope["type"] == "http" else None
        if refused is None:
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        language.speak(language.preferred(request.headers.get("accept-language", "")))
        code, sentence = refused[0], _(refused[1])
        await error_pages.answer(request, code, sentence)(scope, receive, send)

    def _refusal(self, scope: Scope) -> tuple[Code, str] | None:
        """Return code and untranslated sentence of what is wrong with a request's head, None for nothing."""
        if _holds_nul(scope):
            return Code.MALFORMED, N_(
                "The address or a header holds the character NUL, which nothing here does; leave it out."
            )
        named = [value for name, value in scope["headers"] if name == b"host"]
        if len(named) != 1:
            # A probe of a load balancer may speak HTTP/1.0, which knows no such header.
            if not named and scope["path"] in BY_ANY_NAME and scope.get("http_version") == "1.0":
                return None
            return Code.MALFORMED, N_("Expected one Host header, as every program that speaks HTTP/1.1 sends it.")
        name = hosts.name_of(named[0].decode("latin-1"))
        if name is None:
            return Code.MALFORMED, N_(
                "The Host header names no host; expected a name or a number, with a port or without."
            )
        if scope["path"] in BY_ANY_NAME or hosts.answers_to(name, self.known):
            return None
        return Code.WRONG_HOST, N_("The service does not answer under this name; whoever runs it sets ALLOWED_HOSTS.")


def _holds_nul(scope: Scope) -> bool:
    in_address = "\0" in scope["path"] or b"%00" in scope["query_string"]
    return in_address or any(b"\0" in value for _name, value in scope["headers"])


class HeadAsGet:
    """Answers HEAD wherever GET is, by the same route and with the same headers, and sends no body (RFC 9110, 9.3.2)."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; a HEAD as GET."""
        if scope["type"] != "http" or scope["method"] != "HEAD":
            await self.app(scope, receive, send)
            return

        async def send_head(message: Message) -> None:
            if message["type"] == "http.response.body":
                message = {**message, "body": b""}
            elif "content-encoding" in (headers := MutableHeaders(scope=message)):
                del headers["content-length"]  # what is packed is of another size each time
            await send(message)

        await self.app({**scope, "method": "GET"}, receive, send_head)


async def nowhere(scope: Scope, receive: Receive, send: Send) -> None:
    """Answer an address that nothing stands at: with the same one less its last slash where that leads somewhere, else 404."""
    # The framework's own redirect repeats the Host header; this one is relative. Of two slashes at its beginning one
    # is left: what follows two would be another host (RFC 3986, 4.2).
    path: str = scope["path"]
    shorter = "/" + path.strip("/")
    if scope["type"] == "http" and path.endswith("/") and _leads_somewhere(scope, shorter):
        query = scope["query_string"].decode("latin-1")
        redirect: Response = RedirectResponse(quote(shorter) + (f"?{query}" if query else ""), 307)
        await redirect(scope, receive, send)
        return
    raise HTTPException(404)


def _leads_somewhere(scope: Scope, path: str) -> bool:
    asked = {**scope, "path": path}
    return any(route.matches(asked)[0] is not Match.NONE for route in scope["app"].routes)
