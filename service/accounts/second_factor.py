"""The second factor: codes of an app (TOTP, RFC 6238), and ten codes on paper for the day on which the app is lost.

The secret of the app is kept as it is. Only what can be read back can be compared with a code, and the service has no
library for encrypting it; a key beside the database would be in the same hands. It opens nothing without the password.
"""

import datetime as dt
import secrets
from dataclasses import dataclass

import pyotp
from sqlalchemy import delete, func, or_, select, update
from sqlalchemy.orm import Session

from service.core import tokens
from service.core.moments import utc_now
from service.core.tokens import ALPHABET, as_typed
from service.tables import RecoveryCode, SecondFactor

STEP_SECONDS, DIGITS = 30, 6
"""What every app does without being told (RFC 6238, 5.2; RFC 4226, 5.3)."""
_STEPS = (-1, 0, 1)
"""One step early and late: a clock may be off, and typing takes time (RFC 6238, 5.2: at most one step for the delay)."""
RECOVERY_CODES = 10
_GROUPS, _GROUP = 5, 5
"""25 signs of 24 are 114 bits, more than the 112 from which on a plain digest is enough (ASVS 5.0, 6.5.2)."""


@dataclass(frozen=True, slots=True)
class Factor:
    """A user's second factor: since when, and how many recovery codes are left."""

    since: dt.datetime
    codes_left: int


def draw_secret() -> str:
    """Return a new secret for an app: 160 random bits in base32 (RFC 4226, 4, recommends 160)."""
    return pyotp.random_base32(32)


def address(secret: str, email: str, host: str) -> str:
    """Return what an app reads from the QR code: the secret, whose it is and where it opens."""
    return pyotp.TOTP(secret, digits=DIGITS, interval=STEP_SECONDS).provisioning_uri(name=email, issuer_name=host)


def step_of(secret: str, code: str, now: dt.datetime | None = None) -> int | None:
    """Return the time step of a code, None where it is of none about now; all are compared in full, so that the time tells nothing."""
    step, typed = _step(now or utc_now()), "".join(code.split())
    app, found = pyotp.HOTP(secret, digits=DIGITS), None
    for each in (step + offset for offset in _STEPS):
        if secrets.compare_digest(app.at(each).encode(), typed.encode("utf-8", "replace")):
            found = each
    return found


def of_user(session: Session, user: int) -> Factor | None:
    """Return a user's second factor, None where there is none."""
    row = session.get(SecondFactor, user)
    if row is None:
        return None
    left = session.scalar(select(func.count()).select_from(RecoveryCode).where(RecoveryCode.user == user))
    return Factor(row.since, left or 0)


def set_up(session: Session, user: int, secret: str, step: int, now: dt.datetime | None = None) -> list[str]:
    """Let codes be asked of a user, in place of any before; return recovery codes, told this once. ``step``: of the shown code, used by that."""
    session.execute(delete(SecondFactor).where(SecondFactor.user == user))
    session.add(SecondFactor(user=user, secret=secret, since=now or utc_now(), last_step=step))
    return new_codes(session, user)


def new_codes(session: Session, user: int) -> list[str]:
    """Return new recovery codes of a user, told this once; earlier ones open nothing any more."""
    session.execute(delete(RecoveryCode).where(RecoveryCode.user == user))
    codes = ["-".join(_group() for _place in range(_GROUPS)) for _code in range(RECOVERY_CODES)]
    session.add_all(RecoveryCode(digest=_digest(user, code), user=user) for code in codes)
    session.flush()
    return codes


def remove(session: Session, user: int) -> bool:
    """Take a user's second factor and its recovery codes away; return whether there was one."""
    was_set_up = session.get(SecondFactor, user) is not None
    for table in (SecondFactor, RecoveryCode):
        session.execute(delete(table).where(table.user == user))
    session.expire_all()
    return was_set_up


def use(session: Session, user: int, code: str, now: dt.datetime | None = None) -> str | None:
    """Use a code up and return 'app' or 'paper', whichever it was; None where it is wrong or was used already."""
    # One statement uses it, so that of two sign-ins with the same code one gets in (RFC 6238, 5.2).
    now = now or utc_now()
    factor = session.get(SecondFactor, user)
    if factor is None:
        return None
    step = step_of(factor.secret, code, now)
    if step is not None:
        kept = SecondFactor.last_step
        # A step that is still to come was used under a wrong clock, and must not shut its owner out until then.
        unused = or_(kept < step, kept > _step(now) + 1)
        taken = update(SecondFactor).where(SecondFactor.user == user, unused).values(last_step=step)
        return "app" if session.execute(taken.returning(SecondFactor.user)).first() else None
    on_paper = delete(RecoveryCode).where(RecoveryCode.digest == _digest(user, code), RecoveryCode.user == user)
    return "paper" if session.execute(on_paper.returning(RecoveryCode.user)).first() else None


def _step(now: dt.datetime) -> int:
    return int(now.timestamp()) // STEP_SECONDS


def _group() -> str:
    return "".join(secrets.choice(ALPHABET) for _place in range(_GROUP))


def _digest(user: int, code: str) -> str:
    return tokens.digest(f"recovery\0{user}\0{as_typed(code)}")
