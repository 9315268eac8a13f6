"""Who is who, as staff know it: two keys of one person joined and parted again, an enquiry said to be a player's.

Each is asked first on a page of its own; nothing that anybody typed decides it.
"""

from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.errors import ConflictError
from service.core.language import _
from service.desk.player_page import Changes
from service.players import joining
from service.trials import desk_lines, desk_reads
from service.trials.desk_records import PlayerRow
from service.trials.trial_data import AskView
from service.web import desk_frame
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import ListLine, ListPage, address, paged
from service.web.permissions import AtDealer, Posted, first

router = APIRouter(prefix="/desk")


@router.get("/players/{key}/join")
async def ask_to_join(
    request: Request, key: str, staff: Changes, session: Reading, other: str = "", search: str = "", after: str = ""
) -> Response:
    """List who may be the same person, or ask whether two are."""
    found = desk_reads.player(session, staff.dealer, key)
    href = address("players", found.row.key, "join")
    if other:
        second = desk_reads.player(session, staff.dealer, other).row
        if second.key == found.row.key:
            raise ConflictError(_("These are one player already."))
        page = AskView(
            title=_("Are these one person?"),
            lead=_("Join them only if you know it: a name or an address can be typed by anybody."),
            heading=_("To be joined"),
            lines=(_described(found.row), _described(second)),
            after=_(
                "Their trials, marks and enquiries then count as one player’s, and what is handed out or erased is of both. You can part them again."
            ),
            action=address("players", found.row.key, "join"),
            fields=(("other", second.key),),
            button=_("Yes, join them"),
            back=address("players", found.row.key),
            no=_("No, leave them apart"),
        )
        return desk_frame.show(request, staff, "trials/ask.html", page)
    title = _("Who is the same person as {player}?").format(player=desk_lines.somebody(found.row.name))
    listed = _listed(session, staff, found.alike, href, search, after, but=found.row.key)
    return desk_frame.show(request, staff, "web/desk_list.html", ListPage(title=title, **listed))


@router.post("/players/{key}/join")
async def join(request: Request, key: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Join two players as one person."""
    desk_reads.player(session, staff.dealer, key)  # only their own
    other = first(form, "other")
    if not other:
        raise ConflictError(_("Choose first with whom."))
    stands = joining.join(session, staff.user, staff.dealer, key, other)
    return desk_frame.see(request, address("players", stands), _("They are one player now."))


@router.get("/players/{key}/part")
async def ask_to_part(request: Request, key: str, staff: Changes, session: Reading) -> Response:
    """Ask whether a player who was joined to another is to be parted again."""
    found = desk_reads.player(session, staff.dealer, key)
    joined = next((each for each in found.joined if each.key == key), None)
    if joined is None:
        raise ConflictError(_("This player is joined to nobody; there is nothing to part."))
    page = AskView(
        title=_("Part these two again?"),
        about=_described(found.row),
        lead=_("{player}, {trials}, becomes a player apart, with the trials and enquiries of before.").format(
            player=desk_lines.somebody(joined.name), trials=formats.trials(joined.trials)
        ),
        after=_("Trials that were composed since they were joined stay where they are."),
        action=address("players", key, "part"),
        button=_("Yes, part them"),
        back=address("players", found.row.key),
        no=_("No, they are one"),
    )
    return desk_frame.show(request, staff, "trials/ask.html", page)


@router.post("/players/{key}/part")
async def part(request: Request, key: str, _form: Posted, staff: Changes, session: Writing) -> Response:
    """Part a player from the one they were joined to."""
    stood = joining.part(session, staff.user, staff.dealer, key)
    return desk_frame.see(request, address("players", stood), _("They are two players again."))


@router.get("/enquiries/{id_}/player")
async def ask_whose(
    request: Request, id_: str, staff: Changes, session: Reading, player: str = "", search: str = "", after: str = ""
) -> Response:
    """List whose an enquiry may be, or ask whether it is a player's."""
    found = desk_reads.enquiry(session, staff.dealer, id_)
    if player:
        row = desk_reads.player(session, staff.dealer, player).row
        page = AskView(
            title=_("Is this enquiry this player’s?"),
            lead=_("Say so only if you know it: a name or an address can be typed by anybody."),
            heading=_("The player"),
            lines=(_described(row),),
            after=_(
                "What the player rated here then counts for this enquiry. You can take it back until a trial is composed from it."
            ),
            action=address("enquiries", id_, "player"),
            fields=(("player", row.key),),
            button=_("Yes, it is theirs"),
            back=address("enquiries", id_),
            no=_("No, leave it"),
        )
        return desk_frame.show(request, staff, "trials/ask.html", page)
    title = _("Whose enquiry is it?")
    alike = desk_reads.alike(session, staff.dealer, id_)
    listed = _listed(session, staff, alike, address("enquiries", id_, "player"), search, after, name="player")
    note = desk_lines.enquiry_facts(found.row)
    return desk_frame.show(request, staff, "web/desk_list.html", ListPage(title=title, **{"note": note, **listed}))


@router.post("/enquiries/{id_}/player")
async def give(request: Request, id_: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Say that an enquiry is a player's; with no player named, take it back."""
    key = first(form, "player")
    if key:
        joining.give(session, staff.user, staff.dealer, id_, key)
        return desk_frame.see(request, address("enquiries", id_), _("The enquiry is this player’s now."))
    joining.take_away(session, staff.user, staff.dealer, id_)
    return desk_frame.see(request, address("enquiries", id_), _("The enquiry is nobody’s again."))


def _listed(
    session: Session,
    staff: AtDealer,
    alike: tuple[PlayerRow, ...],
    here: str,
    search: str,
    after: str,
    *,
    but: str = "",
    name: str = "other",
) -> dict[str, Any]:
    """Return what a list of players to choose from holds: those who may be meant, or those who are looked for."""
    search = search.strip()
    found = desk_reads.players(session, staff.dealer, search, after)

    def line(row: PlayerRow) -> ListLine:
        href, known = f"{here}?{name}={quote(row.key, safe='')}", row.email or row.phone or ""
        return ListLine(desk_lines.somebody(row.name), desk_lines.player_facts(row), known, href, _("Is it them?"))

    searched = f"{here}?search={quote(search)}" if search else here
    lines = tuple(line(row) for row in (found.rows if search else alike) if row.key != but)
    return {
        "lines": lines,
        "searches": here,
        "search": search,
        "search_label": _("Name, mail or telephone"),
        "empty": _("Nobody is found; search for less, or for another part.")
        if search
        else _("Nobody else has this name or address; search for them."),
        **(paged(found, searched, begins=not after) if search else {}),
    }


def _described(row: PlayerRow) -> str:
    """Return who a player is and what they have here, in one line."""
    parts = [desk_lines.somebody(row.name), row.email or row.phone or "", desk_lines.player_facts(row)]
    return f"{formats.NBSP}· ".join(filter(None, parts))
