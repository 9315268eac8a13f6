"""Whether the clock can be believed: nothing is erased by age on its word alone.

The service notes every hour that it was seen at work (one row, `WATCH`). A clock that stands far after that, or before it, is
not believed: nothing is erased by age until it is right again, or until somebody who looks after the service says that it is.
What is written meanwhile carries wrong moments and proves nothing, so only the noted moment counts. Where none is noted yet, as
after an update, the moments that the service wrote itself stand in.
"""

import datetime as dt
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, CursorResult, Result, false, func, select, union_all, update
from sqlalchemy.orm import InstrumentedAttribute, Session

from service import tables
from service.accounts import half_sign_ins, users
from service.core import audit, audit_events, upsert
from service.core.clock_watch import BEHIND, WATCH
from service.devices import tablets
from service.mail import outbox, redating
from service.tables.columns import Moment
from service.trials import rater_links
from service.web import staff_sessions

AHEAD = dt.timedelta(days=100)
"""After so long without any sign of work the clock is asked about: a shop may close for a season of three months and come
back without a question. What a clock that is wrong by less could erase too early is held by the limit of persons a day."""
_A_DAY = dt.timedelta(days=1)

Column = InstrumentedAttribute[Any]
_Condition = Callable[[Column], ColumnElement[bool]]
_AGES: tuple[Column, ...] = (tables.Contact.created_at, tables.Draft.updated_at, tables.Enquiry.created_at)
"""Those by which something is erased; their rows are marked where they were written while the clock was behind."""
_PLANNED: tuple[tuple[Column, dt.timedelta], ...] = (
    (tables.HalfSignIn.expires_at, half_sign_ins.LIFE),
    (tables.OutboxItem.due_at, redating.FARTHEST),
    (tables.OutboxItem.leased_until, outbox.LEASE),
    (tables.PasswordLink.expires_at, users.LINK_LIFE),
    (tables.Seat.expires_at, rater_links.LIFE),
    (tables.StaffSession.expires_at, staff_sessions.LIFE),
    (tables.TabletCode.expires_at, tablets.CODE_LIFE),
)
"""Moments that lie ahead by their nature, and how far at most."""
_TOLD = frozenset({"runs.rated_at", "sheets.rated_at", "pairs.rated_at"})
"""Moments that a device told; kept as they were told."""


def _named(column: Column) -> str:
    return f"{column.class_.__tablename__}.{column.key}"


def _moments() -> Iterator[Column]:
    """Give every column of every table that holds a moment."""
    for mapper in sorted(tables.Base.registry.mappers, key=lambda each: each.class_.__tablename__):
        kept = (each.key for each in mapper.column_attrs if isinstance(each.columns[0].type, Moment))
        yield from (getattr(mapper.class_, key) for key in kept)


_WRITTEN = tuple(
    each for each in _moments() if _named(each) not in _TOLD | {_named(column) for column, _far in _PLANNED}
)
"""Moments that the service wrote by its own clock when something happened; no day or hour that somebody typed or a device told."""


@dataclass(frozen=True, slots=True)
class Clock:
    """How the clock stands; ``last``: when the service was last known to be at work; None where there is nothing to compare with."""

    now: dt.datetime  # what it says
    last: dt.datetime | None

    @property
    def is_ahead(self) -> bool:
        """Say whether it stands further after the last sign of work than is believed."""
        return self.last is not None and self.now - self.last > AHEAD

    @property
    def is_behind(self) -> bool:
        """Say whether it stands before the last sign of work."""
        return self.last is not None and self.last - self.now > BEHIND

    @property
    def is_believed(self) -> bool:
        """Say whether things may be erased by their age."""
        return not (self.is_ahead or self.is_behind)


def look(session: Session, now: dt.datetime, noted: dt.datetime | None = None) -> Clock:
    """Return how the clock stands; nothing is changed. ``noted``: the last noted sign of work, where it was read already."""
    noted = noted or session.scalar(select(tables.Duty.begun_at).where(tables.Duty.name == WATCH))
    return Clock(now, noted or _known_from_rows(session, now))


def _known_from_rows(session: Session, now: dt.datetime) -> dt.datetime | None:
    """Return the last sign of work among the rows; None in a database of today."""
    # Rows of today are left out: a clock that jumped this morning has written some itself. Rows of the future that go
    # on from now without a gap mean that the clock is behind; a gap, that they were written under a clock that was
    # ahead.
    past = _last(session, lambda column: column <= now - _A_DAY)
    future = _first(session, lambda column: column > now + BEHIND)
    if future is None or (past is not None and future - now > AHEAD):
        return past
    return _end_without_gap(session, future)


def _end_without_gap(session: Session, start: dt.datetime) -> dt.datetime:
    """Return the last moment that is reached from one of them without a gap."""
    while True:
        end = _last(session, lambda column, until=start + AHEAD: column <= until)  # type: ignore[misc]  # bound at once
        if end is None or end <= start:
            return start
        start = end


def _first(session: Session, where: _Condition) -> dt.datetime | None:
    """Return the first of all moments for which a condition holds; None where there is none."""
    return min(_each(session, func.min, where), default=None)


def _last(session: Session, where: _Condition) -> dt.datetime | None:
    """Return the last of all moments for which a condition holds; None where there is none."""
    return max(_each(session, func.max, where), default=None)


def _each(session: Session, end: Callable[[Column], ColumnElement[Any]], where: _Condition) -> list[dt.datetime]:
    """Return the first or the last moment of each column for which a condition holds, in one statement."""
    asked = (select(end(column)).where(where(column)) for column in _WRITTEN)
    return [found for found in session.scalars(union_all(*asked)) if found is not None]


def keep(session: Session, now: dt.datetime) -> Clock:
    """Look, and note that the service is at work where the clock is believed."""
    # Where it is not, what the rows told is noted before more of them are written under it. Who comes while it is
    # behind seems to have come long ago, and is marked as it is written: once the clock is believed again, they are
    # dated to that moment, so that their time is not over at once.
    clock = look(session, now)
    if clock.is_believed:
        _note(session, now, tables.Duty.begun_at < now)
        _date_latecomers(session, now)
    elif clock.last is not None:
        _note(session, clock.last, false())
    return clock


def _date_latecomers(session: Session, now: dt.datetime) -> None:
    """Date to now what is marked as written while the clock was behind; how many, table by table, goes on record."""
    changed = {column.class_.__tablename__: _unmark(session, column, {column: now}) for column in _AGES}
    dated = {table: count for table, count in sorted(changed.items()) if count}
    if dated:
        audit.record(session, None, audit_events.LATECOMERS_DATED, "clock", dealer=None, **dated)


def _unmark(session: Session, column: Column, values: Mapping[Column, dt.datetime]) -> int:
    """Take the mark away from a table's rows, with what else is to be set; return of how many."""
    table = column.class_
    statement = update(table).where(table.doubted).values({table.doubted: False, **values})
    return _rows(session.execute(statement.execution_options(synchronize_session=False)))


def _rows(result: Result[Any]) -> int:
    assert isinstance(result, CursorResult)  # noqa: S101 - what an UPDATE gives
    return result.rowcount


def confirm(session: Session, user: int | None, now: dt.datetime) -> None:
    """Take somebody's word that the clock is right: what was marked because it seemed to be behind is dated rightly."""
    if look(session, now).is_behind:
        for column in _AGES:
            _unmark(session, column, {})
    else:
        _date_latecomers(session, now)
    _note(session, now, tables.Duty.begun_at != now)
    audit.record(session, user, audit_events.CLOCK_CONFIRMED, "clock", dealer=None)


def _note(session: Session, now: dt.datetime, where: ColumnElement[bool]) -> None:
    changed = update(tables.Duty).where(tables.Duty.name == WATCH, where).values(begun_at=now)
    session.execute(changed.execution_options(synchronize_session=False))
    if session.scalar(select(tables.Duty.name).where(tables.Duty.name == WATCH)) is None:
        upsert.added(session, tables.Duty(name=WATCH, begun_at=now, counts={}))


# Moments in the future


def _of_the_future(now: dt.datetime) -> Iterator[tuple[Column, ColumnElement[bool]]]:
    """Give each column with the condition that it lies in a future that it cannot know."""
    for column in _WRITTEN:
        of_watch = (tables.Duty.name != WATCH,) if column.class_ is tables.Duty else ()
        yield column, _all((column > now + BEHIND, *of_watch))
    for column, ahead in _PLANNED:
        yield column, column > now + ahead + BEHIND
    yield (
        tables.OutboxItem.due_at,
        _all((tables.OutboxItem.attempts > 0, tables.OutboxItem.due_at > now + outbox.LONGEST_WAIT + BEHIND)),
    )


def _all(conditions: tuple[ColumnElement[bool], ...]) -> ColumnElement[bool]:
    first, *others = conditions
    for each in others:
        first = first & each
    return first


def future(session: Session, now: dt.datetime) -> dict[str, int]:
    """Return how many rows of each table hold a moment of the future, in one column or another; tables without are left out."""
    conditions: dict[Any, ColumnElement[bool]] = {}
    for column, wrong in _of_the_future(now):
        conditions[column.class_] = conditions[column.class_] | wrong if column.class_ in conditions else wrong
    counted = {
        table.__tablename__: session.scalar(select(func.count()).select_from(table).where(wrong)) or 0
        for table, wrong in conditions.items()
    }
    return {name: count for name, count in sorted(counted.items()) if count}


def mend(session: Session, now: dt.datetime) -> int:
    """Set moments of the future to now, and plans to what they were from then on, under a believed clock; return how many."""
    redating.redate(session, now)
    session.flush()
    changed = 0
    for column, wrong in _of_the_future(now):
        statement = update(column.class_).where(wrong).values({column: now})
        changed += _rows(session.execute(statement.execution_options(synchronize_session=False)))
    if changed:
        audit.record(session, None, audit_events.FUTURE_MENDED, "clock", dealer=None, rows=changed)
    return changed


def findings(session: Session, now: dt.datetime) -> Iterator[tuple[str, bool]]:
    """Give what is unwell: a clock that is not believed, moments of the future."""
    clock = look(session, now)
    if not clock.is_believed:
        difference = f"{_days(clock)} {'after' if clock.is_ahead else 'before'}"
        known = f"the service was last known to be at work ({_said(clock.last or now)})"
        remedy = "until it is right, or `retention --clock-is-right` says that it is"
        yield f"clock: {_said(now)} lies {difference} {known}; nothing is erased by age {remedy}", False
    wrong = future(session, now)
    if wrong:
        told = ", ".join(f"{name} {count}" for name, count in wrong.items())
        yield (
            f"clock: rows with moments in the future: {told}; under a right clock `retention --mend` sets them right",
            False,
        )


def _said(moment: dt.datetime) -> str:
    return f"{moment:%Y-%m-%d %H:%M} UTC"


def _days(clock: Clock) -> str:
    difference = abs(clock.now - (clock.last or clock.now))
    return f"{difference.days} days" if difference.days > 1 else f"{int(difference.total_seconds() // 3600)} hours"
