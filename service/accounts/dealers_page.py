"""Which dealer an owner acts for."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.accounts import dealer_list
from service.core.language import _
from service.web import permissions
from service.web.database_sessions import Reading, Writing
from service.web.desk_frame import see, show
from service.web.page_data import Page
from service.web.permissions import Needs, Posted, Staff, first
from service.web.roles import Permission

router = APIRouter()
Chooses = Annotated[Staff, Depends(Needs(Permission.DEALERS_CHOOSE))]


@router.get(permissions.CHOOSE)
async def choose(request: Request, staff: Chooses, session: Reading, next: str = "") -> Response:  # noqa: A002 - in the address
    """Show the dealers there are."""
    page = Page(title=_("Which dealer do you act for?"))
    known, onwards = dealer_list.listed(session, staff.scope), permissions.local(next)
    return show(request, staff, "accounts/dealers.html", page, dealers=known, acted_for=staff.dealer, next=onwards)


@router.post(permissions.CHOOSE)
async def act_for(request: Request, staff: Chooses, form: Posted, session: Writing) -> Response:
    """Act for a dealer from now on, and go on to the page that was asked for."""
    dealer = dealer_list.act_for(session, staff.session, staff.scope, first(form, "dealer"))
    return see(
        request, permissions.local(first(form, "next")), _("You act for {dealer} now.").format(dealer=dealer.name)
    )
