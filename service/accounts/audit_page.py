"""The record of who did what, for an owner; one who is bound to a dealer sees that dealer's."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response

from service.accounts.account_data import AuditLine, AuditPage
from service.core import audit, audit_events, formats, times
from service.core.errors import NotHere
from service.core.language import _
from service.web.database_sessions import Reading
from service.web.desk_frame import show
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
        raise NotHere
    entries = audit.entries(session, staff.scope, int(before) if before else None)
    page = AuditPage(
        title=_("Audit"),
        lines=tuple(_line(entry) for entry in entries),
        older=f"{AUDIT}?before={entries[-1].id}" if len(entries) == audit.A_PAGE else "",
        newest=not before,
        count=_("{shown} of {all} are shown here.").format(
            shown=formats.number(len(entries), 0), all=formats.number(audit.count(session, staff.scope), 0)
        ),
    )
    return show(request, staff, "accounts/audit.html", page)


def _line(entry: audit.Entry) -> AuditLine:
    told = ((name, value) for name, value in sorted(entry.detail.items()) if value is not None)
    details = ", ".join(f"{name} {_plain(value)}" for name, value in told)
    return AuditLine(
        at=entry.at,
        when=times.moment(entry.at),
        who=entry.who or _(audit_events.WRITERS[entry.by]),
        dealer=entry.dealer or "",
        did=_(entry.did),
        about=f"{entry.about} ({details})" if details else entry.about,
    )


def _plain(value: object) -> str:
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)
