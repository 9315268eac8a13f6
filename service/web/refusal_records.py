"""What was refused, to whom: sign-ins of strangers, and what one of the staff asked for that is not theirs.

Whoever reads the record must be able to tell an owner who mistypes from somebody who tries; nobody's address is needed for that.
"""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core import audit, audit_events
from service.web.browser_names import network

_ELSEWHERE = "elsewhere"


def sign_in(session: Session, email: str, host: str) -> None:
    """Put a refused sign-in on record; ``email``: as it was typed; ``host``: the address that asked, of which its network is kept."""
    # Of a known account its number is kept, else the first letter and, where it is that of one of the accounts, the
    # domain: what was typed may be somebody's own address, or a password in the wrong field.
    email = email.strip().lower()
    known = session.execute(select(tables.User.id, tables.User.dealer).where(tables.User.email == email)).one_or_none()
    name, _at, domain = email.rpartition("@")
    letter = name[:1] if name[:1].isascii() and name[:1].isalnum() else ""
    theirs = tables.User.email.endswith(f"@{domain}", autoescape=True)
    ours = bool(name and domain) and session.scalar(select(tables.User.id).where(theirs).limit(1)) is not None
    hint = f"{letter}…@{domain if ours else _ELSEWHERE}"
    subject, dealer = (f"user {known.id}", known.dealer) if known is not None else (f"account {hint}", None)
    audit.record_often(session, None, audit_events.SIGN_IN_REFUSED, subject, dealer=dealer, network=network(host))


def code(session: Session, user: int, host: str) -> None:
    """Put a refused code of an account's second factor on record."""
    dealer = session.scalar(select(tables.User.dealer).where(tables.User.id == user))
    audit.record_often(session, None, audit_events.CODE_REFUSED, f"user {user}", dealer=dealer, network=network(host))


def access(session: Session, user: int, dealer: str | None, route: str, status: int) -> None:
    """Put on record that one of the staff asked for what is not open to them; ``route``: its method and its path's pattern."""
    audit.record_often(session, user, audit_events.ACCESS_REFUSED, route, dealer=dealer, status=status)
