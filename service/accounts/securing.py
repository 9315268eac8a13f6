"""What is done to an account's password and second factor: on record, told to its owner by mail, other sign-ins ended."""

import datetime as dt

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service import tables
from service.accounts import account_mails, browsers, half_sign_ins, second_factor
from service.core import audit, audit_events, tokens
from service.core.audit_events import AuditEvent
from service.core.errors import existing
from service.core.moments import utc_now
from service.tables import PasswordLink, User
from service.web import staff_sessions

RESET_LIFE = dt.timedelta(hours=4)
MOST_OPEN = 2
"""So many links that were asked for work at a time: as long as one does no more is sent, however often somebody asks."""


def forgotten(session: Session, email: str, now: dt.datetime | None = None) -> None:
    """Send a link to set the password to the owner of an address, where there is one and none is on its way already."""
    # Links sent before go on working: else whoever asks in another's name could make every link useless before it is
    # read.
    now = now or utc_now()
    user = session.scalar(select(User).where(User.email == email.strip().lower(), User.disabled_at.is_(None)))
    # Locked, so that of many who ask at once no more than allowed are sent.
    if user is None or session.get(User, user.id, with_for_update=True) is None or _open_links(session, user, now):
        return
    secret = tokens.secret()
    digest = tokens.digest(secret)
    session.add(PasswordLink(digest=digest, user=user.id, expires_at=now + RESET_LIFE, asked_at=now))
    audit.record(session, None, audit_events.PASSWORD_LINK_ASKED, f"user {user.id}", dealer=user.dealer)
    account_mails.reset_link(session, user, f"/desk/password/{secret}", digest)


def _open_links(session: Session, user: User, now: dt.datetime) -> bool:
    link = PasswordLink
    usable = (link.user == user.id, link.asked_at.is_not(None), link.used_at.is_(None), link.expires_at > now)
    # A link that a clock set back made in the future does not count: it would keep its owner out until then.
    count = select(func.count()).select_from(link).where(*usable, link.asked_at <= now)
    return (session.scalar(count) or 0) >= MOST_OPEN


def password_set(
    session: Session, user: int, did: AuditEvent, keep: str | None = None, browser: str | None = None
) -> None:
    """Record a new password, end what the old one opened and tell its owner; ``keep``, ``browser``: of the session and browser that go on."""
    row = _user(session, user)
    session.execute(delete(PasswordLink).where(PasswordLink.user == user, PasswordLink.used_at.is_(None)))
    browsers.forget_all(session, user, but=browser)
    _end_others(session, user, keep)
    audit.record(session, user, did, f"user {user}", dealer=row.dealer)
    account_mails.account_notice(session, row, "password")


def set_factor(session: Session, user: int, secret: str, step: int, keep: str) -> list[str]:
    """Set up a second factor, or another one in its place, and return its recovery codes; other sessions end."""
    row, is_another = _user(session, user), second_factor.remove(session, user)
    codes = second_factor.set_up(session, user, secret, step)
    _end_others(session, user, keep)
    did = audit_events.FACTOR_REPLACED if is_another else audit_events.FACTOR_SET
    audit.record(session, user, did, f"user {user}", dealer=row.dealer)
    account_mails.account_notice(session, row, "factor_replaced" if is_another else "factor_set")
    return codes


def remove_factor(session: Session, user: int, keep: str) -> None:
    """Take one's own second factor away; other sessions end."""
    row = _user(session, user)
    second_factor.remove(session, user)
    _end_others(session, user, keep)
    audit.record(session, user, audit_events.FACTOR_REMOVED, f"user {user}", dealer=row.dealer)
    account_mails.account_notice(session, row, "factor_removed")


def reset_factor(session: Session, user: int) -> bool:
    """Take a user's second factor away who can use it no more, and end every sign-in; return whether there was one."""
    row, was_there = _user(session, user), second_factor.remove(session, user)
    if was_there:
        _end_others(session, user, None)
        browsers.forget_all(session, user)
        audit.record(session, None, audit_events.FACTOR_RESET, f"user {user}", dealer=row.dealer)
        account_mails.account_notice(session, row, "factor_reset")
    return was_there


def renew_codes(session: Session, user: int) -> list[str]:
    """Make new recovery codes and return them; earlier ones open nothing any more."""
    row = _user(session, user)
    codes = second_factor.new_codes(session, user)
    audit.record(session, user, audit_events.RECOVERY_CODES_MADE, f"user {user}", dealer=row.dealer)
    account_mails.account_notice(session, row, "codes_made")
    return codes


def code_fits(session: Session, user: int, code: str) -> bool:
    """Use a code of the second factor up; say whether it was right. Of a recovery code its owner is told."""
    kind = second_factor.use(session, user, code)
    if kind == "paper":
        row = _user(session, user)
        audit.record(session, user, audit_events.RECOVERY_CODE_USED, f"user {user}", dealer=row.dealer)
        account_mails.account_notice(session, row, "code_used")
    return kind is not None


def codes_refused(session: Session, user: int) -> None:
    """Tell a user, once a day, that somebody has the password and tries codes."""
    account_mails.account_notice(session, _user(session, user), "codes_tried", once=utc_now().date().isoformat())


def _end_others(session: Session, user: int, keep: str | None) -> None:
    staff_sessions.end_all(session, user, but=keep)
    half_sign_ins.end_all(session, user)


def _user(session: Session, user: int) -> User:
    return existing(session.get(tables.User, user))
