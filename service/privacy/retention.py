"""How long anything is kept: what has had its time is erased, once a day, by the service itself.

One person a transaction, so that nobody waits for long; one process a day, by a row that only one of them can take. All that is
erased by its age is erased here, and only under a clock that is believed (`clock`); of more persons than usual an owner is
asked first (`mass_erasure`).
"""

import datetime as dt
import logging
import time
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, CursorResult, delete, exists, func, or_, select, update
from sqlalchemy.orm import Session

from service import tables
from service.accounts import browsers, half_sign_ins
from service.core import clock_watch, upsert
from service.core.database import Database
from service.core.errors import ConflictError, NotFoundError
from service.dealers import sandbox
from service.mail import redating
from service.players import persons
from service.players.persons import Person
from service.privacy import clock, mass_erasure, remains
from service.privacy.erasure import erase, would_erase
from service.tables.advice import DRAFT_LIFE
from service.tables.doors import KEEP_MONTHS
from service.trials import bow_marks
from service.web import kept_forms

A_MONTH = dt.timedelta(days=30.4375)
SWEEP = "sweep"
EVERY = dt.timedelta(hours=20)
"""Between two sweeps at least; the service looks every hour, so it is one a day."""
LATE = dt.timedelta(days=3)
"""A sweep that was longer ago is a reason for alarm, as is one that began and did not end."""
_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many persons, drafts and spent things (links, sessions, messages) were erased."""

    persons: int = 0
    drafts: int = 0
    spent: int = 0
    failed: int = 0  # how many persons could not be erased
    held: int = 0  # how many wait for an owner's word

    def counts(self) -> dict[str, int]:
        """Return it as it is stored."""
        erased = {"persons": self.persons, "drafts": self.drafts, "spent": self.spent}
        return erased | {"failed": self.failed, "held": self.held}


@dataclass(frozen=True, slots=True)
class _Old:
    """Somebody who may have had their time: an enquiry or a player by its key, and the moment that counts."""

    dealer: str | None
    enquiry: str | None
    player: str | None
    until: dt.datetime


def months_of(session: Session, dealer: str | None) -> int:
    """Return how many months after the last contact a dealer keeps what is known of a person."""
    return session.scalar(select(tables.Door.keep_months).where(tables.Door.dealer == dealer)) or KEEP_MONTHS


def ask_at(session: Session, dealer: str | None) -> str:
    """Return the address at which a dealer reads mail, empty where none is set."""
    return session.scalar(select(tables.Door.notify).where(tables.Door.dealer == dealer)) or ""


def sweep_if_due(database: Database, now: dt.datetime) -> Swept | None:
    """Sweep once a day, unless the clock is not believed: then it stays due; return what was erased, None where nothing was due."""
    started = time.monotonic()
    with database.writing() as session:
        if not clock.keep(session, now).is_believed:
            _log.error("the clock is not believed, so nothing is erased by age; `check` says more")
            return None
        redating.redate(session, now)
        if not _takes_its_turn(session, now):
            return None
    swept = sweep(database, now)
    bow_marks.of_all(database)
    with database.writing() as session:
        duty = session.get_one(tables.Duty, SWEEP)
        duty.ended_at = now + dt.timedelta(seconds=time.monotonic() - started)
        duty.counts = swept.counts()
    remains.clear(database, now)
    return swept


def _takes_its_turn(session: Session, now: dt.datetime) -> bool:
    """Say whether the day's sweep is this process's: whoever changes the row first has it."""
    # A sweep of the future began under another clock, and holds up none; an owner's yes is carried out at once.
    due = or_(tables.Duty.begun_at <= now - EVERY, tables.Duty.begun_at > now + clock_watch.BEHIND)
    answered = mass_erasure.answered_at(session)
    if answered is not None:
        due = or_(due, tables.Duty.begun_at < answered)
    taken = update(tables.Duty).where(tables.Duty.name == SWEEP, due).values(begun_at=now, ended_at=None)
    if _changed(session, taken.execution_options(synchronize_session=False)):
        return True
    return session.get(tables.Duty, SWEEP) is None and upsert.added(
        session, tables.Duty(name=SWEEP, begun_at=now, counts={})
    )


def sweep(database: Database, now: dt.datetime) -> Swept:
    """Erase what has had its time; a dealer's persons only where they are not more than usual, or an owner has said so."""
    with database.reading() as session:
        due = _due(session, now)
    with database.writing() as session:
        mass_erasure.drop(session, set(due))
        let_go = {dealer for dealer, old in due.items() if mass_erasure.may_erase(session, dealer, len(old), now)}
    done = [_erase_one(database, each) for dealer in due if dealer in let_go for each in due[dealer]]
    held = sum(len(old) for dealer, old in due.items() if dealer not in let_go)
    with database.writing() as session:
        typed, spent = _drafts(session, now), _spent(session, now)
        remains.note(session)
    return Swept(done.count("erased"), typed, spent, done.count("failed"), held)


def _due(session: Session, now: dt.datetime) -> dict[str | None, list[_Old]]:
    """Return by dealer those whose time is over, each person once."""
    found: dict[str | None, dict[tuple[Any, ...], _Old]] = {}
    for old in _old(session, now):
        person = _over(session, old)
        if person is not None:
            found.setdefault(person.dealer, {}).setdefault((person.enquiries, person.players), old)
    return {dealer: list(old.values()) for dealer, old in found.items()}


def _erase_one(database: Database, old: _Old) -> str:
    try:
        with database.writing() as session:
            remains.later(session)
            person = _over(session, old)
            if person is None:
                return "kept"
            erase(session, None, person, "over")
            return "erased"
    except Exception as trouble:  # noqa: BLE001 - one who cannot be erased must not keep the others from it; it is counted, and `check` tells
        _log.error("a person whose time is over could not be erased: %s", type(trouble).__name__)
        return "failed"


def _over(session: Session, old: _Old) -> Person | None:
    """Return the person unless something younger is kept of them, they are erased already with another, or may not be."""
    try:
        person = (
            persons.of_enquiry(session, old.enquiry)
            if old.enquiry is not None
            else persons.of_player(session, old.dealer or "", old.player or "")
        )
        if _is_younger(session, person, old.until):
            return None
        would_erase(session, person)
    except (NotFoundError, ConflictError):
        return None  # gone; or a bow is still out: whoever has it must be known, and the desk shows it as overdue
    return person


def _is_younger(session: Session, person: Person, until: dt.datetime) -> bool:
    """Say whether there was contact since: a trial, an enquiry, a contact given."""
    later_trial = (
        select(tables.Trial.id).where(tables.Trial.player.in_(person.players), tables.Trial.on >= until.date()),
        select(tables.Enquiry.id).where(tables.Enquiry.id.in_(person.enquiries), tables.Enquiry.created_at >= until),
        select(tables.Contact.player).where(
            tables.Contact.player.in_(person.players), tables.Contact.created_at >= until
        ),
    )
    return any(session.scalar(statement.limit(1)) is not None for statement in later_trial)


def _old(session: Session, now: dt.datetime) -> Iterator[_Old]:
    for dealer in (None, *session.scalars(select(tables.Dealer.slug).order_by(tables.Dealer.slug)).all()):
        limit = now - months_of(session, dealer) * A_MONTH
        same_dealer = tables.Enquiry.dealer == dealer if dealer is not None else tables.Enquiry.dealer.is_(None)
        asked = select(tables.Enquiry.id).where(
            same_dealer, tables.Enquiry.player.is_(None), tables.Enquiry.created_at < limit
        )
        yield from (_Old(dealer, each, None, limit) for each in session.scalars(asked).all())
        if dealer is not None:
            yield from (_Old(dealer, None, key, limit) for key in session.scalars(_players(dealer, limit)).all())


def _players(dealer: str, until: dt.datetime) -> Any:
    """Return the statement for players whom a dealer knows by name, or whose ratings serve one trial only."""
    composed = exists().where(
        tables.Trial.player == tables.Player.id,
        tables.Composition.trial == tables.Trial.id,
        tables.Composition.dealer == dealer,
    )
    named = exists().where(tables.Contact.player == tables.Player.id, tables.Contact.dealer == dealer)
    nameless = ~exists().where(tables.Contact.player == tables.Player.id) & ~tables.Player.in_model & composed
    later_trial = exists().where(tables.Trial.player == tables.Player.id, tables.Trial.on >= until.date())
    return select(tables.Player.key).where(or_(named, nameless), ~later_trial).order_by(tables.Player.id)


def _drafts(session: Session, now: dt.datetime) -> int:
    return _changed(session, delete(tables.Draft).where(tables.Draft.updated_at < now - DRAFT_LIFE))


def _spent(session: Session, now: dt.datetime) -> int:
    expired: tuple[ColumnElement[bool], ...] = (
        tables.PasswordLink.expires_at < now,
        tables.StaffSession.expires_at < now,
        tables.TabletCode.expires_at < now,
        kept_forms.spent(now),
        (tables.Seat.expires_at < now)
        & tables.Seat.trial.in_(select(tables.Composition.trial).where(tables.Composition.state != "open")),
    )
    rows = (tables.PasswordLink, tables.StaffSession, tables.TabletCode, tables.KeptForm, tables.Seat)
    every: list[tuple[type[tables.Base], ColumnElement[bool]]] = list(zip(rows, expired, strict=True))
    every += [*half_sign_ins.spent(now), *browsers.spent(now), (tables.Sandbox, sandbox.over(now))]
    gone = sum(_changed(session, delete(table).where(each)) for table, each in every)
    return gone + _changed(session, delete(tables.OutboxItem).where(*_of_nobody(now)))


def _of_nobody(now: dt.datetime) -> tuple[ColumnElement[bool], ...]:
    """Return the conditions of what went out long ago and is about no person who is still kept."""
    done_long_ago = func.coalesce(tables.OutboxItem.sent_at, tables.OutboxItem.failed_at) < now - KEEP_MONTHS * A_MONTH
    return done_long_ago, tables.OutboxItem.player.is_(None), tables.OutboxItem.enquiry.is_(None)


def _changed(session: Session, statement: Any) -> int:
    result = session.execute(statement)
    assert isinstance(result, CursorResult)  # noqa: S101 - what an UPDATE and a DELETE give
    return result.rowcount


def finding(session: Session, now: dt.datetime) -> tuple[str, bool]:
    """Return one line on when the last sweep was and what it erased, and whether that is well."""
    duty = session.get(tables.Duty, SWEEP)
    if duty is None:
        return "retention: not run yet; `serve` does so once a day", True
    if max(duty.begun_at, duty.ended_at or duty.begun_at) > now + clock_watch.BEHIND:
        return f"retention: last run {duty.begun_at:%Y-%m-%d %H:%M} UTC, in the future: not believed", False
    if duty.ended_at is None:
        begun = f"retention: begun {duty.begun_at:%Y-%m-%d %H:%M} UTC and not ended"
        return begun, now - duty.begun_at < dt.timedelta(hours=1)
    counts = {name: int(duty.counts.get(name, 0)) for name in Swept().counts()}
    said = f"retention: last run {duty.ended_at:%Y-%m-%d %H:%M} UTC, erased " + ", ".join(
        f"{count} {name}" for name, count in counts.items() if name not in ("failed", "held")
    )
    said += f"; {counts['failed']} persons could not be erased" if counts["failed"] else ""
    return said, now - duty.ended_at < LATE and not counts["failed"]


def findings(database: Database, session: Session, now: dt.datetime) -> Iterator[tuple[str, bool]]:
    """Give the lines of `check` on what is erased by its age, and whether each is well."""
    yield from clock.findings(session, now)
    yield finding(session, now)
    yield from mass_erasure.findings(session)
    yield from remains.findings(database, session, now)
