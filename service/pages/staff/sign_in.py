"""Signing in and out.

An unknown address, a wrong password and a disabled account get one answer after the same work: one digest and one line in
the record. The form's token hangs on a cookie of its own, so that nobody can be signed in as somebody else from another site.
"""

import logging
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response

from service.access import audit, drawn, events, passwords, sessions, users
from service.database import Database
from service.language import _
from service.pages import guard
from service.pages.desk_frame import SAID, said_to_stranger, see
from service.pages.guard import AnyStaff, Fields, Posted, first
from service.pages.rendering import render
from service.pages.sessions import Writing
from service.pages.staff import forms
from service.pages.staff.contexts import SignInPage

router = APIRouter()
log = logging.getLogger(__name__)
BEFORE = "desk-in"
"""The cookie that the form's token hangs on before there is a session."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a try: ``user`` None: refused. ``outdated``, ``renewed``: a digest to be replaced, and by what."""

    user: int | None
    email: str
    next: str
    outdated: str = ""
    renewed: str = ""


@router.get(guard.SIGN_IN)
async def ask(request: Request, next: str = "") -> Response:  # noqa: A002 - the name in the address
    """Show the form; whoever is signed in already goes on."""
    found = guard.find(request)
    if found is not None:
        return RedirectResponse(guard.local(next), 303)
    return _form(request, next, {}, {})


async def _tried(request: Request, form: Annotated[Fields, Depends(guard.fields_of)]) -> Tried:
    """Check address and password before the route asks for the database's turn: a digest takes its time."""
    nonce = request.cookies.get(guard.cookie_name(request, BEFORE), "")
    request.app.state.tokens.require(_bound_to(nonce), first(form, "csrf") if nonce else "")
    email, password, onwards = first(form, "email"), first(form, "password"), first(form, "next")
    forms.limit_tries(request, email)
    with _database(request).reading() as session:
        known = users.credentials(session, email)
    fits = await passwords.in_thread(passwords.fits, known.digest, password)
    if not fits or known.user is None:
        return Tried(None, email, onwards)
    if not passwords.is_outdated(known.digest):
        return Tried(known.user, email, onwards)
    renewed = await passwords.in_thread(passwords.hash_password, password)
    return Tried(known.user, email, onwards, known.digest, renewed)


@router.post(guard.SIGN_IN)
async def sign_in(request: Request, tried: Annotated[Tried, Depends(_tried)], session: Writing) -> Response:
    """Begin a session, or say that address and password do not belong together."""
    if tried.user is None:
        audit.record(session, None, events.SIGN_IN_REFUSED, "sign-in", dealer=None)
        log.warning("a sign-in was refused")
        sentence = _("Address and password do not belong together, or this account is not in use.")
        return _form(request, tried.next, {"email": [tried.email]}, {"email": sentence})
    if tried.renewed:
        users.renew_digest(session, tried.user, tried.outdated, tried.renewed)
    secret = sessions.begin(session, tried.user, request.cookies.get(guard.cookie_name(request)))
    account = users.account(session, tried.user)
    audit.record(session, tried.user, events.SIGNED_IN, f"user {tried.user}", dealer=account.dealer)
    reply = RedirectResponse(guard.local(tried.next), 303)
    guard.set_cookie(request, reply, secret)
    guard.drop_cookie(request, reply, BEFORE)
    return reply


@router.post("/desk/sign-out")
async def sign_out(request: Request, staff: AnyStaff, form: Posted, session: Writing) -> Response:
    """End this session."""
    del form
    sessions.end(session, staff.session)
    audit.record(session, staff.user, events.SIGNED_OUT, f"user {staff.user}", dealer=staff.home)
    reply = see(request, guard.SIGN_IN, _("You are signed out."))
    guard.drop_cookie(request, reply)
    return reply


def _form(request: Request, onwards: str, fields: dict[str, list[str]], problems: dict[str, str]) -> Response:
    nonce = request.cookies.get(guard.cookie_name(request, BEFORE), "") or drawn.secret()
    page = SignInPage(
        title=_("Sign in to the desk"),
        demo=request.app.state.demo,
        action=guard.SIGN_IN,
        csrf=request.app.state.tokens.make(_bound_to(nonce)),
        typed=forms.typed(fields, problems),
        faults=forms.faults(problems),
        said=said_to_stranger(request),
        next=guard.local(onwards),
    )
    reply = render(request, "desk/sign_in.html", page, 422 if problems else 200)
    guard.set_cookie(request, reply, nonce, BEFORE)
    if page.said:
        guard.drop_cookie(request, reply, SAID)
    return reply


def _bound_to(nonce: str) -> str:
    return f"sign-in:{nonce}"


def _database(request: Request) -> Database:
    database: Database = request.app.state.database
    return database
