"""What tablet and phone pages share: their context, who sends, how often, and JSON bodies read before the session is opened."""

import math
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.exceptions import HTTPException

from service.core.errors import Code
from service.core.limits import RateLimit
from service.core.signed_links import Signer
from service.web import error_pages
from service.web.bodies import json_body
from service.web.page_data import Page


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreenPage(Page):
    """A page whose screens are shown by a script: its sentences, and what it is told beforehand."""

    words: dict[str, str | list[str]]
    given: dict[str, Any] = field(default_factory=dict)


def signer(request: Request) -> Signer:
    """Return what makes and reads the links' tokens."""
    found: Any = request.app.state.signer
    assert isinstance(found, Signer)  # noqa: S101 - wiring, not input
    return found


def bearer(request: Request) -> str:
    """Return the key that a request brings along; raises 401 where it brings none."""
    scheme, _blank, key = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not key.strip():
        raise no_key()
    return key.strip()


def no_key() -> error_pages.CodedHTTPException:
    """Return the answer where a key is wanted and none is there: no code of an error in the header (RFC 6750, 3.1)."""
    return error_pages.CodedHTTPException(Code.KEY_MISSING, {"WWW-Authenticate": "Bearer"})


def unknown_key() -> error_pages.CodedHTTPException:
    """Return the answer to a key that opens nothing (RFC 6750, section 3)."""
    return error_pages.CodedHTTPException(Code.KEY_UNKNOWN, {"WWW-Authenticate": 'Bearer error="invalid_token"'})


def client_of(request: Request) -> str:
    """Return the address of the network that a request comes from."""
    return request.client.host if request.client else ""


def not_too_often(client: str, limit: RateLimit, cost: float = 1.0) -> None:
    """Raise 429 where one client asks more often, or for more, than it may."""
    wait = limit.wait(client, cost)
    if wait:
        raise HTTPException(429, headers={"Retry-After": str(math.ceil(wait))})


Json = Annotated[bytes, Depends(json_body)]
"""A JSON body; named after who may send it, and before the session: nobody waits for the lock while a slow tablet sends."""


async def _key(
    request: Request,
) -> str:  # as a plain function it would be called in a thread, which costs more than it does
    return bearer(request)


async def _links(request: Request) -> Signer:
    return signer(request)


Key = Annotated[str, Depends(_key)]
Links = Annotated[Signer, Depends(_links)]
