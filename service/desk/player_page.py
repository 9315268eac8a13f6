"""One player at the desk: what is known of them, their bows and trials, what they agreed to, and the one note on them."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core.errors import ConflictError, InvalidInputError
from service.core.language import _
from service.desk import player_told
from service.players import overview, player_notes
from service.trials import desk_lines, desk_reads
from service.trials.desk_records import PlayerPage
from service.web import desk_frame
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import ListLine, address, by_field, first
from service.web.page_data import Fault, FormPage, Typed
from service.web.permissions import AtDealer, AtDealerNeeds, Posted
from service.web.roles import Permission

router = APIRouter(prefix="/desk/players")
Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_VIEW))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_CHANGE))]
_MOST_PICTURES = 4
"""Of so many tiers the way to their pictures is shown, those best liked first."""


@router.get("/{key}")
async def show(request: Request, key: str, staff: Views, session: Reading) -> Response:
    """Show one player."""
    return _show(request, key, staff, session)


@router.post("/{key}/note")
async def note(request: Request, key: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Put a text in the place of the note on a player; one that cannot be kept stays in its field."""
    text = first(form, "note")
    try:
        player_notes.keep(session, staff.user, staff.dealer, key, text, first(form, "seen"))
    except InvalidInputError as invalid:
        return _show(request, key, staff, session, text, by_field(invalid)["note"], 422)
    except ConflictError as refused:
        return _show(request, key, staff, session, text, str(refused), 409)
    said = _("The note is kept.") if text else _("The note is empty now.")
    return desk_frame.see(request, address("players", key), said)


def _show(
    request: Request,
    key: str,
    staff: AtDealer,
    session: Session,
    text: str | None = None,
    fault: str = "",
    status: int = 200,
) -> Response:
    """Show the player; ``text``: what was typed as the note and could not be kept, ``fault``: why."""
    found = desk_reads.player(session, staff.dealer, key)
    theirs = address("players", found.row.key)
    page = FormPage(
        title=desk_lines.somebody(found.row.name),
        action=f"{theirs}/note",
        typed=Typed({"note": [found.note if text is None else text]}, {"note": fault} if fault else {}),
        faults=(Fault("note", fault),) if fault else (),
    )
    parts = {"found": found, "facts": desk_lines.player_facts(found.row), "theirs": theirs, "words": player_told}
    parts |= {"pictures": _pictures(session, staff, found), "seen": player_notes.seen(found.note)}
    return desk_frame.show(request, staff, "desk/player.html", page, status=status, **parts)


def _pictures(session: Session, staff: AtDealer, found: PlayerPage) -> tuple[ListLine, ...]:
    """Return the way to the bows of each tier that the player met, else was advised, over what they can be expected to like."""
    tiers = overview.tiers_met(session, [bow for bow in found.overview.bows if bow.copy])
    if not tiers and found.enquiries:
        asked = desk_reads.enquiry(session, staff.dealer, found.enquiries[0].id)
        tiers = tuple((each["tier"], each["name"]) for each in asked.document["shortlist"])
    return tuple(desk_lines.tier_picture(*each, player=found.row.key) for each in tiers[:_MOST_PICTURES])
