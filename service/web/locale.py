"""Which language a request is answered in: the reader's choice, else the browser's, else the dealer's, else English.

A choice is made by ``?lang=de`` on any page and kept in a cookie, which no script reads. Where cookies are blocked the form carries it from page to
page (`service.core.language.carry_on`), and an address in a dealer's page holds it (`service.dealers.embedding`).
"""

from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.core import language
from service.web import security

PARAMETER = COOKIE = "lang"
_A_YEAR = 365 * 24 * 3600


class ReadersLanguage:
    """Speaks the reader's language while a request is answered, and says in the answer which one it was."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, in the language that it asks for."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        chosen = _chosen(scope)
        own = chosen or _kept(HTTPConnection(scope))
        language.speak(own or language.preferred(headers.get("accept-language", "")), chosen=own is not None)

        async def send_named(message: Message) -> None:
            if message["type"] == "http.response.start":
                answer = MutableHeaders(scope=message)
                answer.setdefault("Content-Language", language.spoken())
                answer.add_vary_header("Accept-Language, Cookie")
                if chosen:
                    answer.append("Set-Cookie", _cookie(HTTPConnection(scope), chosen))
            await send(message)

        await self.app(scope, receive, send_named)


def _chosen(scope: Scope) -> str | None:
    query: bytes = scope.get("query_string", b"")
    if b"lang=" not in query:
        return None
    values = parse_qs(query.decode("latin-1")).get(PARAMETER, [])
    return language.known(values[0]) if values else None


def _cookie(connection: HTTPConnection, chosen: str) -> str:
    """Return the cookie that keeps a choice, as the header says it (RFC 6265bis, 4.1)."""
    name = security.cookie_name(connection, COOKIE)
    only = "; Secure" if security.is_https(connection) else ""
    return f"{name}={chosen}; Path=/; Max-Age={_A_YEAR}; HttpOnly; SameSite=Lax{only}"


def _kept(connection: HTTPConnection) -> str | None:
    """Return the choice that was kept: under the name of today, else under the bare one, as every choice once was."""
    text = connection.headers.get("cookie", "")
    if f"{COOKIE}=" not in text:
        return None
    try:
        cookies = SimpleCookie(text)
    except CookieError:
        return None  # another site's part of the cookies is malformed: the browser's own wish stands
    morsel = cookies.get(security.cookie_name(connection, COOKIE)) or cookies.get(COOKIE)
    return language.known(morsel.value) if morsel else None
