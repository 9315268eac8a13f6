"""The address at which a dealer's calendar is read: signed, and revoked by drawing another one or none."""

import datetime as dt
import secrets

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit, audit_events
from service.core.row_locks import lock_dealer
from service.core.signed_links import Signer

PURPOSE = "calendar"
_BYTES = 16
"""128 random bits: nobody guesses the address, even who knows the signing key's algorithm."""


def path(session: Session, dealer: str, signer: Signer) -> str | None:
    """Return the path of a dealer's calendar, None where there is none."""
    found = session.scalar(select(tables.Calendar.id).where(tables.Calendar.dealer == dealer))
    return f"/calendar/{signer.make(PURPOSE, found)}.ics" if found else None


def dealer_of(session: Session, token: str, signer: Signer) -> str | None:
    """Return whose calendar is read at an address, None where it is none, or none any more."""
    found = signer.read(PURPOSE, token)
    return session.scalar(select(tables.Calendar.dealer).where(tables.Calendar.id == found)) if found else None


def draw(session: Session, user: int | None, dealer: str) -> None:
    """Give the calendar an address; one that it had before leads nowhere any more."""
    lock_dealer(session, dealer)
    _drop(session, dealer)
    session.add(
        tables.Calendar(dealer=dealer, id=secrets.token_hex(_BYTES), made_at=dt.datetime.now(dt.UTC), made_by=user)
    )
    audit.record(session, user, audit_events.CALENDAR_DRAWN, f"dealer {dealer}", dealer=dealer)


def revoke(session: Session, user: int | None, dealer: str) -> None:
    """Let the calendar be read nowhere any more."""
    if _drop(session, dealer):
        audit.record(session, user, audit_events.CALENDAR_REVOKED, f"dealer {dealer}", dealer=dealer)


def _drop(session: Session, dealer: str) -> bool:
    gone = delete(tables.Calendar).where(tables.Calendar.dealer == dealer).returning(tables.Calendar.id)
    return session.scalar(gone) is not None
