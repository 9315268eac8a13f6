"""One's own account: another password, and where one is signed in (ASVS 5.0, 6.2.2, 6.2.3, 7.4.3, 7.5.2)."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.access import audit, events, passwords, sessions, users
from service.access.sessions import OpenSession
from service.database import Database
from service.language import _
from service.pages.desk_frame import ROLES, see, show
from service.pages.guard import AnyStaff, Posted, Staff, first
from service.pages.sessions import Reading, Writing
from service.pages.staff import forms
from service.pages.staff.contexts import AccountPage, SessionLine
from service.pages.staff.forms import NewPassword
from service.words import times

router = APIRouter()
ACCOUNT = "/desk/account"


@router.get(ACCOUNT)
async def account(request: Request, staff: AnyStaff, session: Reading) -> Response:
    """Show one's own account."""
    return _page(request, staff, session, {})


async def _changed(request: Request, staff: AnyStaff, form: Posted) -> NewPassword:
    """Check the current password and make the new one's digest before the route asks for the database's turn."""
    forms.limit_tries(request, staff.email)
    database: Database = request.app.state.database
    with database.reading() as session:
        known, mine = users.credentials(session, staff.email), users.account(session, staff.user)
    if not await passwords.in_thread(passwords.fits, known.digest, first(form, "current")):
        return NewPassword("", {"current": _("This is not your current password.")})
    return await forms.new_password(request, form, mine, (staff.dealer_name or "",))


@router.post(f"{ACCOUNT}/password")
async def change_password(
    request: Request, staff: AnyStaff, new: Annotated[NewPassword, Depends(_changed)], session: Writing
) -> Response:
    """Set another password; every other session ends."""
    if new.problems:
        return _page(request, staff, session, dict(new.problems))
    users.change_password(session, staff.user, new.digest, keep=staff.session)
    return see(request, ACCOUNT, _("Your password is changed, and you are signed out everywhere else."))


@router.post(f"{ACCOUNT}/sessions")
async def end_others(request: Request, staff: AnyStaff, form: Posted, session: Writing) -> Response:
    """End every other session of one's own."""
    del form
    sessions.end_all(session, staff.user, but=staff.session)
    audit.record(session, staff.user, events.OTHER_SESSIONS_ENDED, f"user {staff.user}", dealer=staff.home)
    return see(request, ACCOUNT, _("You are signed out everywhere else."))


def _page(request: Request, staff: Staff, session: Session, problems: dict[str, str]) -> Response:
    page = AccountPage(
        title=_("Your account"),
        action=f"{ACCOUNT}/password",
        csrf=staff.csrf,
        typed=forms.typed({}, problems),
        faults=forms.faults(problems),
        email=staff.email,
        role=_(ROLES[staff.role]),
        least=passwords.SHORTEST,
        sessions=tuple(_line(each, staff) for each in sessions.of_user(session, staff.user)),
    )
    return show(request, staff, "desk/account.html", page, status=422 if problems else 200)


def _line(each: OpenSession, staff: Staff) -> SessionLine:
    return SessionLine(
        begun=times.moment(each.created_at), seen=times.moment(each.seen_at), here=each.digest == staff.session
    )
