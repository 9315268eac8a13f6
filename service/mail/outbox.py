"""The outbox: a row for everything on its way out, queued in the transaction that gives the reason for it.

A row waits while it is neither sent nor given up. A sender takes it by a conditional UPDATE with a lease, so that any number
of them may run: whoever changes the row first has it, and a sender that dies gives it back when the lease ends. So nothing is
lost, and at worst one thing goes out twice, under the same Message-ID.
"""

import datetime as dt
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, delete, func, or_, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.core import upsert
from service.core.moments import utc_now
from service.core.prepared import prepared
from service.mail import address_keys
from service.tables import OutboxItem

LEASE = dt.timedelta(minutes=10)
"""How long a sender has a row to itself: longer than a server may keep it waiting step by step."""
FIRST_WAIT, LONGEST_WAIT = dt.timedelta(minutes=1), dt.timedelta(hours=4)
KEEP_TRYING = dt.timedelta(days=3)
"""For so long something that cannot be sent is tried again (RFC 5321, 4.5.4.1 asks for four to five days of a relay; a
player who hears nothing for three has long since asked)."""
MOST_A_DAY = 5
"""So many mails of one kind go to one mailbox in a day, whatever its address is spelled like: anybody can type somebody else's
address into a form. Before its reader has confirmed it, `mailboxes` lets one go."""

_UNDONE = ":undone:"
"""In the ``about`` of what has gone out and stands no more."""


def wait_after(attempts: int) -> dt.timedelta | None:
    """Return how long to wait after so many vain attempts, doubling each time; None: given up."""
    return None if tried_for(attempts) >= KEEP_TRYING else _wait(attempts)


def tried_for(attempts: int) -> dt.timedelta:
    """Return how long something has been tried after so many attempts."""
    return sum((_wait(number) for number in range(1, attempts)), dt.timedelta())


def _wait(attempts: int) -> dt.timedelta:
    return min(FIRST_WAIT * (1 << min(attempts - 1, 20)), LONGEST_WAIT)


@dataclass(frozen=True, slots=True)
class To:
    """Whom something goes to: a mail's address with the reader's language, or the address of a dealer's system."""

    address: str
    language: str = "en"
    dealer: str | None = None
    player: int | None = None
    enquiry: str | None = None
    channel: str = "mail"


def queue(
    session: Session,
    kind: str,
    about: str,
    to: To,
    values: Mapping[str, Any] | None = None,
    due: dt.datetime | None = None,
) -> OutboxItem:
    """Return the row of this kind ``about`` this thing, of which there is never a second, queued in the caller's transaction unless it was there."""
    # It is due at once where no moment is given; one that still waits for a later moment is brought forward.
    item = find(session, kind, about) or _added(session, OutboxItem(**going(session, kind, about, to, values, due)))
    if item.attempts == 0 and item.sent_at is None and item.failed_at is None:
        item.due_at = min(item.due_at, due or utc_now())
    return item


def going(
    session: Session,
    kind: str,
    about: str,
    to: To,
    values: Mapping[str, Any] | None = None,
    due: dt.datetime | None = None,
) -> dict[str, Any]:
    """Return what a row of this kind about this thing holds, for `add`; see `queue`."""
    now = utc_now()
    what = {"kind": kind, "about": about, "values": dict(values or {}), "message_id": secrets.token_hex(16)}
    when = {"queued_at": now, "due_at": due or now, "attempts": 0}
    return {**asdict(to), "mailbox": mailbox_of(session, to), **what, **when}


def add(session: Session, rows: Sequence[Mapping[str, Any]]) -> None:
    """Queue rows that are due at once, all in one statement, but those that are there already."""
    session.flush()
    if rows:
        insert = upsert.into(session, OutboxItem).on_conflict_do_nothing(index_elements=["kind", "about"])
        # With the empty columns written too, all rows have the same ones, and one statement takes them.
        session.execute(insert, [dict(row) for row in rows], execution_options={"render_nulls": True})


def _added(session: Session, row: OutboxItem) -> OutboxItem:
    """Return the row, added, or the one that somebody else queued at the same moment."""
    session.flush()
    try:
        with session.begin_nested():
            session.add(row)
    except IntegrityError:
        item = find(session, row.kind, row.about)
        if item is None:
            raise
        return item
    return row


def find(session: Session, kind: str, about: str) -> OutboxItem | None:
    """Return the row of a kind about a thing, None where there is none."""
    found: OutboxItem | None = session.scalar(*_about(kind, about))
    return found


@prepared
def _about(kind: str, about: str) -> Select[OutboxItem]:
    return select(OutboxItem).where(OutboxItem.kind == kind, OutboxItem.about == about)


def withdraw(session: Session, kind: str, about: str) -> None:
    """Take back what has not gone out: the reason for it is gone."""
    item = OutboxItem
    free = item.leased_until.is_(None) | (item.leased_until <= utc_now())
    session.execute(delete(item).where(item.kind == kind, item.about == about, item.sent_at.is_(None), free))


def undo(session: Session, kind: str, about: str) -> list[int]:
    """Take back all of a kind whose ``about`` begins so and return the ids of what has gone out: it gets another ``about``, to be told again."""
    outbox_item = OutboxItem
    found = session.scalars(
        select(outbox_item).where(outbox_item.kind == kind, outbox_item.about.startswith(about, autoescape=True))
    ).all()
    gone = [row for row in found if row.sent_at is not None or (row.leased_until or utc_now()) > utc_now()]
    for row in found:
        if row not in gone:
            session.delete(row)
    fresh = [row for row in gone if _UNDONE not in row.about]
    for row in fresh:
        row.about = f"{row.about}{_UNDONE}{row.id}"
    session.flush()
    return [row.id for row in fresh]


def too_many(session: Session, kind: str, to: To, most: int = MOST_A_DAY) -> bool:
    """Say whether a mailbox got as many mails of a kind in the last day as it may."""
    count = session.scalar(of_kind(kind, a_day_ago()).where(OutboxItem.mailbox == mailbox_of(session, to)))
    return (count or 0) >= most


def of_kind(kind: str, since: dt.datetime) -> Select[int]:
    """Return the count of those of a kind that were queued after a moment."""
    return select(func.count()).where(OutboxItem.kind == kind, OutboxItem.queued_at > since)


def a_day_ago() -> dt.datetime:
    """Return the moment from which on mails count as those of a day."""
    return utc_now() - dt.timedelta(days=1)


def mailbox_of(session: Session, to: To) -> str | None:
    """Return what the mailbox of a mail is counted by, None for what is no mail."""
    return address_keys.permanent(session).mailbox(to.address) if to.channel == "mail" else None


# What senders do


@dataclass(frozen=True, slots=True)
class Taken:
    """A row taken by a sender: ``attempts`` says by which of them."""

    id: int
    attempts: int


def is_due(session: Session, now: dt.datetime) -> bool:
    """Say whether anything could be taken; a look that locks nothing, for those who look every few seconds."""
    return session.scalar(select(OutboxItem.id).where(_free(now)).limit(1)) is not None


def claim(session: Session, now: dt.datetime, domain: str) -> OutboxItem | None:
    """Lease the row due longest, if any; its Message-ID gets the sender's ``domain`` before the first attempt and keeps it."""
    for ident in session.scalars(select(OutboxItem.id).where(_free(now)).order_by(OutboxItem.due_at).limit(20)):
        taken = session.execute(
            update(OutboxItem)
            .where(OutboxItem.id == ident, _free(now))
            .values(leased_until=now + LEASE, attempts=OutboxItem.attempts + 1)
            .execution_options(synchronize_session=False)
        )
        if getattr(taken, "rowcount", 0) == 1:
            row = session.get(OutboxItem, ident, populate_existing=True)
            if row is not None:
                # A row queued before mailboxes were noted has none yet.
                if "@" not in row.message_id:
                    row.message_id = f"{row.message_id}@{domain}"
                if row.mailbox is None and row.channel == "mail":
                    row.mailbox = address_keys.of(session).mailbox(row.address)
            return row
    return None


def _waiting() -> ColumnElement[bool]:
    return and_(OutboxItem.sent_at.is_(None), OutboxItem.failed_at.is_(None))


def _free(now: dt.datetime) -> ColumnElement[bool]:
    # A lease that ends later than any that is given now was given under a clock that was ahead, and holds nothing.
    lease_over = or_(OutboxItem.leased_until <= now, OutboxItem.leased_until > now + 2 * LEASE)
    return and_(_waiting(), OutboxItem.due_at <= now, or_(OutboxItem.leased_until.is_(None), lease_over))


def sent(session: Session, taken: Taken, now: dt.datetime) -> None:
    """Note that a row has gone out; what must not be kept of it is dropped."""
    row = session.get(OutboxItem, taken.id)
    if row is not None and row.sent_at is None:
        row.sent_at, row.failed_at, row.leased_until, row.last_error = now, None, None, None
        _drop_secret(row)


def later(session: Session, taken: Taken, now: dt.datetime, words: str) -> None:
    """Note a vain attempt and when the next one comes; after three days it is given up."""
    row = _still(session, taken)
    if row is not None:
        wait = wait_after(row.attempts)
        row.last_error, row.leased_until = words, None
        row.due_at = now + (wait or dt.timedelta())
        row.failed_at = now if wait is None else None
        if wait is None:
            _drop_secret(row)


def hold(row: OutboxItem, until: dt.datetime, words: str) -> None:
    """Give back a row that may not go out yet: it is no attempt, and is taken again at ``until``."""
    row.leased_until, row.due_at, row.last_error = None, until, words
    row.attempts -= 1


def release(session: Session, mailbox: str, now: dt.datetime) -> None:
    """Let what waits for a mailbox, and was not tried yet, go out now unless it waits for a day of its own."""
    held = and_(_waiting(), OutboxItem.mailbox == mailbox, OutboxItem.attempts == 0, OutboxItem.last_error.is_not(None))
    session.execute(update(OutboxItem).where(held).values(due_at=now, last_error=None))


def failed(session: Session, taken: Taken, now: dt.datetime, words: str) -> None:
    """Note that a row will never go out, and why."""
    row = _still(session, taken)
    if row is not None:
        row.failed_at, row.leased_until, row.last_error = now, None, words
        _drop_secret(row)


def _drop_secret(row: OutboxItem) -> None:
    """Forget a link that works without any other proof: it is kept no longer than it has to wait."""
    row.values = {name: value for name, value in row.values.items() if name != "secret"}


def _still(session: Session, taken: Taken) -> OutboxItem | None:
    """Return the row unless its lease has passed to another sender meanwhile, or it is gone or done."""
    row = session.get(OutboxItem, taken.id)
    return row if row is not None and row.sent_at is None and row.attempts == taken.attempts else None


@dataclass(frozen=True, slots=True)
class OutboxHealth:
    """What is due and waits, how many were given up in the last week, and how long the one that waits longest does so."""

    waiting: int
    failed: int
    longest: dt.timedelta


def health(session: Session, now: dt.datetime) -> OutboxHealth:
    """Return how the outbox stands."""
    late = and_(_waiting(), OutboxItem.due_at <= now)
    tried = and_(_waiting(), OutboxItem.attempts > 0)
    waiting = session.scalar(select(func.count()).where(or_(late, tried))) or 0
    untouched = session.scalar(select(func.min(OutboxItem.due_at)).where(late, OutboxItem.attempts == 0))
    attempts = session.scalar(select(func.max(OutboxItem.attempts)).where(tried)) or 0
    failed = session.scalar(select(func.count()).where(OutboxItem.failed_at > now - dt.timedelta(days=7))) or 0
    return OutboxHealth(waiting, failed, max(tried_for(attempts), now - untouched if untouched else dt.timedelta()))
