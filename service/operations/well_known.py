"""What programs look for at addresses of their own: whom to tell of a weakness (RFC 9116), and what may be indexed (RFC 9309)."""

import datetime as dt

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse, Response
from starlette.exceptions import HTTPException

from service.core.language import NAMES
from service.web import costs

router = APIRouter()
costs.declare({"GET /.well-known/security.txt": costs.SMALL, "GET /robots.txt": costs.SMALL})
SECURITY = "/.well-known/security.txt"
GOOD_FOR = dt.timedelta(days=180)
"""RFC 9116, 2.5.5: less than a year ahead, so that nothing stale is taken for true."""
_ROBOTS = ("Allow: /$", "Allow: /?", "Allow: /privacy", "Allow: /static/", "Disallow: /")
"""The start page, what is kept of whom, and their looks. Everything else is closed, unnamed: a list would show the way."""


@router.get(SECURITY)
async def security_txt(request: Request) -> Response:
    """Say whom to tell of a weakness; 404 where nobody is named."""
    contact: str | None = request.app.state.security_contact
    if contact is None:
        raise HTTPException(404)
    today = dt.datetime.now(dt.UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    lines = [
        f"Contact: {contact}",
        f"Expires: {(today + GOOD_FOR).isoformat().replace('+00:00', 'Z')}",
        f"Preferred-Languages: {', '.join(NAMES)}",
    ]
    if request.app.state.public_address:
        lines.append(f"Canonical: {request.app.state.public_address}{SECURITY}")
    return PlainTextResponse("\n".join(lines) + "\n")


@router.get("/robots.txt")
async def robots_txt() -> Response:
    """Say what may be indexed."""
    return PlainTextResponse("\n".join(("User-agent: *", *_ROBOTS)) + "\n")
