"""The desk's page that takes in what a tablet saved to a file."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from starlette.datastructures import UploadFile

from service.core.errors import ConflictError
from service.core.language import _, ngettext
from service.devices import offline_export
from service.web.database_sessions import Writing
from service.web.desk_frame import show
from service.web.page_data import Page
from service.web.permissions import AtDealer, AtDealerNeeds, check_token
from service.web.roles import Permission

router = APIRouter()
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.TABLETS_CHANGE))]
ADDRESS = "/desk/tablets/load"


async def _file(request: Request, staff: Changes) -> bytes:
    """Return the file of a form of this session, empty where none was chosen, and close what it was kept in meanwhile."""
    async with request.form(max_files=1, max_fields=10) as form:
        token, file = form.get("csrf"), form.get("file")
        check_token(request, staff, token if isinstance(token, str) else "")
        return await file.read() if isinstance(file, UploadFile) else b""


@router.get(ADDRESS)
async def ask(request: Request, staff: Changes) -> Response:
    """Ask for a file that a tablet saved."""
    return _page(request, staff)


@router.post(ADDRESS)
async def load(
    request: Request, staff: Changes, content: Annotated[bytes, Depends(_file)], session: Writing
) -> Response:
    """Store what a tablet saved to a file, and say what came of it; the same file again changes nothing."""
    if not content:
        return _page(request, staff, fault=_("Choose the file first; its name begins with ‘waiting-sheets’."))
    try:
        loaded = offline_export.load(session, staff.user, staff.dealer, content)
    except ConflictError as refused:
        return _page(request, staff, fault=str(refused))
    return _page(request, staff, said=_told(loaded), left_out=loaded.left_out)


def _page(
    request: Request, staff: AtDealer, *, fault: str = "", said: tuple[str, ...] = (), left_out: tuple[str, ...] = ()
) -> Response:
    """Show what came of the file just sent, as sentences; ``fault`` says why it was not taken."""
    page, status = Page(title=_("Load a tablet’s file")), 422 if fault else 200
    told = {"action": ADDRESS, "fault": fault, "said": said, "left_out": left_out}
    return show(request, staff, "devices/tablet_file.html", page, status=status, **told)


def _told(loaded: offline_export.Loaded) -> tuple[str, ...]:
    said = [
        ngettext(
            "{count} sheet of {tablet} is stored now.", "{count} sheets of {tablet} are stored now.", loaded.sheets
        ).format(count=loaded.sheets, tablet=loaded.tablet)
    ]
    if loaded.pairs:
        pairs = ngettext("{count} pair too.", "{count} pairs too.", loaded.pairs)
        said.append(pairs.format(count=loaded.pairs))
    if loaded.flagged:
        flagged = ngettext(
            "{count} of them has a flag: look at it on its trial’s page.",
            "{count} of them have a flag: look at them on their trial’s page.",
            loaded.flagged,
        )
        said.append(flagged.format(count=loaded.flagged))
    if loaded.withdrawn:
        said.append(_("This tablet’s key was withdrawn earlier; its file was taken because you loaded it."))
    return tuple(said)
