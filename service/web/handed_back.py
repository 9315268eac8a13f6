"""What a reader typed and may not be written down here, handed back to the reader's own browser until the next page shows it."""

import base64
import json
from collections.abc import Mapping
from typing import Any

from fastapi import Request
from fastapi.responses import Response

from service.web import security

_NAME, _SECONDS, _LONGEST = "typed", 300, 3_000
"""For so long; a cookie holds about four thousand bytes (RFC 6265bis, 5.5), and longer entries are not handed back."""


def hand_back(request: Request, reply: Response, address: str, fields: Mapping[str, list[str]]) -> Response:
    """Return a reply with what was typed in a cookie of the step's own page."""
    packed = base64.urlsafe_b64encode(json.dumps(dict(fields), separators=(",", ":")).encode()).decode().rstrip("=")
    if len(packed) <= _LONGEST:
        mac = request.app.state.tokens.make(f"typed:{address}:{packed}")
        reply.set_cookie(
            _name(request),
            f"{packed}.{mac}",
            max_age=_SECONDS,
            path=f"/form/{address}",
            secure=security.is_https(request),
            httponly=True,
            samesite="lax",
        )
    return reply


def handed_back(request: Request, address: str) -> dict[str, list[str]] | None:
    """Return what was handed back for a questionnaire; None where there is nothing, or it was not written here."""
    packed, _dot, mac = request.cookies.get(_name(request), "").partition(".")
    if not packed or not request.app.state.tokens.fits(f"typed:{address}:{packed}", mac):
        return None
    fields: dict[str, Any] = json.loads(base64.urlsafe_b64decode(packed + "=" * (-len(packed) % 4)))
    return {name: [str(value) for value in values] for name, values in fields.items()}


def _name(request: Request) -> str:
    return security.cookie_name(request, _NAME, everywhere=False)
