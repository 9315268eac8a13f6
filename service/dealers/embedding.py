"""The form in a dealer's own page: the same routes under another address, which that dealer's pages alone may frame.

``/embed/DEALER/ORIGIN/LANGUAGE-SCHEME/…``: ORIGIN names one of the dealer's origins (`service.dealers.origins.ident`), which is told the
page's height; LANGUAGE is a code or 'any'. All that a reader has chosen stands in the address, so that it works where every
cookie is blocked: none is read here, and none is set. Only the player's pages can be reached this way, never the desk.
"""

import re
from dataclasses import dataclass
from urllib.parse import parse_qs, parse_qsl, quote, urlencode

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core import language
from service.core.database import Database
from service.dealers import origins, site
from service.web import framing, security
from service.web.database_sessions import workers_of
from service.web.framing import Framed
from service.web.locale import COOKIE, PARAMETER

ROOT = "/embed/"
PREVIEW = "preview"
"""Names our own origin: the desk shows a dealer how the form will look."""
ANY = "any"
SCHEMES = ("light", "both")
_PLACE = re.compile(rf"(?P<origin>[0-9a-f]{{12}}|{PREVIEW})/(?P<language>[a-z]{{2,3}})-(?P<scheme>light|both)")
_ADDRESS = re.compile(rf"(?P<prefix>{ROOT}(?P<dealer>[^/]+)/{_PLACE.pattern})(?P<inner>/.*)?")
_INNER = re.compile(r"/|/form(/.*)?|/advice/.*|/privacy")
"""What may be framed: the pages that a player sees on the way to an answer, and what is kept of it."""


@dataclass(frozen=True, slots=True)
class FramedPage:
    """One framed page: whose, on which origin (empty: our own), and how."""

    dealer: str
    parent: str
    language: str
    scheme: str
    ancestors: str

    @property
    def prefix(self) -> str:
        """What stands before its address."""
        name = origins.ident(self.parent) if self.parent else PREVIEW
        return f"{ROOT}{quote(self.dealer, safe='')}/{name}/{self.language}-{self.scheme}"


def place_for(
    database: Database, dealer: str, origin: str, ours: frozenset[str], code: str, scheme: str
) -> FramedPage | None:
    """Return where the form stands in a page of an origin; None where that dealer's form may not stand there."""
    known = language.known(code) or ANY
    scheme = scheme if scheme in SCHEMES else SCHEMES[0]
    if origin in ours:
        return FramedPage(dealer, "", known, scheme, "'self'")
    named = _origins(database, dealer)
    return FramedPage(dealer, origin, known, scheme, " ".join(named)) if origin in named else None


class Embedding:
    """Answers framed addresses by the routes of the plain ones; any other address goes on unchanged."""

    def __init__(self, app: ASGIApp, database: Database) -> None:
        self.app, self.database = app, database

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on without its prefix; on its way back links, cookies and policy are set for the frame."""
        asked = _ADDRESS.fullmatch(scope["path"]) if scope["type"] == "http" else None
        place = await workers_of(HTTPConnection(scope)).call(self._place, asked) if asked else None
        inner = (asked["inner"] or "/") if asked else ""
        if place is None or not _INNER.fullmatch(inner):
            await self.app(scope, receive, send)
            return
        other = _other_language(scope, place)
        if other is not None:
            # What else was asked for, without the language.
            query: bytes = scope["query_string"]
            rest = [pair for pair in parse_qsl(query.decode("latin-1")) if pair[0] != PARAMETER]
            target = quote(other.prefix + inner, safe="/%") + (f"?{urlencode(rest)}" if rest else "")
            await RedirectResponse(target, 303)(scope, receive, _framing(send, other))
            return
        token = framing.enter(Framed(place.prefix, place.parent, place.scheme == "light"))
        try:
            await self.app(_inner_scope(scope, place, inner), receive, _framing(send, place))
        finally:
            framing.leave(token)

    def _place(self, asked: re.Match[str]) -> FramedPage | None:
        code, scheme = asked["language"], asked["scheme"]
        if code != ANY and language.known(code) is None:
            return None
        if asked["origin"] == PREVIEW:
            return FramedPage(asked["dealer"], "", code, scheme, "'self'")
        named = _origins(self.database, asked["dealer"])
        origin = next((each for each in named if origins.ident(each) == asked["origin"]), None)
        return FramedPage(asked["dealer"], origin, code, scheme, " ".join(named)) if origin else None


def _origins(database: Database, dealer: str) -> tuple[str, ...]:
    with database.reading() as session:
        return site.origins_of(session, dealer)


def _other_language(scope: Scope, place: FramedPage) -> FramedPage | None:
    """Return the place in the language that a reader just chose, None where none was chosen."""
    query: bytes = scope["query_string"]
    if scope["method"] != "GET" or b"lang=" not in query:
        return None
    chosen = language.known(parse_qs(query.decode("latin-1")).get(PARAMETER, [""])[0])
    return FramedPage(place.dealer, place.parent, chosen, place.scheme, place.ancestors) if chosen else None


def _inner_scope(scope: Scope, place: FramedPage, inner: str) -> Scope:
    """Return the request as the plain routes know it: no cookie, the dealer and the language as the address says."""
    # The routes know a reader's choice by its cookie; here it stands in the address.
    spoken = [] if place.language == ANY else [(b"cookie", f"{COOKIE}={place.language}".encode())]
    headers = [(name, value) for name, value in scope["headers"] if name != b"cookie"]
    query = urlencode({"dealer": place.dealer}).encode() if inner == "/" else scope["query_string"]
    changed = {"path": inner, "raw_path": quote(inner).encode(), "query_string": query, "headers": headers + spoken}
    return {**scope, **changed}


def _framing(send: Send, place: FramedPage) -> Send:
    policy = security.policy(frame_ancestors=place.ancestors)

    async def send_framed(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            headers["Content-Security-Policy"] = policy
            del headers["Set-Cookie"]
            location = headers.get("Location", "")
            if location.startswith("/") and not location.startswith(ROOT):
                headers["Location"] = place.prefix + location
        await send(message)

    return send_framed
