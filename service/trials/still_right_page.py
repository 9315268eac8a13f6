"""Where the question behind a kept bow leads: whether it is still the right one. A GET changes nothing; a button does."""

import datetime as dt
from dataclasses import replace
from typing import Literal

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.core.language import _
from service.mail.mail_links import MailLinkPage, TheMailService
from service.trials import still_right
from service.web import costs
from service.web.database_sessions import Reading, Writing
from service.web.rendering import render

router = APIRouter(prefix="/mail")
costs.declare(
    {"GET /mail/still-right/{token}/{answer}": costs.PAGE, "POST /mail/still-right/{token}/{answer}": costs.PAGE}
)
Answer = Literal["yes", "no"]


@router.get("/still-right/{token}/{answer}")
async def ask_still_right(
    request: Request, token: str, answer: Answer, mail_service: TheMailService, session: Reading, done: str = ""
) -> Response:
    """Show the answer that a link holds, with a button that gives it; once given, thank for it."""
    asked = still_right.asked(session, mail_service, token)
    given = asked.answered is (answer == "yes")
    page = _thanks(asked, answer) if done and given else _question(asked, answer)
    return render(request, "mail/link_page.html", replace(page, demo=request.app.state.demo))


@router.post("/still-right/{token}/{answer}")
async def answer_still_right(token: str, answer: Answer, mail_service: TheMailService, session: Writing) -> Response:
    """Keep the answer."""
    still_right.answer(session, mail_service, token, dt.datetime.now(dt.UTC), still_right=answer == "yes")
    return RedirectResponse(f"/mail/still-right/{token}/{answer}?done=yes", 303)


def _question(asked: still_right.StillRightQuestion, answer: Answer) -> MailLinkPage:
    bow = _("The {bow} you kept").format(bow=asked.bow) if asked.bow else _("The bow you kept")
    if answer == "yes":
        return MailLinkPage(
            title=_("It is still the right one"),
            dealer=asked.dealer,
            sentences=(_("{bow} is still the right one: press the button to say so.").format(bow=bow),),
            button=_("Yes, it is"),
        )
    return MailLinkPage(
        title=_("It is not the right one any more"),
        dealer=asked.dealer,
        sentences=(
            _("{bow} is not the right one any more: press the button to say so.").format(bow=bow),
            _("{dealer} will then be told, and will get in touch about giving it back.").format(dealer=asked.dealer),
        ),
        button=_("No, not any more"),
    )


def _thanks(asked: still_right.StillRightQuestion, answer: Answer) -> MailLinkPage:
    more = (
        _("That is good to know, and helps to advise the next player.")
        if answer == "yes"
        else _("{dealer} has been told, and will get in touch about giving it back.").format(dealer=asked.dealer)
    )
    return MailLinkPage(title=_("Thank you, your answer is kept"), dealer=asked.dealer, sentences=(more,))
