"""A trial from a signed link: on the phone of a player at home, or of the listener across the room.

With scripts the page plays the trial through without network; without them its plain forms do the same, one bow a page.
"""

import datetime as dt
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from service.core import formats, times
from service.core.errors import NotFoundError
from service.core.language import _
from service.devices import plain_sheets
from service.mail.mail_links import link_page
from service.questionnaire.choices import ScaleWords
from service.trials import rater_links, screen_words, sheets, sittings
from service.web import costs
from service.web.bodies import Form
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import Links, ScreenPage
from service.web.page_data import FormPage, Typed
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /play/{token}": costs.PAGE,
        "GET /play/{token}/{position}": costs.PAGE,
        "POST /play/{token}/sitting": costs.PAGE,
        "POST /play/{token}/{position}": costs.PAGE,
    }
)
OVERALL = "overall"


@router.get("/play/{token}")
async def begin(request: Request, token: str, links: Links, session: Reading) -> Response:
    """Show how the trial goes, and its bows by letter."""
    seat = rater_links.read(session, token, signer=links)
    if not seat.begun:
        return _not_begun(request, seat)
    screen = sheets.for_screen(session, seat.trial, seat.rater)
    told = {"seat": seat.id, "token": token, "closed": seat.closed, "screen": None if seat.closed else screen}
    page = ScreenPage(
        title=screen["title"],
        dealer=seat.dealer_name,
        demo=request.app.state.demo,
        words=screen_words.of_script(),
        given=told,
    )
    parts = {name: screen[name] for name in ("slots", "rated", "plays", "cautions")}
    parts |= {"action": f"/play/{token}", "csrf": request.app.state.tokens.make(f"play:{seat.id}")}
    stands = {"closed": seat.closed, "again": screen["again"] and not seat.closed, "listener": seat.rater == "listener"}
    return render(
        request,
        "devices/link.html",
        page,
        warms_up=seat.rater == "player" and any(slot["own"] for slot in screen["slots"]),
        name=lambda slot: _name(slot, screen["own_name"]),
        was_due=_was_due(screen["due_back"]),
        **(parts | stands),
    )


def _not_begun(request: Request, seat: rater_links.SeatInfo) -> Response:
    """Say that a trial has not begun, and what to do: whoever has the link may know."""
    if seat.by_post:
        said = _(
            "Your parcel from {dealer} has not been sent yet. Keep this link: once the parcel is on its way, the sheets open here."
        )
        more = _("The bows are with you already? Then please tell {dealer}, and open this link again.")
    else:
        said = _("{dealer} has not opened this trial yet. Keep this link: once it is opened, the sheets are here.")
        more = _("The bows are on the table already? Then please tell your adviser, and open this link again.")
    name = seat.dealer_name
    return link_page(request, _("Not begun yet"), said.format(dealer=name), more.format(dealer=name), dealer=name)


def _was_due(day: str | None) -> str:
    """Return the day by which the bows were due back, in words; empty while it is not over."""
    due = dt.date.fromisoformat(day) if day else None
    return formats.day(due) if due and due < times.today() else ""


@router.post("/play/{token}/sitting")
async def play_again(request: Request, token: str, form: Form, links: Links, session: Writing) -> Response:
    """Begin another sitting, under the same letters; while one is going on, go on with it."""
    seat = rater_links.read(session, token, signer=links)
    request.app.state.tokens.require(f"play:{seat.id}", next(iter(form.get("csrf", ())), ""))
    if seat.closed or seat.rater != "player":
        raise NotFoundError
    sittings.begin(session, seat.dealer, seat.trial)
    return RedirectResponse(f"/play/{token}", 303)


@router.get("/play/{token}/{position}")
async def ask(request: Request, token: str, position: int, links: Links, session: Reading) -> Response:
    """Show one bow's sheet as a plain form, with what was filled in before."""
    seat = rater_links.read(session, token, signer=links)
    screen = sheets.for_screen(session, seat.trial, seat.rater)
    slot = plain_sheets.slot_at(screen, position)
    typed = plain_sheets.filled(session, seat, position)
    fields = {name: [str(value)] for name, value in typed.ratings.items()} if typed else {}
    note = [typed.note] if typed and typed.note else []
    return _bow(request, token, seat, screen, slot, Typed({**fields, "note": note}, {}))


@router.post("/play/{token}/{position}")
async def answer(request: Request, token: str, position: int, form: Form, links: Links, session: Writing) -> Response:
    """Keep one bow's sheet and go on to the next."""
    seat = rater_links.read(session, token, signer=links)
    request.app.state.tokens.require(f"play:{seat.id}", next(iter(form.get("csrf", ())), ""))
    screen = sheets.for_screen(session, seat.trial, seat.rater)
    slot = plain_sheets.slot_at(screen, position)
    ratings = _ratings(screen, form)
    if OVERALL not in ratings:
        fault = screen_words.SAID["needed"]
        return _bow(request, token, seat, screen, slot, Typed(form, {OVERALL: _(fault)}), status=422)
    may_help = {"yes": True, "no": False}.get(next(iter(form.get("may_help", ())), ""))
    plain_sheets.record(session, seat, slot, ratings, next(iter(form.get("note", ())), "")[:1000], may_help)
    if "strokes" in form.get("then", ()):
        return RedirectResponse(f"/play/{token}/{position}/strokes", 303)
    remaining = [each["position"] for each in screen["slots"] if each["position"] > position]
    return RedirectResponse(f"/play/{token}/{remaining[0]}" if remaining else f"/play/{token}", 303)


def _ratings(screen: Mapping[str, Any], form: Mapping[str, list[str]]) -> dict[str, Any]:
    chosen = {each["name"]: next(iter(form.get(each["name"], ())), "") for each in screen["criteria"]}
    return {name: int(value) if value in set("1234567") else value for name, value in chosen.items() if value}


def _name(slot: Mapping[str, Any], own_name: str) -> str:
    return own_name if slot["own"] else _("Bow {letter}").format(letter=slot["letter"])


def _bow(
    request: Request,
    token: str,
    seat: rater_links.SeatInfo,
    screen: Mapping[str, Any],
    slot: Mapping[str, Any],
    typed: Typed,
    status: int = 200,
) -> Response:
    if seat.closed and status == 200:
        raise NotFoundError
    positions = [each["position"] for each in screen["slots"]]
    index = positions.index(slot["position"])
    last = index + 1 == len(positions)
    page = FormPage(
        title=_name(slot, screen["own_name"]),
        demo=request.app.state.demo,
        action=f"/play/{token}/{slot['position']}",
        csrf=request.app.state.tokens.make(f"play:{seat.id}"),
        typed=typed,
    )
    return render(
        request,
        "devices/bow.html",
        page,
        status,
        back=f"/play/{token}/{positions[index - 1]}" if index else f"/play/{token}",
        place=_(screen_words.SAID["bow"]).format(place=index + 1, all=len(positions)),
        letter=slot["letter"],
        own=screen["own_name"] if slot["own"] else "",
        next=_("Save, and finish") if last else _("Save, and the next bow"),
        scales=tuple(
            ScaleWords(each["name"], each["question"], each["low"], each["high"]) for each in screen["criteria"]
        ),
        listener=seat.rater == "listener",
        plays=tuple(screen["plays"]),
        asks=screen["ask_model"] and not screen["rated"],
    )
