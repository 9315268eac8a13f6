"""How often something may be tried that only its owner can know: a password, a code.

The first few tries are free, then each has to wait twice as long as the one before, at last an hour. So somebody who tries
without pause gets ten tries in the first hour and one in each that follows. What is counted is kept in the database, for all
processes alike. Tries of strangers and of a browser that is known count apart, so that the former never shut out the latter.
"""

import datetime as dt

from sqlalchemy.orm import Session

from service.core import tokens, upsert
from service.tables import SignInTries

FREE = 5
FIRST_WAIT, LONGEST_WAIT = dt.timedelta(minutes=1), dt.timedelta(hours=1)
FORGOTTEN_AFTER = dt.timedelta(days=1)
"""So long after the last try all are free again."""
_NOTHING = dt.timedelta()


def wait_after(count: int) -> dt.timedelta:
    """Return how long the next try has to wait after so many."""
    return _NOTHING if count < FREE else min(FIRST_WAIT * (1 << min(count - FREE, 20)), LONGEST_WAIT)


def key(*parts: str | int) -> str:
    """Return what tries are counted by: what is tried, whose it is, from where. Nothing can be read from it."""
    return tokens.digest("\0".join(map(str, parts)))


def take(session: Session, of: str, now: dt.datetime | None = None) -> dt.timedelta:
    """Count one try before it is made, so that many at once count too; return nothing, or how long it has to wait uncounted."""
    now = now or dt.datetime.now(dt.UTC)
    row = _row(session, of, now)
    # A moment to come was written by a clock that was wrong: it must not shut anybody out until then.
    row.last_at = min(row.last_at, now)
    if now - row.last_at >= FORGOTTEN_AFTER:
        row.count = 0
    wait = row.last_at + wait_after(row.count) - now
    if wait > _NOTHING:
        return wait
    row.count, row.last_at = row.count + 1, now
    return _NOTHING


def give_back(session: Session, of: str) -> None:
    """Take a try back that was right: it was its owner's."""
    row = session.get(SignInTries, of, with_for_update=True)
    if row is not None and row.count > 0:
        row.count -= 1


def _row(session: Session, of: str, now: dt.datetime) -> SignInTries:
    """Return the row that counts, locked until the transaction ends."""
    row = session.get(SignInTries, of, with_for_update=True)
    if row is None:
        row = SignInTries(of=of, count=0, last_at=now)
        if not upsert.added(session, row):
            return session.get_one(SignInTries, of, with_for_update=True)
    return row
