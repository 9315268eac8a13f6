"""The staff's accounts: made, given a link to set the password, signed in, disabled.

No account comes with a password. Whoever makes one hands on a link that works once and for 72 hours, so that a password is
known to nobody but its owner (ASVS 5.0, 6.4.1).
"""

import datetime as dt
import re
from dataclasses import dataclass

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.accounts import account_mails, browsers, half_sign_ins, passwords, securing
from service.core import audit, audit_events, language, tokens
from service.core.errors import ConflictError, FieldProblem, NotFoundError, existing, refuse
from service.core.language import _
from service.core.moments import utc_now
from service.core.scopes import AllDealers, Scope
from service.tables import Dealer, PasswordLink, StaffSession, User
from service.web import staff_sessions
from service.web.roles import ROLES, name_of

EVERYBODYS = AllDealers()
LINK_LIFE = dt.timedelta(hours=72)
_LONGEST = 254
"""Characters of an address (RFC 5321, 4.5.3.1.3, less the brackets) and of a name."""
_ADDRESS = re.compile(r"[^@\s\x00-\x1f\x7f]+@[^@\s\x00-\x1f\x7f]+")


@dataclass(frozen=True, slots=True)
class Account:
    """One of the staff."""

    id: int
    email: str
    name: str | None
    role: str
    dealer: str | None  # slug of the dealer that the account is bound to; None: not bound to one
    language: str | None
    has_password: bool  # False as long as the link was not used
    disabled: bool
    sessions: int = 0  # how many are open


@dataclass(frozen=True, slots=True)
class Credentials:
    """What is needed to check a password; an unknown or disabled account has a digest that no password fits."""

    user: int | None
    digest: str


@dataclass(frozen=True, slots=True)
class Invited:
    """An account with a new link to set its password; ``secret`` is the last part of the link's path, told this once."""

    account: Account
    secret: str
    new: bool


def add(
    session: Session,
    email: str,
    role: str,
    dealer: str | None = None,
    *,
    name: str | None = None,
    language_code: str | None = None,
    by: int | None = None,
) -> Invited:
    """Make an account, or set a known one's role and dealer, with a new link that ends any earlier one; raises `InvalidInputError` by the field."""
    email = email.strip().lower()
    _require_usable(session, email, role, dealer, name, language_code)
    user = session.scalar(select(User).where(User.email == email))
    new = user is None
    if user is None:
        user = User(email=email, role=role, dealer=dealer, created_at=utc_now())
        session.add(user)
    elif (user.role, user.dealer) != (role, dealer) or user.disabled_at is not None:
        _require_another_owner(session, user, stays=role == "owner" and dealer is None)
        user.role, user.dealer, user.disabled_at = role, dealer, None
        _end_all(session, user.id)
    user.name, user.language = name or user.name, language.known(language_code) or user.language
    session.flush()
    did = audit_events.ACCOUNT_MADE if new else audit_events.ROLE_SET
    audit.record(session, by, did, f"user {user.id}", dealer=dealer, role=role)
    return Invited(_account(user), new_link(session, EVERYBODYS, user.id, by=by), new)


def new_link(session: Session, scope: Scope, user: int, *, by: int | None = None) -> str:
    """Return the secret of a user's new link to set the password, mailed too; earlier ones end. Raises `NotFoundError` beyond the scope."""
    row = _user(session, scope, user)
    session.execute(delete(PasswordLink).where(PasswordLink.user == row.id))
    secret = tokens.secret()
    session.add(PasswordLink(digest=tokens.digest(secret), user=row.id, expires_at=utc_now() + LINK_LIFE))
    audit.record(session, by, audit_events.PASSWORD_LINK_MADE, f"user {row.id}", dealer=row.dealer)
    account_mails.password(session, row, f"/desk/password/{secret}", tokens.digest(secret))
    return secret


def link_of(session: Session, secret: str) -> Account:
    """Return whose password a link sets; raises `NotFoundError` where it is unknown, used or too old."""
    whose = select(User).join(PasswordLink, PasswordLink.user == User.id).where(User.disabled_at.is_(None))
    works = (PasswordLink.used_at.is_(None), PasswordLink.expires_at > utc_now())
    return _account(existing(session.scalar(whose.where(PasswordLink.digest == tokens.digest(secret), *works))))


def set_password(session: Session, secret: str, digest: str) -> Account:
    """Set a password by its link: once, after which every session of the user ends. Raises `NotFoundError` as `link_of` does."""
    session.execute(select(PasswordLink.digest).where(PasswordLink.digest == tokens.digest(secret)).with_for_update())
    account = link_of(session, secret)
    session.get_one(PasswordLink, tokens.digest(secret)).used_at = utc_now()
    session.get_one(User, account.id).password = digest
    securing.password_set(session, account.id, audit_events.PASSWORD_SET)
    return account


def change_password(session: Session, user: int, digest: str, keep: str, browser: str | None = None) -> None:
    """Set a signed-in user's password; sessions but the digest ``keep`` end, and browsers but the one of the secret ``browser`` are forgotten."""
    _user(session, EVERYBODYS, user).password = digest
    securing.password_set(session, user, audit_events.PASSWORD_CHANGED, keep, browser)


def renew_digest(session: Session, user: int, old: str, new: str) -> None:
    """Put a digest of today's cost in place of an older one of the same password, unless that was changed meanwhile."""
    row = _user(session, EVERYBODYS, user)
    if row.password == old:
        row.password = new


def credentials(session: Session, email: str) -> Credentials:
    """Return what a password is checked against; for nobody's address too, so that both take the same time."""
    user = session.scalar(select(User).where(User.email == email.strip().lower(), User.disabled_at.is_(None)))
    if user is None or user.password is None:
        return Credentials(None, passwords.NOBODYS)
    return Credentials(user.id, user.password)


def account(session: Session, scope: Scope, user: int) -> Account:
    """Return one account; raises `NotFoundError` where there is none within the scope."""
    return _account(_user(session, scope, user))


def listed(session: Session, scope: Scope) -> list[Account]:
    """Return the accounts of a scope by address, with their open sessions."""
    now = utc_now()
    open_ = (StaffSession.expires_at > now, StaffSession.seen_at > now - staff_sessions.IDLE)
    counted = session.execute(select(StaffSession.user, func.count()).where(*open_).group_by(StaffSession.user))
    counts = {user: count for user, count in counted}  # noqa: C416 - rows are no pairs to `dict` for the type checker
    asked = select(User).where(scope.holds(User.dealer)).order_by(User.email)
    return [_account(user, counts.get(user.id, 0)) for user in session.scalars(asked)]


def known(session: Session, email: str) -> int:
    """Return the id of an address; raises `ConflictError` where nobody has it."""
    found = session.scalar(select(User.id).where(User.email == email.strip().lower()))
    if found is None:
        raise ConflictError(_("Nobody here has the address {email}.").format(email=email.strip()))
    return found


def disable(session: Session, scope: Scope, user: int, *, by: int | None = None) -> None:
    """Disable an account and end its sessions and links; `NotFoundError`: beyond the scope; `ConflictError`: the last owner bound to no dealer."""
    row = _user(session, scope, user)
    if row.disabled_at is not None:
        return
    _require_another_owner(session, row)
    row.disabled_at = utc_now()
    session.execute(delete(PasswordLink).where(PasswordLink.user == user))
    _end_all(session, user)
    browsers.forget_all(session, user)
    audit.record(session, by, audit_events.ACCOUNT_DISABLED, f"user {user}", dealer=row.dealer)


def end_sessions(session: Session, scope: Scope, user: int, *, by: int | None = None) -> None:
    """End every session and half sign-in of a user; raises `NotFoundError` as `disable` does."""
    row = _user(session, scope, user)
    _end_all(session, user)
    audit.record(session, by, audit_events.SESSIONS_ENDED, f"user {user}", dealer=row.dealer)


def _end_all(session: Session, user: int) -> None:
    """End a user's sign-ins, those too that wait for the code of the second factor."""
    staff_sessions.end_all(session, user)
    half_sign_ins.end_all(session, user)


def _require_usable(
    session: Session, email: str, role: str, dealer: str | None, name: str | None, language_code: str | None
) -> None:
    problems = [
        FieldProblem(field, sentence)
        for field, sentence in (
            ("email", _address_problem(email)),
            ("name", _("Expected a name of at most 254 characters.") if len(name or "") > _LONGEST else ""),
            ("role", _role_problem(role, dealer)),
            ("dealer", _dealer_problem(session, dealer)),
            ("language", _language_problem(language_code)),
        )
        if sentence
    ]
    refuse(problems)


def _address_problem(email: str) -> str:
    if len(email) <= _LONGEST and _ADDRESS.fullmatch(email):
        return ""
    return _("{got} is no e-mail address; expected one such as name@example.org.").format(got=email[:80] or "–")


def _role_problem(role: str, dealer: str | None) -> str:
    if role not in ROLES:
        return _("Expected one of the roles {roles}.").format(roles=", ".join(map(name_of, ROLES)))
    if ROLES[role].one_dealer and not dealer:
        return _("Whoever has this role belongs to a dealer: choose which one.")
    return ""


def _dealer_problem(session: Session, dealer: str | None) -> str:
    if not dealer or session.get(Dealer, dealer) is not None:
        return ""
    return _("There is no dealer ‘{slug}’; expected one that ‘dealers list’ shows.").format(slug=dealer[:80])


def _language_problem(code: str | None) -> str:
    if code is None or language.known(code):
        return ""
    return _("Expected one of the languages {codes}.").format(codes=", ".join(language.NAMES))


def _require_another_owner(session: Session, row: User, *, stays: bool = False) -> None:
    """Raise `ConflictError` where nobody would be left to look after every account."""
    if row.role != "owner" or row.dealer is not None or row.disabled_at is not None or stays:
        return
    owns = (User.role == "owner", User.dealer.is_(None), User.disabled_at.is_(None))
    others = select(func.count()).where(*owns, User.id != row.id)
    if not session.scalar(others):
        raise ConflictError(
            _("This is the only owner left; make another one first, or nobody can look after the accounts.")
        )


def _user(session: Session, scope: Scope, user: int) -> User:
    row = session.get(User, user)
    if row is None or not scope.covers(row.dealer):
        raise NotFoundError
    return row


def _account(row: User, open_sessions: int = 0) -> Account:
    has_password, is_disabled = row.password is not None, row.disabled_at is not None
    whose = (row.id, row.email, row.name, row.role, row.dealer, row.language)
    return Account(*whose, has_password, is_disabled, open_sessions)
