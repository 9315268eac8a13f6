"""Which dealer an owner acts for."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.access import dealers
from service.access.roles import Permission
from service.language import _
from service.pages import guard, keeping
from service.pages.desk_frame import see, show
from service.pages.guard import Needs, Posted, Staff, first
from service.pages.sessions import Reading, Writing
from service.pages.staff.contexts import DealerLine, DealersPage

router = APIRouter()
Chooses = Annotated[Staff, Depends(Needs(Permission.DEALERS_CHOOSE))]


@router.get(guard.CHOOSE)
async def choose(request: Request, staff: Chooses, session: Reading, next: str = "") -> Response:  # noqa: A002 - in the address
    """Show the dealers there are."""
    known = dealers.listed(session, staff.scope)
    page = DealersPage(
        title=_("Which dealer do you act for?"),
        csrf=keeping.token(request, staff.csrf, staff.user),
        next=guard.local(next),
        dealers=tuple(DealerLine(each.slug, each.name, each.slug == staff.dealer) for each in known),
    )
    return show(request, staff, "desk/dealers.html", page)


@router.post(guard.CHOOSE)
async def act_for(request: Request, staff: Chooses, form: Posted, session: Writing) -> Response:
    """Act for a dealer from now on, and go on to the page that was asked for."""
    dealer = dealers.act_for(session, staff.session, staff.scope, first(form, "dealer"))
    return see(request, guard.local(first(form, "next")), _("You act for {dealer} now.").format(dealer=dealer.name))
