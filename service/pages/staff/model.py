"""What the model has learnt, at the desk: the page that `fit --report` writes, in the desk's frame."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service import model_page
from service.pages.desk_frame import show
from service.pages.guard import Workshop
from service.pages.sessions import Reading

router = APIRouter()


@router.get("/desk/model")
def model(request: Request, staff: Workshop, session: Reading) -> Response:
    """Show the page, with the bows that may be seen; made in a thread, since it reads the whole history."""
    page = model_page.page_of(session, demo=request.app.state.demo, dealer=staff.only)
    return show(request, staff, "desk/model.html", page, narrow=True)
