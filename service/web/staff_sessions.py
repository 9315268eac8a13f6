"""Sign-ins that last: a cookie's secret, of which the digest is kept.

A session ends after twelve hours whatever happens and after two hours in which nothing was asked (ASVS 5.0, 7.3.1 and 7.3.2:
a working day at the desk, a long lunch). Each sign-in is a new session under a new secret, and ends the one that the browser
had before (7.2.4).
"""

import datetime as dt
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, delete, func, select, update
from sqlalchemy.orm import Session

from service import tables
from service.core import tokens, zones
from service.core.moments import utc_now
from service.core.prepared import prepared
from service.web.browser_names import Device

LIFE = dt.timedelta(hours=12)
IDLE = dt.timedelta(hours=2)
SET_BACK = dt.timedelta(hours=1)
"""A clock may be set back by so much without ending what was begun before."""
SEEN_EVERY = dt.timedelta(minutes=1)
"""When a session was seen last is written no more often than this."""


@dataclass(frozen=True, slots=True)
class SignedIn:
    """One of the staff, signed in."""

    digest: str  # of the session; neither the cookie nor anything that leads to it
    user: int
    email: str
    name: str | None
    role: str
    language: str | None
    home: str | None  # slug of the dealer that the account is bound to, None where it is not bound
    dealer: str | None  # slug and name of the dealer acted for just now, None for none
    dealer_name: str | None
    zone: str | None  # the shop's time zone, where one is known
    seen_lately: bool  # False where it is time to write that the session was seen
    created_at: dt.datetime  # when they signed in
    has_factor: bool  # whether they have a second factor
    ends_at: dt.datetime  # when it ends if nothing more is asked
    expires_at: dt.datetime  # when it ends whatever is asked


@dataclass(frozen=True, slots=True)
class SignedInPlace:
    """Where a user is signed in, or has been, to be shown to that user: ``ident`` names it on the page, ``device``: where it was last."""

    ident: str
    device: Device
    digest: str
    created_at: dt.datetime
    seen_at: dt.datetime


def begin(
    session: Session,
    user: int,
    replaced: str | None = None,
    now: dt.datetime | None = None,
    *,
    device: Device | None = None,
) -> str:
    """Begin a session, in place of one ``replaced``, and return its cookie's secret; who is not bound acts for the only dealer, or chooses."""
    now = now or utc_now()
    kept = tables.StaffSession
    if replaced is not None:
        session.execute(delete(kept).where(kept.digest == tokens.digest(replaced)))
    secret, device = tokens.secret(), device or Device()
    dealers = session.scalars(select(tables.Dealer.slug).limit(2)).all()
    times = {"created_at": now, "seen_at": now, "expires_at": now + LIFE}
    dealer = dealers[0] if len(dealers) == 1 else None
    session.add(kept(digest=tokens.digest(secret), user=user, dealer=dealer, **times, **asdict(device)))
    return secret


def renew(session: Session, secret: str) -> str:
    """Put a new secret in a session's place, which opens more from now on, and return it; the old one opens nothing."""
    new = tokens.secret()
    kept = tables.StaffSession
    session.execute(update(kept).where(kept.digest == tokens.digest(secret)).values(digest=tokens.digest(new)))
    return new


def find(session: Session, secret: str, now: dt.datetime | None = None) -> SignedIn | None:
    """Return who is signed in under a cookie's secret; None where nobody is any more."""
    now = now or utc_now()
    row = session.execute(*_signed_in(tokens.digest(secret), *_lasting(now))).one_or_none()
    if row is None:
        return None
    found, person, slug, name, country, zone, has_factor = row
    return SignedIn(
        digest=found.digest,
        user=person.id,
        email=person.email,
        name=person.name,
        role=person.role,
        language=person.language,
        home=person.dealer,
        dealer=slug,
        dealer_name=name,
        zone=zone or zones.of_country(country, now.year),
        seen_lately=now - found.seen_at < SEEN_EVERY,
        created_at=found.created_at,
        has_factor=has_factor is not None,
        ends_at=min(found.expires_at, found.seen_at + IDLE),
        expires_at=found.expires_at,
    )


@prepared
def _signed_in(digest: str, now: dt.datetime, latest: dt.datetime, idle_since: dt.datetime) -> Select[*tuple[Any, ...]]:
    kept, user, dealer, factor = tables.StaffSession, tables.User, tables.Dealer, tables.SecondFactor
    door = tables.Door
    # Whom an account is bound to is asked each time: a session never outlives a change of it.
    acting = func.coalesce(user.dealer, kept.dealer)
    return (
        select(kept, user, dealer.slug, dealer.name, dealer.country, door.zone, factor.user)
        .join(user, kept.user == user.id)
        .outerjoin(factor, factor.user == user.id)
        .outerjoin(dealer, dealer.slug == acting)
        .outerjoin(door, door.dealer == dealer.slug)
        .where(kept.digest == digest, user.disabled_at.is_(None), *_open(now, latest, idle_since))
    )


def seen(session: Session, digest: str, now: dt.datetime | None = None) -> None:
    """Write down that a session was seen, which keeps it from ending for idleness; never of one that is gone or older."""
    now = now or utc_now()
    kept = tables.StaffSession
    session.execute(update(kept).where(kept.digest == digest, kept.seen_at < now).values(seen_at=now))


def act_for(session: Session, digest: str, dealer: str | None) -> None:
    """Let a session act for another dealer."""
    session.execute(update(tables.StaffSession).where(tables.StaffSession.digest == digest).values(dealer=dealer))


def end(session: Session, digest: str) -> None:
    """End one session."""
    session.execute(delete(tables.StaffSession).where(tables.StaffSession.digest == digest))


def end_all(session: Session, user: int, but: str | None = None) -> None:
    """End every session of a user, except the one whose digest is ``but``."""
    kept = tables.StaffSession
    session.execute(delete(kept).where(kept.user == user, kept.digest != (but or "")))


def of_user(session: Session, user: int, now: dt.datetime | None = None) -> list[SignedInPlace]:
    """Return the sessions that a user has open, newest first."""
    now = now or utc_now()
    kept = tables.StaffSession
    rows = session.scalars(
        select(kept).where(kept.user == user, *_open(*_lasting(now))).order_by(kept.created_at.desc())
    )
    return [place_of(row) for row in rows]


def place_of(row: tables.StaffSession | tables.KnownBrowser) -> SignedInPlace:
    """Return a session, or a browser that is known, as its owner sees it."""
    device = Device(row.browser, row.system, row.network)
    return SignedInPlace(tokens.digest(row.digest)[:16], device, row.digest, row.created_at, row.seen_at)


def _lasting(now: dt.datetime) -> tuple[dt.datetime, dt.datetime, dt.datetime]:
    """Return the moments between which a session that lasts ends, and since when it was seen."""
    return now, now + LIFE + SET_BACK, now - IDLE


def _open(now: dt.datetime, latest: dt.datetime, idle_since: dt.datetime) -> tuple[ColumnElement[bool], ...]:
    """Return the conditions of a session that lasts. One that would last longer than any was begun under another clock."""
    kept = tables.StaffSession
    return kept.expires_at > now, kept.expires_at <= latest, kept.seen_at > idle_since
