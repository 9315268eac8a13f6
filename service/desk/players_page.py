"""Players as the dealer knows them: a list with a search."""

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.core.language import _
from service.trials import desk_reads, list_lines
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import ListPage, paged
from service.web.permissions import AtDealer, AtDealerNeeds
from service.web.roles import Permission

router = APIRouter(prefix="/desk/players")
Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_VIEW))]


@router.get("")
async def listed(request: Request, staff: Views, session: Reading, search: str = "", after: str = "") -> Response:
    """List the players, the latest trial first."""
    search = search.strip()
    found = desk_reads.players(session, staff.dealer, search, after)
    href = f"/desk/players?search={quote(search)}" if search else "/desk/players"
    page = ListPage(
        title=_("Players"),
        searches="/desk/players",
        search=search,
        search_label=_("Part of a name, an address or a key"),
        lines=found.each(list_lines.player),
        empty=_("Nobody is found; search for less, or for another part.") if search else _("No player is known yet."),
        **paged(found, href, begins=not after),
    )
    return desk_frame.show(request, staff, "web/desk_list.html", page)
