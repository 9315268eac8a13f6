"""What the use cases of a trial share: a dealer's own rows found or `NotHere`, locks in one order, and what is said of bows."""

import datetime as dt
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar

from sqlalchemy import ColumnElement, select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit
from service.core.audit_events import Event
from service.core.errors import Code, NotHere, Refused
from service.core.language import _

_SET_BACK: ContextVar[dt.timedelta] = ContextVar("set_back", default=dt.timedelta())


def now() -> dt.datetime:
    """Return this moment in UTC."""
    return dt.datetime.now(dt.UTC) - _SET_BACK.get()


@contextmanager
def set_back(by: dt.timedelta) -> Iterator[None]:
    """Let what trials go through meanwhile bear a moment so long ago: for the days before a demonstration.

    The record of what was done (`core.audit`) tells the true moment.
    """
    token = _SET_BACK.set(by)
    try:
        yield
    finally:
        _SET_BACK.reset(token)


def lock_dealer(session: Session, dealer: str) -> tables.Dealer:
    """Return the dealer's row, held until the transaction ends: one change of trials at a time at one dealer.

    On SQLite a writing transaction holds the whole database already. The lock lets others refer to the row meanwhile.
    """
    row = session.scalars(
        select(tables.Dealer).where(tables.Dealer.slug == dealer).with_for_update(key_share=True)
    ).one_or_none()
    if row is None:
        raise NotHere
    return row


def lock_copies(session: Session, serials: Iterable[str]) -> dict[str, tables.Copy]:
    """Return copies by serial, as they are now, held until the transaction ends; in one order, so that none wait in a ring."""
    statement = (
        select(tables.Copy)
        .where(tables.Copy.serial.in_(sorted(serials)))
        .order_by(tables.Copy.serial)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    return {row.serial: row for row in session.scalars(statement)}


def composed(session: Session, dealer: str, key: str) -> tuple[tables.Trial, tables.Composition]:
    """Return a composed trial of the dealer, to be read; raises `NotHere`."""
    return _composed(session, dealer, key, lock=False)


def claimed(session: Session, dealer: str, key: str) -> tuple[tables.Trial, tables.Composition]:
    """Return a composed trial of the dealer for this transaction alone to change; raises `NotHere`."""
    return _composed(session, dealer, key, lock=True)


def _composed(session: Session, dealer: str, key: str, *, lock: bool) -> tuple[tables.Trial, tables.Composition]:
    statement = (
        select(tables.Trial, tables.Composition)
        .join(tables.Composition, tables.Composition.trial == tables.Trial.id)
        .where(tables.Trial.key == key, tables.Composition.dealer == dealer)
    )
    if lock:
        statement = statement.with_for_update(of=tables.Composition, key_share=True)
        statement = statement.execution_options(populate_existing=True)
    found = session.execute(statement).one_or_none()
    if found is None:
        raise NotHere
    return found[0], found[1]


def carried(session: Session, trial: int) -> list[tables.TrialCopy]:
    """Return the bows set aside for a trial, by serial."""
    statement = select(tables.TrialCopy).where(tables.TrialCopy.trial == trial).order_by(tables.TrialCopy.copy)
    return list(session.scalars(statement))


def out_now() -> ColumnElement[bool]:
    """Return the condition that a copy set aside is out."""
    return tables.TrialCopy.out_at.is_not(None) & tables.TrialCopy.back_at.is_(None)


def still_wanted() -> ColumnElement[bool]:
    """Return the condition, of copies joined with compositions, that a copy is out or set aside for a trial to come."""
    waits = tables.Composition.state.in_(("planned", "open")) & tables.TrialCopy.back_at.is_(None)
    return waits | out_now()


def require_state(composition: tables.Composition, states: Sequence[str], otherwise: str) -> None:
    """Raise `Refused` unless the trial is in one of the states: with a sentence on where it stands, and ``otherwise``."""
    if composition.state not in states:
        raise Refused(f"{_where_it_stands(composition)} {otherwise}", Code.WRONG_STATE)


def _where_it_stands(composition: tables.Composition) -> str:
    sentence = {
        "planned": _("Trial {number} has not been opened yet."),
        "open": _("Trial {number} is open."),
        "closed": _("Trial {number} is closed."),
        "cancelled": _("Trial {number} has been cancelled."),
    }[composition.state]
    return sentence.format(number=composition.number)


def noted(session: Session, user: int | None, dealer: str | None, did: Event, about: str, **detail: object) -> None:
    """Write down what was done, by whom, to what."""
    audit.record(session, user, did, about, dealer=dealer, **detail)
