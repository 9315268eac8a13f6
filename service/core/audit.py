"""What was done, by whom, to what. Never a rating, never a player's name or address.

What there is to record stands in `service.core.audit_events`.
"""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit_events, paging
from service.core.audit_events import AuditEvent
from service.core.language import _
from service.core.paging import ALL, Leaf, ListWanted
from service.core.scopes import Scope
from service.tables.columns import begins

_WRITER: ContextVar[str] = ContextVar("writer", default=audit_events.STRANGER)
AN_HOUR, MOST_AN_HOUR = dt.timedelta(hours=1), 100
OTHERS = "others"
"""What an entry is about that counts for all those of its kind in the hour which have none of their own."""
_TIMES = "times"
_BY = "by"
"""In an entry's detail: who of `audit_events.WRITERS` it was, where it was none of the staff."""


@dataclass(frozen=True, slots=True)
class RecordedEvent:
    """One line of the record."""

    id: int
    at: dt.datetime
    who: str | None  # e-mail address of one of the staff; None where it was none of them
    by: str  # which of `audit_events.WRITERS` it was
    dealer: str | None
    did: str  # in English, as a verb with its object: 'opened a trial'
    about: str  # kind and key of the thing: 'trial T-12'
    detail: dict[str, Any]


@contextmanager
def written_by(writer: str) -> Iterator[None]:
    """Let what is recorded meanwhile without one of the staff be one of `audit_events.WRITERS`' doing."""
    token = _WRITER.set(writer)
    try:
        yield
    finally:
        _WRITER.reset(token)


def record(
    session: Session, user: int | None, did: AuditEvent, about: str, *, dealer: str | None, **detail: Any
) -> None:
    """Write down what was done, in the caller's transaction, so that it stands if and only if the thing was done.

    ``user``: id of one of the staff; None: a command, a player, or whoever `written_by` says. ``did``: one of the events of the
    catalogue: ``audit_events.TRIAL_OPENED``. ``about``: kind and key of the thing: 'trial T-12', 'user 3', 'tablet 9f2c'.
    ``dealer``: slug of the dealer whose it is; None: nobody's in particular. ``detail``: what else is worth keeping, as JSON;
    no rating, no name, no address.
    """
    writer = _WRITER.get()
    if user is None and writer != audit_events.STRANGER:
        detail[_BY] = writer
    now = dt.datetime.now(dt.UTC)
    session.add(tables.AuditEntry(at=now, user=user, dealer=dealer, did=did.did, about=about, detail=detail))


def record_often(
    session: Session, user: int | None, did: AuditEvent, about: str, *, dealer: str | None, **detail: Any
) -> None:
    """Write down what a stranger may bring about as often as they like: the same within the hour is only counted, in the detail's ``times``."""
    # And of what is different each time no more than `MOST_AN_HOUR` entries are made; the others are counted in one
    # of their own, so that nobody fills the disk by being refused.
    kept, start = tables.AuditEntry, dt.datetime.now(dt.UTC) - AN_HOUR
    same_dealer = kept.dealer == dealer if dealer is not None else kept.dealer.is_(None)
    lately = select(kept).where(kept.did == did.did, kept.at > start, same_dealer).order_by(kept.id.desc())
    same: dict[str, Any] = {"user": user, "about": about, "detail": detail}
    known = session.scalars(lately.limit(MOST_AN_HOUR + 1).with_for_update()).all()
    if len(known) >= MOST_AN_HOUR and not any(_is_same(row, same) for row in known):
        same = {"user": None, "about": OTHERS, "detail": {}}
    row = next((row for row in known if _is_same(row, same)), None)
    if row is None:
        record(session, same["user"], did, same["about"], dealer=dealer, **same["detail"])
    else:
        row.detail = row.detail | {_TIMES: row.detail.get(_TIMES, 1) + 1}


def _is_same(row: tables.AuditEntry, same: dict[str, Any]) -> bool:
    detail = {name: value for name, value in row.detail.items() if name not in (_TIMES, _BY)}
    return (row.user, row.about, detail) == (same["user"], same["about"], same["detail"])


def entries(session: Session, scope: Scope, after: str = "", wanted: ListWanted = ALL) -> Leaf[RecordedEvent]:
    """Return a page of the record of a scope, the newest first unless the other way is wanted."""
    kept, user = tables.AuditEntry, tables.User
    order, theirs = (kept.at, kept.id), (scope.holds(kept.dealer), *_narrowed(wanted))
    mark = paging.read(after, dt.datetime, int)
    found = session.execute(
        select(kept, user.email)
        .outerjoin(user, kept.user == user.id)
        .where(*theirs, paging.beyond(order, mark, rising=wanted.oldest))
        .order_by(*wanted.ordered(order))
        .limit(wanted.most + 1)
    ).all()
    count = session.scalar(select(func.count()).select_from(kept).where(*theirs)) or 0
    return paging.leaf([_entry(*row) for row in found], count, lambda row: (row.at, row.id), wanted.most)


def _narrowed(wanted: ListWanted) -> Iterator[ColumnElement[bool]]:
    """Give the conditions that the record is narrowed by."""
    kept, user = tables.AuditEntry, tables.User
    if did := audit_events.CATALOGUE.get(wanted.value("did")):
        yield kept.did == did.did
    if who := wanted.value("who"):
        yield kept.user.in_(select(user.id).where(begins(user.email, who.lower())))
    if about := wanted.value("about"):
        yield or_(*(begins(kept.about, each) for each in _spelled(about)))
    yield from wanted.within(kept.at)


def _spelled(about: str) -> list[str]:
    """Return a thing as it was typed, and as the database has it where it is called by its name in the reader's language."""
    typed, found = about.casefold(), {about}
    for kind, said in audit_events.THINGS.items():
        name = _(said).casefold()
        if typed.startswith(f"{name} "):
            found.add(kind + about[len(name) :])
        elif name.startswith(typed):
            found.add(kind)
    return sorted(found)


def _entry(row: tables.AuditEntry, email: str | None) -> RecordedEvent:
    detail = dict(row.detail)
    author = str(detail.pop(_BY, audit_events.STRANGER)) if row.user is None else audit_events.STAFF
    return RecordedEvent(row.id, row.at, email, author, row.dealer, row.did, row.about, detail)
