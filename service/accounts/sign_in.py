"""Signing in and out.

An unknown address, a wrong password and a disabled account get one answer after the same work: one digest and one line in
the record. The form's token hangs on a cookie of its own, so that nobody can be signed in as somebody else from another site.
"""

import logging
from dataclasses import dataclass, replace
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response

from service.accounts import account_forms, entering, passwords, second_factor, tries, users
from service.accounts.entering import BEFORE, Try
from service.core import audit, audit_events, tokens
from service.core.language import _
from service.web import costs, form_tokens, permissions, refusal_records, staff_sessions
from service.web.bodies import Form
from service.web.database_sessions import Writing, reading
from service.web.desk_frame import SAID, said_to_stranger, see
from service.web.device_requests import client_of
from service.web.permissions import Entering, PostedEntering, first
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /desk/sign-in": costs.PAGE,
        # A digest of the password: 19 MiB and some thirty milliseconds.
        "POST /desk/sign-in": costs.ADVICE,
        "GET /desk/sign-in/left": costs.SMALL,
    }
)
log = logging.getLogger(__name__)
CODE = f"{permissions.SIGN_IN}/code"
"""Where the code of the second factor is asked for."""


@dataclass(frozen=True, slots=True)
class SignInResult:
    """What came of a try: ``user`` None: refused. ``outdated``, ``renewed``: a digest to be replaced, and by what."""

    tried: Try
    user: int | None
    email: str
    next: str
    outdated: str = ""
    renewed: str = ""


@router.get(permissions.SIGN_IN)
async def ask(request: Request, next: str = "") -> Response:  # noqa: A002 - the name in the address
    """Show the form; whoever is signed in already goes on."""
    found = await permissions.find(request)
    if found is not None:
        return RedirectResponse(permissions.local(next), 303)
    return _form(request, next, {}, {})


async def _tried(request: Request, form: Form) -> SignInResult:
    """Check address and password before the route asks for the database's turn: a digest takes its time."""
    nonce = request.cookies.get(permissions.cookie_name(request, BEFORE), "")
    account_forms.require_strangers(request, form, "sign-in", nonce)
    email, password, onwards = first(form, "email"), first(form, "password"), first(form, "next")
    tried = await entering.try_password(request, email)
    if tried.wait:
        return SignInResult(tried, None, email, onwards)
    async with reading(request) as session:
        known = users.credentials(session, email)
    fits = await passwords.in_thread(passwords.fits, known.digest, password)
    if not fits or known.user is None:
        return SignInResult(tried, None, email, onwards)
    if not passwords.is_outdated(known.digest):
        return SignInResult(tried, known.user, email, onwards)
    renewed = await passwords.in_thread(passwords.hash_password, password)
    return SignInResult(tried, known.user, email, onwards, known.digest, renewed)


@router.post(permissions.SIGN_IN)
async def sign_in(request: Request, tried: Annotated[SignInResult, Depends(_tried)], session: Writing) -> Response:
    """Begin a session, ask for the code of the second factor, or say that address and password do not belong together."""
    typed = {"email": [tried.email]}
    if tried.user is None:
        refusal_records.sign_in(session, tried.email, client_of(request))
        log.warning("a sign-in was refused")
    if tried.tried.wait:
        reply = _form(request, tried.next, typed, {"email": entering.too_often(tried.tried)}, 429)
        reply.headers["Retry-After"] = str(tried.tried.seconds)
        return reply
    if tried.user is None:
        sentence = _("The address or the password is not right, or this account is not in use.")
        return _form(request, tried.next, typed, {"email": sentence}, 422)
    tries.give_back(session, tried.tried.of)
    if tried.renewed:
        users.renew_digest(session, tried.user, tried.outdated, tried.renewed)
    if second_factor.of_user(session, tried.user) is None:
        return entering.let_in(request, session, tried.user, tried.next)
    reply = RedirectResponse(f"{CODE}?next={quote(permissions.local(tried.next), safe='')}", 303)
    entering.let_half_in(request, session, tried.user, reply)
    return reply


@router.post("/desk/sign-out")
async def sign_out(request: Request, staff: Entering, _form: PostedEntering, session: Writing) -> Response:
    """End this session."""
    staff_sessions.end(session, staff.session)
    audit.record(session, staff.user, audit_events.SIGNED_OUT, f"user {staff.user}", dealer=staff.scope.slug)
    reply = see(request, permissions.SIGN_IN, _("You are signed out."))
    permissions.drop_cookie(request, reply)
    return reply


def _form(
    request: Request, onwards: str, fields: dict[str, list[str]], problems: dict[str, str], status: int = 200
) -> Response:
    nonce = request.cookies.get(permissions.cookie_name(request, BEFORE), "") or tokens.secret()
    title, bound_to = _("Sign in to the desk"), f"sign-in:{nonce}"
    page = account_forms.strangers_page(request, title, permissions.SIGN_IN, bound_to, problems, fields)
    page = replace(page, said=said_to_stranger(request) or _kept(onwards))
    reply = render(request, "accounts/sign_in.html", page, status, next=permissions.local(onwards))
    permissions.set_cookie(request, reply, nonce, BEFORE)
    if page.said:
        permissions.drop_cookie(request, reply, SAID)
    return reply


def _kept(onwards: str) -> str:
    """Say that a form waits behind the sign-in; empty where none does."""
    waits = f"{form_tokens.KEPT}=" in onwards
    return _("Your sign-in has ended. What you typed is kept: sign in, and the form is as it was.") if waits else ""
