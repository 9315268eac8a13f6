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
from service.mail.mail_service import MailService
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
class MailLinkPage(Page):
    """A page behind a link: a few sentences and its one button, which leads ``to``, or to the page itself; no ``button``: it is done."""

    sentences: tuple[str, ...]
    button: str = ""
    to: str = ""


async def mail_service_of(request: Request) -> MailService:
    """Return the application's mail service."""
    mail_service = request.app.state.mail_service
    assert isinstance(mail_service, MailService)  # noqa: S101 - wiring, not input
    return mail_service


def link_page(
    request: Request,
    title: str,
    *sentences: str,
    button: str = "",
    to: str = "",
    dealer: str | None = None,
    status: int = 200,
) -> Response:
    """Return a page behind a link; see `MailLinkPage`."""
    demo = request.app.state.demo
    page = MailLinkPage(title=title, dealer=dealer, demo=demo, sentences=sentences, button=button, to=to)
    return render(request, "mail/link_page.html", page, status)


TheMailService = Annotated[MailService, Depends(mail_service_of)]


@router.get("/unsubscribe/{token}")
async def ask_to_unsubscribe(request: Request, token: str, mail_service: TheMailService, session: Reading) -> Response:
    """Ask whether the mails are to end."""
    _read(session, mail_service, token)
    said = _("One press of the button, and we write to this address no more.")
    return link_page(request, _("No more mail?"), said, button=_("No more mail, please"))


@router.post("/unsubscribe/{token}")
async def unsubscribe(request: Request, token: str, mail_service: TheMailService, session: Writing) -> Response:
    """End the mails; answered without a redirect, as RFC 8058 wants it."""
    digest, dealer = _read(session, mail_service, token)
    suppression.unsubscribe(session, mail_service, digest, dealer, dt.datetime.now(dt.UTC))
    stays = _("Your shortlist keeps its address, and a trial that is agreed goes on as agreed.")
    return link_page(request, _("You will get no more mail"), stays, _("If you change your mind, tell the dealer."))


def _read(session: Session, mail_service: MailService, token: str) -> tuple[str, str | None]:
    found = suppression.read(session, mail_service, token)
    if found is None:
        raise HTTPException(404)
    return found


@router.get("/confirm/{token}")
async def ask_to_confirm(request: Request, token: str, mail_service: TheMailService) -> Response:
    """Ask whether the address is the reader's."""
    _names(mail_service, token)
    why = _(
        "Anybody can type an address into a form. So we write once only until its reader has said that it is right."
    )
    return link_page(request, _("Is this your address?"), why, button=_("Yes, it is mine"))


@router.post("/confirm/{token}")
async def confirm(request: Request, token: str, mail_service: TheMailService, session: Writing) -> Response:
    """Take the address as confirmed; mails that waited for this go out."""
    mailboxes.confirm(session, *_names(mail_service, token), dt.datetime.now(dt.UTC))
    said = _("Mail that you ask for goes to it from now on. Every mail has a link that ends them.")
    return link_page(request, _("Thank you, your address is confirmed"), said)


def _names(mail_service: MailService, token: str) -> mailboxes.Names:
    found = mailboxes.read(mail_service, token)
    if found is None:
        raise HTTPException(404)
    return found
