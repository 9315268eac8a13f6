"""The stock, and one bow: its place and status changed, and what was done to it recorded.

An adviser sees the bows of the dealer acted for; the workshop every bow, wherever it is.
"""

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.vocabulary import EventKind
from service import formats, stock
from service.access import dealers
from service.errors import Invalid, NotAllowed, Refused
from service.forms.reading import shown
from service.language import N_, _
from service.pages import desk_frame
from service.pages.contexts import Typed
from service.pages.desk import stock_page
from service.pages.desk.common import address, all_or_nothing, by_field, faults, first, plain_options, today
from service.pages.desk.stock_page import CopyView
from service.pages.guard import AnyStaff, Fields, Posted, Staff
from service.pages.questions import Option
from service.pages.sessions import Reading, Writing
from service.words import desk, desk_lines, phrases

router = APIRouter(prefix="/desk/stock")

_WORKSHOP = "workshop"
_NAMES = {"event": N_("What was done"), "on": N_("Day"), "note": N_("Note"), "status": N_("Status"), "to": N_("Move")}
_ANCHORS = {"event": f"event-{EventKind.REHAIRED}", "status": "status-in_stock"}
_SETTABLE = ("in_stock", "in_transit", "in_repair", "sold", "withdrawn")


async def _sees(staff: AnyStaff) -> Staff:
    if not staff.may("stock"):
        raise NotAllowed
    return staff


SeesStock = Annotated[Staff, Depends(_sees)]


def _dealer(staff: Staff) -> str | None:
    """Return whose bows somebody sees; None: every one."""
    return None if staff.role == _WORKSHOP else staff.dealer


@dataclass(frozen=True, slots=True)
class AtCopy:
    """One request about a bow; ``form``: what was posted, empty for a page asked for."""

    request: Request
    session: Session
    staff: Staff
    serial: str
    form: Fields

    def do(self, verb: Callable[[], str]) -> Response:
        """Change something and say what; a refused change shows the bow with what was typed and why."""
        try:
            with all_or_nothing(self.session):
                said = verb()
        except Invalid as invalid:
            return self.show(problems=by_field(invalid), status=422)
        except Refused as refused:
            return self.show(notice=str(refused), status=409)
        return desk_frame.see(self.request, address("stock", self.serial), said)

    def show(self, *, notice: str = "", problems: Mapping[str, str] | None = None, status: int = 200) -> Response:
        """Show the bow."""
        page = _view(self, notice, problems or {})
        return desk_frame.show(self.request, self.staff, "desk/copy.html", page, status=status)


async def _asked(request: Request, serial: str, staff: SeesStock, session: Reading) -> AtCopy:
    return AtCopy(request, session, staff, serial, {})


async def _changed(request: Request, serial: str, form: Posted, staff: SeesStock, session: Writing) -> AtCopy:
    return AtCopy(request, session, staff, serial, form)


Asked = Annotated[AtCopy, Depends(_asked)]
Changed = Annotated[AtCopy, Depends(_changed)]


@router.get("")
async def listed(request: Request, staff: SeesStock, session: Reading, instrument: str = "") -> Response:
    """List the stock by tier."""
    tiers = stock.by_tier(session, _dealer(staff), today())
    return desk_frame.show(request, staff, "desk/stock.html", stock_page.view(tiers, instrument))


@router.get("/{serial}")
async def show(at: Asked) -> Response:
    """Show one bow."""
    return at.show()


@router.post("/{serial}/event")
async def record_event(at: Changed) -> Response:
    """Record what was done to a bow, and say what it does to older ratings."""

    def verb() -> str:
        kind, day = _event(at.form)
        note = first(at.form, "note") or None
        return stock.record_event(at.session, at.staff.user, _dealer(at.staff), at.serial, kind, day, note)

    return at.do(verb)


@router.post("/{serial}/status")
async def set_status(at: Changed) -> Response:
    """Say what a bow is now."""

    def verb() -> str:
        status = first(at.form, "status")
        if status not in _SETTABLE:
            raise Invalid([("status", _("Choose what the bow is now."))])
        stock.set_status(at.session, at.staff.user, _dealer(at.staff), at.serial, status)
        return _("The status is changed.")

    return at.do(verb)


@router.post("/{serial}/place")
async def set_place(at: Changed) -> Response:
    """Move a bow to another dealer or to the workshop."""

    def verb() -> str:
        to = first(at.form, "to")
        if not to:
            raise Invalid([("to", _("Choose where the bow goes."))])
        stock.set_place(at.session, at.staff.user, _dealer(at.staff), at.serial, None if to == _WORKSHOP else to)
        return _("The bow is moved.")

    reply = at.do(verb)
    moved = reply.status_code == 303 and _dealer(at.staff) is not None
    return desk_frame.see(at.request, "/desk/stock", _("The bow is moved.")) if moved else reply


def _event(form: Fields) -> tuple[EventKind, dt.date]:
    """Return what was done and when; raises `Invalid` with a sentence for each."""
    wrong: list[tuple[str, str]] = []
    kind, day = first(form, "event"), first(form, "on")
    if kind not in desk.EVENTS:
        wrong.append(("event", _("Choose what was done.")))
    try:
        on = dt.date.fromisoformat(day) if day else today()
    except ValueError:
        wrong.append(("on", _("Got {text}; expected a day, as 2026-11-30.").format(text=shown(day))))
    if wrong:
        raise Invalid(wrong)
    return EventKind(kind), on


def _view(at: AtCopy, notice: str, problems: Mapping[str, str]) -> CopyView:
    page = stock.copy(at.session, _dealer(at.staff), at.serial, today())
    usual = {"on": [today().isoformat()], "status": [page.row.status or ""], "to": [""]}
    return CopyView(
        title=page.row.copy,
        href=address("stock", at.serial),
        facts=formats.labelled(page.tier.name, desk_lines.tier_facts(page.tier)),
        where=page.row.where,
        notice=notice,
        typed=Typed({**usual, **at.form}, problems),
        faults=faults(problems, _NAMES, _ANCHORS),
        about=stock_page.about(page),
        bench=stock_page.bench(page.bench),
        caution=_(phrases.BENCH_CAUTION) if at.staff.may("model") else "",
        readings=stock_page.readings(page.readings),
        events=stock_page.events(page.events),
        event_options=plain_options(desk.EVENTS),
        trials=stock_page.trials(page),
        statuses=plain_options({name: desk.STATUSES[name] for name in _SETTABLE}),
        places=_places(at, page.row.dealer),
    )


def _places(at: AtCopy, here: str | None) -> tuple[Option, ...]:
    """Return where a bow may go: for an adviser to the workshop, for those not bound to a dealer anywhere."""
    found = [Option(_WORKSHOP, _("the workshop"))] if here is not None else []
    if at.staff.home is None:
        found += [Option(info.slug, info.name) for info in dealers.listed(at.session) if info.slug != here]
    return (Option("", _("choose")), *found) if found else ()
