"""What the model has learnt, at the desk: the page that `fit --report` writes, in the desk's frame."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core.errors import ConflictError
from service.core.language import _
from service.modelling import fit_runs, model_page
from service.web.database_sessions import Reading, database_of, reading, writing
from service.web.desk_frame import see, show
from service.web.page_data import Page
from service.web.permissions import Needs, Posted, Staff
from service.web.roles import Permission

router = APIRouter()
Changes = Annotated[Staff, Depends(Needs(Permission.MODEL_CHANGE))]
Views = Annotated[Staff, Depends(Needs(Permission.MODEL_VIEW))]


FIT = "/desk/model/fit"


@router.get(FIT)
async def look_at_fit(request: Request, staff: Views, session: Reading) -> Response:
    """Show how the fit that was asked for last stands."""
    return _fit(request, staff, session)


@router.post(FIT)
async def ask_for_fit(request: Request, form: Posted, staff: Changes) -> Response:
    """Start a fit in a process of its own, once that it is asked for is on the disk."""
    del form  # its token was checked, and it asks for nothing else
    database = database_of(request)
    try:
        async with writing(request) as session:
            token = fit_runs.begin(session, staff.user)
    except ConflictError as refused:
        async with reading(request) as session:
            return _fit(request, staff, session, str(refused), 409)
    request.app.state.launch_fit(database, token)
    return see(request, FIT, _("The fit has begun. It goes on by itself; you need not wait here."))


def _fit(request: Request, staff: Staff, session: Session, notice: str = "", status: int = 200) -> Response:
    page, latest = Page(title=_("A new fit")), fit_runs.latest(session)
    return show(request, staff, "modelling/fit.html", page, status=status, notice=notice, latest=latest)


@router.get("/desk/model")
async def model(request: Request, staff: Views, session: Reading) -> Response:
    """Show the page, with the bows that may be seen."""
    page = model_page.page_of(session, staff.scope, demo=request.app.state.demo)
    return show(request, staff, "modelling/model.html", page, narrow=True)
