"""One's own second factor: set up by a code of the app, replaced, removed, its recovery codes shown once.

What changes it asks for the password once more, and, where there is one, for a code of it (ASVS 5.0, 7.5.1). The secret of an
app that is being set up travels in the form, signed and bound to the session: nothing is kept until a code has shown that
the app has it.
"""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.accounts import account_forms, entering, second_factor, securing, tries
from service.accounts.account_forms import Proof
from service.accounts.account_page import ACCOUNT
from service.core.errors import ConflictError
from service.core.language import _
from service.web import permissions, qr, staff_sessions
from service.web.database_sessions import Reading, Writing
from service.web.desk_frame import host_of, see, show
from service.web.permissions import FACTOR, AnyStaff, Entering, Fields, Posted, PostedEntering, Staff, first

router = APIRouter()
PURPOSE = "second-factor"
_GROUP = 4
_MOST_CODES = 1000


@router.get(FACTOR)
async def shown(request: Request, staff: Entering, session: Reading, replace: str = "") -> Response:
    """Show the second factor, or how to set one up."""
    return _page(request, staff, session, {}, replaces=replace == "yes")


async def _proof(request: Request, staff: Entering, form: PostedEntering) -> Proof:
    """Check the password before the route asks for the database's turn; whoever must enrol has just given it."""
    if staff.must_enrol:
        return Proof(await entering.try_own(request, staff), {})
    return await account_forms.proof(request, staff, form)


Proven = Annotated[Proof, Depends(_proof)]


@router.post(FACTOR)
async def set_up(request: Request, staff: Entering, form: PostedEntering, proof: Proven, session: Writing) -> Response:
    """Set up the app whose code is given, in place of any before, and show the recovery codes."""
    secret = _secret_of(request, staff, first(form, "secret"))
    replaces = second_factor.of_user(session, staff.user) is not None
    problems = dict(proof.problems)
    step = second_factor.step_of(secret, first(form, "code")) if secret else None
    if step is None:
        problems["code"] = _("This is not the code that the app shows now. Expected its six digits.")
    # Used up only where nothing else is wrong: else it could not be given again.
    if not problems and replaces:
        problems |= account_forms.code_problems(request, session, staff.user, form)
    if problems or secret is None or step is None:
        return _page(request, staff, session, problems, replaces=replaces, secret=secret)
    codes = securing.set_factor(session, staff.user, secret, step, keep=staff.session)
    return _codes(request, staff, session, proof, codes)


@router.post(f"{FACTOR}/codes")
async def renew_codes(request: Request, staff: AnyStaff, form: Posted, proof: Proven, session: Writing) -> Response:
    """Make new recovery codes and show them."""
    problems = _refusals(request, session, staff, form, proof)
    if problems:
        return _page(request, staff, session, problems)
    return _codes(request, staff, session, proof, securing.renew_codes(session, staff.user))


@router.post(f"{FACTOR}/remove")
async def remove(request: Request, staff: AnyStaff, form: Posted, proof: Proven, session: Writing) -> Response:
    """Take the second factor away."""
    if permissions.needs_factor(request, staff.role, staff.scope):
        raise ConflictError(_("A second factor is required of this account here; set up another one in its place."))
    problems = _refusals(request, session, staff, form, proof)
    if problems:
        return _page(request, staff, session, problems)
    securing.remove_factor(session, staff.user, keep=staff.session)
    tries.give_back(session, proof.tried.of)
    return see(request, ACCOUNT, _("The second factor is removed, and you are signed out everywhere else."))


@router.post(f"{FACTOR}/file")
async def codes_as_file(staff: AnyStaff, form: Posted) -> Response:
    """Return the recovery codes that are on the page as a text file: they are kept as digests only."""
    del staff
    text = "".join(f"{line}\n" for line in first(form, "codes")[:_MOST_CODES].split())
    headers = {"Content-Disposition": 'attachment; filename="recovery-codes.txt"'}
    return Response(text, media_type="text/plain; charset=utf-8", headers=headers)


def _refusals(request: Request, session: Session, staff: Staff, form: Fields, proof: Proof) -> dict[str, str]:
    """Return why what was given does not allow a change of the second factor; a right code is used by that."""
    return dict(proof.problems) or account_forms.code_problems(request, session, staff.user, form)


def _codes(request: Request, staff: Staff, session: Session, proof: Proof, codes: list[str]) -> Response:
    """Show recovery codes this once, in a session of its own from here on: more is open to it than before (7.2.4)."""
    tries.give_back(session, proof.tried.of)
    replaced = request.cookies.get(permissions.cookie_name(request))
    secret = staff_sessions.renew(session, replaced or "")
    now = permissions.renewed(request, staff, secret)
    page = account_forms.form_page(_("Your recovery codes"), f"{FACTOR}/file", now.csrf, {})
    reply = show(request, now, "accounts/codes.html", page, codes=codes)
    permissions.set_cookie(request, reply, secret)
    return reply


def _page(
    request: Request,
    staff: Staff,
    session: Session,
    problems: dict[str, str],
    *,
    replaces: bool = False,
    secret: str | None = None,
) -> Response:
    factor = second_factor.of_user(session, staff.user)
    enrols = factor is None or replaces
    secret = (secret or second_factor.draw_secret()) if enrols else ""
    name = _("The secret for your app, as a picture")
    page = account_forms.form_page(_("Second factor"), FACTOR, staff.csrf, problems)
    is_required = permissions.needs_factor(request, staff.role, staff.scope)
    parts: dict[str, Any] = {"enrols": enrols, "factor": factor, "is_required": is_required, "email": staff.email}
    parts |= {"secret": " ".join(secret[start : start + _GROUP] for start in range(0, len(secret), _GROUP))}
    parts |= {"token": "", "qr": None, "asks_password": not staff.must_enrol}
    if secret:
        parts["token"] = request.app.state.signer.make(PURPOSE, f"{secret}.{staff.session}")
        parts["qr"] = qr.svg(second_factor.address(secret, staff.email, host_of(request)), name)
    return show(request, staff, "accounts/factor.html", page, status=422 if problems else 200, **parts)


def _secret_of(request: Request, staff: Staff, token: str) -> str | None:
    """Return the secret that a page of this session showed, None for any other text."""
    signed = request.app.state.signer.read(PURPOSE, token) or ""
    secret, _dot, session = signed.partition(".")
    return secret if secret and session == staff.session else None
