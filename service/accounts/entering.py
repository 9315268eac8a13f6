"""What lets somebody in: how often one may try, which browsers are known, and what a sign-in leaves in the browser."""

import datetime as dt
import math
from dataclasses import dataclass

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.accounts import browsers, half_sign_ins, tries, users
from service.accounts.half_sign_ins import Half
from service.core import audit, audit_events, tokens
from service.core.language import _
from service.core.limits import RateLimit
from service.core.scopes import AllDealers
from service.web import browser_names, permissions, refusal_records, staff_sessions
from service.web.browser_names import Device
from service.web.database_sessions import reading, writing
from service.web.device_requests import client_of
from service.web.permissions import Staff

BEFORE, HALF, KNOWN = "desk-in", "desk-half", "desk-known"
"""Cookies: what a form's token hangs on before there is a session; a half sign-in; a browser that is known."""
KNOWN_BROWSER = "known-browser"
"""What the cookie of a known browser is signed for."""
_NOTHING = dt.timedelta()


@dataclass(frozen=True, slots=True)
class Try:
    """One try, counted: ``of`` what it counts towards; ``wait``: it may not be made yet, nothing where it may."""

    of: str
    wait: dt.timedelta = _NOTHING

    @property
    def seconds(self) -> int:
        """How long it has to wait, in whole seconds."""
        return math.ceil(self.wait.total_seconds())


async def try_password(request: Request, email: str) -> Try:
    """Count a try at an account's password: a known browser's apart, a stranger's by account and by address too."""
    secret = browser_secret(request)
    async with reading(request) as session:
        user = browsers.known_user(session, email, secret)
    if user is not None:
        return await _taken(request, tries.key("password", user, tokens.digest(secret or "")))
    try:
        limit_address(request)
    except HTTPException:
        await _refused_by_address(request, email)
        raise
    return await _taken(request, tries.key("password", email.strip().lower()))


async def try_code(request: Request, half: Half) -> Try:
    """Count a try at the code of a half sign-in, a known browser's apart."""
    secret = browser_secret(request)
    async with reading(request) as session:
        is_known = browsers.known_user(session, half.email, secret) is not None
    tries_key = tries.key("code", half.user, *([tokens.digest(secret or "")] if is_known else []))
    return await _taken(request, tries_key)


async def try_own(request: Request, staff: Staff) -> Try:
    """Count a try at one's own password or code within a session; raises 429 where it has to wait."""
    taken = await _taken(request, tries.key("own", staff.user, staff.session))
    if taken.wait:
        raise HTTPException(429, headers={"Retry-After": str(taken.seconds)})
    return taken


def limit_address(request: Request) -> None:
    """Raise 429 where one address of the network tried too often."""
    by_address: RateLimit = request.app.state.sign_in_limit
    wait = by_address.wait(client_of(request))
    if wait:
        raise HTTPException(429, headers={"Retry-After": str(math.ceil(wait))})


async def _refused_by_address(request: Request, email: str) -> None:
    async with writing(request) as session:
        refusal_records.sign_in(session, email, client_of(request))


async def _taken(request: Request, of: str) -> Try:
    async with writing(request) as session:
        return Try(of, tries.take(session, of))


def too_often(taken: Try) -> str:
    """Return the sentence for a try that has to wait."""
    minutes = math.ceil(taken.seconds / 60)
    return _("This was tried too often. Wait {minutes} min., then try again.").format(minutes=minutes)


def let_in(request: Request, session: Session, user: int, onwards: str) -> Response:
    """Begin a session, know the browser from now on, and lead to the page that was asked for."""
    account = users.account(session, AllDealers(), user)
    replaced = request.cookies.get(permissions.cookie_name(request))
    secret = staff_sessions.begin(session, user, replaced, device=device_of(request))
    audit.record(session, user, audit_events.SIGNED_IN, f"user {user}", dealer=account.dealer)
    reply = RedirectResponse(permissions.local(onwards), 303)
    permissions.set_cookie(request, reply, secret)
    for name in (BEFORE, HALF):
        if permissions.cookie_name(request, name) in request.cookies:
            permissions.drop_cookie(request, reply, name)
    know_browser(request, session, reply, user)
    return reply


def let_half_in(request: Request, session: Session, user: int, reply: Response) -> None:
    """Note in a reply's cookie that the password was right and the code is to come."""
    secret = half_sign_ins.begin(session, user)
    permissions.set_cookie(request, reply, secret, HALF, int(half_sign_ins.LIFE.total_seconds()))


async def half_of(request: Request) -> tuple[str, Half | None]:
    """Return the cookie of a half sign-in, and whose it is; None where it is over."""
    secret = request.cookies.get(permissions.cookie_name(request, HALF), "")
    async with reading(request) as session:
        return secret, half_sign_ins.find(session, secret)


def know_browser(request: Request, session: Session, reply: Response, user: int) -> None:
    """Know the browser that asks as one of a user's, and give it a new cookie."""
    secret = browsers.remember(session, user, browser_secret(request), device_of(request))
    token = request.app.state.signer.make(KNOWN_BROWSER, secret)
    permissions.set_cookie(request, reply, token, KNOWN, int(browsers.LIFE.total_seconds()))


def browser_secret(request: Request) -> str | None:
    """Return the secret of the cookie by which a browser is known; None where it has none that was made here."""
    found: str | None = request.app.state.signer.read(
        KNOWN_BROWSER, request.cookies.get(permissions.cookie_name(request, KNOWN), "")
    )
    return found


def device_of(request: Request) -> Device:
    """Return from where somebody asks."""
    return browser_names.device(request.headers.get("user-agent", ""), client_of(request))
