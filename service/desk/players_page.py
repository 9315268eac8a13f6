"""Players as the dealer knows them: a list with a search."""

from fastapi import APIRouter, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.language import _
from service.core.paging import Leaf
from service.desk.player_page import Views
from service.trials import desk_lines, desk_reads, list_queries
from service.trials.desk_records import PlayerRow
from service.web import desk_frame, list_files, list_filters
from service.web.database_sessions import Reading
from service.web.desk_forms import ListPage, paged

router = APIRouter(prefix="/desk/players")


@router.get("")
async def listed(request: Request, staff: Views, session: Reading, after: str = "") -> Response:
    """List the players, the latest trial first."""
    asked = (list_queries.who(), list_queries.instrument())
    query = list_filters.read(request.query_params, "/desk/players", asked)

    def page_of(session: Session, after: str) -> Leaf[PlayerRow]:
        return desk_reads.players(session, staff.dealer, query.value("search"), after, query.wanted)

    if query.as_file:
        return list_files.saved(request, staff, "players", list_queries.player_head(), page_of, list_queries.player)
    found = page_of(session, after)
    page = ListPage(
        title=_("Players"),
        query=query,
        note=_("Players: {count}.").format(count=formats.number(found.count, 0)),
        lines=found.each(desk_lines.player_line),
        empty=_("Nobody is found; search for less, or for another part.")
        if query.values
        else _("No player is known yet."),
        **paged(found, query.href, begins=not after),
    )
    return desk_frame.show(request, staff, "web/desk_list.html", page)
