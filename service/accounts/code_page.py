"""The second step of signing in: a code of the app, or one of the recovery codes. Works without scripts, as the first does."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response

from service.accounts import account_forms, entering, half_sign_ins, securing, tries
from service.accounts.entering import HALF, Try
from service.accounts.half_sign_ins import Half
from service.accounts.sign_in import CODE
from service.core.language import _
from service.web import costs, permissions, refusal_records
from service.web.bodies import Form
from service.web.database_sessions import Writing
from service.web.desk_frame import see
from service.web.device_requests import client_of
from service.web.permissions import first
from service.web.rendering import render

router = APIRouter()
costs.declare({"GET /desk/sign-in/code": costs.PAGE, "POST /desk/sign-in/code": costs.PAGE})


@router.get(CODE)
async def ask(request: Request, next: str = "") -> Response:  # noqa: A002 - the name in the address
    """Ask for the code; without a half sign-in, lead to where there is something to see."""
    secret, half = await entering.half_of(request)
    if half is None:
        return RedirectResponse(permissions.FIRST, 303)
    return _form(request, secret, next, {})


async def _tried(request: Request, form: Form) -> tuple[Half | None, Try | None]:
    """Find who is half signed in, and count the try before it is made."""
    secret, half = await entering.half_of(request)
    account_forms.require_strangers(request, form, "code", secret)
    return half, await entering.try_code(request, half) if half is not None else None


@router.post(CODE)
async def give(
    request: Request, form: Form, tried: Annotated[tuple[Half | None, Try | None], Depends(_tried)], session: Writing
) -> Response:
    """Let in whoever gives a right code."""
    half, taken = tried
    if half is None or taken is None:
        return _again(request)
    onwards, secret = first(form, "next"), request.cookies[permissions.cookie_name(request, HALF)]
    if taken.wait:
        refusal_records.code(session, half.user, client_of(request))
        securing.codes_refused(session, half.user)
        reply = _form(request, secret, onwards, {"code": entering.too_often(taken)}, 429)
        reply.headers["Retry-After"] = str(taken.seconds)
        return reply
    problems = account_forms.code_problems(request, session, half.user, form, "code")
    if problems:
        return _form(request, secret, onwards, problems, 422)
    if not half_sign_ins.end(session, half.digest):
        return _again(request)
    tries.give_back(session, taken.of)
    return entering.let_in(request, session, half.user, onwards)


def _again(request: Request) -> Response:
    reply = see(request, permissions.SIGN_IN, _("That took more than five minutes. Begin again with the password."))
    permissions.drop_cookie(request, reply, HALF)
    return reply


def _form(request: Request, secret: str, onwards: str, problems: dict[str, str], status: int = 200) -> Response:
    page = account_forms.strangers_page(request, _("One code more"), CODE, f"code:{secret}", problems)
    return render(request, "accounts/code.html", page, status, next=permissions.local(onwards))
