"""What frames every page of the desk: where one can go, who is signed in, and what was just done."""

import base64
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from service.core.language import N_, _
from service.web import form_tokens, openings, permissions, roles
from service.web.kept_forms import UntakenForm
from service.web.openings import Opens
from service.web.page_data import Tab
from service.web.permissions import Staff
from service.web.refill import refilled
from service.web.rendering import render
from service.web.roles import Permission

SAID = "desk-said"
_SAID_SECONDS = 60
_LONGEST_SAID = 1000
"""Characters; a cookie holds about four thousand bytes."""
_PLACES = (
    (permissions.FIRST, N_("Today"), Permission.TRIALS_VIEW),
    ("/desk/enquiries", N_("Enquiries"), Permission.ENQUIRIES_VIEW),
    ("/desk/trials", N_("Trials"), Permission.TRIALS_VIEW),
    ("/desk/stock", N_("Stock"), Permission.STOCK_VIEW),
    ("/desk/range", N_("Range"), Permission.RANGE_VIEW),
    ("/desk/players", N_("Players"), Permission.PLAYERS_VIEW),
    ("/desk/overview", N_("Overview"), Permission.FIGURES_VIEW),
    ("/desk/model", N_("Estimate"), Permission.MODEL_VIEW),
    ("/desk/tablets", N_("Tablets"), Permission.TABLETS_VIEW),
    ("/desk/mail", N_("Mail"), Permission.MAIL_VIEW),
    ("/desk/calendar", N_("Calendar"), Permission.TRIALS_VIEW),
    ("/desk/website", N_("Website"), Permission.SETTINGS_VIEW),
    ("/desk/users", N_("Users"), Permission.USERS_VIEW),
    ("/desk/audit", N_("Audit"), Permission.AUDIT_VIEW),
)


@dataclass(frozen=True, slots=True)
class Desk:
    """The frame, which templates see as ``desk``."""

    places: tuple[Tab, ...]
    who: str
    role: str
    dealer: str | None  # name of the dealer acted for, None for none
    chooses: bool  # another one may be chosen
    said: str  # what was just done, one sentence, empty for nothing
    csrf: str  # the token for every form of the page: `{{ frame.csrf(desk) }}`
    demo: bool
    lasts: int  # for how many seconds the sign-in lasts at most from now on, if nothing more is asked
    opens: Opens  # says of an address and a method ("GET" unless given) whether it is open to whoever reads the page


def show(request: Request, staff: Staff, template: str, page: Any, *, status: int = 200, **more: Any) -> HTMLResponse:
    """Return a page of the desk, whose template sees ``page``, ``desk`` and ``more``; what `see` left to be said is shown once."""
    kept: UntakenForm | None = getattr(request.state, "kept", None)
    if kept is not None and kept.fields is None:
        return HTMLResponse(kept.page, kept.status)
    said = _said(request) or (_("This is the form as it was. Nothing of it was sent yet.") if kept else "")
    reply = render(
        request, template, page, status, desk=_desk(request, staff, said), frame="web/desk_base.html", **more
    )
    if kept is not None and kept.fields is not None:
        source, _found = refilled(bytes(reply.body).decode(), kept.path, kept.fields)
        reply = HTMLResponse(source, reply.status_code)
    if permissions.cookie_name(request, SAID) in request.cookies:
        permissions.drop_cookie(request, reply, SAID)
    return reply


def kept_fields(request: Request) -> Mapping[str, list[str]] | None:
    """Return what was typed into a form that an ended session did not send, for a page that shows it by its own means."""
    kept: UntakenForm | None = getattr(request.state, "kept", None)
    return kept.fields if kept else None


def see(request: Request, address: str, said: str = "") -> Response:
    """Lead to another page after a post, so that reload and back send nothing twice; it says ``said`` at its head."""
    reply = RedirectResponse(address, 303)
    if said:
        text = said[:_LONGEST_SAID]
        packed = base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")
        value = f"{packed}.{request.app.state.tokens.make(f'said:{text}')}"
        permissions.set_cookie(request, reply, value, SAID, _SAID_SECONDS)
    return reply


def said_to_stranger(request: Request) -> str:
    """Return what was left to be said to somebody who is not signed in; the page drops the cookie `SAID` itself."""
    return _said(request)


def address_of(request: Request, path: str) -> str:
    """Return the whole address of a path, as those outside of this machine reach it: for QR codes and links handed on."""
    base: str = request.app.state.public_address or _listening(request)
    return f"{base}{path}"


def _listening(request: Request) -> str:
    """Return the address at which the service took this request: its socket's own, never what a header says."""
    host, port = request.scope.get("server") or ("localhost", None)
    shown = f"[{host}]" if ":" in host else host
    plain = port in (None, 443 if request.scope["scheme"] == "https" else 80)
    return f"{request.scope['scheme']}://{shown}" + ("" if plain else f":{port}")


def host_of(request: Request) -> str:
    """Return under which name the service is reached: 'bows.example'."""
    return urlsplit(address_of(request, "")).netloc


def _desk(request: Request, staff: Staff, said: str) -> Desk:
    return Desk(
        places=() if staff.must_enrol else _places(request.url.path, staff),
        who=staff.name,
        role=roles.name_of(staff.role),
        dealer=staff.dealer_name,
        chooses=staff.chooses and not staff.must_enrol,
        said=said,
        csrf=form_tokens.token(request, staff.csrf, staff.user),
        demo=request.app.state.demo,
        lasts=request.state.lasts,
        opens=openings.of(request.app).of(staff),
    )


def _places(path: str, staff: Staff) -> tuple[Tab, ...]:
    return tuple(
        Tab(_(label), href, path == href or (href != permissions.FIRST and path.startswith(f"{href}/")))
        for href, label, what in _PLACES
        if staff.may(what)
    )


def first_place(staff: Staff) -> str:
    """Return the first page that somebody may see, their own account where it is none of these."""
    return next((href for href, _label, what in _PLACES if staff.may(what)), "/desk/account")


def _said(request: Request) -> str:
    """Read the cookie; one that was not written here says nothing."""
    packed, _dot, mac = request.cookies.get(permissions.cookie_name(request, SAID), "").partition(".")
    try:
        text = base64.urlsafe_b64decode(packed + "=" * (-len(packed) % 4)).decode()
    except ValueError:
        return ""
    return text if text and request.app.state.tokens.fits(f"said:{text}", mac) else ""
