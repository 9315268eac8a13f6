"""What protects pages and API whatever they say: headers, the token in every form, the size of a body.

The middleware is plain ASGI, which costs microseconds a request, and never reads what a page holds.
"""

import asyncio
import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from http import HTTPStatus

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.static_files import STATIC, kept_for

LARGEST_BODY = 256 * 1024
"""Bytes of a request's body; a questionnaire has a few thousand."""
BODY_SECONDS, PATIENCE, LEAST_RATE = 60.0, 10.0, 512.0
"""A body is whole after so many seconds at most, and after the first ten of them has come at so many bytes a second at least:
a telephone at the edge of its net (EDGE) sends ten times as fast."""

_ALLOWED = {
    "default-src": "'none'",
    # What default-src says already; ASVS 5.0 (3.4.3) asks for it by its name, as older browsers do.
    "object-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self'",
    "font-src": "'self'",
    "connect-src": "'self'",
    "form-action": "'self'",
    "base-uri": "'none'",
    "frame-ancestors": "'none'",
}


def is_https(connection: HTTPConnection) -> bool:
    """Say whether readers reach the service by https, as far as it can know."""
    return connection.url.scheme == "https" or (connection.app.state.public_address or "").startswith("https:")


def cookie_name(connection: HTTPConnection, name: str, *, everywhere: bool = True) -> str:
    """Return a cookie's name; by https with a prefix that binds it to this host (RFC 6265bis, 4.1.3), the stronger if sent ``everywhere`` on it."""
    if not is_https(connection):
        return name
    return f"__Host-{name}" if everywhere else f"__Secure-{name}"


def policy(**changes: str) -> str:
    """Return the Content-Security-Policy with other values for some of its directives: ``frame_src="'self'"``."""
    allowed = _ALLOWED | {name.replace("_", "-"): where for name, where in changes.items()}
    return "; ".join(f"{what} {where}" for what, where in allowed.items())


CONTENT_SECURITY_POLICY = policy()
_FEATURES = "camera=(), geolocation=(), microphone={}, payment=(), usb=()"
WITH_MICROPHONE = {"Permissions-Policy": _FEATURES.format("(self)")}
"""Of the one page that records: its reader is asked before anything is heard (Permissions Policy, W3C)."""
EVERYWHERE = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Permissions-Policy": _FEATURES.format("()"),
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
"""Headers of every answer (OWASP Secure Headers Project; CSP Level 3)."""
LOADER = "/static/embed.js"
"""The one part that other sites' pages load: it puts the form into them."""
_UNGUESSABLE = (
    "/form/",
    "/advice/",
    "/mail/",
    "/data/",
    "/erase/",
    "/result/",
    "/play/",
    "/tablet",
    "/desk",
    "/embed/",
)
"""Paths of links that are known to one player only, and those of the staff: no search engine lists them."""


def headers_for(path: str, https_only: bool = False) -> dict[str, str]:
    """Return the headers of an answer from ``path``: those of every answer, and how long it may be kept by whom."""
    headers = dict(EVERYWHERE)
    # Styles and scripts may be kept, but are asked for anew (by their ETag) unless their address says what is in them.
    headers["Cache-Control"] = "no-cache" if path.startswith(STATIC) else "no-store"
    if path == LOADER:
        headers["Cross-Origin-Resource-Policy"] = "cross-origin"
    if path.startswith(_UNGUESSABLE):
        headers["X-Robots-Tag"] = "noindex, nofollow"
    if https_only:
        # A year, and what lies under the service's own host too (ASVS 5.0, 3.4.1).
        headers["Strict-Transport-Security"] = "max-age=31536000; includeSubDomains"
    return headers


class ProtectiveHeaders:
    """Adds the headers of `headers_for` to every answer that does not set them itself."""

    def __init__(self, app: ASGIApp, https_only: bool = False) -> None:
        self.app, self.https_only = app, https_only

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; on its way back the answer gets its headers."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                if message["status"] < HTTPStatus.BAD_REQUEST and scope["path"].startswith(STATIC):
                    headers["Cache-Control"] = kept_for(scope["path"], scope["query_string"].decode("latin-1"))
                for name, value in headers_for(scope["path"], self.https_only).items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, send_with_headers)


class BodyLimit:
    """Refuses with 413 a body that says it is larger than ``largest`` bytes, or that turns out to be, with 408 one too slow.

    The framework has such a limit too, but answers in plain text, outside of the one shape of errors and without headers.
    """

    def __init__(self, app: ASGIApp, largest: int = LARGEST_BODY, wider: Mapping[str, int] | None = None) -> None:
        """Take the limits; ``wider``: of the addresses that end so."""
        self.app, self.largest, self.wider = app, largest, wider or {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with a ``receive`` that counts; the refusal is raised where the body is read."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        stated = Headers(scope=scope).get("content-length", "")
        announced = int(stated) if stated.isascii() and stated.isdigit() else 0
        largest = next((most for end, most in self.wider.items() if scope["path"].endswith(end)), self.largest)
        await self.app(scope, _Incoming(receive, largest, announced, asyncio.get_running_loop().time()), send)


@dataclass(slots=True)
class _Incoming:
    """A ``receive`` that counts bytes and seconds, both until the body is whole: what comes after it may take for ever."""

    receive: Receive
    largest: int
    announced: int
    began: float
    counted: int = 0
    whole: bool = False

    async def __call__(self) -> Message:
        if self.announced > self.largest:
            raise HTTPException(413)
        message = await self.receive() if self.whole else await self._in_time()
        self.counted += len(message.get("body", b""))
        self.whole = not message.get("more_body", False)
        if self.counted > self.largest:
            raise HTTPException(413)
        return message

    async def _in_time(self) -> Message:
        end = self.began + min(BODY_SECONDS, PATIENCE + self.counted / LEAST_RATE)
        try:
            async with asyncio.timeout_at(end):
                return await self.receive()
        except TimeoutError:
            # What is still to come would be taken for the next request's head.
            raise HTTPException(408, headers={"Connection": "close"}) from None


@dataclass(frozen=True, slots=True)
class FormTokens:
    """Tokens that show a form was sent from our own page: an HMAC of the address it belongs to (RFC 2104, SHA-256).

    The address is unguessable, so another site can know neither it nor its token. ``key`` makes them; those of ``older`` keys
    are taken too, so that a form which was open while the key was changed can be sent.
    """

    key: str = field(repr=False)
    older: tuple[str, ...] = field(default=(), repr=False)

    def make(self, address: str) -> str:
        """Return the token of the form at ``address``."""
        return _form_token(self.key, address)

    def fits(self, address: str, token: str) -> bool:
        """Say whether ``token`` belongs to ``address``, in a time that tells nothing about either."""
        sent = token.encode("utf-8", "replace")
        # All are compared, whichever fits.
        found = [hmac.compare_digest(_form_token(key, address).encode(), sent) for key in (self.key, *self.older)]
        return any(found)

    def require(self, address: str, token: str) -> None:
        """Raise 403 where ``token`` does not belong to ``address``."""
        if not self.fits(address, token):
            raise HTTPException(403)


def _form_token(key: str, address: str) -> str:
    return hmac.new(key.encode(), f"form:{address}".encode(), hashlib.sha256).hexdigest()
