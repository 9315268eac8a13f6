"""Files loaded at the desk: sent, looked at, then taken in whole or not at all. Between the two a file waits for its sender alone."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core.errors import ConflictError, existing
from service.core.language import _
from service.inventory import uploads
from service.web import desk_frame, kept_forms
from service.web.database_sessions import Reading, Writing, reading, writing
from service.web.desk_forms import address, first
from service.web.page_data import FormPage, Option, Typed
from service.web.permissions import FILE_NAME, Needs, Posted, PostedFile, Staff
from service.web.roles import Permission

router = APIRouter(prefix="/desk/bows/files")
Changes = Annotated[Staff, Depends(Needs(Permission.STOCK_CHANGE))]
PLACE = "/desk/bows/files"
_LONGEST_NAME = 120


@router.get("")
async def ask(request: Request, staff: Changes) -> Response:
    """Ask for a file."""
    return _ask(request, staff)


def _runs_trials(staff: Staff) -> bool:
    return staff.may(Permission.TRIALS_RUN)


def _ask(request: Request, staff: Staff, notice: str = "", status: int = 200) -> Response:
    page = FormPage(title=_("Load a file"), action=PLACE, typed=Typed({"kind": [""]}, {}))
    kinds = (
        Option("", _("as its name says")),
        *(Option(kind.name, kind.name) for kind in uploads.offered(staff.scope, trials=_runs_trials(staff))),
    )
    return desk_frame.show(request, staff, "inventory/upload.html", page, status=status, notice=notice, kinds=kinds)


@router.post("")
async def send(request: Request, staff: Changes, sent: PostedFile, session: Writing) -> Response:
    """Keep a file that was sent, and lead to what it would do."""
    form, data = sent
    if not data:
        return _ask(request, staff, _("Choose a file that is not empty."), 422)
    name = first(form, FILE_NAME)[-_LONGEST_NAME:]
    secret = kept_forms.file(session, staff.user, PLACE, name, data)
    chosen = first(form, "kind")
    return desk_frame.see(request, f"{PLACE}/{secret}{f'?kind={chosen}' if chosen else ''}")


@router.get("/{secret}")
async def look(
    request: Request, secret: str, staff: Changes, session: Reading, kind: str = "", replace: str = ""
) -> Response:
    """Show what a file would change."""
    return _look(request, staff, session, secret, kind, replace)


@router.post("/{secret}")
async def take(request: Request, secret: str, form: Posted, staff: Changes) -> Response:
    """Take a file in as it was looked at; others may write until it is read."""
    kind, replace, seen = (first(form, name) for name in ("kind", "replace", "seen"))
    async with reading(request) as session:
        name, data = _found(session, staff, secret)
    parsed = uploads.parse(name, data, kind)
    how = {"replace": replace == "yes", "trials": _runs_trials(staff)}
    try:
        async with writing(request) as session:
            uploads.take(session, staff.user, staff.scope, parsed, seen=seen, **how)
    except ConflictError as changed:
        async with reading(request) as session:
            return _look(request, staff, session, secret, kind, replace, str(changed), 409)
    return desk_frame.see(request, "/desk/stock", _("{file} is loaded.").format(file=name))


def _found(session: Session, staff: Staff, secret: str) -> tuple[str, bytes]:
    return existing(kept_forms.find_file(session, secret, staff.user, PLACE))


def _look(
    request: Request,
    staff: Staff,
    session: Session,
    secret: str,
    kind: str,
    replace: str,
    notice: str = "",
    status: int = 200,
) -> Response:
    name, data = _found(session, staff, secret)
    parsed, trials = uploads.parse(name, data, kind), _runs_trials(staff)
    looked = uploads.preview(session, staff.scope, parsed, replace=replace == "yes", trials=trials)
    usual = {"kind": [kind], "replace": [replace], "seen": [looked.mark]}
    page = FormPage(title=name, action=address("bows", "files", secret), typed=Typed(usual, {}))
    return desk_frame.show(request, staff, "inventory/preview.html", page, status=status, notice=notice, looked=looked)
