"""The care of the stock at the desk: bows added, corrected and taken out again, prices, and events taken back.

What is entered here is one row of a file of `service.inventory.files`: one declaration says what a field takes and refuses.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import String, cast, delete, func, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from model.domain.vocabulary import Instrument
from service.core import audit_events, dealer_wall, formats
from service.core.errors import ConflictError, InvalidInputError, NotFoundError, existing, refuse
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_copies, require_unchanged
from service.core.scopes import Scope
from service.core.spreadsheet_cells import with_guard, without_guard
from service.inventory import stock
from service.inventory.files import cells, enter, kinds
from service.tables import BENCH_COLUMNS, AuditEntry, BenchReading, Copy, Dealer, Event, Price, Run, Tier, Trial
from service.trials.shared import noted

COLUMNS = kinds.COPIES.order
"""What is typed of a new bow."""
MEASURED = BENCH_COLUMNS
TO_UNDO = dt.timedelta(days=1)
"""So long a bow that was added by mistake can be taken out again."""
NEW_STATUSES = tuple(status for status in stock.SETTABLE if status != "sold")
FACTS = ("materials", "insured_value", "tier", "hold", *BENCH_COLUMNS)
"""What is corrected of a bow: its place and status have verbs of their own, and its serial stays."""


@dataclass(frozen=True, slots=True)
class TierChoice:
    """A tier that a bow may be of. ``holds``: '' where there are not two."""

    slug: str
    name: str
    instrument: Instrument
    holds: str


def tiers(session: Session) -> tuple[TierChoice, ...]:
    """Return all tiers in the order of the range."""
    found = session.scalars(select(Tier).order_by(Tier.instrument, Tier.grade, Tier.slug))
    return tuple(TierChoice(each.slug, each.name, each.instrument, each.holds) for each in found)


# Bows


def add(session: Session, user: int | None, reach: Scope, texts: Mapping[str, str], haired: str = "") -> str:
    """Add a bow by its cells of `copies.csv` within ``reach``; return its serial. ``haired``: its hair's day, or empty."""
    # Raises `InvalidInputError`: what `load` refuses; a serial that is taken, a place beyond the reach, a status that
    # follows by itself; `ConflictError`: the bow is there already.
    serial, dealer = without_guard(texts["copy"]), texts["dealer"] or None
    with dealer_wall.lifted(session):  # a serial is everybody's
        there = session.get(Copy, serial)
    if there is not None and reach.covers(there.dealer):
        raise ConflictError(_("{copy} is in the stock already. Nothing was changed.").format(copy=serial))
    wrong: list[tuple[str, str]] = []
    if there is not None:
        wrong.append(("copy", _("This serial is taken; look at the stick again, or give this bow another one.")))
    if not reach.covers(dealer) or (dealer and session.get(Dealer, dealer) is None):
        wrong.append(("dealer", _("There is no such dealer; choose one of the list, or the workshop.")))
    if texts["status"] not in NEW_STATUSES:
        wrong.append(("status", _("Choose what the bow is now.")))
    refuse(wrong)
    rows = {kinds.COPIES: texts}
    if haired:
        rows[kinds.EVENTS_FILE] = {"copy": texts["copy"], "date": haired, "event": "rehaired"}
    enter(session, rows)
    noted(session, user, dealer, audit_events.BOW_ADDED, f"copy {serial}", tier=texts["tier"])
    return serial


def facts(session: Session, scope: Scope, serial: str) -> dict[str, str]:
    """Return what is known of a bow as cells, by column of `FACTS`; of a quantity with readings they speak, and it is left out."""
    bow = stock.own(session, scope, serial)
    measured = set(session.scalars(select(BenchReading.quantity).where(BenchReading.copy == serial)))
    return {name: cells.unguarded(getattr(bow, name)) for name in FACTS if name not in measured}


def correct(session: Session, user: int | None, scope: Scope, serial: str, texts: Mapping[str, str], seen: str) -> bool:
    """Correct what is known of a bow, or return False; raises `InvalidInputError` as `load`, `ConflictError`: corrected since ``seen`` (`written`)."""
    bow = stock.own(session, scope, serial)
    lock_copies(session, [serial])  # all of its columns are written back
    was = facts(session, scope, serial)
    # A field of one line sends what a file gave in two as one; nobody meant to change that.
    told = {
        name: was[name] if text.split() == was[name].split() else text for name, text in texts.items() if name in was
    }
    if told == was:
        return False
    require_unchanged(written(was), seen)
    enter(session, {kinds.COPIES: {"copy": with_guard(serial), **told}})
    after = facts(session, scope, serial)
    changed = [name for name in after if after[name] != was[name]]
    if changed:
        noted(session, user, bow.dealer, audit_events.BOW_CORRECTED, f"copy {serial}", changed=changed)
    return bool(changed)


def written(values: Mapping[str, str]) -> str:
    """Return values as one text: the same values, the same text."""
    return "|".join(values.values())


def may_remove(session: Session, scope: Scope, serial: str) -> bool:
    """Say whether a bow was added at the desk so lately that it can be taken out again."""
    stock.own(session, scope, serial)
    added = select(AuditEntry.id).where(
        AuditEntry.did == audit_events.BOW_ADDED.did, AuditEntry.about == f"copy {serial}"
    )
    return session.scalar(added.where(AuditEntry.at > now() - TO_UNDO).limit(1)) is not None


def remove(session: Session, user: int | None, scope: Scope, serial: str) -> None:
    """Take a bow out that was added by mistake, with its readings and events; raises `ConflictError` where it is too late."""
    bow = stock.own(session, scope, serial)
    sentence = _("{copy} cannot be taken out any more; say of it that it is withdrawn.")
    if not may_remove(session, scope, serial):
        raise ConflictError(sentence.format(copy=serial))
    try:
        with session.begin_nested():
            for table in (BenchReading, Event):
                session.execute(delete(table).where(table.copy == serial))
            session.delete(bow)
            session.flush()
    except IntegrityError:  # a trial names it by now
        raise ConflictError(sentence.format(copy=serial)) from None
    noted(session, user, scope.slug, audit_events.BOW_REMOVED, f"copy {serial}", tier=bow.tier)


# Prices


@dataclass(frozen=True, slots=True)
class TierPrices:
    """What a tier costs: its own price, and a dealer's where that differs; '' where nothing is said. ``currency``: a likely one."""

    tier: str
    name: str
    price: str
    price_currency: str
    dealers_price: str
    dealers_currency: str
    currency: str


def prices(session: Session, slug: str, dealer: str | None) -> TierPrices:
    """Return what a tier costs; raises `NotFoundError` for no tier."""
    tier = existing(session.get(Tier, slug))
    there = session.get(Price, (slug, dealer)) if dealer else None
    known = [there.currency if there else None, tier.currency]
    known += [session.get_one(Dealer, dealer).currency] if dealer else []
    own = (cells.written(tier.price), tier.currency or "")
    dealers = (cells.written(there.price), there.currency) if there else ("", "")
    return TierPrices(slug, tier.name, *own, *dealers, next(filter(None, known), ""))


def set_price(
    session: Session,
    user: int | None,
    scope: Scope,
    slug: str,
    dealer: str | None,
    price: str,
    currency: str,
    seen: str,
) -> bool:
    """Set a tier's own price, or a dealer's; an empty one takes it back. Return False where it is so already.

    Raises `NotFoundError`: there is no such tier, or the price is not theirs to set: a tier's own is the maker's;
    `InvalidInputError`, `ConflictError`: what `load` refuses; somebody else changed it since ``seen`` (price and currency as
    `written`).
    """
    if not scope.covers(dealer):
        raise NotFoundError
    # Held before it is read, so that of two at once the second sees what the first has set.
    session.execute(select(Tier).where(Tier.slug == slug).with_for_update(key_share=True)).all()
    before = prices(session, slug, dealer)
    was = (before.dealers_price, before.dealers_currency) if dealer else (before.price, before.price_currency)
    told = {"price": price, "currency": currency if price else ""}
    if tuple(told.values()) == was:
        return False
    require_unchanged("|".join(was), seen)
    if dealer is None:
        tier = session.get_one(Tier, slug)
        enter(session, {kinds.TIERS: {"tier": slug, "instrument": tier.instrument, "grade": str(tier.grade), **told}})
    elif price:
        enter(session, {kinds.PRICES: {"tier": slug, "dealer": dealer, **told}})
    else:
        session.execute(delete(Price).where(Price.tier == slug, Price.dealer == dealer))
    noted(session, user, dealer, audit_events.PRICE_SET, f"tier {slug}", was=" ".join(was), now=" ".join(told.values()))
    return True


# What was done


def question_day(session: Session, serial: str, on: dt.date, field: str) -> None:
    """Raise `InvalidInputError` for a day before anything else that is known of a bow: it may not have existed then."""
    played = select(func.min(Trial.on)).join(Run, Run.trial == Trial.id).where(Run.copy == serial)
    days = [session.scalar(played)]
    days += [session.scalar(select(func.min(t.on)).where(t.copy == serial, t.on != on)) for t in (Event, BenchReading)]
    first = min((day for day in days if day is not None), default=on)
    if on < first:
        sentence = _("Nothing is known of this bow before {day}. If this day is right, say so below.")
        raise InvalidInputError([(field, sentence.format(day=formats.day(first)))])


def take_back(session: Session, user: int | None, scope: Scope, serial: str, what: Mapping[str, str]) -> None:
    """Take back what was recorded as done, ``event`` on the day ``on``; raises `ConflictError` where it is recorded no more."""
    bow = stock.own(session, scope, serial)
    same = (Event.copy == serial, Event.event == what["event"], cast(Event.on, String) == what["on"])
    if not session.scalars(delete(Event).where(*same).returning(Event.id)).all():
        raise ConflictError(_("That is recorded no more; nothing was changed."))
    noted(session, user, bow.dealer, audit_events.BOW_RECORD_REMOVED, f"copy {serial}", **what)
