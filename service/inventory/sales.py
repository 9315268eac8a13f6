"""Bows that are sold: when, on which trial they were kept, and whose trial a bow is out on that is to be sold."""

import datetime as dt
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from decimal import Decimal

from sqlalchemy import ColumnElement, and_, func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service import tables
from service.core import paging
from service.core.paging import ALL, Leaf, ListWanted
from service.core.scopes import Scope
from service.modelling import model_records
from service.tables import Composition, Copy, Outcome, Tier, Trial, TrialCopy, newest_outcome, outcome_order
from service.tables.columns import begins
from service.tables.folding import plain
from service.trials.shared import out_now

EARLIEST = dt.date(1, 1, 1)
"""Stands for a day that is not known: such bows come last."""


@dataclass(frozen=True, slots=True)
class OnTrial:
    """The trial, of a dealer, that a bow was kept on, or is out on; ``number``: the dealer's running one, None where a file told of it.

    ``paid``: what was paid for the bow kept, None where it is not known or not told.
    """

    key: str
    number: int | None
    dealer: str | None
    plays: bool  # it is open or closed, so that an outcome can be recorded
    paid: Decimal | None = None
    currency: str | None = None

    @property
    def name(self) -> str:
        """The number, else the key."""
        return self.key if self.number is None else str(self.number)


@dataclass(frozen=True, slots=True)
class Sold:
    """A bow that is sold: ``on`` None where the day is not known, ``trial`` None where it was not kept on one; its tier's price today."""

    copy: str
    tier_name: str
    on: dt.date | None
    trial: OnTrial | None
    price: float | None = None
    currency: str | None = None


def sold(
    session: Session, scope: Scope, after: str = "", wanted: ListWanted = ALL, told: Scope | None = None
) -> Leaf[Sold]:
    """Return a page of the sold bows of a scope, the latest first, those whose day is not known last; or the other way round.

    ``told``: whose prices paid are told; None for nobody's.
    """
    day = func.coalesce(tables.Copy.sold_on, EARLIEST)
    theirs, order = and_(Copy.status == "sold", scope.holds(Copy.dealer), *_narrowed(wanted)), (day, Copy.serial)
    mark = paging.read(after, dt.date, str)
    found = session.execute(
        select(Copy.serial, Copy.sold_on, Tier.name, Copy.tier, Copy.dealer)
        .join(Tier, Tier.slug == Copy.tier)
        .where(theirs, paging.beyond(order, mark, rising=wanted.oldest))
        .order_by(*wanted.ordered(order))
        .limit(wanted.most + 1)
    ).all()
    kept = kept_on(session, [row.serial for row in found])
    costs = {dealer: model_records.prices(session, dealer) for dealer in {row.dealer for row in found}}
    count = session.scalar(select(func.count()).select_from(Copy).where(theirs)) or 0
    rows = []
    for serial, sold_on, name, tier, dealer in found:
        price, currency = costs[dealer].get(tier, (None, None))
        trial = kept.get(serial)
        if trial is not None and not (told is not None and told.covers(trial.dealer)):
            trial = replace(trial, paid=None, currency=None)
        rows.append(Sold(serial, name, sold_on, trial, float(price) if price else None, currency))
    return paging.leaf(rows, count, lambda row: (row.on or EARLIEST, row.copy), wanted.most)


def _narrowed(wanted: ListWanted) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that sold bows are narrowed by."""
    if serial := wanted.value("serial"):
        yield is_called(serial)
    if tier := wanted.value("tier"):
        yield Copy.tier == tier
    if wanted.since:
        yield Copy.sold_on >= wanted.since
    if wanted.until:
        yield Copy.sold_on <= wanted.until


def is_called(text: str) -> ColumnElement[bool]:
    """Return the condition that a bow's serial begins with what is typed, whatever stands between its parts."""
    typed = plain(text)
    return begins(Copy.plain, typed) if typed else Copy.serial == text


def on_trial(session: Session, serial: str) -> OnTrial | None:
    """Return the trial that a bow was kept on and not brought back from; None where there is none."""
    return kept_on(session, [serial]).get(serial)


def kept_on(session: Session, serials: Iterable[str]) -> dict[str, OnTrial]:
    """Return by serial the trial that a bow was kept on and not brought back from."""
    found = session.execute(
        select(Outcome, Trial.key, Composition.number, Trial.dealer)
        .join(Trial, Trial.id == Outcome.trial)
        .outerjoin(Composition, Composition.trial == Trial.id)
        .where(Outcome.copy.in_(sorted(serials)), newest_outcome())
        .order_by(*outcome_order())
    )
    kept: dict[str, OnTrial] = {}
    for told, key, number, dealer in found:
        if told.copy is None:
            continue
        if told.outcome is OutcomeKind.KEPT:
            plays = number is not None
            kept[told.copy] = OnTrial(key, number, dealer, plays, paid=told.price, currency=told.currency)
        elif told.outcome is OutcomeKind.RETURNED:
            kept.pop(told.copy, None)
    return kept


def out_on(session: Session, serial: str) -> OnTrial | None:
    """Return the trial that a bow is out on; None where it is not out."""
    found = session.execute(
        select(Trial.key, Composition.number, Composition.dealer, Composition.state)
        .join(Composition, Composition.trial == Trial.id)
        .join(TrialCopy, TrialCopy.trial == Composition.trial)
        .where(TrialCopy.copy == serial, out_now())
    ).first()
    return None if found is None else OnTrial(*found[:3], plays=found.state in ("open", "closed"))
