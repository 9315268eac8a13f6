"""Help at the desk: the topics, and each as a page."""

from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.core.errors import NotHere
from service.core.language import _
from service.operations.help.marking import AT_THE_DESK, Marked, marked
from service.operations.help.topics import NAMES, TOPICS, Topic, find
from service.web.desk_frame import show
from service.web.permissions import AnyStaff

router = APIRouter()


@dataclass(frozen=True, slots=True)
class HelpPage:
    """The context of operations/help.html; without ``topic`` and ``marked`` it is the list of the topics."""

    title: str
    topics: tuple[Topic, ...] = TOPICS
    topic: Topic | None = None
    marked: Marked | None = None


@router.get(AT_THE_DESK)
async def topics(request: Request, staff: AnyStaff) -> Response:
    """List the topics."""
    return show(request, staff, "operations/help.html", HelpPage(_("Help")))


@router.get(AT_THE_DESK + "/{topic}")
async def one_topic(request: Request, staff: AnyStaff, topic: str) -> Response:
    """Show a topic."""
    if topic not in NAMES:
        raise NotHere
    found = find(topic)
    return show(request, staff, "operations/help.html", HelpPage(found.title, topic=found, marked=marked(found)))
