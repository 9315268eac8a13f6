"""A person's data at the desk: handed out, kept from helping others, erased; from a player's page or from an enquiry's."""

import datetime as dt
from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service import privacy
from service.core.errors import ConflictError
from service.core.language import N_, _
from service.privacy import Person, access_requests, privacy_words
from service.privacy.privacy_pages import as_file
from service.trials import desk_reads
from service.web import desk_frame
from service.web.database_sessions import Reading, Writing
from service.web.page_data import Fault, FormPage, Option, Typed
from service.web.permissions import AtDealer, AtDealerNeeds, Posted, first
from service.web.roles import Permission

router = APIRouter(prefix="/desk")
Exports = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_EXPORT))]
Erases = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_ERASE))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.PLAYERS_CHANGE))]
REASONS = {
    "asked": N_("The person asked for it."),
    "over": N_("It is no longer needed."),
    "mistake": N_("It was entered by mistake."),
}
"""Why somebody's data may be erased; recorded with it."""
PLAYERS, ENQUIRIES = "/desk/players", "/desk/enquiries"


@router.get("/players/{key}/data")
async def player_data(key: str, staff: Exports, session: Writing) -> Response:
    """Hand out what is kept of a player."""
    return as_file(privacy.hand_out(session, _player(session, staff, key), staff.user, f"player {key}"))


@router.get("/players/{key}/erase")
async def ask_player(request: Request, key: str, staff: Erases, session: Reading) -> Response:
    """Ask whether a player's data is to be erased."""
    return _ask(request, session, staff, _player(session, staff, key), f"{PLAYERS}/{quote(key, safe='')}")


@router.post("/players/{key}/erase")
async def erase_player(request: Request, key: str, form: Posted, staff: Erases, session: Writing) -> Response:
    """Erase a player's data."""
    return _erase(request, session, staff, _player(session, staff, key), first(form, "reason"), PLAYERS, key)


@router.post("/players/{key}/ratings")
async def say(request: Request, key: str, form: Posted, staff: Changes, session: Writing) -> Response:
    """Note what a player said of whether the ratings may help others."""
    person, answer = _player(session, staff, key), first(form, "may_help")
    if answer not in ("yes", "no"):
        raise ConflictError(_("Say yes or no."))
    may_help = answer == "yes"
    access_requests.say(session, staff.user, person, dt.datetime.now(dt.UTC), may_help=may_help)
    said = _("From our next estimate on these ratings help to advise others.")
    unsaid = _("From our next estimate on these ratings serve their own trials only.")
    return desk_frame.see(request, f"{PLAYERS}/{quote(key, safe='')}", said if may_help else unsaid)


@router.get("/enquiries/{id_}/data")
async def enquiry_data(id_: str, staff: Exports, session: Writing) -> Response:
    """Hand out what is kept of whoever made an enquiry."""
    return as_file(privacy.hand_out(session, _enquiry(session, staff, id_), staff.user, f"enquiry {id_}"))


@router.get("/enquiries/{id_}/erase")
async def ask_enquiry(request: Request, id_: str, staff: Erases, session: Reading) -> Response:
    """Ask whether the data of whoever made an enquiry is to be erased."""
    return _ask(request, session, staff, _enquiry(session, staff, id_), f"{ENQUIRIES}/{quote(id_, safe='')}")


@router.post("/enquiries/{id_}/erase")
async def erase_enquiry(request: Request, id_: str, form: Posted, staff: Erases, session: Writing) -> Response:
    """Erase the data of whoever made an enquiry."""
    return _erase(request, session, staff, _enquiry(session, staff, id_), first(form, "reason"), ENQUIRIES, id_)


def _player(session: Session, staff: AtDealer, key: str) -> Person:
    return privacy.of_player(session, staff.dealer, key)


def _enquiry(session: Session, staff: AtDealer, id_: str) -> Person:
    desk_reads.enquiry(session, staff.dealer, id_)  # only their own
    return privacy.of_enquiry(session, id_)


def _ask(request: Request, session: Session, staff: AtDealer, person: Person, back: str, fault: str = "") -> Response:
    sentences: tuple[str, ...] = ()
    refused = ""
    try:
        sentences = privacy_words.before_erasing(privacy.would_erase(session, person), person)
    except ConflictError as reason:
        refused = str(reason)
    title = (
        _("Erase the data of {player}?").format(player=person.name) if person.name else _("Erase this player’s data?")
    )
    page = FormPage(
        title=title,
        typed=Typed({}, {"reason": fault} if fault else {}),
        faults=(Fault(f"reason-{next(iter(REASONS))}", fault),) if fault else (),
        action=f"{back}/erase",
    )
    status, reasons = 422 if fault else 200, tuple(Option(name, _(reason)) for name, reason in REASONS.items())
    parts = {"sentences": sentences, "reasons": reasons, "refused": refused, "back": back}
    return desk_frame.show(request, staff, "privacy/erase.html", page, status=status, **parts)


def _erase(
    request: Request, session: Session, staff: AtDealer, person: Person, reason: str, listed: str, ident: str
) -> Response:
    if reason not in REASONS:
        back = f"{listed}/{quote(ident, safe='')}"
        return _ask(request, session, staff, person, back, _("Say first why it is erased; nothing was changed."))
    erased = privacy.erase(session, staff.user, person, reason)
    return desk_frame.see(request, listed, privacy_words.erased(erased))
