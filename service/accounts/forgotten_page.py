"""A forgotten password: a link by mail. Every address gets the same answer, and what is done for it is done after the answer."""

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from starlette.background import BackgroundTask

from service.accounts import account_forms, entering, securing
from service.accounts.entering import BEFORE
from service.core import tokens
from service.core.language import _
from service.web import costs, permissions
from service.web.bodies import Form
from service.web.database_sessions import writing
from service.web.permissions import first
from service.web.rendering import render

router = APIRouter()
costs.declare({"GET /desk/forgotten": costs.PAGE, "POST /desk/forgotten": costs.PAGE})
FORGOTTEN = "/desk/forgotten"
_LONGEST = 254


@router.get(FORGOTTEN)
async def ask(request: Request, sent: str = "") -> Response:
    """Show the form, or say what comes next."""
    return _form(request, {}, {}, sent=sent == "yes")


@router.post(FORGOTTEN)
async def send(request: Request, form: Form) -> Response:
    """Send a link to whoever has an account under the address."""
    nonce = request.cookies.get(permissions.cookie_name(request, BEFORE), "")
    account_forms.require_strangers(request, form, "forgotten", nonce)
    entering.limit_address(request)
    email = first(form, "email").strip()
    if "@" not in email or len(email) > _LONGEST:
        sentence = _("Expected the e-mail address that you sign in with, such as name@example.org.")
        return _form(request, {"email": [email[:_LONGEST]]}, {"email": sentence})
    reply = RedirectResponse(f"{FORGOTTEN}?sent=yes", 303)
    reply.background = BackgroundTask(_send, request, email)
    return reply


async def _send(request: Request, email: str) -> None:
    async with writing(request) as session:
        securing.forgotten(session, email)


def _form(request: Request, fields: dict[str, list[str]], problems: dict[str, str], *, sent: bool = False) -> Response:
    nonce = request.cookies.get(permissions.cookie_name(request, BEFORE), "") or tokens.secret()
    title = _("A link to set a new password")
    page = account_forms.strangers_page(request, title, FORGOTTEN, f"forgotten:{nonce}", problems, fields)
    reply = render(request, "accounts/forgotten.html", page, 422 if problems else 200, sent=sent)
    permissions.set_cookie(request, reply, nonce, BEFORE)
    return reply
