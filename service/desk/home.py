"""Today: what waits at the desk, each a line with one action."""

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats
from service.core.language import _
from service.core.paging import Leaf
from service.core.scopes import Scope
from service.modelling import fit_words, present, versions
from service.modelling.versions import Fitted
from service.privacy import clock, mass_erasure, retention_words
from service.trials import desk_lines, desk_reads
from service.trials.desk_records import EnquiryRow, Home, TrialRow
from service.web import desk_frame
from service.web.database_sessions import Reading
from service.web.desk_forms import ListLine, today
from service.web.page_data import Page
from service.web.permissions import AnyStaff, AtDealer, AtDealerNeeds, RedirectError
from service.web.roles import Permission

router = APIRouter()
MOST_LINES, OF_ALL = 8, 16
"""So many lines a group shows at most, and all groups together as far as each has two: today is one look, the lists hold the rest."""

_ANCHORS = {"without_outcome": "outcomes", "parcels_waiting": "parcels", "given_back": "given-back"}


@dataclass(frozen=True, slots=True)
class Group:
    """What waits for one reason, the first lines of ``count``; ``everything`` leads to the list that holds all, where there is one."""

    anchor: str
    title: str
    lines: tuple[ListLine, ...]
    count: int
    everything: str = ""

    @property
    def whole(self) -> str:
        """Say how many there are, where there are more than are shown; empty where there are not."""
        count = formats.number(self.count, 0)
        return _("Show all {count}").format(count=count) if self.count > len(self.lines) else ""


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
    read = desk_reads.home(session, staff.dealer, day, MOST_LINES)
    waiting = (*_alarms(session, staff), *_groups(read, day), *_of_no_dealer(session, staff))
    groups = _short(tuple(group for group in waiting if group.lines))
    page, quiet = Page(title=_("Today")), "" if groups else _("Nothing to do.")
    return desk_frame.show(request, staff, "desk/home.html", page, day=formats.day(day), quiet=quiet, groups=groups)


def _short(groups: tuple[Group, ...]) -> tuple[Group, ...]:
    """Return the groups with so few lines that all are seen at once."""
    most = max(2, OF_ALL // max(1, len(groups)))
    return tuple(replace(group, lines=group.lines[:most]) for group in groups)


def _alarms(session: Session, staff: AtDealer) -> Iterator[Group]:
    """Give what somebody who looks after the service has to know: erasing that waits for a word, a damaged model."""
    if not (staff.may(Permission.RETENTION_VIEW) or staff.may(Permission.MODEL_VIEW)):
        return
    stands = present.read(session)
    asked = _erasing(session, staff.scope, stands.seen_at) if staff.may(Permission.RETENTION_VIEW) else ""
    fitted = versions.current(session, stands) if staff.may(Permission.MODEL_VIEW) else Fitted(key="")
    damaged = "" if fitted.instead_of is None else fit_words.damaged(fitted.instead_of, fitted.version)
    lines = (
        ListLine(_("Erasing by age"), asked, "", "/desk/retention", _("Look at it"), urgent=True),
        ListLine(_("Our estimate"), damaged, "", "/desk/model", _("Look at it"), urgent=True),
    )
    yield Group("alarms", _("For you to see to"), tuple(line for line in lines if line.facts), 0)


def _erasing(session: Session, scope: Scope, seen_at: dt.datetime | None) -> str:
    """Return what an owner is asked about erasing by age within a scope, empty where nothing."""
    stands = clock.look(session, dt.datetime.now(dt.UTC), seen_at)
    return retention_words.waiting(mass_erasure.questions(session, scope), is_clock=not stands.is_believed)


def _groups(home: Home, day: dt.date) -> Iterator[Group]:
    trials, later = "/desk/trials?state=", day + dt.timedelta(days=1)

    def group(name: str, title: str, found: tuple[TrialRow, ...], action: str, everything: str = "") -> Group:
        lines = tuple(desk_lines.trial_line(row, action) for row in found)
        return Group(_ANCHORS.get(name, name), title, lines, home.counts.get(name, 0), everything)

    overdue = tuple(map(desk_lines.overdue_line, home.overdue))
    yield Group("overdue", _("Due back"), overdue, home.counts.get("overdue", 0), f"{trials}open&order=oldest")
    yield group("open", _("Being played"), home.open, _("See how it stands"), f"{trials}open")
    yield group("today", _("Planned for today"), home.today, _("Begin"), f"{trials}planned&until={day}&order=oldest")
    parcels = _("Parcels that wait for their materials")
    yield group("parcels_waiting", parcels, home.parcels_waiting, _("Confirm"), f"{trials}planned&place=post")
    yield group("given_back", _("A player gives a bow back"), home.given_back, _("See to it"))
    yield group("flagged", _("Sheets to look at"), home.flagged, _("Look at them"))
    yield _enquiries("enquiries", _("New enquiries"), home.new_enquiries, "/desk/enquiries")
    title, untold = _("Ended, and nothing recorded yet"), f"{trials}closed&outcome=nothing"
    yield group("without_outcome", title, home.without_outcome, _("Say what came of it"), untold)
    yield group("coming", _("Planned for later"), home.coming, _("Show"), f"{trials}planned&since={later}&order=oldest")


def _of_no_dealer(session: Session, staff: AtDealer) -> Iterator[Group]:
    if staff.acting.unassigned:
        found = desk_reads.first_nobodys(session, staff.dealer, MOST_LINES)
        yield _enquiries("nobodys", _("Enquiries of no dealer"), found, "/desk/enquiries?show=nobodys")


def _enquiries(anchor: str, title: str, found: Leaf[EnquiryRow], everything: str) -> Group:
    lines = tuple(desk_lines.enquiry_line(row) for row in found.rows[:MOST_LINES])
    return Group(anchor, title, lines, found.count, everything)
