"""The dealer's tablets: a code to enrol one, shown as text and as a picture for its camera; the list; revoking one."""

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from markupsafe import Markup
from sqlalchemy.orm import Session

from service.accounts import account_forms
from service.core.errors import InvalidInputError
from service.core.language import _
from service.devices import tablets
from service.web import form_tokens, qr
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import by_field
from service.web.desk_frame import address_of, host_of, see, show
from service.web.page_data import FormPage
from service.web.permissions import AtDealer, AtDealerNeeds, Fields, Posted, first
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TABLETS_VIEW))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TABLETS_CHANGE))]
TABLETS = "/desk/tablets"


@router.get(TABLETS)
async def listed(request: Request, staff: Views, session: Reading) -> Response:
    """Show the tablets."""
    return _page(request, staff, session)


@router.post(TABLETS)
async def make_code(request: Request, staff: Changes, form: Posted, session: Writing) -> Response:
    """Show a new code, once."""
    name = first(form, "name")
    try:
        code = tablets.make_code(session, staff.user, staff.dealer, name)
    except InvalidInputError as error:
        return _page(request, staff, session, form, by_field(error))
    return _page(request, staff, session, code=code, code_for=name)


@router.post(f"{TABLETS}/{{tablet}}/revoke")
async def revoke(request: Request, tablet: str, staff: Changes, _form: Posted, session: Writing) -> Response:
    """Revoke a tablet."""
    tablets.revoke(session, staff.user, staff.dealer, tablet)
    return see(request, TABLETS, _("The tablet is revoked; what it still sends is not taken."))


def _page(
    request: Request,
    staff: AtDealer,
    session: Session,
    form: Fields | None = None,
    problems: Mapping[str, str] | None = None,
    *,
    code: str = "",
    code_for: str = "",
) -> Response:
    problems, half = dict(problems or {}), len(code) // 2  # a blank in its middle makes a code easier to copy by eye
    link = address_of(request, f"/tablet/enrol?code={code}")
    page = FormPage(
        title=_("Tablets"),
        dealer=staff.dealer_name,
        action=TABLETS,
        csrf=form_tokens.token(request, staff.csrf, staff.user),
        typed=account_forms.typed(form or {}, problems),
        faults=account_forms.faults(problems),
    )
    picture = qr.svg(link, _("The code as a picture for the tablet’s camera")) if code else Markup()
    enrolled = {"tablets": tablets.listed(session, staff.dealer), "code_for": code_for, "qr": picture}
    told = {"code": f"{code[:half]} {code[half:]}".strip(), "address": f"{host_of(request)}/tablet/enrol"}
    return show(request, staff, "devices/tablets.html", page, status=422 if problems else 200, **enrolled, **told)
