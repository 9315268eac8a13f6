"""The record of who did what, for an owner; one who is bound to a dealer sees that dealer's."""

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from model.domain.vocabulary import SCALES
from service.accounts import account_mails
from service.advice import advice_mails
from service.core import audit, audit_events, formats, times
from service.core.audit import RecordedEvent
from service.core.language import N_, _
from service.core.paging import Leaf
from service.dealers import website_page
from service.inventory import care_page
from service.privacy import privacy_mails
from service.trials import desk_words, parcel_mails, trial_mails
from service.web import list_files, list_filters
from service.web.database_sessions import Reading
from service.web.desk_forms import ListPage, paged
from service.web.desk_frame import show
from service.web.list_filters import ListFilter
from service.web.page_data import Option
from service.web.permissions import Needs, Staff
from service.web.roles import ROLES, Permission

router = APIRouter()
Views = Annotated[Staff, Depends(Needs(Permission.AUDIT_VIEW))]
AUDIT = "/desk/audit"

_DETAILS: Mapping[str, str] = {
    "changed": N_("changed"),
    "copies": N_("bows"),
    "copy": N_("bow"),
    "currency": N_("currency"),
    "due_back": N_("due back"),
    "enquiries": N_("enquiries"),
    "event": N_("what was done"),
    "hour": N_("hour"),
    "into": N_("put in"),
    "kind": N_("kind"),
    "network": N_("network"),
    "now": N_("now"),
    "number": N_("number"),
    "of": N_("of"),
    "on": N_("day"),
    "other": N_("the other one"),
    "out": N_("taken out"),
    "outcome": N_("outcome"),
    "outcomes": N_("outcomes"),
    "persons": N_("persons"),
    "place": N_("place"),
    "places": N_("places"),
    "player": N_("player"),
    "players": N_("players"),
    "position": N_("place"),
    "price": N_("price"),
    "quantity": N_("quantity"),
    "rater": N_("rated by"),
    "readings": N_("readings"),
    "reason": N_("reason"),
    "revision": N_("revision"),
    "role": N_("role"),
    "rows": N_("rows"),
    "sheets": N_("sheets"),
    "status": N_("answer"),
    "tier": N_("model"),
    "times": N_("times"),
    "trials": N_("trials"),
    "trials_kept": N_("trials kept without a name"),
    "value": N_("value"),
    "was": N_("before"),
}
"""What is kept with an event, by its name in the database."""
_MAILS = (account_mails.KINDS, advice_mails.KINDS, trial_mails.KINDS, parcel_mails.KINDS, privacy_mails.KINDS)
_VALUES: Mapping[str, str] = {
    **{name: kind.name for kinds in _MAILS for name, kind in kinds.items()},
    **{str(criterion): scale.name for criterion, scale in SCALES.items()},
    **care_page.NAMES,
    **desk_words.STATES,
    **desk_words.STATUSES,
    **desk_words.EVENTS,
    **desk_words.OUTCOMES,
    **desk_words.REASONS,
    **desk_words.RATERS,
    **website_page.KINDS,
    **{name: role.name for name, role in ROLES.items()},
    "asked": N_("they asked for it"),
    "mistake": N_("entered by mistake"),
    "over": N_("the time is over"),
}
"""What of such details is a word of the database's own, in words."""


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
    return show(request, staff, "operations/audit.html", page, who=_who, did=_did, about=_about)


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
    told = ((name, value) for name, value in entry.detail.items() if value not in (None, "", []))
    details = "; ".join(formats.labelled(_(_DETAILS.get(name, name)), _plain(value)) for name, value in told)
    kind, space, key = entry.about.partition(" ")
    thing = f"{_(audit_events.THINGS.get(kind, kind))}{space}{key}"
    return f"{thing} ({details})" if details else thing


def _plain(value: object) -> str:
    """Return a value in words; of a list what is known, one after the other."""
    if isinstance(value, list):
        return ", ".join(_plain(each) for each in value if each is not None)
    if isinstance(value, dict):
        return ", ".join(f"{_plain(name)} {_plain(each)}" for name, each in value.items())
    return _(_VALUES[value]) if isinstance(value, str) and value in _VALUES else str(value)
