"""What the model has learnt, at the desk: the page that `fit --report` writes, in the desk's frame."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.modelling import model_page
from service.web.database_sessions import Reading
from service.web.desk_frame import show
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.MODEL_VIEW))]


@router.get("/desk/model")
def model(request: Request, staff: Views, session: Reading) -> Response:
    """Show the page, with the bows that may be seen; made in a thread, since it reads the whole history."""
    page = model_page.page_of(session, staff.scope, demo=request.app.state.demo)
    return show(request, staff, "modelling/model.html", page, narrow=True)
