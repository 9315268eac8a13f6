"""Setting a password by a one-time link. The link's page changes nothing; its button does, once."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.accounts import account_forms, entering, passwords, users
from service.accounts.account_forms import NewPassword
from service.accounts.users import Account
from service.core.language import _
from service.web import costs, permissions
from service.web.bodies import Form
from service.web.database_sessions import Reading, Writing, reading
from service.web.desk_frame import see
from service.web.rendering import render

router = APIRouter()
costs.declare({"GET /desk/password/{secret}": costs.PAGE, "POST /desk/password/{secret}": costs.ADVICE})


@router.get("/desk/password/{secret}")
async def ask(request: Request, secret: str, session: Reading) -> Response:
    """Show the form to whoever has a link that works."""
    return _form(request, secret, users.link_of(session, secret), {})


async def _new(request: Request, secret: str, form: Form) -> NewPassword:
    """Make the digest before the route asks for the database's turn."""
    account_forms.require_strangers(request, form, "password", secret)
    entering.limit_address(request)
    async with reading(request) as session:
        account = users.link_of(session, secret)
    return await account_forms.new_password(request, form, account)


@router.post("/desk/password/{secret}")
async def set_password(
    request: Request, secret: str, new: Annotated[NewPassword, Depends(_new)], session: Writing
) -> Response:
    """Set the password, and lead to the sign-in."""
    if new.problems:
        return _form(request, secret, users.link_of(session, secret), dict(new.problems))
    account = users.set_password(session, secret, new.digest)
    reply = see(request, permissions.SIGN_IN, _("Your password is set. Sign in with it now."))
    permissions.drop_cookie(request, reply)
    # Whoever has the link has the mailbox, or was handed it: strangers' tries do not shut this browser out.
    entering.know_browser(request, session, reply, account.id)
    return reply


def _form(request: Request, secret: str, account: Account, problems: dict[str, str]) -> Response:
    title, action = _("Choose your password"), f"/desk/password/{secret}"
    page = account_forms.strangers_page(request, title, action, f"password:{secret}", problems)
    return render(
        request, "accounts/password.html", page, 422 if problems else 200, email=account.email, least=passwords.SHORTEST
    )
