"""What was done, by whom, to what. Never a rating, never a player's name or address."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables

A_PAGE = 100
"""So many entries are read at once."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the record.

    Attributes
    ----------
    who : e-mail address of one of the staff; None: a command, or somebody who was not signed in.
    did : in English, as a verb with its object: 'opened a trial'.
    about : kind and key of the thing: 'trial T-12'.
    """

    id: int
    at: dt.datetime
    who: str | None
    dealer: str | None
    did: str
    about: str
    detail: dict[str, Any]


def record(session: Session, user: int | None, did: str, about: str, *, dealer: str | None, **detail: Any) -> None:
    """Write down what was done, in the caller's transaction, so that it stands if and only if the thing was done.

    Parameters
    ----------
    user : id of one of the staff; None: a command, a tablet, or somebody who is not signed in.
    did : what was done, in English, marked for translation: ``N_("opened a trial")``.
    about : kind and key of the thing: 'trial T-12', 'user 3', 'tablet 9f2c'.
    dealer : slug of the dealer whose it is; None: nobody's in particular.
    detail : what else is worth keeping, as JSON; no rating, no name, no address.
    """
    entry = tables.AuditEntry(at=dt.datetime.now(dt.UTC), user=user, dealer=dealer, did=did, about=about, detail=detail)
    session.add(entry)


def entries(session: Session, dealer: str | None = None, before: int | None = None) -> list[Entry]:
    """Return the newest entries, newest first; of one dealer only, and older than entry ``before``, where asked."""
    kept, user = tables.AuditEntry, tables.User
    asked = select(kept, user.email).outerjoin(user, kept.user == user.id).order_by(kept.id.desc()).limit(A_PAGE)
    if dealer is not None:
        asked = asked.where(kept.dealer == dealer)
    if before is not None:
        asked = asked.where(kept.id < before)
    return [
        Entry(row.id, row.at, email, row.dealer, row.did, row.about, row.detail)
        for row, email in session.execute(asked)
    ]
