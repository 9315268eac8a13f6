"""The stock, and one bow: its place and status changed, and what was done to it recorded.

Whoever is bound to a dealer sees its bows; an owner those of the dealer acted for; a free workshop every bow, wherever it is.
"""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.domain.vocabulary import EventKind
from service.accounts import dealer_list
from service.core import formats, phrases
from service.core.errors import ConflictError, InvalidInputError, refuse
from service.core.language import N_, _
from service.core.paging import Leaf
from service.core.scopes import AllDealers, OneDealer
from service.inventory import bow_life, care, life_page, sales, scanning, stock, stock_page
from service.inventory.sales import Sold
from service.inventory.scanning import PlannedTrial
from service.inventory.stock import CopyRow
from service.questionnaire.parsing import shown
from service.trials import desk_words
from service.web import desk_frame, list_files, list_filters
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import FormShown, address, all_or_nothing, faults, first, plain_options, refused, today
from service.web.page_data import FormPage, Option, Typed
from service.web.permissions import Fields, Needs, Posted, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk/stock")

_HOME, _WORKSHOP = "/desk/stock", stock.WORKSHOP
_NAMES = {"event": N_("What was done"), "on": N_("Day"), "note": N_("Note"), "status": N_("Status"), "to": N_("Move")}
_ANCHORS = {"event": f"event-{EventKind.REHAIRED}", "status": "status-in_stock"}

Views = Annotated[Staff, Depends(Needs(Permission.STOCK_VIEW))]
Changes = Annotated[Staff, Depends(Needs(Permission.STOCK_CHANGE))]


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
        except (InvalidInputError, ConflictError) as why:
            return self.show(refused(self.form, why))
        return desk_frame.see(self.request, address("stock", self.serial), said)

    def show(self, form: FormShown | None = None) -> Response:
        """Show the bow."""
        form = form or FormShown(self.form)
        trials = self.staff.may(Permission.TRIALS_VIEW)
        bow = stock.copy(self.session, self.staff.bows, self.serial, today(), trials=trials)
        usual = {"on": [today().isoformat()], "status": [bow.row.status or ""], "to": [""]}
        page = FormPage(
            title=bow.row.copy,
            action=address("stock", self.serial),
            typed=Typed({**usual, **form.fields}, form.problems),
            faults=faults(form.problems, _NAMES, _ANCHORS),
        )
        caution = _(phrases.BENCH_CAUTION) if self.staff.may(Permission.MODEL_VIEW) else ""
        told = form.told | {"words": stock_page, "bow": bow, "caution": caution, "sees_trials": trials}
        life = bow_life.read(self.session, self.staff.bows, self.serial)
        told |= {"life": life, "lived": life_page, "today": today(), **_changes(self, bow.row)}
        return desk_frame.show(self.request, self.staff, "inventory/copy.html", page, **told)


async def _asked(request: Request, serial: str, staff: Views, session: Reading) -> AtCopy:
    return AtCopy(request, session, staff, serial, {})


async def _changed(request: Request, serial: str, form: Posted, staff: Changes, session: Writing) -> AtCopy:
    return AtCopy(request, session, staff, serial, form)


Asked = Annotated[AtCopy, Depends(_asked)]
Changed = Annotated[AtCopy, Depends(_changed)]


@router.get("")
async def listed(
    request: Request, staff: Views, session: Reading, instrument: str = "", show: str = "", after: str = ""
) -> Response:
    """List the stock by tier, or the bows that are sold, the latest first."""
    if show == stock_page.SOLD:
        return _sold(request, staff, session, after)
    shelf = stock.shelf(session, staff.bows)
    tiers = [(tier.tier, tier.name) for tier in shelf]
    shown, asked = stock_page.instrument(shelf, instrument), stock_page.filters(tiers, _at(session, staff))
    query = list_filters.read(request.query_params, _HOME, asked, instrument=shown)

    def page_of(session: Session, after: str) -> Leaf[CopyRow]:
        return stock.listing(session, staff.bows, after, query.wanted, today())

    if query.as_file:
        return list_files.saved(request, staff, "stock", stock_page.head(), page_of, stock_page.cells, names=None)
    page = stock_page.view(page_of(session, after), shelf, query, begins=not after)
    leads = staff.may(Permission.TRIALS_VIEW)
    return desk_frame.show(request, staff, "inventory/stock.html", page, words=stock_page, leads=leads)


def _sold(request: Request, staff: Staff, session: Session, after: str) -> Response:
    asked = stock_page.sold_filters((tier.slug, tier.name) for tier in care.tiers(session))
    query = list_filters.read(request.query_params, _HOME, asked, show=stock_page.SOLD)

    def page_of(session: Session, after: str) -> Leaf[Sold]:
        told = staff.scope if staff.may(Permission.TRIALS_VIEW) else None
        return sales.sold(session, staff.bows, after, query.wanted, told)

    if query.as_file:
        head = stock_page.sold_head()
        return list_files.saved(request, staff, "sold", head, page_of, stock_page.sold_cells, names=None)
    page = stock_page.sold(page_of(session, after), query, begins=not after)
    return desk_frame.show(request, staff, "web/desk_list.html", page)


def _at(session: Session, staff: Staff) -> tuple[Option, ...]:
    """Return where bows may be, for those who see every dealer's."""
    if not isinstance(staff.bows, AllDealers):
        return ()
    dealers = (Option(info.slug, info.name) for info in dealer_list.listed(session, staff.scope))
    return Option(_WORKSHOP, formats.capital(_("the workshop"))), *dealers


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
        effect = stock.record_event(at.session, at.staff.user, at.staff.bows, at.serial, kind, day, note)
        if first(at.form, "sure") != "yes":
            care.question_day(at.session, at.serial, day, "on")
        return effect

    return at.do(verb)


@router.post("/{serial}/take-back")
async def take_back(at: Changed) -> Response:
    """Take back what was recorded as done."""

    def verb() -> str:
        what = {name: first(at.form, name) for name in ("on", "event")}
        care.take_back(at.session, at.staff.user, at.staff.bows, at.serial, what)
        return _("It is taken back; enter it again if that was a mistake.")

    return at.do(verb)


@router.post("/{serial}/remove")
async def remove(at: Changed) -> Response:
    """Take a bow out that was added by mistake."""

    def verb() -> str:
        care.remove(at.session, at.staff.user, at.staff.bows, at.serial)
        return ""

    reply = at.do(verb)
    said = _("{copy} is taken out; it was added by mistake.").format(copy=at.serial)
    return desk_frame.see(at.request, "/desk/stock", said) if reply.status_code == 303 else reply


@router.post("/{serial}/status")
async def set_status(at: Changed) -> Response:
    """Say what a bow is now."""

    def verb() -> str:
        status = first(at.form, "status")
        if status not in stock.SETTABLE:
            raise InvalidInputError([("status", _("Choose what the bow is now."))])
        remark = stock.set_status(at.session, at.staff.user, at.staff.bows, at.serial, status)
        return " ".join(filter(None, (_("The status is changed."), remark)))

    if first(at.form, "status") == "sold" and first(at.form, "sure") != "yes" and sales.out_on(at.session, at.serial):
        stock.copy(at.session, at.staff.bows, at.serial)  # nobody is told of another's bow
        return desk_frame.see(at.request, f"{address('stock', at.serial)}/sold")
    return at.do(verb)


@router.get("/{serial}/sold")
async def ask_if_sold(at: Asked) -> Response:
    """Ask who bought a bow that is out on a trial: its player, which the trial's outcome says, or somebody else."""
    bow = stock.copy(at.session, at.staff.bows, at.serial)
    trial = sales.out_on(at.session, at.serial)
    if trial is None:
        return at.show(
            FormShown(at.form, notice=_("This bow is not out on a trial; say below what it is now."), status=409)
        )
    page = stock_page.sold_while_out(
        bow, trial, leads=at.staff.may(Permission.TRIALS_VIEW) and trial.dealer == at.staff.dealer
    )
    return desk_frame.show(at.request, at.staff, "trials/ask.html", page)


@router.post("/{serial}/place")
async def set_place(at: Changed) -> Response:
    """Move a bow to another dealer or to the workshop."""

    def verb() -> str:
        target = first(at.form, "to")
        if not target:
            raise InvalidInputError([("to", _("Choose where the bow goes."))])
        place = None if target == _WORKSHOP else target
        reach = at.staff.scope
        stock.set_place(at.session, at.staff.user, at.staff.bows, at.serial, place, reach=reach)
        return _("The bow is moved.")

    reply = at.do(verb)
    moved = reply.status_code == 303 and isinstance(at.staff.bows, OneDealer)
    return desk_frame.see(at.request, "/desk/stock", _("The bow is moved.")) if moved else reply


def _event(form: Fields) -> tuple[EventKind, dt.date]:
    """Return what was done and when; raises `InvalidInputError` with a sentence for each."""
    wrong: list[tuple[str, str]] = []
    kind, day = first(form, "event"), first(form, "on")
    if kind not in desk_words.EVENTS:
        wrong.append(("event", _("Choose what was done.")))
    try:
        event_day = dt.date.fromisoformat(day) if day else today()
    except ValueError:
        wrong.append(("on", _("Got {text}; expected a day, as 2026-11-30.").format(text=shown(day))))
    refuse(wrong)
    return EventKind(kind), event_day


def _changes(at: AtCopy, row: CopyRow) -> dict[str, Any]:
    """Return what may be done to a bow or said of it, nothing to those who may not; ``sale``: the trial on which it was kept."""
    may = at.staff.may(Permission.STOCK_CHANGE)
    sale = sales.on_trial(at.session, at.serial) if row.status == "sold" else None
    theirs = sale and sale.plays and sale.dealer == at.staff.dealer and at.staff.may(Permission.TRIALS_VIEW)
    settable = {name: desk_words.STATUSES[name] for name in stock.SETTABLE}
    return {
        "sale": sale,
        "outcome": f"{address('trials', sale.key)}#outcome-title" if sale and theirs else "",
        "event_options": plain_options(desk_words.EVENTS) if may else (),
        "cases": _cases(at, row),
        "removable": may and care.may_remove(at.session, at.staff.bows, at.serial),
        "statuses": plain_options(settable) if may and not sale else (),
        "places": _places(at, row.dealer) if may else (),
    }


def _cases(at: AtCopy, row: CopyRow) -> tuple[PlannedTrial, ...]:
    """Return the planned trials into whose cases whoever asks may put a bow: of the dealer whose it is."""
    dealer = at.staff.dealer
    if dealer is None or row.dealer != dealer or not at.staff.may(Permission.TRIALS_RUN):
        return ()
    return scanning.planned(at.session, dealer, at.serial)


def _places(at: AtCopy, here: str | None) -> tuple[Option, ...]:
    """Return where a bow may go: for those who are bound to a dealer to the workshop, for others anywhere."""
    found = [Option(_WORKSHOP, _("the workshop"))] if here is not None else []
    if isinstance(at.staff.scope, AllDealers):
        found += [
            Option(info.slug, info.name) for info in dealer_list.listed(at.session, at.staff.scope) if info.slug != here
        ]
    return (Option("", _("choose")), *found) if found else ()
