"""What tablet and phone pages share: their context, who sends, and JSON bodies read before the session is opened."""

import math
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.exceptions import HTTPException

from service.access.links import Signer
from service.limits import RateLimit
from service.pages.contexts import Page


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


async def json_body(request: Request) -> bytes:
    """Return a JSON body; raises 415 for another kind, 413 for a large one.

    A dependency of its own, named before the session: while a slow tablet is still sending, nobody waits for its lock.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/json":
        raise HTTPException(415)
    return await request.body()


def bearer(request: Request) -> str:
    """Return the key that a request brings along; raises 401 where it brings none."""
    scheme, _blank, key = request.headers.get("authorization", "").partition(" ")
    if scheme.lower() != "bearer" or not key.strip():
        raise unknown_key()
    return key.strip()


def unknown_key() -> HTTPException:
    """Return the answer to a key that opens nothing (RFC 6750, section 3)."""
    return HTTPException(401, headers={"WWW-Authenticate": 'Bearer error="invalid_token"'})


def not_too_often(request: Request, limit: RateLimit) -> None:
    """Raise 429 where one address tries more often than it may."""
    wait = limit.wait(request.client.host if request.client else "")
    if wait:
        raise HTTPException(429, headers={"Retry-After": str(math.ceil(wait))})


Json = Annotated[bytes, Depends(json_body)]
Key = Annotated[str, Depends(bearer)]
Links = Annotated[Signer, Depends(signer)]
