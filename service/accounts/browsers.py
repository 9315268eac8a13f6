"""Browsers in which somebody has signed in before: their tries count apart from those of strangers.

The cookie's secret is drawn anew at every sign-in, so that one planted by somebody else is worth nothing afterwards. One
browser may be known for several accounts, as at a shop's counter.
"""

import datetime as dt

from sqlalchemy import ColumnElement, delete, select, update
from sqlalchemy.orm import Session

from service.accounts.tries import FORGOTTEN_AFTER
from service.core import tokens
from service.core.moments import utc_now
from service.tables import Base, KnownBrowser, SignInTries, User
from service.web.browser_names import Device
from service.web.staff_sessions import SignedInPlace, place_of

LIFE = dt.timedelta(days=180)
"""A browser is forgotten so long after its last sign-in."""
MOST = 10
"""So many are known of one account; one more, and the one unused for longest is forgotten."""


def known_user(session: Session, email: str, secret: str | None, now: dt.datetime | None = None) -> int | None:
    """Return the account of an address for which the browser of a cookie's secret is known; None where it is not."""
    if not secret:
        return None
    start = (now or utc_now()) - LIFE
    return session.scalar(
        select(User.id)
        .join(KnownBrowser, KnownBrowser.user == User.id)
        .where(User.email == email.strip().lower(), KnownBrowser.digest == tokens.digest(secret))
        .where(KnownBrowser.seen_at > start)
    )


def remember(session: Session, user: int, secret: str | None, device: Device, now: dt.datetime | None = None) -> str:
    """Know a browser from now on and return its cookie's new secret; ``secret``: the one it had, None for a new one."""
    now, new = now or utc_now(), tokens.secret()
    digest = tokens.digest(new)
    if secret:
        old = KnownBrowser.digest == tokens.digest(secret)
        session.execute(update(KnownBrowser).where(old).values(digest=digest))
    row = session.get(KnownBrowser, (digest, user), populate_existing=True)
    if row is None:
        row = KnownBrowser(digest=digest, user=user, created_at=now)
        session.add(row)
    row.browser, row.system, row.network, row.seen_at = device.browser, device.system, device.network, now
    session.flush()
    newest = select(KnownBrowser.digest).where(KnownBrowser.user == user).order_by(KnownBrowser.seen_at.desc())
    kept = session.scalars(newest.limit(MOST)).all()
    session.execute(delete(KnownBrowser).where(KnownBrowser.user == user, KnownBrowser.digest.not_in(kept)))
    return new


def of_user(session: Session, user: int, now: dt.datetime | None = None) -> list[SignedInPlace]:
    """Return the browsers that are known of a user, the one used last first."""
    start = (now or utc_now()) - LIFE
    asked = select(KnownBrowser).where(KnownBrowser.user == user, KnownBrowser.seen_at > start)
    return [place_of(row) for row in session.scalars(asked.order_by(KnownBrowser.seen_at.desc(), KnownBrowser.digest))]


def forget(session: Session, user: int, digest: str) -> None:
    """Forget one browser of a user."""
    session.execute(delete(KnownBrowser).where(KnownBrowser.user == user, KnownBrowser.digest == digest))


def forget_all(session: Session, user: int, but: str | None = None) -> None:
    """Forget every browser of a user, but the one of a cookie's secret."""
    kept = tokens.digest(but) if but else ""
    session.execute(delete(KnownBrowser).where(KnownBrowser.user == user, KnownBrowser.digest != kept))


def spent(now: dt.datetime) -> list[tuple[type[Base], ColumnElement[bool]]]:
    """Return the tables of this module with the condition of what is over in them."""
    return [
        (KnownBrowser, KnownBrowser.seen_at <= now - LIFE),
        (SignInTries, SignInTries.last_at < now - FORGOTTEN_AFTER),
    ]
