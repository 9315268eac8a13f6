"""A player's result as a page: behind a mail's link, and for the tablet that was in the player's hand. A GET changes nothing."""

import datetime as dt

from fastapi import APIRouter, Request
from fastapi.responses import Response

from service.core import language
from service.core.language import _
from service.dealers import site
from service.mail.mail_links import MailLinkPage, TheMailService
from service.trials import player_result, result_words
from service.trials.player_result import PlayerResult
from service.web import costs
from service.web.database_sessions import Reading
from service.web.page_data import Look, Page
from service.web.rendering import render

router = APIRouter()
costs.declare({"GET /result/{token}": 2 * costs.PAGE})


@router.get("/result/{token}")
async def show(request: Request, token: str, mail_service: TheMailService, session: Reading) -> Response:
    """Show the result behind a mail's link; where its time is over, that it is."""
    result, is_over = player_result.of_link(session, mail_service.signer, token, dt.datetime.now(dt.UTC))
    language.carry_on(result.language)
    if not is_over:
        return shown(request, result, site.look(session, result.dealer))
    sentence = _("Links in mails end after a while. {dealer} has your result and can print it for you.")
    page = MailLinkPage(
        title=_("This link is over"),
        dealer=result.dealer_name,
        demo=request.app.state.demo,
        sentences=(sentence.format(dealer=result.dealer_name),),
    )
    return render(request, "mail/link_page.html", page, 410)


def shown(request: Request, result: PlayerResult, look: Look | None = None) -> Response:
    """Show a result."""
    page = Page(title=result_words.title(result), dealer=result.dealer_name, demo=request.app.state.demo, look=look)
    return render(request, "trials/result.html", page, result=result, words=result_words)
