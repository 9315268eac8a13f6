"""Players as the dealer knows them: a list with a search, and one with trials and what came of them."""

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.core import formats
from service.core.language import _, ngettext
from service.players.joining import Joined
from service.players.player_words import to_staff
from service.trials import desk_lines, desk_reads, list_lines
from service.trials.desk_reads import PlayerPage
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import Fact, ListLine, ListPage, address, paged
from service.web.page_data import Page
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


@router.get("/{key}")
async def show(request: Request, key: str, staff: Views, session: Reading) -> Response:
    """Show one player."""
    found = desk_reads.player(session, staff.dealer, key)
    page = Page(title=desk_lines.somebody(found.row.name))
    return desk_frame.show(
        request,
        staff,
        "desk/player.html",
        page,
        key=found.row.key,
        facts=desk_lines.player_facts(found.row),
        about=_about(found),
        trials=tuple(list_lines.trial(row) for row in found.trials),
        enquiries=tuple(list_lines.enquiry(row) for row in found.enquiries),
        in_model=found.row.in_model,
        made=to_staff(found.row.key, found.overview),
        joined=tuple(_joined(each) for each in found.joined),
        join=address("players", found.row.key, "join"),
        may_be=_may_be(found),
    )


def _joined(each: Joined) -> ListLine:
    facts = _("{trials}, joined on {day}").format(trials=formats.trials(each.trials), day=formats.day(each.at.date()))
    return ListLine(
        desk_lines.somebody(each.name), facts, each.key, address("players", each.key, "part"), _("Part them")
    )


def _may_be(found: PlayerPage) -> str:
    """Say that others have the same name or address, which may be the same person."""
    count = len(found.alike)
    if not count:
        return ""
    return ngettext(
        "Another player here has the same name or address.",
        "{count} other players here have the same name or address.",
        count,
    ).format(count=formats.capital(formats.counted(count)))


def _about(found: PlayerPage) -> tuple[Fact, ...]:
    row = found.row
    named = ((_("Key"), row.key), (_("E-mail"), row.email), (_("Telephone"), row.phone))
    mail = _("yes, we may write") if found.mail_consent else _("no, do not write")
    model = _("yes, without the name") if row.in_model else _("no")
    agreed = ((_("Mail"), mail), (_("Ratings may help to advise others"), model))
    return (*((label, value) for label, value in named if value), *agreed)
