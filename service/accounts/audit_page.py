"""The record of who did what, for an owner; one who is bound to a dealer sees that dealer's."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.core import audit, audit_events, formats
from service.core.errors import NotFoundError
from service.core.language import _
from service.web.database_sessions import Reading
from service.web.desk_frame import show
from service.web.page_data import Page
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.AUDIT_VIEW))]
AUDIT = "/desk/audit"
_MOST_DIGITS = 9


@router.get(AUDIT)
async def listed(request: Request, staff: Views, session: Reading, before: str = "") -> Response:
    """Show one page of the record, newest first."""
    if before and not (before.isascii() and before.isdigit() and len(before) <= _MOST_DIGITS):
        raise NotFoundError
    entries = audit.entries(session, staff.scope, int(before) if before else None)
    return show(
        request,
        staff,
        "accounts/audit.html",
        Page(title=_("Audit")),
        entries=entries,
        older=f"{AUDIT}?before={entries[-1].id}" if len(entries) == audit.A_PAGE else "",
        newest=not before,
        count=_("{shown} of {all} are shown here.").format(
            shown=formats.number(len(entries), 0), all=formats.number(audit.count(session, staff.scope), 0)
        ),
        who=_who,
        did=_did,
        about=_about,
    )


def _who(entry: audit.RecordedEvent) -> str:
    return entry.who or _(audit_events.WRITERS[entry.by])


def _did(entry: audit.RecordedEvent) -> str:
    return _(entry.did)


def _about(entry: audit.RecordedEvent) -> str:
    told = ((name, value) for name, value in sorted(entry.detail.items()) if value is not None)
    details = ", ".join(f"{name} {_plain(value)}" for name, value in told)
    return f"{entry.about} ({details})" if details else entry.about


def _plain(value: object) -> str:
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
