"""Tablets: enrolled by a code that works once, known by a key of their own, revoked at the desk.

A tablet's key is given to it once and kept as a digest. What a tablet saves to a file is authenticated with a second key made
from the first, which is kept as it is: it opens nothing.
"""

import datetime as dt
import hashlib
import hmac
import secrets
import uuid
from dataclasses import dataclass

from sqlalchemy import Select, select, update
from sqlalchemy.orm import Session

from service import tables
from service.core import audit, audit_events, tokens
from service.core.errors import InvalidInputError, NotFoundError
from service.core.language import _
from service.core.prepared import prepared
from service.core.tokens import ALPHABET, as_typed

LENGTH = 8
CODE_LIFE = dt.timedelta(minutes=15)
SEEN_EVERY = dt.timedelta(minutes=1)
FILE_PURPOSE = b"sheets file"
_LONGEST_NAME = 60


@dataclass(frozen=True, slots=True)
class TabletInfo:
    """A tablet, without its keys."""

    id: str
    dealer: str
    name: str
    enrolled_at: dt.datetime
    seen_at: dt.datetime | None
    revoked: bool


def make_code(session: Session, user: int, dealer: str, name: str) -> str:
    """Return a new code by which one tablet of the dealer can be enrolled within 15 minutes under a name.

    Raises `InvalidInputError`: the name is empty or too long.
    """
    name = " ".join(name.split())
    if not 0 < len(name) <= _LONGEST_NAME:
        raise InvalidInputError(
            [("name", _("Give the tablet a name of at most {most} characters.").format(most=_LONGEST_NAME))]
        )
    code, now = tables.TabletCode, _now()
    text = "".join(secrets.choice(ALPHABET) for _place in range(LENGTH))
    session.add(code(digest=tokens.digest(text), dealer=dealer, name=name, made_by=user, expires_at=now + CODE_LIFE))
    audit.record(session, user, audit_events.TABLET_CODE_MADE, "tablets", dealer=dealer)
    return text


def enrol(session: Session, code: str) -> tuple[TabletInfo, str]:
    """Enrol a tablet by its code; return it and its key, which is told this once.

    The caller limits how often one address may try: a code has 36 bits.

    Raises `NotFoundError`: the code is unknown, used or too old.
    """
    now, kept = _now(), tables.TabletCode
    # One statement takes the code, so that of two tablets with one code one gets it.
    taken = session.execute(
        update(kept)
        .where(kept.digest == tokens.digest(as_typed(code)), kept.used_at.is_(None), kept.expires_at > now)
        .values(used_at=now)
        .returning(kept.dealer, kept.name, kept.made_by)
    ).one_or_none()
    if taken is None:
        raise NotFoundError
    key = tokens.secret()
    tablet = tables.Tablet(
        id=uuid.uuid4().hex,
        dealer=taken.dealer,
        name=taken.name,
        digest=tokens.digest(key),
        file_key=file_key(key),
        enrolled_at=now,
    )
    session.add(tablet)
    audit.record(session, taken.made_by, audit_events.TABLET_ENROLLED, f"tablet {tablet.id}", dealer=taken.dealer)
    return _info(tablet), key


def file_key(key: str) -> str:
    """Return the key that authenticates a tablet's file: HMAC-SHA-256 of its purpose under the tablet's key, in hexadecimal."""
    return hmac.new(key.encode("utf-8", "replace"), FILE_PURPOSE, hashlib.sha256).hexdigest()


def tablet_of(session: Session, key: str) -> TabletInfo | None:
    """Return the tablet of a key; None where there is none, or it was revoked."""
    tablet = session.scalar(*_in_use(tokens.digest(key)))
    return None if tablet is None else _info(tablet)


@prepared
def _in_use(digest: str) -> Select[tables.Tablet]:
    return select(tables.Tablet).where(tables.Tablet.digest == digest, tables.Tablet.revoked_at.is_(None))


def seen(session: Session, tablet: str, now: dt.datetime | None = None) -> None:
    """Write down that a tablet was seen, at most once a minute."""
    now, kept = now or _now(), tables.Tablet
    long_ago = kept.seen_at.is_(None) | (kept.seen_at < now - SEEN_EVERY)
    session.execute(update(kept).where(kept.id == tablet, long_ago).values(seen_at=now))


def listed(session: Session, dealer: str) -> list[TabletInfo]:
    """Return the dealer's tablets, those in use first, the newest first among them."""
    kept = tables.Tablet
    asked = select(kept).where(kept.dealer == dealer).order_by(kept.revoked_at.is_not(None), kept.enrolled_at.desc())
    return [_info(tablet) for tablet in session.scalars(asked)]


def revoke(session: Session, user: int | None, dealer: str, tablet: str) -> None:
    """Revoke a tablet: its key opens nothing from now on; raises `NotFoundError` where it is not the dealer's."""
    row = session.get(tables.Tablet, tablet)
    if row is None or row.dealer != dealer:
        raise NotFoundError
    if row.revoked_at is None:
        row.revoked_at = _now()
        audit.record(session, user, audit_events.TABLET_REVOKED, f"tablet {tablet}", dealer=dealer)


def _info(row: tables.Tablet) -> TabletInfo:
    return TabletInfo(row.id, row.dealer, row.name, row.enrolled_at, row.seen_at, row.revoked_at is not None)


def _now() -> dt.datetime:
    return dt.datetime.now(dt.UTC)
