"""Today: what waits at the desk, each a line with one action."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.language import _
from service.core.paging import Leaf
from service.desk import alarms
from service.trials import desk_reads, list_lines
from service.trials.desk_reads import EnquiryRow, Home, TrialRow
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import ListLine, today
from service.web.page_data import Page
from service.web.permissions import AnyStaff, AtDealer, AtDealerNeeds, RedirectError
from service.web.roles import Permission

router = APIRouter()
MOST_LINES = 12
"""So many lines a group shows: today is one look, the lists hold the rest."""


@dataclass(frozen=True, slots=True)
class Group:
    """What waits for one reason, the first lines of it; ``everything`` leads to the whole list, in the words of ``whole``."""

    anchor: str
    title: str
    lines: tuple[ListLine, ...]
    everything: str = ""
    whole: str = ""


class SeesHome(AtDealerNeeds):
    """Asks for the permission, and leads who has it not to the first page that they may see."""

    async def __call__(self, request: Request, staff: AnyStaff) -> AtDealer:
        """Return who is signed in with the dealer acted for."""
        if not staff.may(self.permission):
            raise RedirectError(desk_frame.first_place(staff))
        return await super().__call__(request, staff)


Sees = Annotated[AtDealer, Depends(SeesHome(Permission.TRIALS_VIEW))]


@router.get("/desk")
async def show(request: Request, staff: Sees, session: Reading) -> Response:
    """Show what waits today."""
    day = today()
    waiting = (
        *_alarms(session, staff),
        *_groups(desk_reads.home(session, staff.dealer, day)),
        *_of_no_dealer(session, staff),
    )
    groups = tuple(group for group in waiting if group.lines)
    page = Page(title=_("Today"))
    return desk_frame.show(
        request,
        staff,
        "desk/home.html",
        page,
        day=formats.day(day),
        quiet="" if groups else _("Nothing to do."),
        groups=groups,
    )


def _alarms(session: Session, staff: AtDealer) -> Iterator[Group]:
    """Give what somebody who looks after the service has to know: erasing that waits for a word, a damaged model."""
    asked = alarms.erasing(session, staff.scope) if staff.may(Permission.RETENTION_VIEW) else ""
    damaged = alarms.model(session) if staff.may(Permission.MODEL_VIEW) else ""
    lines = (
        ListLine(_("Erasing by age"), asked, "", "/desk/retention", _("Look at it"), urgent=True),
        ListLine(_("The model"), damaged, "", "/desk/model", _("Look at it"), urgent=True),
    )
    yield Group("alarms", _("For you to see to"), tuple(line for line in lines if line.facts))


def _groups(home: Home) -> Iterator[Group]:
    open_, planned, closed = (f"/desk/trials?state={state}" for state in ("open", "planned", "closed"))
    yield Group("overdue", _("Due back"), tuple(list_lines.overdue(item) for item in home.overdue))
    yield _trials_group("open", _("Being played"), home.open, _("See how it stands"), open_)
    yield _trials_group("today", _("Planned for today"), home.today, _("Begin"), planned)
    yield Group("parcels", _("Parcels that wait for their materials"), _trials(home.parcels_waiting, _("Confirm")))
    yield Group("given-back", _("A player gives a bow back"), _trials(home.given_back, _("See to it")))
    yield Group("flagged", _("Sheets to look at"), _trials(home.flagged, _("Look at them")))
    yield _enquiries("enquiries", _("New enquiries"), home.new_enquiries, "/desk/enquiries")
    title = _("Ended, and nothing recorded yet")
    yield _trials_group("outcomes", title, home.without_outcome, _("Say what came of it"), closed)
    yield _trials_group("coming", _("Planned for later"), home.coming, _("Show"), planned)


def _of_no_dealer(session: Session, staff: AtDealer) -> Iterator[Group]:
    if staff.acting.unassigned:
        found = desk_reads.nobodys_enquiries(session, staff.dealer)
        yield _enquiries("nobodys", _("Enquiries of no dealer"), found, "/desk/enquiries?show=nobodys")


def _enquiries(anchor: str, title: str, found: Leaf[EnquiryRow], everything: str) -> Group:
    lines = tuple(list_lines.enquiry(row) for row in found.rows[:MOST_LINES])
    return _group(anchor, title, lines, everything, found.count)


def _trials_group(anchor: str, title: str, found: tuple[TrialRow, ...], action: str, everything: str) -> Group:
    return _group(anchor, title, _trials(found[:MOST_LINES], action), everything, len(found))


def _group(anchor: str, title: str, lines: tuple[ListLine, ...], everything: str, count: int) -> Group:
    """Return a group that leads on to the whole list where that is longer."""
    whole = _("Show all {count}").format(count=formats.number(count, 0)) if count > len(lines) else ""
    return Group(anchor, title, lines, everything if whole else "", whole)


def _trials(found: tuple[TrialRow, ...], action: str) -> tuple[ListLine, ...]:
    return tuple(list_lines.trial(row, action) for row in found)
