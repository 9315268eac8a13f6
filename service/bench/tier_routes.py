"""A tier's copies at the desk by two of their bench values, over what a player can be expected to like."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.bench import tier_gaps, tier_page, tier_picture
from service.bench.liking_map import Whose
from service.core.errors import NotFoundError
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import address
from service.web.page_data import FormPage, Typed
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk/tiers")

Views = Annotated[Staff, Depends(Needs(Permission.STOCK_VIEW))]


@router.get("/{tier}/picture")
async def picture(
    request: Request,
    tier: str,
    staff: Views,
    session: Reading,
    across: str = "",
    up: str = "",
    enquiry: str = "",
    player: str = "",
) -> Response:
    """Show a tier's copies; ``across`` and ``up``: two quantities, ``enquiry`` or ``player``: over whose liking they are laid."""
    asked, need = ("enquiry", Permission.ENQUIRIES_VIEW) if enquiry else ("player", Permission.PLAYERS_VIEW)
    key = enquiry or player
    if key and not staff.may(need):
        raise NotFoundError
    whose = Whose(**{asked: key}) if key else None
    found = tier_picture.read(session, staff.bows, tier, (across, up), dealer=staff.dealer, whose=whose)
    chosen = dict(zip(("across", "up"), ([name] for name in found.shown), strict=False))
    page = FormPage(
        title=found.tier.name, action=address("tiers", tier, "picture"), typed=Typed({**chosen, asked: [key]}, {})
    )
    back = address("enquiries" if enquiry else "players", key) if key else ""
    parts: dict[str, Any] = {"found": found, "words": tier_page, "whose": (asked, key) if key else None, "back": back}
    following = tier_page.make_next(tier_gaps.read(session, staff.bows, found))
    return desk_frame.show(request, staff, "bench/tier_picture.html", page, next=following, **parts)
