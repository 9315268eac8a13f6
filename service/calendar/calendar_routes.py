"""The feed that a calendar program reads, and the page of the desk that gives it an address."""

import datetime as dt
import hashlib
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.calendar import calendar_address, calendar_feed
from service.core import zones
from service.core.errors import InvalidInputError, existing
from service.core.language import _
from service.dealers import site
from service.web import costs
from service.web.database_sessions import Reading, Writing
from service.web.desk_frame import address_of, see, show
from service.web.device_requests import signer
from service.web.page_data import Fault, FormPage, Typed
from service.web.permissions import AtDealer, AtDealerNeeds, Posted, first
from service.web.roles import Permission

HOME = "/desk/calendar"
TRIALS = "/desk/trials"
router = APIRouter()
costs.declare({"GET /calendar/{token}.ics": 2 * costs.PAGE})

Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_VIEW))]
Sets = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.SETTINGS_CHANGE))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TRIALS_RUN))]


@router.get("/calendar/{token}.ics")
async def feed(request: Request, token: str, session: Reading) -> Response:
    """Give a dealer's trials and parcels to a program that subscribes to them; nothing where it has not changed."""
    dealer = existing(calendar_address.dealer_of(session, token, signer(request)))
    body = calendar_feed.feed(session, dealer, dt.datetime.now(dt.UTC), address_of(request, TRIALS))
    # The moment of telling apart, which is another one each time.
    lasting = b"".join(line for line in body.splitlines() if not line.startswith(b"DTSTAMP"))
    mark = f'"{hashlib.sha256(lasting).hexdigest()[:32]}"'
    headers = {"ETag": mark, "Cache-Control": "private, no-cache"}
    # RFC 9110, 13.1.2: a list, compared weakly; a proxy that compresses makes a mark weak.
    known = {each.strip().removeprefix("W/") for each in request.headers.get("if-none-match", "").split(",")}
    if known & {mark, "*"}:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get(HOME)
async def page(request: Request, staff: Views, session: Reading) -> Response:
    """Show where the calendar is read."""
    return _show(request, staff, session)


def _show(request: Request, staff: AtDealer, session: Session, fault: str = "") -> Response:
    path = calendar_address.path(session, staff.dealer, signer(request))
    shown = FormPage(
        title=_("Calendar"),
        dealer=staff.dealer_name,
        demo=request.app.state.demo,
        typed=Typed({"zone": [site.zone(session, staff.dealer) or ""]}, {"zone": fault} if fault else {}),
        faults=(Fault("zone", fault),) if fault else (),
    )
    more = {
        "address": address_of(request, path) if path else "",
        "may_change": staff.may(Permission.TRIALS_RUN),
        "may_set": staff.may(Permission.SETTINGS_CHANGE),
        "zones": zones.names(),
    }
    return show(request, staff, "calendar/calendar.html", shown, status=422 if fault else 200, **more)


@router.post(HOME)
async def draw(request: Request, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Give the calendar an address, or another one."""
    calendar_address.draw(session, staff.user, staff.dealer)
    return see(request, HOME, _("The calendar has an address. One that it had before leads nowhere any more."))


@router.post(f"{HOME}/revoke")
async def revoke(request: Request, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Let the calendar be read nowhere."""
    calendar_address.revoke(session, staff.user, staff.dealer)
    return see(request, HOME, _("The address leads nowhere any more."))


@router.post(f"{HOME}/zone")
async def set_zone(request: Request, staff: Sets, form: Posted, session: Writing) -> Response:
    """Set the shop's time zone."""
    try:
        site.set_zone(session, staff.user, staff.dealer, first(form, "zone"))
    except InvalidInputError as error:
        return _show(request, staff, session, error.problems[0].message)
    return see(request, HOME, _("Kept. Times of trials are by this clock."))
