"""The player's data: what is kept, why and how long, on one plain page; and the links to read, download and erase one's own.

A GET changes nothing, since mail scanners follow links; a button does. The posts behind a signed link need no other token: the
address itself is signed and known to its reader only.
"""

import json
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service import privacy
from service.core.errors import ConflictError
from service.core.language import _
from service.core.moments import utc_now
from service.dealers import shop_card, site
from service.form import drafts
from service.mail.mail_links import TheMailService, link_page
from service.mail.mail_service import MailService
from service.players import data_links
from service.players.data_links import Opened
from service.players.persons import Person
from service.players.player_words import Made, to_player
from service.privacy import access_requests, privacy_words, retention
from service.questionnaire.field_types import EMAIL
from service.web import costs
from service.web.bodies import Form, first
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import client_of, not_too_often
from service.web.page_data import Fault, FormPage, Page, Typed
from service.web.permissions import RedirectError
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /privacy": costs.PAGE,
        "POST /privacy": 2 * costs.PAGE,
        "GET /data/{token}": 2 * costs.PAGE,
        "GET /data/{token}/download": 2 * costs.PAGE,
        "POST /data/{token}": 2 * costs.PAGE,
        "POST /data/{token}/ask": 2 * costs.PAGE,
        "POST /data/{token}/link": 2 * costs.PAGE,
        "POST /data/{token}/ratings": costs.PAGE,
        "GET /erase/{token}": 2 * costs.PAGE,
        "POST /erase/{token}": 4 * costs.PAGE,
    }
)
PLAIN = "privacy"
"""What the plain page's form token is bound to."""


@router.get("/privacy")
async def plain(request: Request, session: Reading, dealer: str = "", sent: str = "") -> Response:
    """Say what is kept, why, how long, and whom to ask."""
    return _plain(request, session, dealer, Typed({}, {}), sent=bool(sent))


@router.post("/privacy")
async def ask_for_link(
    request: Request, form: Form, mail_service: TheMailService, session: Writing, dealer: str = ""
) -> Response:
    """Mail the link to what is kept under an address; the answer is the same whether anything is."""
    email = first(form, "email").replace("\0", "").strip()
    request.app.state.tokens.require(PLAIN, first(form, "csrf"))
    not_too_often(client_of(request), request.app.state.advice_limit)
    if not EMAIL.fullmatch(email):
        fault = _("This does not look like an e-mail address; expected one like name@example.org.")
        return _plain(request, session, dealer, Typed({"email": [email]}, {"email": fault}), status=422)
    slug = dealer if drafts.dealer_name(session, dealer) else None
    access_requests.send_link(session, mail_service, slug, email, utc_now(), client=client_of(request))
    return RedirectResponse(f"{data_links.privacy_path(slug)}{'&' if slug else '?'}sent=yes#link", 303)


def _plain(
    request: Request, session: Session, dealer: str, typed: Typed, *, sent: bool = False, status: int = 200
) -> Response:
    name = drafts.dealer_name(session, dealer)
    page = FormPage(
        title=_("What is kept, why and how long"),
        dealer=name,
        demo=request.app.state.demo,
        look=site.look(session, dealer) if name else None,
        csrf=request.app.state.tokens.make(PLAIN),
        typed=typed,
        faults=tuple(Fault(field, sentence) for field, sentence in typed.faults.items()),
    )
    slug = dealer if name else ""
    parts: dict[str, Any] = {"slug": slug, "months": retention.months_of(session, slug or None), "sent": sent}
    shop, ask_at = (shop_card.read(session, slug), retention.ask_at(session, slug)) if slug else (None, "")
    return render(request, "privacy/plain.html", page, status, shop=shop, ask_at=ask_at, **parts)


@router.get("/data/{token}")
async def show(
    request: Request, token: str, mail_service: TheMailService, session: Reading, done: str = ""
) -> Response:
    """Show what is kept of a person; behind a link whose time is over, the button that mails a new one."""
    opened = data_links.read(session, mail_service.signer, data_links.DATA, token)
    person = opened.person
    if opened.is_over(utc_now()):
        return _over(request, token, opened, sent=done == "link")
    page = Page(title=_("Your data"), dealer=drafts.dealer_name(session, person.dealer), demo=request.app.state.demo)
    return render(
        request,
        "privacy/data.html",
        page,
        token=token,
        whole=opened.whole,
        has_address=person.email is not None,
        kept=privacy_words.kept(privacy.held(session, person)) if opened.whole else (),
        may_help=access_requests.may_help(session, person) if opened.whole else None,
        done=privacy_words.DONE[done]() if done in privacy_words.DONE else "",
        privacy=data_links.privacy_path(person.dealer),
        played=_played(session, person) if opened.whole else (),
    )


def _played(session: Session, person: Person) -> tuple[Made, ...]:
    """Return what was made of bows, a part for each player that the person is; parts without a bow that say the same stand once."""
    made = [to_player(*each) for each in access_requests.played(session, person)]
    return tuple({each.key if each.lines else each.sentences: each for each in made}.values())


@router.post("/data/{token}/ask")
async def ask_again(
    request: Request, token: str, form: Form, mail_service: TheMailService, session: Writing
) -> Response:
    """Begin a questionnaire with what the person told and rated here in it."""
    opened = _whole(session, mail_service, token)
    not_too_often(client_of(request), request.app.state.advice_limit)
    access_requests.confirm(session, opened, utc_now())
    draft = access_requests.begin(session, opened.person, first(form, "player"))
    return RedirectResponse(f"/form/{draft.address}/{draft.step}", 303)


@router.get("/data/{token}/download")
async def download(token: str, mail_service: TheMailService, session: Writing) -> Response:
    """Hand out what is kept of a person as a file."""
    opened = _whole(session, mail_service, token)
    return as_file(privacy.hand_out(session, opened.person))


def as_file(held: Mapping[str, Any]) -> Response:
    """Return what is kept of a person as a JSON file (RFC 8259), to be kept by whoever asks for it."""
    text = json.dumps(held, ensure_ascii=False, indent=2)
    kept = {"Content-Disposition": 'attachment; filename="my-data.json"'}
    return Response(text, media_type="application/json", headers=kept)


def _whole(session: Session, mail_service: MailService, token: str) -> Opened:
    """Return what a link opens; raises 404 where that is not all that is kept, and leads to its page one whose time is over."""
    opened = data_links.read(session, mail_service.signer, data_links.DATA, token)
    if not opened.whole:
        raise HTTPException(404)
    if opened.is_over(utc_now()):
        raise RedirectError(f"/data/{token}")
    return opened


@router.post("/data/{token}")
async def ask_to_erase(token: str, mail_service: TheMailService, session: Writing) -> Response:
    """Mail the link that erases; where there is no address to write to, lead there at once."""
    opened = _whole(session, mail_service, token)
    path = access_requests.mail_erasure(session, mail_service, opened, utc_now())
    return RedirectResponse(path or f"/data/{token}?done=erasure", 303)


@router.post("/data/{token}/link")
async def ask_for_whole(request: Request, token: str, mail_service: TheMailService, session: Writing) -> Response:
    """Mail the link to all that is kept to the address that was left: from an answer's page, or in place of one that is over."""
    opened = data_links.read(session, mail_service.signer, data_links.DATA, token)
    access_requests.mail_link(session, mail_service, opened.person, utc_now(), client=client_of(request))
    return RedirectResponse(f"/data/{token}?done=link", 303)


@router.post("/data/{token}/ratings")
async def say(token: str, form: Form, mail_service: TheMailService, session: Writing) -> Response:
    """Note whether the ratings may help to advise others."""
    opened = _whole(session, mail_service, token)
    answer = first(form, "may_help")
    if answer not in ("yes", "no"):
        raise ConflictError(_("Say yes or no."))
    access_requests.confirm(session, opened, utc_now())
    access_requests.say(session, None, opened.person, utc_now(), may_help=answer == "yes")
    return RedirectResponse(f"/data/{token}?done=said", 303)


@router.get("/erase/{token}")
async def ask_whether(request: Request, token: str, mail_service: TheMailService, session: Reading) -> Response:
    """Say what would be erased, with the button that does it."""
    opened = data_links.read(session, mail_service.signer, data_links.ERASE, token)
    if opened.is_over(utc_now()):
        return _too_late(request)
    sentences = privacy_words.before_erasing(privacy.would_erase(session, opened.person), opened.person)
    dealer = drafts.dealer_name(session, opened.person.dealer)
    return link_page(request, _("Erase your data?"), *sentences, button=_("Erase my data"), dealer=dealer)


@router.post("/erase/{token}")
async def erase(request: Request, token: str, mail_service: TheMailService, session: Writing) -> Response:
    """Erase what is kept of a person; the link and all others to them lead nowhere from then on."""
    opened = data_links.read(session, mail_service.signer, data_links.ERASE, token)
    if opened.is_over(utc_now()):
        return _too_late(request)
    dealer = drafts.dealer_name(session, opened.person.dealer)
    sentences = privacy_words.after_erasing(privacy.erase(session, None, opened.person))
    return link_page(request, _("Your data is erased"), *sentences, dealer=dealer)


def _over(request: Request, token: str, opened: Opened, *, sent: bool) -> Response:
    title, to = _("This link is too old"), f"/data/{token}/link"
    if sent:
        return link_page(request, title, privacy_words.DONE["link"](), to=to, status=410)
    why = _("A link to one’s own data is good for half a year: mails are passed on, and mailboxes change hands.")
    if opened.person.email is None:
        return link_page(request, title, why, _("The page of your answer has a new one."), to=to, status=410)
    following = _("Press the button, and a new one is sent to the address that was left.")
    return link_page(request, title, why, following, button=_("Send me a new link"), to=to, status=410)


def _too_late(request: Request) -> Response:
    why = _("A link that erases is good for two days, and nothing was erased by this one.")
    following = _("Open the link to your data again, and ask for a new one there.")
    return link_page(request, _("This link is too old"), why, following, status=410)
