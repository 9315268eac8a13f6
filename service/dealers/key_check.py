"""Who asks the JSON API: somebody without a key, a dealer's website, a dealer's own server, or that server's tests.

A website key is public, so it opens only what a player may see, and only from the dealer's own pages: a browser tells where a
script runs (``Origin``), and no script can say otherwise. A server key is secret and is refused from any page, and a test key
alike.
"""

from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from sqlalchemy.orm import Session
from starlette.datastructures import Headers
from starlette.requests import HTTPConnection
from starlette.responses import Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core.database import Database
from service.core.errors import Code, ForbiddenError
from service.core.language import _
from service.dealers import api_keys, site
from service.dealers.api_keys import KeyFound
from service.web import error_pages
from service.web.database_sessions import workers_of
from service.web.device_requests import bearer, no_key, unknown_key

ADVICE = "/api/v1/advice"
_PREFLIGHT_SECONDS = 600


@dataclass(frozen=True, slots=True)
class PresentedKey:
    """What a request brings along: its key, None for none, and the page that it comes from, None for no page."""

    key: str | None
    origin: str | None


async def offered(request: Request) -> PresentedKey:
    """Return what a request brings along; raises 401 where a key is announced and none is there."""
    has_key = "authorization" in request.headers
    return PresentedKey(bearer(request) if has_key else None, request.headers.get("origin"))


Brought = Annotated[PresentedKey, Depends(offered)]


def caller(session: Session, brought: PresentedKey) -> KeyFound | None:
    """Return whose key it is, if any; `HTTPException` 401: unknown or revoked; `ForbiddenError`: it comes from where its kind does not belong."""
    if brought.key is None:
        return None
    known = found(session, brought)
    if known is None:
        raise unknown_key()
    api_keys.used(session, known.digest)
    return known


def found(session: Session, brought: PresentedKey) -> KeyFound | None:
    """Return whose key it is, None where it opens nothing; raises `ForbiddenError` as `caller` does."""
    known = api_keys.of(session, brought.key or "")
    if known is None:
        return None
    if known.kind == api_keys.WEBSITE and brought.origin not in site.origins_of(session, known.dealer):
        raise ForbiddenError(code=Code.WRONG_ORIGIN)
    if known.kind in api_keys.SECRET and brought.origin is not None:
        raise ForbiddenError(code=Code.SECRET_IN_PAGE)
    return known


def server(session: Session, brought: PresentedKey) -> KeyFound:
    """Return whose server key it is, or test key; raises 401 without a key, else as `caller` does, and for a website's key."""
    known = caller(session, brought)
    if known is None:
        raise no_key()
    return require_server(known)


def require_server(found: KeyFound) -> KeyFound:
    """Return the key; raises `ForbiddenError` where it is a website's."""
    if found.kind not in api_keys.SECRET:
        raise ForbiddenError(code=Code.ADVICE_ONLY)
    return found


class DealersPages:
    """Lets scripts on the pages of dealers read the answers of the advice: cross-origin resource sharing (Fetch, 3.2).

    A preflight names no key, so it is granted to the origins of all dealers; the key then decides. Without a key nothing is
    granted, and no other address ever is.
    """

    def __init__(self, app: ASGIApp, database: Database) -> None:
        self.app, self.database = app, database

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a preflight, or pass the request on and name the origin in its answer."""
        headers = Headers(scope=scope) if scope["type"] == "http" and scope["path"] == ADVICE else Headers()
        origin = headers.get("origin")
        if origin is None:
            await self.app(scope, receive, send)
        elif scope["method"] == "OPTIONS" and "access-control-request-method" in headers:
            await (await self._preflight(scope, headers, origin))(scope, receive, send)
        else:
            has_key = "authorization" in headers
            await self.app(
                scope, receive, _named(send, origin) if has_key and await self._knows(scope, origin) else send
            )

    async def _preflight(self, scope: Scope, headers: Headers, origin: str) -> Response:
        wanted = headers.get("access-control-request-headers", "").lower()
        if "authorization" not in wanted or not await self._knows(scope, origin):
            sentence = _("Only pages of a dealer, with that dealer’s website key, may ask from a browser.")
            refused = error_pages.as_json(Code.WRONG_ORIGIN, sentence)
            refused.headers["Vary"] = "Origin"
            return refused
        granted = {
            "Access-Control-Allow-Origin": origin,
            "Access-Control-Allow-Methods": "POST",
            "Access-Control-Allow-Headers": "Authorization, Content-Type",
            "Access-Control-Max-Age": str(_PREFLIGHT_SECONDS),
            "Vary": "Origin",
        }
        return Response(status_code=204, headers=granted)

    async def _knows(self, scope: Scope, origin: str) -> bool:
        def knows() -> bool:
            with self.database.reading() as session:
                return site.is_known_origin(session, origin)

        return await workers_of(HTTPConnection(scope)).call(knows)


def _named(send: Send, origin: str) -> Send:
    granted = [
        (b"access-control-allow-origin", origin.encode("latin-1")),
        (b"access-control-expose-headers", b"Retry-After"),
        (b"vary", b"Origin"),
    ]

    async def send_named(message: Message) -> None:
        if message["type"] == "http.response.start":
            message = {**message, "headers": [*message["headers"], *granted]}
        await send(message)

    return send_named


_SCHEMES = {
    "server_key": "A dealer's server key, `server_…`: secret, refused from any page; opens that dealer's things",
    "test_key": "A dealer's test key, `test_…`: as the server key, but in a sandbox that nothing real comes of (`test` is true)",
    "website_key": "A dealer's website key, `site_…`: public, for advice only, from the dealer's own origins (`Origin`)",
    "tablet_key": "The key that a tablet was given when it was enrolled: sheets of its dealer's open trials",
    "rater_link": "The token of a link for one player's or listener's sheets of one trial",
}


def add_security(description: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI description with what each kind of key is (OpenAPI 3.1, 4.8.27)."""
    schemes = description.setdefault("components", {}).setdefault("securitySchemes", {})
    schemes |= {name: {"type": "http", "scheme": "bearer", "description": said} for name, said in _SCHEMES.items()}
    return description
