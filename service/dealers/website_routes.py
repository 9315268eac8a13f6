"""The routes of the page: every adviser of the dealer sees it, an owner changes it."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core.errors import InvalidInputError
from service.core.language import _
from service.dealers import api_keys, shop_card, site, website_page
from service.dealers.website_page import ANY, Shown, page_of
from service.web import security
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import by_field
from service.web.desk_frame import see, show
from service.web.permissions import AtDealer, AtDealerNeeds, Posted, PostedFile, first
from service.web.roles import Permission

HOME = "/desk/website"
router = APIRouter(prefix=HOME)

Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.SETTINGS_VIEW))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.SETTINGS_CHANGE))]


@router.get("")
async def website(request: Request, staff: Views, session: Reading, line: str = ANY) -> Response:
    """Show how the dealer's door is set up."""
    return _page(request, staff, session, Shown(line=line))


@router.post("")
async def set_pages(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Set origins and colours."""
    given = (first(form, name) for name in ("origins", "action_colour", "point_colour"))
    try:
        site.set_pages(session, staff.user, staff.dealer, *given)
    except InvalidInputError as error:
        return _page(request, staff, session, Shown(pages=form, problems=by_field(error)))
    return see(request, HOME, _("Kept. What you see here is what your visitors see from now on."))


@router.post("/card")
async def keep_card(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Keep what players are told of the shop."""
    try:
        shop_card.keep(session, staff.user, staff.dealer, **{name: first(form, name) for name in shop_card.FIELDS})
    except InvalidInputError as error:
        return _page(request, staff, session, Shown(card=form, problems=by_field(error)))
    return see(request, f"{HOME}#card", _("Kept. It stands on every answer from now on."))


@router.post("/messages")
async def set_messages(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Set where messages go."""
    names = ("notify", "booking", "webhook", "keep_months")
    try:
        site.set_messages(session, staff.user, staff.dealer, **{name: first(form, name) for name in names})
    except InvalidInputError as error:
        return _page(request, staff, session, Shown(messages=form, problems=by_field(error)))
    return see(request, f"{HOME}#messages", _("Kept."))


@router.post("/secret")
async def renew_secret(request: Request, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Draw another secret for messages."""
    site.renew_secret(session, staff.user, staff.dealer)
    return see(request, f"{HOME}#messages", _("There is a new secret; set it in your own system now."))


@router.post("/logo")
async def put_logo(request: Request, staff: Changes, sent: PostedFile, session: Writing) -> Response:
    """Keep a logo."""
    try:
        site.put_logo(session, staff.user, staff.dealer, sent[1])
    except InvalidInputError as error:
        return _page(request, staff, session, Shown(problems=by_field(error)))
    return see(request, HOME, _("The logo is kept."))


@router.post("/logo/remove")
async def drop_logo(request: Request, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Keep no logo."""
    site.drop_logo(session, staff.user, staff.dealer)
    return see(request, HOME, _("The logo is taken away; your name stands in its place."))


@router.post("/keys")
async def make_key(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Show a new key, once."""
    try:
        key = api_keys.make(session, staff.user, staff.dealer, first(form, "kind"), first(form, "note"))
    except InvalidInputError as error:
        return _page(request, staff, session, Shown(keying=form, problems=by_field(error)))
    return _page(request, staff, session, Shown(key=key))


@router.post("/keys/{key}/revoke")
async def revoke(request: Request, key: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Revoke a key."""
    api_keys.revoke(session, staff.user, staff.dealer, key)
    return see(request, f"{HOME}#keys", _("The key is revoked; it opens nothing any more."))


def _page(request: Request, staff: AtDealer, session: Session, shown: Shown) -> Response:
    status = 422 if shown.problems else 200
    page, parts = page_of(request, staff, session, shown)
    reply = show(request, staff, "dealers/website.html", page, status=status, words=website_page, **parts)
    # The form stands in this page as it does in a dealer's.
    reply.headers["Content-Security-Policy"] = security.policy(frame_src="'self'")
    return reply
