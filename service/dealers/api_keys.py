"""A dealer's keys to the JSON API: one for the website, which anybody can read there, and one for the dealer's own server.

A website key asks for advice only, and only from pages of the dealer's own origins. A server key is secret, and so is a test
key, which opens the same in a sandbox (`sandbox`). Each is told once, kept as a digest and revoked at the desk. Its first word
says which it is, so that a secret one in the wrong place is seen.
"""

import datetime as dt
from dataclasses import dataclass, field

from sqlalchemy import Select, delete, func, or_, select, update
from sqlalchemy.orm import Session

from service.core import audit, audit_events, tokens
from service.core.errors import FieldProblem, NotFoundError, refuse
from service.core.language import _
from service.core.moments import utc_now
from service.core.prepared import prepared
from service.tables import ApiKey, Sandbox
from service.tables.base import KEY_KINDS

WEBSITE, SERVER, TEST = KEY_KINDS
PREFIXES = {WEBSITE: "site_", SERVER: "server_", TEST: "test_"}
SECRET = frozenset({SERVER, TEST})
"""Kinds of keys that speak for a dealer's server."""
MOST_TEST_KEYS = 10
"""In use at one dealer: each holds a few megabytes at most."""
_LONGEST_NOTE = 80
_HINT = 4


@dataclass(frozen=True, slots=True)
class KeyFound:
    """Whose key it is; ``hint`` are its last letters, ``used_on`` None: not used yet."""

    dealer: str
    kind: str
    digest: str
    hint: str
    used_on: dt.date | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class KeyInfo:
    """One key without its secret; ``id`` leads to nothing but its row, ``used_on`` None: not used yet."""

    id: str
    kind: str
    hint: str
    note: str
    made_at: dt.datetime
    used_on: dt.date | None
    revoked: bool


def make(session: Session, user: int | None, dealer: str, kind: str, note: str = "") -> str:
    """Return a new key, told this once; `InvalidInputError`: a kind that is none, a note that is too long, or too many test keys."""
    note = " ".join(note.split())
    problems = []
    if kind not in PREFIXES:
        problems.append(
            FieldProblem("kind", _("Say whether the key is for the website, for your own server or for tests."))
        )
    if kind == TEST and _test_keys(session, dealer) >= MOST_TEST_KEYS:
        sentence = _("There are {most} test keys in use already; revoke one first.")
        problems.append(FieldProblem("kind", sentence.format(most=MOST_TEST_KEYS)))
    if len(note) > _LONGEST_NOTE:
        problems.append(
            FieldProblem("note", _("Expected a note of at most {most} characters.").format(most=_LONGEST_NOTE))
        )
    refuse(problems)
    key = PREFIXES[kind] + tokens.secret()
    row = ApiKey(dealer=dealer, kind=kind, note=note or None, made_at=utc_now(), made_by=user)
    row.digest, row.hint = tokens.digest(key), key[-_HINT:]
    session.add(row)
    audit.record(session, user, audit_events.KEY_MADE, f"key …{row.hint}", dealer=dealer, kind=kind)
    return key


def of(session: Session, key: str) -> KeyFound | None:
    """Return whose key it is; None where it is nobody's, or was revoked."""
    row = session.scalar(*_in_use(tokens.digest(key)))
    if row is None:
        return None
    return KeyFound(row.dealer, row.kind, row.digest, row.hint, row.used_on)


@prepared
def _in_use(digest: str) -> Select[ApiKey]:
    return select(ApiKey).where(ApiKey.digest == digest, ApiKey.revoked_at.is_(None))


def _test_keys(session: Session, dealer: str) -> int:
    in_use = select(func.count()).where(ApiKey.dealer == dealer, ApiKey.kind == TEST, ApiKey.revoked_at.is_(None))
    return session.scalar(in_use) or 0


def hold(session: Session, digest: str) -> bool:
    """Hold a key until the transaction ends, so that its calls come one after the other; False where it was revoked meanwhile."""
    held = select(ApiKey.digest).where(ApiKey.digest == digest, ApiKey.revoked_at.is_(None)).with_for_update()
    return session.scalar(held) is not None


def used(session: Session, digest: str, today: dt.date | None = None) -> None:
    """Write down, once a day, that a key was used."""
    today = today or utc_now().date()
    earlier = or_(ApiKey.used_on.is_(None), ApiKey.used_on < today)
    session.execute(update(ApiKey).where(ApiKey.digest == digest, earlier).values(used_on=today))


def listed(session: Session, dealer: str) -> list[KeyInfo]:
    """Return the dealer's keys, those in use first, the newest first among them."""
    asked = (
        select(ApiKey).where(ApiKey.dealer == dealer).order_by(ApiKey.revoked_at.is_not(None), ApiKey.made_at.desc())
    )
    return [
        KeyInfo(
            row.digest, row.kind, row.hint, row.note or "", row.made_at, row.used_on, revoked=row.revoked_at is not None
        )
        for row in session.scalars(asked)
    ]


def revoke(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Revoke a key by its id: it opens nothing from now on, and its sandbox goes; raises `NotFoundError` where it is not the dealer's."""
    row = session.get(ApiKey, key)
    if row is None or row.dealer != dealer:
        raise NotFoundError
    if row.revoked_at is None:
        row.revoked_at = utc_now()
        session.flush()
        session.execute(delete(Sandbox).where(Sandbox.key == key))
        audit.record(session, user, audit_events.KEY_REVOKED, f"key …{row.hint}", dealer=dealer, kind=row.kind)
