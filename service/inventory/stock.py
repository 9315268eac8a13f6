"""The stock by tier with where each bow is; its place and status changed, and what was done to it."""

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, NamedTuple

from sqlalchemy import ColumnElement, Select, case, func, or_, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import EventKind, Hold, Instrument
from service.core import audit_events, dealer_wall, formats, paging
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.core.language import _
from service.core.moments import now
from service.core.paging import ALL, Batch, Leaf, ListWanted
from service.core.prepared import prepared
from service.core.row_locks import lock_copies
from service.core.scopes import AllDealers, OneDealer, Scope
from service.inventory import sales, stock_words
from service.tables import (
    BENCH_COLUMNS,
    QUANTITIES,
    BenchReading,
    Copy,
    Dealer,
    Event,
    Price,
    Run,
    Tier,
    Trial,
    TrialCopy,
)
from service.trials import reservations, trial_rows
from service.trials.desk_records import TrialRow
from service.trials.reservations import Reservation
from service.trials.shared import noted

SETTABLE = ("in_stock", "in_transit", "in_repair", "sold", "withdrawn")
"""What staff may say of a bow; reserved and on trial follow from the trials."""
BY_SERIAL, WORKSHOP = "serial", "workshop"
"""The other order of the stock; and where a bow is that no dealer has."""
LONGEST_NOTE = 2_000
_GONE = ("sold", "withdrawn")
_NOTHING = (None, None)
"""Nothing known to be done to a bow."""
SCOPES_KEPT = 64
"""Of so many scopes the statements of the list that is asked for most are kept as they were built."""


class _Order(NamedTuple):
    """By what the list is put in order, and of what kind each value is."""

    by: tuple[Any, ...]
    kinds: tuple[type, ...]


_BY_TIER = _Order((Tier.instrument, Tier.grade, Tier.slug, Copy.serial), (Instrument, int, str, str))
_SERIALLY = _Order((Copy.serial,), (str,))


@dataclass(frozen=True, slots=True)
class CopyRow:
    """One bow in the stock list.

    ``trial``: (key, number) of the trial that it is out on or reserved for next; None for none, or another dealer's. ``event``,
    ``event_on``: what was done to it last, and on which day; None where nothing is known.
    """

    copy: str
    tier: str
    tier_name: str
    hold: Hold | None
    dealer: str | None  # slug of where it is; None: at the workshop. `dealer_name` likewise.
    dealer_name: str | None
    status: str | None
    where: str  # a sentence: 'On trial 14 until 10 May', 'At the workshop', 'In repair'
    trial: tuple[str, int] | None
    due_back: dt.date | None
    overdue: bool
    insured_value: float | None
    materials: str | None
    mass_g: float | None
    tried: int  # in how many trials it was rated
    event: EventKind | None
    event_on: dt.date | None


@dataclass(frozen=True, slots=True)
class TierStock:
    """A tier with its bows. ``here``: how many there are; ``at_hand``: in stock and free today; price as this dealer's players pay it."""

    tier: str
    name: str
    instrument: Instrument
    holds: tuple[Hold, ...]
    grade: int
    price: float | None
    currency: str | None
    here: int
    at_hand: int
    note: str = ""  # what the maker says it is meant to be


@dataclass(frozen=True, slots=True)
class EventRow:
    """What was done to a bow, and what that does to older ratings, in words."""

    on: dt.date
    event: EventKind
    note: str | None
    effect: str


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One bench reading."""

    on: dt.date
    quantity: str
    value: float
    unit: str
    method: str
    by: str | None


@dataclass(frozen=True, slots=True)
class CopyPage:
    """One bow: where it is, what was measured and done, and the trials of the looking dealer that it was in."""

    row: CopyRow
    tier: TierStock
    bench: dict[str, float]
    readings: tuple[BenchRow, ...]
    events: tuple[EventRow, ...]
    trials: tuple[TrialRow, ...]


# Looking


def shelf(session: Session, scope: Scope) -> tuple[TierStock, ...]:
    """Return the tiers of which there are bows in a scope, how many, and how many are at hand; sold and withdrawn ones left out."""
    return tuple(_tier(row, row.here, row.at_hand) for row in session.execute(_shelf(scope)))


@lru_cache(SCOPES_KEPT)
def _shelf(scope: Scope) -> Select[*tuple[Any, ...]]:
    here, at_hand = func.count(), func.count().filter(Copy.status == "in_stock")
    of_tier = select(Copy.tier, here.label("here"), at_hand.label("at_hand"))
    counted = of_tier.where(scope.holds(Copy.dealer), _is_here()).group_by(Copy.tier).subquery()
    asked = _tiers(scope.slug).add_columns(counted.c.here, counted.c.at_hand)
    return asked.join(counted, counted.c.tier == Tier.slug).order_by(Tier.instrument, Tier.grade, Tier.slug)


def _tiers(dealer: str | None) -> Select[*tuple[Any, ...]]:
    """Ask for tiers as `_tier` reads them, at a dealer's own price where there is one."""
    price = func.coalesce(Price.price, Tier.price).label("price")
    currency = func.coalesce(Price.currency, case((Tier.price.is_not(None), Tier.currency))).label("currency")
    told = (Tier.slug, Tier.name, Tier.instrument, Tier.holds, Tier.grade, Tier.note, price, currency)
    # No dealer has the empty slug, and so no price.
    return select(*told).outerjoin(Price, (Price.tier == Tier.slug) & (Price.dealer == (dealer or "")))


def listing(
    session: Session, scope: Scope, after: str = "", wanted: ListWanted = ALL, today: dt.date | None = None
) -> Leaf[CopyRow]:
    """Return a page of the bows of a scope by tier, or by serial; of all dealers: every bow wherever it is, but for those that are gone."""
    is_plain = not after and wanted == ALL
    found = session.execute(_first_page(scope) if is_plain else _listed(scope, after, wanted)).all()
    count = found[0].whole if found else 0
    if after and not found:  # a mark of a bow that was the last, and is here no more
        count = session.scalar(select(func.count()).select_from(_theirs(scope, wanted).subquery())) or 0
    page = paging.leaf(found, count, lambda row: row[-len(_order(wanted).by) :], wanted.most)
    return page.of(_copy_rows(session, scope, page.rows, today or now().date()))


@lru_cache(SCOPES_KEPT)
def _first_page(scope: Scope) -> Select[*tuple[Any, ...]]:
    return _listed(scope, "", ALL)


def _listed(scope: Scope, after: str, wanted: ListWanted) -> Select[*tuple[Any, ...]]:
    """Ask for a page of bows: each with how many there are, and last what it is found by."""
    order = _order(wanted)
    whole = select(func.count()).select_from(_theirs(scope, wanted).subquery()).scalar_subquery().label("whole")
    marks = (column.label(f"mark_{place}") for place, column in enumerate(order.by))
    further = paging.beyond(order.by, paging.read(after, *order.kinds), rising=True)
    asked = _bows().add_columns(whole, *marks).where(scope.holds(Copy.dealer), _is_here(), *_narrowed(wanted))
    return asked.where(further).order_by(*order.by).limit(wanted.most + 1)


def _theirs(scope: Scope, wanted: ListWanted) -> Select[str]:
    theirs = select(Copy.serial).join(Tier, Tier.slug == Copy.tier)
    return theirs.where(scope.holds(Copy.dealer), _is_here(), *_narrowed(wanted))


def _is_here() -> ColumnElement[bool]:
    return or_(Copy.status.is_(None), Copy.status.not_in(_GONE))


def _narrowed(wanted: ListWanted) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that the stock is narrowed by."""
    if serial := wanted.value("serial"):
        yield sales.is_called(serial)
    if at := wanted.value("at"):
        yield Copy.dealer.is_(None) if at == WORKSHOP else Copy.dealer == at
    for column, name in ((Tier.instrument, "instrument"), (Copy.tier, "tier"), (Copy.status, "status")):
        if value := wanted.value(name):
            yield column == value


def page(session: Session, dealer: str, after: str, today: dt.date | None = None) -> Batch[CopyRow]:
    """Return a page of the dealer's bows by serial, sold and withdrawn ones left out; raises `NotFoundError` for no mark of this list."""
    in_stock = (Copy.dealer == dealer) & _is_here()
    further = paging.beyond((Copy.serial,), paging.read(after, str), rising=True)
    found = session.scalars(
        select(Copy.serial).where(in_stock, further).order_by(Copy.serial).limit(paging.A_PAGE + 1)
    ).all()
    batch = paging.batch(found, lambda serial: (serial,))
    rows = session.execute(_bows().where(Copy.serial.in_(batch.rows)).order_by(Copy.serial)).all()
    return batch.of(_copy_rows(session, OneDealer(dealer), rows, today or now().date()))


def range_page(session: Session, dealer: str, after: str) -> Batch[TierStock]:
    """Return a page of all tiers by slug, with the dealer's prices and the bows at hand; raises `NotFoundError` as `page` does."""
    further = paging.beyond((Tier.slug,), paging.read(after, str), rising=True)
    found = session.execute(_tiers(dealer).where(further).order_by(Tier.slug).limit(paging.A_PAGE + 1)).all()
    batch = paging.batch(found, lambda tier: (tier.slug,))
    at_hand = (
        select(Copy.tier, func.count()).where(Copy.dealer == dealer, Copy.status == "in_stock").group_by(Copy.tier)
    )
    counted = dict(session.execute(at_hand).all())
    return batch.of(_tier(tier, 0, counted.get(tier.slug, 0)) for tier in batch.rows)


def copy(session: Session, scope: Scope, serial: str, today: dt.date | None = None, *, trials: bool = True) -> CopyPage:
    """Return one bow, with the dealer's ``trials`` for those who lead trials, for they name players; raises `NotFoundError` beyond the scope."""
    bow = own(session, scope, serial)
    (row,) = _copy_rows(
        session, scope, session.execute(_bows().where(Copy.serial == serial)).all(), today or now().date()
    )
    of_it = session.execute(_tiers(scope.slug).where(Tier.slug == bow.tier)).one()
    tier = _tier(of_it, 1, int(bow.status == "in_stock"))
    readings = select(BenchReading).where(BenchReading.copy == serial)
    order = (BenchReading.on.desc(), BenchReading.quantity, BenchReading.method)
    return CopyPage(
        row=row,
        tier=tier,
        bench={name: getattr(bow, name) for name in BENCH_COLUMNS if getattr(bow, name) is not None},
        readings=tuple(
            BenchRow(each.on, each.quantity, each.value, QUANTITIES[each.quantity], each.method, each.by)
            for each in session.scalars(readings.order_by(*order))
        ),
        events=events(session, serial),
        trials=_trials(session, scope, serial) if trials else (),
    )


def own(session: Session, scope: Scope, serial: str) -> Copy:
    """Return a bow; raises `NotFoundError` where it lies beyond the scope."""
    found = session.get(Copy, serial)
    if found is None or not scope.covers(found.dealer):
        raise NotFoundError
    return found


def _tier(tier: Any, here: int, at_hand: int) -> TierStock:
    """Return a tier from a row of `_tiers`."""
    holds, costs = tuple(map(Hold, tier.holds.split())), None if tier.price is None else float(tier.price)
    named = (tier.slug, tier.name, tier.instrument, holds, tier.grade)
    return TierStock(*named, costs, tier.currency, here, at_hand, tier.note or "")


def _order(wanted: ListWanted) -> _Order:
    return _SERIALLY if wanted.value("order") == BY_SERIAL else _BY_TIER


def _bows() -> Select[*tuple[Any, ...]]:
    """Ask for bows as `_copy_row` reads them."""
    told = (
        Copy.serial,
        Copy.tier,
        Copy.hold,
        Copy.dealer,
        Copy.status,
        Copy.insured_value,
        Copy.materials,
        Copy.mass_g,
    )
    named = select(*told, Tier.name.label("tier_name"), Dealer.name.label("dealer_name"))
    return named.join(Tier, Tier.slug == Copy.tier).outerjoin(Dealer, Dealer.slug == Copy.dealer)


def _copy_rows(session: Session, scope: Scope, bows: Sequence[Any], today: dt.date) -> tuple[CopyRow, ...]:
    """Return bows in full; ``bows``: rows of `_bows`."""
    serials = [bow.serial for bow in bows]
    reserved = reservations.of_copies(session, serials, scope=scope)
    tried, last = _tried(session, serials), _last_events(session, serials)
    return tuple(
        _copy_row(
            bow, reserved.get(bow.serial, ()), tried.get(bow.serial, 0), last.get(bow.serial, _NOTHING), scope, today
        )
        for bow in bows
    )


def _copy_row(
    bow: Any,
    reserved: Sequence[Reservation],
    tried: int,
    last: tuple[EventKind | None, dt.date | None],
    scope: Scope,
    today: dt.date,
) -> CopyRow:
    reservation = min(reserved, key=lambda each: (not each.out, each.out_from), default=None)
    name = bow.dealer_name
    return CopyRow(
        *(bow.serial, bow.tier, bow.tier_name, bow.hold, bow.dealer, name, bow.status),
        where=stock_words.where(bow.status, name, reservation, today),
        trial=(reservation.key, reservation.number) if reservation and reservation.dealer == scope.slug else None,
        due_back=reservation.due_back if reservation else None,
        overdue=reservation is not None and reservation.is_overdue(today),
        insured_value=None if bow.insured_value is None else float(bow.insured_value),
        materials=bow.materials,
        mass_g=bow.mass_g,
        tried=tried,
        event=last[0],
        event_on=last[1],
    )


def _tried(session: Session, serials: Sequence[str]) -> dict[str, int]:
    """Return by serial in how many trials bows were rated."""
    with dealer_wall.lifted(session):  # how often is told of trials everywhere
        return {serial: count for serial, count in session.execute(*_trials_of(serials)) if serial is not None}


@prepared
def _trials_of(serials: Sequence[str]) -> Select[str | None, int]:
    counted = select(Run.copy, func.count(Run.trial.distinct())).where(Run.copy.in_(serials), Run.rater == "player")
    return counted.group_by(Run.copy)


def _last_events(session: Session, serials: Sequence[str]) -> dict[str, tuple[EventKind, dt.date]]:
    """Return by serial what was done last to bows; of one day the latest recorded."""
    return {serial: (EventKind(event), day) for serial, event, day in session.execute(*_last_of(serials))}


@prepared
def _last_of(serials: Sequence[str]) -> Select[*tuple[Any, ...]]:
    latest = func.row_number().over(partition_by=Event.copy, order_by=(Event.on.desc(), Event.id.desc())).label("place")
    ordered = select(Event.copy, Event.event, Event.on, latest)
    rows_ = ordered.where(Event.copy.in_(serials)).subquery()
    return select(rows_.c.copy, rows_.c.event, rows_.c.on).where(rows_.c.place == 1)


def events(session: Session, serial: str) -> tuple[EventRow, ...]:
    """Return what was done to a bow, the latest first."""
    found = session.scalars(select(Event).where(Event.copy == serial).order_by(Event.on.desc(), Event.event))
    return tuple(
        EventRow(each.on, EventKind(each.event), each.note, stock_words.effect(EventKind(each.event))) for each in found
    )


def _trials(session: Session, scope: Scope, serial: str) -> tuple[TrialRow, ...]:
    """Return the looking dealer's trials that a bow was set aside for or rated in; the workshop sees numbers elsewhere."""
    if isinstance(scope, AllDealers):
        return ()
    kept = select(TrialCopy.trial).where(TrialCopy.copy == serial)
    rated = select(Run.trial).where(Run.copy == serial)
    ids = session.scalars(kept.union(rated)).all()
    return trial_rows.trial_rows(session, scope.slug, Trial.id.in_(ids), files=True)


# Changing


def set_status(session: Session, user: int | None, scope: Scope, serial: str, status: str) -> str | None:
    """Say what a bow is: in_stock, in_transit, in_repair, sold, withdrawn; return what staff should know then, if anything.

    A bow that is sold while on a trial stays in it and is still rated; the trial's page says so.

    Raises `NotFoundError`: it lies beyond the scope; `InvalidInputError`: another word, or one that follows from the trials;
    `ConflictError`: it is out on a trial and cannot be in stock at the same time, or was kept on one and is to be what it
    cannot be then.
    """
    own(session, scope, serial)
    if status not in SETTABLE:
        words_ = ", ".join(SETTABLE)
        raise InvalidInputError(
            [("status", _("Say one of {words}; reserved and on trial follow by themselves.").format(words=words_))]
        )
    bow = lock_copies(session, [serial])[serial]
    wanted = reservations.of_copies(session, [serial]).get(serial, ())
    reservation = next((each for each in wanted if each.out), None)
    if status == "in_stock" and reservation is not None:
        sentence = _("{copy} is out on trial {number}; take it back there.")
        raise ConflictError(sentence.format(copy=serial, number=reservation.number))
    sale = sales.on_trial(session, serial)
    if bow.status == "sold" and status != "sold" and sale is not None:
        sentence = _(
            "{copy} was recorded as kept on trial {number}: correct that there, or say there that it came back."
        )
        raise ConflictError(sentence.format(copy=serial, number=sale.name))
    was = bow.status
    if status != was:
        bow.sold_on = now().date() if status == "sold" else None
    bow.status = "reserved" if status == "in_stock" and wanted else status
    session.flush()
    if bow.status != was:
        noted(session, user, bow.dealer, audit_events.STATUS_CHANGED, f"copy {serial}", was=was, now=bow.status)
    return (
        stock_words.still_wanted(serial, [each.number for each in wanted]) if status != "in_stock" and wanted else None
    )


def set_place(
    session: Session, user: int | None, scope: Scope, serial: str, to: str | None, *, reach: Scope | None = None
) -> None:
    """Move a bow to the workshop (None) or to a dealer within ``reach``, which is the scope itself unless it is given.

    Raises `NotFoundError`: it lies beyond the scope; `InvalidInputError`: there is no such dealer, or none that whoever moves
    it may reach; which of the two is not told; `ConflictError`: it is out on a trial, or set aside for one.
    """
    own(session, scope, serial)
    reached = to is None or ((reach or scope).covers(to) and session.get(Dealer, to) is not None)
    if not reached:
        raise InvalidInputError(
            [("to", _("There is no dealer {dealer}; choose one of the list, or the workshop.").format(dealer=to))]
        )
    bow = lock_copies(session, [serial])[serial]
    if bow.dealer == to:
        return
    wanted = reservations.of_copies(session, [serial]).get(serial, ())
    if wanted:
        sentence = _("{copy} belongs to trial {number} until {day}; take it back or drop it there first.")
        values = {"copy": serial, "number": wanted[0].number, "day": formats.day(wanted[0].due_back)}
        raise ConflictError(sentence.format(**values))
    was = bow.dealer
    with dealer_wall.lifted(session):  # it goes where who moves it may not look
        bow.dealer = to
    noted(session, user, was or to, audit_events.BOW_MOVED, f"copy {serial}", was=was, now=to)


def record_event(
    session: Session,
    user: int | None,
    scope: Scope,
    serial: str,
    event: EventKind,
    on: dt.date,
    note: str | None = None,
) -> str:
    """Record what was done to a bow; return what it does to older ratings. `NotFoundError`: beyond the scope; `InvalidInputError`: its day or note."""
    own(session, scope, serial)
    text = _note(note)
    if on > now().date() + dt.timedelta(days=1):  # a day more, for those east of here
        raise InvalidInputError([("on", _("This day is still to come; record it when it is done."))])
    kind = EventKind(event)
    known = session.scalars(
        select(Event).where(Event.copy == serial, Event.on == on, Event.event == str(kind))
    ).one_or_none()
    if known is None:
        session.add(Event(copy=serial, on=on, event=str(kind), note=text))
        noted(session, user, scope.slug, audit_events.BOW_WORKED_ON, f"copy {serial}", event=str(kind), on=str(on))
    elif text is not None:
        known.note = text
    session.flush()
    return stock_words.effect(kind, _trials_before(session, serial, on))


def _note(note: str | None) -> str | None:
    text = (note or "").strip()
    if len(text) > LONGEST_NOTE:
        raise InvalidInputError(
            [("note", _("The note is longer than {most} letters; say it shorter.").format(most=LONGEST_NOTE))]
        )
    return text or None


def _trials_before(session: Session, serial: str, on: dt.date) -> int:
    counted = select(func.count(Run.trial.distinct())).join(Trial, Trial.id == Run.trial)
    with dealer_wall.lifted(session):
        return session.scalar(counted.where(Run.copy == serial, Run.rater == "player", Trial.on < on)) or 0
