"""Forms that were sent and not taken: by somebody whose sign-in had ended, or refused because something in them was wrong.

Each is kept for its own user alone, under a secret that stands in the address of the page that shows it again, and for an
hour: so what was typed is not lost, and a browser's history holds no page that would be sent again. Passwords are never kept.
"""

import datetime as dt
import json
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, delete, select
from sqlalchemy.orm import Session

from service.core import tokens
from service.tables import KeptForm, User

LIFE = dt.timedelta(hours=1)
MOST = 20
"""So many are kept of one user, the latest."""
LARGEST = 256 * 1024
"""Bytes of what was typed, or of a page as it is kept: as much as a form may be sent with."""
SECRET_FIELDS = frozenset({"csrf", "password", "again", "current", "mine", "code", "proof", "secret"})
"""Fields whose value is neither kept nor shown again: passwords, codes, a second factor's secret, and the form's token."""

Fields = Mapping[str, Sequence[str]]


@dataclass(frozen=True, slots=True)
class UntakenForm:
    """One form that was sent and not taken; ``page``, ``status``: of the page that refused it, shown in the session that was refused only."""

    path: str  # where it was posted to
    fields: dict[str, list[str]] | None  # what was typed; None where the page that was answered is kept, which shows it
    page: str
    status: int


def typed(session: Session, user: int, path: str, fields: Fields, now: dt.datetime | None = None) -> str | None:
    """Keep what a user typed and return the secret it is found by; None where it is more than is kept, or no user's."""
    plain = {name: list(values) for name, values in fields.items() if name not in SECRET_FIELDS}
    if len(json.dumps(plain)) > LARGEST or session.get(User, user) is None:
        return None
    return _add(session, now, KeptForm(user=user, path=path, fields=plain))


def refused(
    session: Session, user: int, digest: str, path: str, page: str, status: int, now: dt.datetime | None = None
) -> str | None:
    """Keep the page that refused a form of the session of a digest; None where it is larger than is kept."""
    packed = zlib.compress(page.encode(), 6)
    if len(packed) > LARGEST:
        return None
    return _add(session, now, KeptForm(user=user, session=digest, path=path, page=packed, status=status))


def file(session: Session, user: int, path: str, name: str, data: bytes, now: dt.datetime | None = None) -> str:
    """Keep a file that its user is to look at before it is taken, in place of the one before; return the secret it is found by."""
    session.execute(delete(KeptForm).where(KeptForm.user == user, KeptForm.path == path, KeptForm.page.is_not(None)))
    return _add(
        session, now, KeptForm(user=user, path=path, fields={"name": [name]}, page=zlib.compress(data, 6), status=None)
    )


def find_file(
    session: Session, secret: str, user: int, path: str, now: dt.datetime | None = None
) -> tuple[str, bytes] | None:
    """Return name and bytes of a file that a user's own secret finds; None for anybody else, and after its time."""
    row = session.get(KeptForm, tokens.digest(secret))
    mine = row is not None and row.user == user and row.path == path and row.page is not None
    if row is None or not mine or abs((now or dt.datetime.now(dt.UTC)) - row.at) > LIFE:
        return None
    return (row.fields or {})["name"][0], zlib.decompress(row.page or b"")


def _add(session: Session, now: dt.datetime | None, row: KeptForm) -> str:
    moment = now or dt.datetime.now(dt.UTC)
    drop_spent(session, moment)
    theirs = (
        select(KeptForm.digest)
        .where(KeptForm.user == row.user)
        .order_by(KeptForm.at.desc(), KeptForm.digest)
        .offset(MOST - 1)
    )
    old = session.scalars(theirs).all()
    session.execute(delete(KeptForm).where(KeptForm.digest.in_(old)))
    secret = tokens.secret()
    row.digest, row.at = tokens.digest(secret), moment
    session.add(row)
    session.flush()
    return secret


def spent(now: dt.datetime) -> ColumnElement[bool]:
    """Return the condition that a form has had its time, or is of a clock that was ahead, of which nobody knows when its time is."""
    return ~KeptForm.at.between(now - LIFE, now + LIFE)


def drop_spent(session: Session, now: dt.datetime) -> bool:
    """Delete what has had its time, whatever is thought of the clock; return whether there was any."""
    gone = session.execute(delete(KeptForm).where(spent(now)).returning(KeptForm.digest))
    return bool(gone.all())


def find(session: Session, secret: str, user: int, digest: str, now: dt.datetime | None = None) -> UntakenForm | None:
    """Return what is kept for a user under a secret; ``digest``: of the session that asks. None for anybody else."""
    row = session.get(KeptForm, tokens.digest(secret))
    if row is None or row.user != user or abs((now or dt.datetime.now(dt.UTC)) - row.at) > LIFE:
        return None
    if row.page is None:
        return UntakenForm(row.path, {name: list(values) for name, values in (row.fields or {}).items()}, "", 200)
    if row.session != digest:
        return None
    return UntakenForm(row.path, None, zlib.decompress(row.page).decode(), row.status or 200)
