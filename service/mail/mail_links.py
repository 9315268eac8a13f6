"""Where the links in mails lead. A GET changes nothing, since mail scanners follow links; a button does.

The one exception is the post of RFC 8058, by which a mail program ends the mails for its reader: it is the same post as the
button's. No token against forgery is needed: the address itself is signed and known to the reader only.
"""

import datetime as dt
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from fastapi.responses import Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.core.language import _
from service.mail import mailboxes, suppression
from service.mail.mail_service import Office
from service.web import costs
from service.web.database_sessions import Reading, Writing
from service.web.page_data import Page
from service.web.rendering import render

router = APIRouter(prefix="/mail")
costs.declare(
    {
        "GET /mail/confirm/{token}": costs.PAGE,
        "POST /mail/confirm/{token}": costs.PAGE,
        "GET /mail/unsubscribe/{token}": costs.PAGE,
        "POST /mail/unsubscribe/{token}": costs.PAGE,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkPage(Page):
    """A page behind a link: what it is about in a few sentences, and its one button; ``button`` empty: it is done.

    ``to``: where the button leads; empty: the page's own address.
    """

    sentences: tuple[str, ...]
    button: str = ""
    to: str = ""


def office_of(request: Request) -> Office:
    """Return the application's office."""
    office = request.app.state.office
    assert isinstance(office, Office)  # noqa: S101 - wiring, not input
    return office


AnOffice = Annotated[Office, Depends(office_of)]


@router.get("/unsubscribe/{token}")
async def ask_to_unsubscribe(request: Request, token: str, office: AnOffice, session: Reading) -> Response:
    """Ask whether the mails are to end."""
    _read(session, office, token)
    page = LinkPage(
        title=_("No more mail?"),
        sentences=(_("One press of the button, and we write to this address no more."),),
        button=_("No more mail, please"),
        demo=request.app.state.demo,
    )
    return render(request, "mail/link_page.html", page)


@router.post("/unsubscribe/{token}")
async def unsubscribe(request: Request, token: str, office: AnOffice, session: Writing) -> Response:
    """End the mails; answered without a redirect, as RFC 8058 wants it."""
    digest, dealer = _read(session, office, token)
    suppression.unsubscribe(session, office, digest, dealer, dt.datetime.now(dt.UTC))
    page = LinkPage(
        title=_("You will get no more mail"),
        sentences=(
            _("Your shortlist keeps its address, and a trial that is agreed goes on as agreed."),
            _("If you change your mind, tell the dealer."),
        ),
        demo=request.app.state.demo,
    )
    return render(request, "mail/link_page.html", page)


def _read(session: Session, office: Office, token: str) -> tuple[str, str | None]:
    found = suppression.read(session, office, token)
    if found is None:
        raise HTTPException(404)
    return found


@router.get("/confirm/{token}")
async def ask_to_confirm(request: Request, token: str, office: AnOffice) -> Response:
    """Ask whether the address is the reader's."""
    _names(office, token)
    page = LinkPage(
        title=_("Is this your address?"),
        sentences=(
            _(
                "Anybody can type an address into a form. So we write once only until its reader has said that it is right."
            ),
        ),
        button=_("Yes, it is mine"),
        demo=request.app.state.demo,
    )
    return render(request, "mail/link_page.html", page)


@router.post("/confirm/{token}")
async def confirm(request: Request, token: str, office: AnOffice, session: Writing) -> Response:
    """Take the address as confirmed; mails that waited for this go out."""
    mailboxes.confirm(session, *_names(office, token), dt.datetime.now(dt.UTC))
    page = LinkPage(
        title=_("Thank you, your address is confirmed"),
        sentences=(_("Mail that you ask for goes to it from now on. Every mail has a link that ends them."),),
        demo=request.app.state.demo,
    )
    return render(request, "mail/link_page.html", page)


def _names(office: Office, token: str) -> mailboxes.Names:
    found = mailboxes.read(office, token)
    if found is None:
        raise HTTPException(404)
    return found
