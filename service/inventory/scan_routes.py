"""Labels to print, and what a scanner reads from them: a bow put into a trial's case and taken out of it again."""

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import Response

from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.core.language import _
from service.inventory import scanning
from service.trials.trial_view import AtTrial, Stepped, ToRun
from service.web import desk_frame, qr
from service.web.database_sessions import Reading
from service.web.desk_forms import address, all_or_nothing, first
from service.web.page_data import FormPage, Page, Tab, Typed
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk")
Views = Annotated[Staff, Depends(Needs(Permission.STOCK_VIEW))]
PER_SHEET = (12, 24, 40)
"""Labels on a sheet: two, three or four in a row."""
BACK = "back"


@router.get("/bows/labels")
async def labels(
    request: Request,
    staff: Views,
    session: Reading,
    copy: Annotated[list[str], Query(max_length=scanning.MOST_LABELS)] = [],  # noqa: B006 - never changed
    tier: str = "",
    per: int = 24,
) -> Response:
    """Show labels of the ticked bows, or of a tier's, ready to be printed."""
    serials = scanning.labelled(session, staff.bows, copy, tier)
    if not serials:
        raise NotFoundError
    per = per if per in PER_SHEET else PER_SHEET[1]
    asked = "&".join([f"copy={address(each).removeprefix('/desk/')}" for each in copy] or [f"tier={tier}"])
    ways = tuple(Tab(str(many), f"/desk/bows/labels?{asked}&per={many}", many == per) for many in PER_SHEET)
    page, labels = Page(title=_("Labels")), tuple((serial, _code(request, serial)) for serial in serials)
    return desk_frame.show(request, staff, "inventory/labels.html", page, per=per, ways=ways, labels=labels)


def _code(request: Request, serial: str) -> str:
    return qr.svg(desk_frame.address_of(request, scanning.address_of(serial)), _("Leads to {copy}").format(copy=serial))


@router.get("/trials/{key}/case")
async def show_case(at: ToRun, way: str = "") -> Response:
    """Show a trial's case, with a field that a scanner fills."""
    return _case(at, way, "")


@router.post("/trials/{key}/case")
async def scanned(at: Stepped) -> Response:
    """Put a scanned bow into the case, or take it out or back."""
    way, code = first(at.form, "way"), first(at.form, "code")
    who = (at.session, at.staff.user, at.staff.dealer, at.key)
    try:
        with all_or_nothing(at.session):
            taken = way == BACK
            said = scanning.take_out(*who, code, first(at.form, "condition")) if taken else scanning.put_in(*who, code)
    except InvalidInputError as invalid:
        return _case(at, way, " ".join(problem.message for problem in invalid.problems), 422)
    except ConflictError as refused:
        return _case(at, way, str(refused), 409)
    return desk_frame.see(
        at.request, f"{address('trials', at.key, 'case')}{f'?way={BACK}' if way == BACK else ''}", said
    )


def _case(at: AtTrial, way: str, notice: str, status: int = 200) -> Response:
    (number, rows), here = scanning.case(at.session, at.staff.dealer, at.key), address("trials", at.key, "case")
    tabs = (Tab(_("Into the case"), here, way != BACK), Tab(_("Out of it, or back"), f"{here}?way={BACK}", way == BACK))
    usual = {"condition": [first(at.form, "condition") or _("as it left")]}
    page = FormPage(title=_("The case of trial {number}").format(number=number), action=here, typed=Typed(usual, {}))
    parts = {"notice": notice, "trial": address("trials", at.key), "way": way, "tabs": tabs, "rows": rows}
    return desk_frame.show(at.request, at.staff, "inventory/scan.html", page, status=status, **parts)
