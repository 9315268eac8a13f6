"""Accounts, for an owner: made, given a new link, disabled, let in again, signed out everywhere (ASVS 5.0, 7.4.5).

An owner who is bound to a dealer sees and makes that dealer's accounts only.
"""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.accounts import account_forms, dealer_list, users
from service.accounts.users import Account
from service.core.errors import ConflictError, ForbiddenError, InvalidInputError, NotFoundError
from service.core.language import _
from service.web import form_tokens, roles
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import by_field
from service.web.desk_frame import address_of, see, show
from service.web.page_data import Option
from service.web.permissions import Fields, Needs, Posted, Staff, first
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.USERS_VIEW))]
Changes = Annotated[Staff, Depends(Needs(Permission.USERS_CHANGE))]
USERS = "/desk/users"


@dataclass(frozen=True, slots=True)
class _Shown:
    """What the page shows besides the accounts: what was typed and is wrong, or a new link."""

    form: Fields | None = None
    problems: dict[str, str] | None = None
    link: str = ""
    link_for: str = ""


@router.get(USERS)
async def listed(request: Request, staff: Views, session: Reading) -> Response:
    """Show the accounts."""
    return _page(request, staff, session, _Shown())


@router.post(USERS)
async def add(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Make an account and show its link, or say what cannot be used."""
    dealer = staff.scope.slug or first(form, "dealer") or None
    try:
        _require_may_grant(staff, first(form, "role"), dealer)
        _require_unknown(session, first(form, "email"))
        with session.begin_nested():
            name, email, role = (first(form, field) for field in ("name", "email", "role"))
            invited = users.add(session, email, role, dealer, name=name.strip() or None, by=staff.user)
    except InvalidInputError as error:
        return _page(request, staff, session, _Shown(form, by_field(error)))
    return _page(request, staff, session, _with_link(request, invited.account, invited.secret))


@router.post(f"{USERS}/{{user}}/link")
async def new_link(request: Request, user: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Show a new link for a known account."""
    account = _account(session, staff, user)
    if account.disabled:
        raise ConflictError(_("This account is disabled; let it in again first."))
    secret = users.new_link(session, staff.scope, account.id, by=staff.user)
    return _page(request, staff, session, _with_link(request, account, secret))


@router.post(f"{USERS}/{{user}}/enable")
async def enable(request: Request, user: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Let a disabled account in again, by a new link."""
    known = _account(session, staff, user)
    invited = users.add(session, known.email, known.role, known.dealer, by=staff.user)
    return _page(request, staff, session, _with_link(request, invited.account, invited.secret))


@router.post(f"{USERS}/{{user}}/disable")
async def disable(request: Request, user: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Disable an account; it is signed out everywhere at once."""
    if _number(user) == staff.user:
        raise ConflictError(_("You cannot disable your own account; another owner can."))
    account = _account(session, staff, user)
    users.disable(session, staff.scope, account.id, by=staff.user)
    return see(request, USERS, _("{email} can no longer sign in.").format(email=account.email))


@router.post(f"{USERS}/{{user}}/sessions")
async def end_sessions(request: Request, user: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Sign an account out everywhere."""
    account = _account(session, staff, user)
    users.end_sessions(session, staff.scope, account.id, by=staff.user)
    return see(request, USERS, _("{email} is signed out everywhere.").format(email=account.email))


def _account(session: Session, staff: Staff, number: str) -> Account:
    """Return an account that may be handed on or ended; raises `NotFoundError`, or `ForbiddenError` where it may more than whoever asks."""
    account = users.account(session, staff.scope, _number(number))
    if not staff.may_grant(account.role, account.dealer):
        raise ForbiddenError
    return account


def _number(text: str) -> int:
    """Return an account's number; raises `NotFoundError` for what is none (no database has one above 31 bits)."""
    if not (text.isascii() and text.isdigit() and len(text) <= 10 and int(text) < 1 << 31):
        raise NotFoundError
    return int(text)


def _require_may_grant(staff: Staff, role: str, dealer: str | None) -> None:
    """Raise `InvalidInputError` for an account that could do more than whoever makes it, or elsewhere."""
    if not staff.may_grant(role, dealer):
        raise InvalidInputError([("role", _("Expected a role that covers no more than your own."))])


def _require_unknown(session: Session, email: str) -> None:
    """Raise `InvalidInputError` for an address that has an account: its role is nothing to be changed by a slip."""
    try:
        users.known(session, email)
    except ConflictError:
        return
    raise InvalidInputError([("email", _("This address has an account already, here or with another dealer."))])


def _with_link(request: Request, account: Account, secret: str) -> _Shown:
    return _Shown(link=address_of(request, f"/desk/password/{secret}"), link_for=account.email)


def _page(request: Request, staff: Staff, session: Session, shown: _Shown) -> Response:
    known = dealer_list.listed(session, staff.scope)
    names = {dealer.slug: dealer.name for dealer in known}
    problems = shown.problems or {}
    csrf, fields = form_tokens.token(request, staff.csrf, staff.user), shown.form
    fields = fields or {"role": ["adviser"], "dealer": [staff.dealer or ""]}
    page = account_forms.form_page(_("Users"), USERS, csrf, problems, fields, {"role": "role-adviser"})
    offered = tuple(Option(name, _(role.name).capitalize(), _(role.does)) for name, role in roles.ROLES.items())
    choices = {"names": names, "roles": offered, "dealers": _dealers(staff, names)}
    parts = {"users": users.listed(session, staff.scope), "own": staff.user, "state": _state}
    parts |= {"link": shown.link, "link_for": shown.link_for, "role_name": roles.name_of}
    return show(request, staff, "accounts/users.html", page, status=422 if problems else 200, **choices, **parts)


def _dealers(staff: Staff, names: dict[str, str]) -> tuple[Option, ...]:
    every = () if staff.scope.slug else (Option("", _("not bound to one dealer")),)
    return (*every, *(Option(slug, name) for slug, name in names.items()))


def _state(account: Account) -> str:
    if account.disabled:
        return _("disabled")
    if not account.has_password:
        return _("no password yet")
    return _("signed in") if account.sessions else _("may sign in")
