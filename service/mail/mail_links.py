"""Where the links in mails lead. A GET changes nothing, since mail scanners follow links; a button does.

The one exception is the post of RFC 8058, by which a mail program ends the mails for its reader: it is the same post as the
button's. No token against forgery is needed: the address itself is signed and known to the reader only.
"""

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.core.language import _
from service.mail import mailboxes, still_right, suppression
from service.mail.mail_service import Office
from service.web.database_sessions import Reading, Writing
from service.web.page_data import Page
from service.web.rendering import render

router = APIRouter(prefix="/mail")
Answer = Literal["yes", "no"]


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


@router.get("/still-right/{token}/{answer}")
async def ask_still_right(
    request: Request, token: str, answer: Answer, office: AnOffice, session: Reading, done: str = ""
) -> Response:
    """Show the answer that a link holds, with a button that gives it; once given, thank for it."""
    asked = still_right.asked(session, office, token)
    given = asked.answered is (answer == "yes")
    page = _thanks(asked, answer) if done and given else _question(asked, answer)
    return render(request, "mail/link_page.html", _in_demo(request, page))


@router.post("/still-right/{token}/{answer}")
async def answer_still_right(token: str, answer: Answer, office: AnOffice, session: Writing) -> Response:
    """Keep the answer."""
    still_right.answer(session, office, token, dt.datetime.now(dt.UTC), still_right=answer == "yes")
    return RedirectResponse(f"/mail/still-right/{token}/{answer}?done=yes", 303)


def _question(asked: still_right.Asked, answer: Answer) -> LinkPage:
    bow = _("The {bow} you kept").format(bow=asked.bow) if asked.bow else _("The bow you kept")
    if answer == "yes":
        return LinkPage(
            title=_("It is still the right one"),
            dealer=asked.dealer,
            sentences=(_("{bow} is still the right one: press the button to say so.").format(bow=bow),),
            button=_("Yes, it is"),
        )
    return LinkPage(
        title=_("It is not the right one any more"),
        dealer=asked.dealer,
        sentences=(
            _("{bow} is not the right one any more: press the button to say so.").format(bow=bow),
            _("{dealer} will then be told, and will get in touch about giving it back.").format(dealer=asked.dealer),
        ),
        button=_("No, not any more"),
    )


def _thanks(asked: still_right.Asked, answer: Answer) -> LinkPage:
    more = (
        _("That is good to know, and helps to advise the next player.")
        if answer == "yes"
        else _("{dealer} has been told, and will get in touch about giving it back.").format(dealer=asked.dealer)
    )
    return LinkPage(title=_("Thank you, your answer is kept"), dealer=asked.dealer, sentences=(more,))


def _in_demo(request: Request, page: LinkPage) -> LinkPage:
    return LinkPage(
        title=page.title,
        dealer=page.dealer,
        sentences=page.sentences,
        button=page.button,
        demo=request.app.state.demo,
    )
