"""A refused form of the desk leads on to the page that says why, as one that was taken does (post, redirect, get).

So a browser's history holds only pages that can be asked for: back leads to the form, and a reload sends nothing twice. Only what
a browser asks for as a page is led on; a script's own request gets its answer at once, and so does a browser that does not say.
"""

from starlette.requests import Request
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web import form_tokens, kept_forms, permissions
from service.web.database_sessions import workers_of, writing

STATUSES = frozenset({400, 404, 409, 422})
_LONGEST = 2_000_000
"""Characters of a page that is kept; the largest of the desk has a tenth."""


def is_navigation(request: Request) -> bool:
    """Say whether a browser asks for a page (Fetch Metadata, 2.2; Upgrade Insecure Requests, 3.2.1 where the former is not sent)."""
    mode = request.headers.get("sec-fetch-mode")
    return mode == "navigate" or (mode is None and request.headers.get("upgrade-insecure-requests") == "1")


class Refusals:
    """Keeps the page that refuses a form, and leads to it."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on; a refusal of a form of the desk waits until its page is kept."""
        if scope["type"] != "http" or scope["method"] != "POST" or not scope["path"].startswith("/desk"):
            await self.app(scope, receive, send)
            return
        request = Request(scope)
        if not is_navigation(request):
            await self.app(scope, receive, send)
            return
        await _Answer(request, send).of(self.app, receive)


class _Answer:
    """One answer on its way out, held back only while it refuses."""

    def __init__(self, request: Request, send: Send) -> None:
        self.request, self.out = request, send
        self.start: Message | None = None
        self.body: list[bytes] = []

    async def of(self, app: ASGIApp, receive: Receive) -> None:
        await app(self.request.scope, receive, self.send)
        if self.start is not None:
            await self.refuse(self.start, receive)

    async def send(self, message: Message) -> None:
        if message["type"] == "http.response.start" and _is_refusal(message):
            self.start = message
        elif self.start is not None:
            self.body.append(message.get("body", b""))
        else:
            await self.out(message)

    async def refuse(self, start: Message, receive: Receive) -> None:
        body = b"".join(self.body)
        address = None
        if len(body) < _LONGEST:
            address = await workers_of(self.request).drive(self.kept_at(body.decode(), start["status"]))
        if address is None:
            await self.out(start)
            await self.out({"type": "http.response.body", "body": body})
            return
        await RedirectResponse(address, 303)(self.request.scope, receive, self.out)

    async def kept_at(self, page: str, status: int) -> str | None:
        """Keep the page and return the address that shows it; None where nobody is signed in or the form tells no page."""
        found, form = await permissions.find(self.request), getattr(self.request.state, "form_token", "")
        told = form_tokens.whose(self.request, form)
        if found is None or told is None or told[0] != found.user:
            return None
        async with writing(self.request) as session:
            path = self.request.url.path
            secret = kept_forms.refused(session, found.user, found.digest, path, page, status)
        return None if secret is None else form_tokens.with_secret(permissions.local(told[1]), secret)


def _is_refusal(start: Message) -> bool:
    kind = next((value for name, value in start.get("headers", ()) if name.lower() == b"content-type"), b"")
    return start["status"] in STATUSES and kind.startswith(b"text/html")
