"""Half sign-ins: the password was right, the code of the second factor is to come. They open nothing but its page."""

import datetime as dt
from dataclasses import dataclass, field

from sqlalchemy import ColumnElement, delete, select
from sqlalchemy.orm import Session

from service.core import tokens
from service.core.moments import utc_now
from service.tables import Base, HalfSignIn, User

LIFE = dt.timedelta(minutes=5)


@dataclass(frozen=True, slots=True)
class Half:
    """Who is half signed in; ``digest`` of the cookie's secret."""

    user: int
    email: str
    digest: str = field(repr=False)


def begin(session: Session, user: int, now: dt.datetime | None = None) -> str:
    """Begin a half sign-in and return its cookie's secret."""
    now, secret = now or utc_now(), tokens.secret()
    session.add(HalfSignIn(digest=tokens.digest(secret), user=user, expires_at=now + LIFE))
    return secret


def find(session: Session, secret: str | None, now: dt.datetime | None = None) -> Half | None:
    """Return who is half signed in under a cookie's secret, None where nobody is any more."""
    if not secret:
        return None
    now, digest = now or utc_now(), tokens.digest(secret)
    # One that would last longer than any was begun under another clock.
    lasts = (HalfSignIn.expires_at > now, HalfSignIn.expires_at <= now + LIFE)
    row = session.execute(
        select(User.id, User.email)
        .join(HalfSignIn, HalfSignIn.user == User.id)
        .where(HalfSignIn.digest == digest, *lasts, User.disabled_at.is_(None))
    ).one_or_none()
    return None if row is None else Half(row.id, row.email, digest)


def end(session: Session, digest: str) -> bool:
    """End a half sign-in; return whether it was there, so that of two who end it one goes on."""
    gone = delete(HalfSignIn).where(HalfSignIn.digest == digest).returning(HalfSignIn.user)
    return session.execute(gone).first() is not None


def end_all(session: Session, user: int) -> None:
    """End every half sign-in of a user."""
    session.execute(delete(HalfSignIn).where(HalfSignIn.user == user))


def spent(now: dt.datetime) -> list[tuple[type[Base], ColumnElement[bool]]]:
    """Return the table with the condition of what is over in it."""
    return [(HalfSignIn, HalfSignIn.expires_at <= now)]
