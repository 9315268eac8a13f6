"""Help at the desk: the topics, and each as a page."""

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.core.errors import NotFoundError
from service.core.language import _
from service.operations.help.marking import AT_THE_DESK, marked
from service.operations.help.topics import NAMES, TOPICS, find
from service.web.desk_frame import show
from service.web.page_data import Page
from service.web.permissions import AnyStaff

router = APIRouter()


@router.get(AT_THE_DESK)
async def topics(request: Request, staff: AnyStaff) -> Response:
    """List the topics."""
    return show(request, staff, "operations/help.html", Page(title=_("Help")), topics=TOPICS, shown=None)


@router.get(AT_THE_DESK + "/{topic}")
async def one_topic(request: Request, staff: AnyStaff, topic: str) -> Response:
    """Show a topic."""
    if topic not in NAMES:
        raise NotFoundError
    found = find(topic)
    page, text = Page(title=found.title), marked(found)
    return show(request, staff, "operations/help.html", page, topics=TOPICS, shown=found, marked=text)
