"""The record of who did what, for an owner; one who is bound to a dealer sees that dealer's."""

from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import audit, audit_events, formats, times
from service.core.audit import RecordedEvent
from service.core.language import _
from service.core.paging import Leaf
from service.web import list_files, list_filters
from service.web.database_sessions import Reading
from service.web.desk_forms import ListPage, paged
from service.web.desk_frame import show
from service.web.list_filters import ListFilter
from service.web.page_data import Option
from service.web.permissions import Needs, Staff
from service.web.roles import Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.AUDIT_VIEW))]
AUDIT = "/desk/audit"


@router.get(AUDIT)
async def listed(request: Request, staff: Views, session: Reading, after: str = "") -> Response:
    """Show a page of the record, the newest first."""
    query = list_filters.read(request.query_params, AUDIT, _filters())

    def page_of(session: Session, after: str) -> Leaf[RecordedEvent]:
        return audit.entries(session, staff.scope, after, query.wanted)

    if query.as_file:
        head = (_("When"), _("Who"), _("Did"), _("To"), _("Dealer"))
        return list_files.saved(request, staff, "record", head, page_of, _cells, names=Permission.AUDIT_VIEW)
    found = page_of(session, after)
    page = ListPage(
        title=_("Audit"),
        query=query,
        note=_("Entries: {count}.").format(count=formats.number(found.count, 0)),
        lines=found.rows,
        empty=_("Nothing like that is on record.") if query.values else _("Nothing is on record."),
        **paged(found, query.href, begins=not after),
    )
    return show(request, staff, "accounts/audit.html", page, who=_who, did=_did, about=_about)


def _filters() -> tuple[ListFilter, ...]:
    events = sorted(
        (Option(each.name, formats.capital(_(each.did))) for each in audit_events.CATALOGUE.values()),
        key=lambda each: each.label,
    )
    who, did = ListFilter("who", _("Address of one of the staff")), ListFilter("did", _("Did"), tuple(events))
    return (
        who,
        did,
        ListFilter("about", _("To (as ‘trial’ or ‘trial T-12’)")),
        *list_filters.days(),
        list_filters.order(),
    )


def _cells(entry: RecordedEvent) -> tuple[str, ...]:
    at = f"{times.local(entry.at):%Y-%m-%d %H:%M}"
    return at, _who(entry), _did(entry), _about(entry), entry.dealer or ""


def _who(entry: RecordedEvent) -> str:
    return entry.who or _(audit_events.WRITERS[entry.by])


def _did(entry: RecordedEvent) -> str:
    return _(entry.did)


def _about(entry: RecordedEvent) -> str:
    told = ((name, value) for name, value in sorted(entry.detail.items()) if value is not None)
    details = ", ".join(f"{name} {_plain(value)}" for name, value in told)
    kind, space, key = entry.about.partition(" ")
    thing = f"{_(audit_events.THINGS.get(kind, kind))}{space}{key}"
    return f"{thing} ({details})" if details else thing


def _plain(value: object) -> str:
    """Return a value in words; of a list what is known, one after the other."""
    return " ".join(_plain(each) for each in value if each is not None) if isinstance(value, list) else str(value)
