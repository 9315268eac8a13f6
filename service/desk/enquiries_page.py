"""Enquiries as they come, and one with its advice in the words that the player read."""

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.advice import shortlist
from service.core import formats
from service.core.errors import NotFoundError
from service.core.formats import capital
from service.core.language import _
from service.core.paging import Leaf
from service.questionnaire import answer_summary
from service.trials import desk_lines, desk_reads, list_queries
from service.trials.desk_records import EnquiryPage, EnquiryRow
from service.web import desk_frame, list_files, list_filters
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import Fact, ListLine, ListPage, address, paged
from service.web.page_data import Page, Tab
from service.web.permissions import AtDealer, AtDealerNeeds, Posted
from service.web.roles import Permission

router = APIRouter(prefix="/desk/enquiries")
Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.ENQUIRIES_VIEW))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.ENQUIRIES_CHANGE))]


@router.get("")
async def listed(request: Request, staff: Views, session: Reading, show: str = "new", after: str = "") -> Response:
    """List the enquiries, the new ones first of all."""
    everything, nobodys = show == "all", show == "nobodys" and staff.acting.unassigned
    kept = show if everything or nobodys else ""
    query = list_filters.read(request.query_params, "/desk/enquiries", list_queries.enquiries(), show=kept)
    wanted = query.wanted

    def page_of(session: Session, after: str) -> Leaf[EnquiryRow]:
        if nobodys:
            return desk_reads.nobodys_enquiries(session, staff.dealer, after, wanted)
        return desk_reads.enquiries(session, staff.dealer, show=kept or "new", after=after, wanted=wanted)

    if query.as_file:
        return list_files.saved(request, staff, "enquiries", list_queries.enquiry_head(), page_of, list_queries.enquiry)
    found, (count, new) = page_of(session, after), desk_reads.enquiry_counts(session, staff.dealer)
    tabs = (
        Tab(_("New"), "/desk/enquiries", not kept),
        Tab(_("All"), "/desk/enquiries?show=all", everything),
        *((Tab(_("Of no dealer"), "/desk/enquiries?show=nobodys", nobodys),) if staff.acting.unassigned else ()),
    )
    whole, of_them = formats.number(count, 0), formats.number(new, 0)
    page = ListPage(
        title=_("Enquiries"),
        tabs=tabs,
        tabs_label=_("Which enquiries"),
        query=query,
        note=_("Enquiries: {count}, of them new: {new}.").format(count=whole, new=of_them),
        lines=found.each(desk_lines.enquiry_line),
        empty=_("There is no enquiry like that.") if query.values else _("No enquiry waits."),
        **paged(found, query.href, begins=not after),
    )
    return desk_frame.show(request, staff, "web/desk_list.html", page)


@router.get("/{id_}")
async def show(request: Request, id_: str, staff: Views, session: Reading) -> Response:
    """Show one enquiry with the advice that was given."""
    found = desk_reads.enquiry(session, staff.dealer, id_, any_dealer=staff.acting.unassigned)
    row = found.row
    page = Page(title=desk_lines.somebody(row.name))
    return desk_frame.show(
        request,
        staff,
        "desk/enquiry.html",
        page,
        id=row.id,
        facts=desk_lines.enquiry_title(row),
        state=capital(desk_lines.enquiry_state(row)),
        contact=_contact(found.contact),
        answers=tuple((line.question, line.answer) for line in answer_summary.lines(found.answers)),
        advice=shortlist.told(dict(found.document)),
        pictures=() if found.nobodys else _pictures(found),
        trials=tuple(_composed(key, number) for key, number in row.trials),
        link=f"/advice/{found.address}",
        may_settle=row.settled_at is None and not row.trials and not found.nobodys,
        take_for=staff.dealer_name if found.nobodys else "",
        player=address("players", found.player) if found.player else "",
        may_take_back=bool(found.player) and not row.trials,
    )


@router.post("/{id_}/settle")
async def settle(request: Request, id_: str, _form: Posted, staff: Changes, session: Writing) -> Response:
    """Put an enquiry aside without a trial."""
    desk_reads.settle(session, staff.user, staff.dealer, id_)
    return desk_frame.see(request, "/desk/enquiries", _("The enquiry is closed."))


@router.post("/{id_}/take")
async def take(request: Request, id_: str, _form: Posted, staff: Changes, session: Writing) -> Response:
    """Make an enquiry that is no dealer's yet the dealer's who is acted for."""
    if not staff.acting.unassigned:
        raise NotFoundError
    desk_reads.take(session, staff.user, staff.dealer, id_)
    said = _("The enquiry is now one of {dealer}.").format(dealer=staff.dealer_name)
    return desk_frame.see(request, f"/desk/enquiries/{id_}", said)


def _pictures(found: EnquiryPage) -> tuple[ListLine, ...]:
    """Return the way to each proposed tier's bows over what the player can be expected to like."""
    proposed = found.document["shortlist"]
    return tuple(desk_lines.tier_picture(each["tier"], each["name"], enquiry=found.row.id) for each in proposed)


def _composed(key: str, number: int) -> ListLine:
    return ListLine(desk_lines.trial_number(number, key), "", "", f"/desk/trials/{key}", _("Show"))


def _contact(contact: Mapping[str, Any] | None) -> tuple[Fact, ...]:
    """Return who it is and what was agreed to, as it was given."""
    if not contact:
        return ()
    named = ((_("Name"), "name"), (_("E-mail"), "email"), (_("Telephone"), "phone"))
    consent = contact.get("consent") or {}
    mail = _("yes, we may write") if consent.get("mail") else _("no, do not write")
    model = _("yes, without the name") if consent.get("model") else _("no")
    agreed = ((_("Mail"), mail), (_("Ratings may help to advise others"), model))
    return (*((label, contact[key]) for label, key in named if contact.get(key)), *agreed)
