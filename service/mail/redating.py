"""Rows of the outbox that were written under a clock which was ahead: set right once the clock is, or they would wait for years."""

import datetime as dt

from sqlalchemy import ColumnElement, and_, or_, select
from sqlalchemy.orm import Session

from service.core.clock_watch import TOLERANCE
from service.mail import outbox
from service.tables import OutboxItem

FARTHEST = dt.timedelta(days=400)
"""Nothing is planned further ahead: the longest wait is for a trial on a day to come."""


def redate(session: Session, now: dt.datetime) -> int:
    """Set moments of the future in the outbox right, and return in how many rows; what was to wait still waits its time."""
    # To be called under a clock that is believed: under one that is behind, every right moment lies in the future.
    rows = session.scalars(select(OutboxItem).where(_wrong(now))).all()
    for row in rows:
        is_queued_later = row.queued_at > now + TOLERANCE
        if is_queued_later and row.attempts == 0 and row.due_at >= row.queued_at - TOLERANCE:
            row.due_at = now + max(row.due_at - row.queued_at, dt.timedelta())
        elif row.due_at > now + (FARTHEST if row.attempts == 0 else outbox.LONGEST_WAIT + TOLERANCE):
            row.due_at = now
        if is_queued_later:
            row.queued_at = now
        if row.leased_until is not None and row.leased_until > now + outbox.LEASE + TOLERANCE:
            row.leased_until = None
    return len(rows)


def _wrong(now: dt.datetime) -> ColumnElement[bool]:
    waiting = and_(OutboxItem.sent_at.is_(None), OutboxItem.failed_at.is_(None))
    soon = now + outbox.LONGEST_WAIT + TOLERANCE
    due = or_(OutboxItem.due_at > now + FARTHEST, and_(OutboxItem.attempts > 0, OutboxItem.due_at > soon))
    leased = OutboxItem.leased_until > now + outbox.LEASE + TOLERANCE
    return or_(OutboxItem.queued_at > now + TOLERANCE, and_(waiting, or_(due, leased)))
