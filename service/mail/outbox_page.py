"""The outbox at the desk: what waits, failed and was sent, sent again by hand, addresses closed and opened."""

from typing import Annotated

from fastapi import APIRouter, Depends, Path, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session

from service.core import formats, times
from service.core.formats import capital
from service.core.language import _, ngettext
from service.core.paging import Leaf
from service.mail import outbox_desk, suppression
from service.mail.mail_links import TheMailService
from service.mail.mail_service import MailService
from service.mail.outbox_desk import Item
from service.web import list_files, list_filters
from service.web.database_sessions import Reading, Writing
from service.web.desk_forms import ListPage, paged
from service.web.desk_frame import see, show
from service.web.list_filters import ListFilter
from service.web.page_data import Page, Tab
from service.web.permissions import AtDealer, AtDealerNeeds, Posted, first
from service.web.roles import Permission

router = APIRouter(prefix="/desk/mail")
Views = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.MAIL_VIEW))]
Changes = Annotated[AtDealer, Depends(AtDealerNeeds(Permission.MAIL_CHANGE))]
HOME = "/desk/mail"
RowId = Annotated[int, Path(ge=1, le=2**31 - 1)]
"""A row's number, as large as both databases keep it."""


@router.get("")
async def outbox(
    request: Request, staff: Views, mail_service: TheMailService, session: Reading, state: str = "", after: str = ""
) -> Response:
    """Show what waits, or what failed or was sent; what failed comes first, where anything did."""
    counts = outbox_desk.counts(session, staff.acting)
    state = state if state in outbox_desk.STATES else "failed" if counts["failed"] else "waiting"
    query = list_filters.read(request.query_params, HOME, _filters(mail_service), state=state)

    def page_of(session: Session, after: str) -> Leaf[Item]:
        wanted, count = query.wanted, None if query.values else counts[state]
        return outbox_desk.listing(session, mail_service, staff.acting, state, after=after, wanted=wanted, count=count)

    if query.as_file:
        head = (_("What"), _("To"), _("When"), _("What was said"))
        return list_files.saved(request, staff, f"mail-{state}", head, page_of, _cells)
    items = page_of(session, after)
    page = ListPage(
        title=_("Mail"),
        dealer=staff.dealer_name,
        tabs=tuple(_tab(name, counts[name], here=name == state) for name in outbox_desk.STATES),
        query=query,
        note=_("Shown here: {count}.").format(count=formats.number(items.count, 0)) if query.values else "",
        lines=items.rows,
        empty=_("There is no mail like that.") if query.values else _("Nothing here."),
        **paged(items, query.href, begins=not after),
    )
    in_folder = mail_service.folder is not None
    return show(request, staff, "mail/outbox.html", page, in_folder=in_folder, when=_when, said=_said)


@router.get("/{ident}")
async def one(request: Request, ident: RowId, staff: Views, mail_service: TheMailService, session: Reading) -> Response:
    """Show a mail's text from the folder that takes the place of a mail server."""
    mail = outbox_desk.text(session, mail_service, staff.acting, ident)
    return show(request, staff, "mail/mail_text.html", Page(title=mail.title), mail=mail)


@router.post("/{ident}/resend")
async def resend(
    request: Request, ident: RowId, staff: Changes, _form: Posted, mail_service: TheMailService, session: Writing
) -> Response:
    """Send something again."""
    outbox_desk.resend(session, mail_service, staff.user, staff.acting, ident)
    return see(request, f"{HOME}?state=waiting", _("It goes out again within seconds."))


@router.post("/{ident}/bounced")
async def bounced(
    request: Request, ident: RowId, staff: Changes, _form: Posted, mail_service: TheMailService, session: Writing
) -> Response:
    """Mark the address of a mail as bouncing."""
    address = outbox_desk.bounced(session, mail_service, staff.user, staff.acting, ident)
    return see(request, HOME, _("No more mail goes to {address}.").format(address=address))


@router.post("/addresses/reopen")
async def reopen(
    request: Request, staff: Changes, form: Posted, mail_service: TheMailService, session: Writing
) -> Response:
    """Let mail go to an address again: its reader has agreed anew, or it works again."""
    address = first(form, "address").strip()
    was_closed = suppression.reopen(session, mail_service, staff.user, staff.dealer, address)
    said = _("Mail goes to {address} again.") if was_closed else _("{address} was not closed; nothing was changed.")
    return see(request, HOME, said.format(address=address))


def _filters(mail_service: MailService) -> tuple[ListFilter, ...]:
    kinds = {name: each.name for name, each in mail_service.kinds.items()} | outbox_desk.EVENT_WORDS
    found = tuple(sorted(list_filters.options(kinds), key=lambda each: each.label))
    of_what = (ListFilter("kind", _("What"), found), ListFilter("to", _("Whole e-mail address")))
    return *of_what, *list_filters.days(), list_filters.order()


def _cells(item: Item) -> tuple[str, ...]:
    return capital(item.kind), item.address, f"{times.local(item.at):%Y-%m-%d %H:%M}", _said(item)


def _tab(state: str, count: int, *, here: bool) -> Tab:
    label = {
        "waiting": ngettext("{count} waiting", "{count} waiting", count),
        "failed": ngettext("{count} failed", "{count} failed", count),
        "sent": ngettext("{count} sent", "{count} sent", count),
    }[state]
    return Tab(label.format(count=formats.number(count, 0)), f"{HOME}?state={state}", here)


def _said(item: Item) -> str:
    """Say why no mail goes to an address, and what the server said last."""
    closed = {suppression.BOUNCED: _("marked as bouncing"), suppression.UNSUBSCRIBED: _("wants no more mail")}
    return "; ".join(filter(None, (closed.get(item.closed or ""), item.words)))


def _when(item: Item) -> str:
    moment = times.moment(item.at)
    if item.state == "waiting" and item.attempts:
        said = ngettext("tried {count} time, next {moment}", "tried {count} times, next {moment}", item.attempts)
        return said.format(count=item.attempts, moment=moment)
    return moment
