"""The answer's page, at an address of its own, and the way back into the questions."""

import datetime as dt

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.advice import advise, shortlist, why
from service.core import language
from service.core.language import _
from service.dealers import shop_card, site
from service.form import drafts
from service.players import data_links
from service.questionnaire import answer_summary
from service.web import costs
from service.web.bodies import Form, first
from service.web.database_sessions import Reading, Writing
from service.web.page_data import Page
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /advice/{address}": 2 * costs.PAGE,
        # Worked out once for each state of the range, which takes as long as some advices.
        "GET /advice/{address}/why": costs.ADVICE,
        "POST /advice/{address}/again": costs.PAGE,
    }
)


def link(session: Session, draft: drafts.Draft) -> str:
    """Return the address of a finished draft's answer."""
    return path(drafts.result_address(session, draft))


def path(address: str) -> str:
    """Return the path of the answer at an unguessable address."""
    return f"/advice/{address}"


@router.get("/advice/{address}")
async def show(request: Request, address: str, session: Reading) -> Response:
    """Show what was advised, as it was stored."""
    doc = advise.stored(session, address)
    if doc is None:
        raise HTTPException(404)
    language.carry_on(advise.language_of(session, address))
    dealer = doc["answers"].get("dealer")
    page = shortlist.page_of(
        doc,
        address=path(address),
        csrf=request.app.state.tokens.make(address),
        why=f"/advice/{address}/why" if doc.get("verdict") else "",
        dealer=drafts.dealer_name(session, dealer),
        demo=request.app.state.demo,
        look=site.look(session, dealer) if dealer else None,
        data=data_links.of_answer(request.app.state.mail_service.signer, doc["id"], dt.datetime.now(dt.UTC)),
        privacy=data_links.privacy_path(dealer),
        shop=shop_card.read(session, dealer),
    )
    return render(request, "advice/result.html", page)


@router.get("/advice/{address}/why")
async def explain(request: Request, address: str, session: Reading) -> Response:
    """Say what each answer did: what would be another without it."""
    doc = advise.stored(session, address)
    if doc is None or not doc.get("verdict"):
        raise HTTPException(404)
    language.carry_on(advise.language_of(session, address))
    dealer = doc["answers"].get("dealer")
    page = Page(
        title=_("What your answers did"),
        dealer=drafts.dealer_name(session, dealer),
        demo=request.app.state.demo,
        look=site.look(session, dealer) if dealer else None,
    )
    told, answers = why.explained(session, address), answer_summary.quiet_line(doc["answers"])
    return render(
        request, "advice/why.html", page, words=why, told=told, doc=doc, answers=answers, back=f"/advice/{address}"
    )


@router.post("/advice/{address}/again")
async def change(request: Request, address: str, form: Form, session: Writing) -> Response:
    """Begin a new draft with these answers in it; the advice given stays as it is."""
    request.app.state.tokens.require(address, first(form, "csrf"))
    language.carry_on(first(form, "lang"))
    doc = advise.stored(session, address)
    if doc is None:
        raise HTTPException(404)
    draft = drafts.begin_again(session, doc)
    return RedirectResponse(f"/form/{draft.address}/{draft.step}", 303)
