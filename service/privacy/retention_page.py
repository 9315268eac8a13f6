"""What is erased by its age, where an owner is asked: a clock that has jumped, more persons at once than usual."""

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.accounts import dealer_list
from service.core import clock_watch, times
from service.core.language import _
from service.core.moments import utc_now
from service.core.scopes import AllDealers
from service.form import drafts
from service.privacy import clock, mass_erasure, retention_words
from service.privacy.mass_erasure import ErasureQuestion
from service.web.database_sessions import Reading, Writing
from service.web.desk_frame import see, show
from service.web.page_data import Page
from service.web.permissions import Fields, Needs, Posted, Staff, first
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.RETENTION_VIEW))]
Decides = Annotated[Staff, Depends(Needs(Permission.RETENTION_CHANGE))]
RETENTION = "/desk/retention"


@dataclass(frozen=True, slots=True)
class RetentionQuestion:
    """One question about a dealer's persons; ``button`` is empty where it is answered already, or cannot be yet."""

    title: str
    sentence: str
    dealer: str
    persons: int
    button: str


@router.get(RETENTION)
async def asked(request: Request, staff: Views, session: Reading) -> Response:
    """Show what is asked."""
    stands = clock.look(session, utc_now())
    mine = mass_erasure.questions(session, staff.scope)
    persons = tuple(_asked(session, each, may_answer=stands.is_believed) for each in mine)
    said = () if stands.is_believed else retention_words.clock(stands, may_confirm=_looks_after_all(session, staff))
    shown = stands.now.isoformat() if said and _looks_after_all(session, staff) else ""
    quiet, page = "" if said or persons else retention_words.quiet(), Page(title=_("What is erased by its age"))
    parts: dict[str, Any] = {"clock": said, "shown": shown, "asked": persons, "quiet": quiet}
    return show(request, staff, "privacy/retention.html", page, **parts)


@router.post(f"{RETENTION}/clock")
async def clock_is_right(request: Request, staff: Decides, form: Posted, session: Writing) -> Response:
    """Take the word that the clock is right; only of the moment that was read, and of who looks after all dealers."""
    now = utc_now()
    if not _looks_after_all(session, staff):
        return see(request, RETENTION, retention_words.not_yours())
    if not _is_of_now(first(form, "shown"), now):
        return see(request, RETENTION, _("The clock says something else by now; please read it again."))
    clock.confirm(session, staff.user, now)
    return see(request, RETENTION, _("Noted: {moment} is right.").format(moment=times.moment(now)))


@router.post(f"{RETENTION}/erase")
async def erase(request: Request, staff: Decides, form: Posted, session: Writing) -> Response:
    """Let persons go as they were asked about, under a clock that is believed."""
    if not clock.look(session, utc_now()).is_believed:
        return see(request, RETENTION, _("First the clock has to be right."))
    question = _read(session, staff, form)
    if question is None or not mass_erasure.allow(session, staff.user, question, utc_now()):
        return see(request, RETENTION, _("That is asked no more, or of more persons by now; please read it again."))
    return see(request, RETENTION, retention_words.allowed())


def _read(session: Session, staff: Staff, form: Fields) -> ErasureQuestion | None:
    """Return the question that a form answers, with the number that its reader saw; None where it is not asked, or of another."""
    slug, seen = first(form, "dealer") or None, first(form, "persons")
    mine = (each for each in mass_erasure.questions(session, staff.scope) if each.dealer == slug)
    found = next(mine, None)
    if found is None or not (seen.isascii() and seen.isdigit() and len(seen) < 10):
        return None
    return ErasureQuestion(found.dealer, int(seen), found.since, found.allowed)


def _asked(session: Session, question: ErasureQuestion, *, may_answer: bool) -> RetentionQuestion:
    name = drafts.dealer_name(session, question.dealer)
    return RetentionQuestion(
        title=name or _("No dealer in particular"),
        sentence=retention_words.allowed() if question.allowed else retention_words.persons(question),
        dealer=question.dealer or "",
        persons=question.persons,
        button=retention_words.button(question) if may_answer and not question.allowed else "",
    )


def _looks_after_all(session: Session, staff: Staff) -> bool:
    """Say whether it is for this owner to speak of what holds for all dealers: not bound to one, or to the only one."""
    return isinstance(staff.scope, AllDealers) or len(dealer_list.listed(session, AllDealers())) == 1


def _is_of_now(shown: str, now: dt.datetime) -> bool:
    try:
        return abs(dt.datetime.fromisoformat(shown) - now) < clock_watch.BEHIND
    except (ValueError, TypeError):
        return False
