"""What came of a trial, and the next one composed from it."""

import datetime as dt

from sqlalchemy.orm import Session

from service.forms.composing import Composing


def record(
    session: Session,
    user: int | None,
    dealer: str,
    key: str,
    outcome: str,
    copy: str | None,
    reason: str | None,
    on: dt.date,
) -> None:
    """Record what came of a trial: kept, more_asked, none, returned; ``reason``: price, sound, handling, undecided, other.

    The same again changes nothing; a correction is kept as a new revision. Raises `NotHere`, `Refused`, `Invalid`.
    """
    raise NotImplementedError


def follow_up(session: Session, dealer: str, key: str, on: dt.date | None = None) -> Composing:
    """Return the next trial prefilled from what was learnt: best kept in, hopeless ones out, the rest proposed anew."""
    raise NotImplementedError
