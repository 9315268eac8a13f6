"""The answer's page, at an address of its own, and the way back into the questions."""

import datetime as dt
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.advice import advise, influence_words, mailed, shortlist
from service.core import formats, language
from service.core.errors import InvalidInputError
from service.core.language import _
from service.dealers import shop_card, site
from service.form import drafts, step_pages
from service.players import data_links
from service.questionnaire import answer_summary, asking
from service.web import costs, desk_frame, qr
from service.web.bodies import Form, first
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import client_of, not_too_often
from service.web.page_data import Fault, FormPage, Typed
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /advice/{address}": 2 * costs.PAGE,
        # Worked out once for each state of the range, which takes as long as some advices.
        "GET /advice/{address}/why": costs.ADVICE,
        "GET /advice/{address}/print": 2 * costs.PAGE,
        "POST /advice/{address}/again": costs.PAGE,
        "POST /advice/{address}/mail": 2 * costs.PAGE,
    }
)


_MAIL_FIELDS = (mailed.EMAIL_FIELD, mailed.KEEP, mailed.WRITE)
_LONGEST = 400
"""Letters that a field is read to; no address is as long."""


def link(session: Session, draft: drafts.Draft) -> str:
    """Return the address of a finished draft's answer."""
    return path(str(advise.address_of(session, draft.enquiry)))


def path(address: str) -> str:
    """Return the path of the answer at an unguessable address."""
    return f"/advice/{address}"


@router.get("/advice/{address}")
async def show(request: Request, address: str, session: Reading) -> Response:
    """Show what was advised, as it was stored."""
    return _answer(request, session, address, Typed({}, {}))


def _answer(request: Request, session: Session, address: str, typed: Typed, status: int = 200) -> Response:
    """Return the answer's page; ``typed``: what stands in the form that has it mailed."""
    answer = _stored(session, address)
    doc, may_be_mailed, dealer = answer.advice, not answer.has_address, answer.advice["answers"].get("dealer")
    shop = site.front(session, dealer)
    page, parts = _parts(request, session, address, answer, shop, typed if may_be_mailed else Typed({}, {}))
    asked = asking.of_step(step_pages.CONTACT, typed.fields, None, at_dealer=bool(dealer))
    return render(
        request,
        "advice/result.html",
        page,
        status,
        **parts,
        may_be_mailed=may_be_mailed,
        mail_fields=[each for each in asked if each.field in _MAIL_FIELDS],
        told=mailed.told(session, doc["id"], shop.zone),
        why=f"/advice/{address}/why" if doc.get("verdict") else "",
        data=data_links.of_answer(request.app.state.mail_service.signer, doc["id"], dt.datetime.now(dt.UTC)),
        privacy=data_links.privacy_path(dealer),
    )


def _stored(session: Session, address: str) -> advise.StoredAnswer:
    """Return the answer at an address, and speak the language that it was asked for in; raises 404 where there is none."""
    answer = advise.stored(session, address)
    if answer is None:
        raise HTTPException(404)
    language.carry_on(answer.language)
    return answer


def _page(request: Request, shop: site.Front, title: str, typed: Typed, csrf: str = "") -> FormPage:
    return FormPage(
        title=title,
        dealer=shop.name,
        demo=request.app.state.demo,
        look=shop.look,
        csrf=csrf,
        typed=typed,
        faults=tuple(Fault(field, sentence) for field, sentence in typed.faults.items()),
    )


def _parts(
    request: Request, session: Session, address: str, answer: advise.StoredAnswer, shop: site.Front, typed: Typed
) -> tuple[FormPage, dict[str, Any]]:
    """Return the page of an answer, and by name what stands on it on the screen and on paper alike."""
    told = shortlist.told(answer.advice)
    page = _page(request, shop, told["title"], typed, request.app.state.tokens.make(address))
    card = shop_card.read(session, answer.advice["answers"].get("dealer"))
    return page, {"advice": told, "address": path(address), "shop": card}


@router.get("/advice/{address}/print")
async def on_paper(request: Request, address: str, session: Reading) -> Response:
    """Show the answer as one sheet of paper, with the code by which the desk finds it; none of it opens anything to a stranger."""
    answer = _stored(session, address)
    doc, shop = answer.advice, site.front(session, answer.advice["answers"].get("dealer"))
    page, parts = _parts(request, session, address, answer, shop, Typed({}, {}))
    at_desk = desk_frame.address_of(request, f"/desk/enquiries/{doc['id']}")
    return render(
        request,
        "advice/paper.html",
        page,
        **parts,
        number=formats.enquiry_number(doc["id"]),
        made=doc["created"],
        code=qr.svg(at_desk, _("The code by which the shop finds this answer")) if page.dealer else None,
    )


@router.post("/advice/{address}/mail")
async def mail_it(request: Request, address: str, form: Form, session: Writing) -> Response:
    """Have the answer mailed to somebody who left no address before."""
    request.app.state.tokens.require(address, first(form, "csrf"))
    language.carry_on(first(form, "lang"))
    given = {name: first(form, name)[:_LONGEST].replace("\0", "") for name in _MAIL_FIELDS}
    client = client_of(request)
    not_too_often(client, request.app.state.advice_limit)
    try:
        mailed.ask(session, address, given, client)
    except InvalidInputError as error:
        typed = Typed(
            {name: [value] for name, value in given.items()}, {each.path: each.message for each in error.problems}
        )
        return _answer(request, session, address, typed, 422)
    return RedirectResponse(f"{path(address)}#mail", 303)


@router.get("/advice/{address}/why")
async def explain(request: Request, address: str, session: Reading) -> Response:
    """Say what each answer did: what would be another without it."""
    doc = _stored(session, address).advice
    if not doc.get("verdict"):
        raise HTTPException(404)
    shop = site.front(session, doc["answers"].get("dealer"))
    page = _page(request, shop, _("What your answers did"), Typed({}, {}))
    said: dict[str, Any] = {"words": influence_words, "told": influence_words.explained(session, address), "doc": doc}
    answers = answer_summary.quiet_line(doc["answers"])
    return render(request, "advice/why.html", page, **said, answers=answers, back=path(address))


@router.post("/advice/{address}/again")
async def change(request: Request, address: str, form: Form, session: Writing) -> Response:
    """Begin a new draft with these answers in it, at the bows played already where the button says so; the advice given stays."""
    request.app.state.tokens.require(address, first(form, "csrf"))
    language.carry_on(first(form, "lang"))
    answer = advise.stored(session, address)
    if answer is None:
        raise HTTPException(404)
    draft = drafts.begin_again(session, answer.advice)
    if first(form, "go") == step_pages.TRIED and step_pages.asks_tried(draft):
        return RedirectResponse(f"/form/{draft.address}/{step_pages.TRIED}{step_pages.CHECKING}", 303)
    return RedirectResponse(f"/form/{draft.address}/{draft.step}", 303)
