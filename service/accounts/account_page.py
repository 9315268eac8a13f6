"""One's own account: another password, and where one is signed in (ASVS 5.0, 6.2.2, 6.2.3, 7.4.3, 7.5.2)."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from service.accounts import account_forms, browsers, entering, passwords, second_factor, tries, users
from service.accounts.account_forms import NewPassword, Proof
from service.core import audit, audit_events, tokens
from service.core.language import _
from service.web import costs, form_tokens, staff_sessions
from service.web.database_sessions import Reading, Writing, reading
from service.web.desk_frame import see, show
from service.web.permissions import AnyStaff, Posted, Staff, first

router = APIRouter()
costs.declare({"GET /.well-known/change-password": costs.SMALL})
ACCOUNT = "/desk/account"
WELL_KNOWN = "/.well-known/change-password"
_BROWSER = "browser"


@router.get(WELL_KNOWN)
async def change_password_page() -> Response:
    """Lead password managers to where the password is changed ('A Well-Known URL for Changing Passwords', W3C)."""
    return RedirectResponse(f"{ACCOUNT}#new-password", 303)


@router.get(ACCOUNT)
async def account(request: Request, staff: AnyStaff, session: Reading) -> Response:
    """Show one's own account."""
    return _page(request, staff, session, {})


async def _changed(request: Request, staff: AnyStaff, form: Posted) -> tuple[Proof, NewPassword]:
    """Check the current password and make the new one's digest before the route asks for the database's turn."""
    proof = await account_forms.proof(request, staff, form)
    if proof.problems:
        return proof, NewPassword("", proof.problems)
    async with reading(request) as session:
        mine = users.account(session, staff.scope, staff.user)
    return proof, await account_forms.new_password(request, form, mine, (staff.dealer_name or "",))


@router.post(f"{ACCOUNT}/password")
async def change_password(
    request: Request,
    staff: AnyStaff,
    form: Posted,
    changed: Annotated[tuple[Proof, NewPassword], Depends(_changed)],
    session: Writing,
) -> Response:
    """Set another password; every other session ends, every other browser is forgotten."""
    # The second factor's code is used up only where nothing else is wrong; a wrong one counts as a try at the
    # password does.
    proof, new = changed
    problems = dict(new.problems)
    if not problems and second_factor.of_user(session, staff.user) is not None:
        problems = account_forms.code_problems(request, session, staff.user, form)
    if not (proof.problems or "proof" in problems):
        tries.give_back(session, proof.tried.of)
    if problems:
        return _page(request, staff, session, problems)
    users.change_password(session, staff.user, new.digest, keep=staff.session, browser=entering.browser_secret(request))
    reply = see(request, ACCOUNT, _("Your password is changed, and you are signed out everywhere else."))
    entering.know_browser(request, session, reply, staff.user)
    return reply


async def _proof(request: Request, staff: AnyStaff, form: Posted) -> Proof:
    return await account_forms.proof(request, staff, form, "mine")


@router.post(f"{ACCOUNT}/sessions")
async def end(
    request: Request, staff: AnyStaff, form: Posted, proof: Annotated[Proof, Depends(_proof)], session: Writing
) -> Response:
    """End one session or forget one browser of one's own, or all but this; the password is asked for once more."""
    chosen, others = first(form, "end"), first(form, "which") == "others"
    problems = {"end": _("Choose what is to be ended.")} if not (chosen or others) else {}
    problems |= proof.problems
    if problems:
        return _page(request, staff, session, problems)
    tries.give_back(session, proof.tried.of)
    return _end_others(request, staff, session) if others else _end_one(request, staff, session, chosen)


def _end_others(request: Request, staff: Staff, session: Session) -> Response:
    staff_sessions.end_all(session, staff.user, but=staff.session)
    browsers.forget_all(session, staff.user, but=entering.browser_secret(request))
    audit.record(session, staff.user, audit_events.OTHER_SESSIONS_ENDED, f"user {staff.user}", dealer=staff.scope.slug)
    return see(request, ACCOUNT, _("You are signed out everywhere else."))


def _end_one(request: Request, staff: Staff, session: Session, chosen: str) -> Response:
    """End what was chosen; what has ended meanwhile is as good as ended."""
    kind, _dot, ident = chosen.partition(".")
    if kind == _BROWSER:
        for browser in browsers.of_user(session, staff.user):
            if browser.ident == ident:
                browsers.forget(session, staff.user, browser.digest)
                audit.record(
                    session, staff.user, audit_events.BROWSER_FORGOTTEN, f"user {staff.user}", dealer=staff.scope.slug
                )
        return see(request, ACCOUNT, _("This browser is not known any more."))
    for each in staff_sessions.of_user(session, staff.user):
        if each.ident == ident:
            staff_sessions.end(session, each.digest)
            audit.record(session, staff.user, audit_events.SESSION_ENDED, f"user {staff.user}", dealer=staff.scope.slug)
    return see(request, ACCOUNT, _("This session has ended."))


def _page(request: Request, staff: Staff, session: Session, problems: dict[str, str]) -> Response:
    csrf = form_tokens.token(request, staff.csrf, staff.user)
    page = account_forms.form_page(_("Your account"), f"{ACCOUNT}/password", csrf, problems)
    this_browser = tokens.digest(entering.browser_secret(request) or "")
    here: dict[str, Any] = {"this_session": staff.session, "this_browser": this_browser}
    here |= {"sessions": staff_sessions.of_user(session, staff.user), "browsers": browsers.of_user(session, staff.user)}
    here |= {"email": staff.email, "least": passwords.SHORTEST, "factor": second_factor.of_user(session, staff.user)}
    return show(request, staff, "accounts/account.html", page, status=422 if problems else 200, **here)
