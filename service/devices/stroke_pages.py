"""The eight strokes of a bow from a player's link, without a script: one stroke a page, each kept as soon as it is marked."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy.orm import Session

from service.core.errors import NotFoundError
from service.core.language import _
from service.devices import plain_sheets
from service.trials import rater_links, screen_words, sheets, strokes
from service.trials.strokes import WORDS
from service.web import costs
from service.web.bodies import Form
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import Links
from service.web.page_data import FormPage, Typed
from service.web.rendering import render

router = APIRouter()
costs.declare(
    {
        "GET /play/{token}/{position}/strokes": costs.PAGE,
        "GET /play/{token}/{position}/strokes/{number}": costs.PAGE,
        "POST /play/{token}/{position}/strokes/{number}": costs.PAGE,
    }
)


@dataclass(frozen=True, slots=True)
class ProbedPlace:
    """One bow whose strokes are played: its place in the trial, the order of its strokes, how they are marked so far."""

    seat: rater_links.SeatInfo
    slot: Mapping[str, Any]
    name: str
    address: str
    probe: Mapping[str, Any]
    order: list[int]
    marks: tuple[int | None, ...]

    @property
    def next(self) -> int | None:
        """The first stroke in its order that is not marked, counted from 1."""
        return next((at for at, place in enumerate(self.order, 1) if self.marks[place] is None), None)


def _found(session: Session, links: Links, token: str, position: int) -> ProbedPlace:
    seat = rater_links.read(session, token, signer=links)
    screen = sheets.for_screen(session, seat.trial, seat.rater)
    slot, probe = plain_sheets.slot_at(screen, position), screen["probe"]
    if probe is None:
        raise NotFoundError
    name = screen["own_name"] if slot["own"] else _("Bow {letter}").format(letter=slot["letter"])
    marks = plain_sheets.marks(plain_sheets.filled(session, seat, position))
    return ProbedPlace(seat, slot, name, f"/play/{token}/{position}", probe, probe["orders"][str(position)], marks)


async def _reading(token: str, position: int, links: Links, session: Reading) -> ProbedPlace:
    at = _found(session, links, token, position)
    if at.seat.closed:
        raise NotFoundError
    return at


Asked = Annotated[ProbedPlace, Depends(_reading)]


@router.get("/play/{token}/{position}/strokes")
async def begin(request: Request, at: Asked) -> Response:
    """Say what the strokes are for, and how far one is."""
    return _show(request, at, 0)


@router.get("/play/{token}/{position}/strokes/{number}")
async def ask(request: Request, number: int, at: Asked) -> Response:
    """Show one stroke, by its place in the bow's own order."""
    if not 1 <= number <= len(at.order):
        raise NotFoundError
    return _show(request, at, number)


@router.post("/play/{token}/{position}/strokes/{number}")
async def answer(
    request: Request, token: str, position: int, number: int, form: Form, links: Links, session: Writing
) -> Response:
    """Keep how a stroke was marked, and go on to the next; of a link that was closed meanwhile, to what is said of that."""
    at = _found(session, links, token, position)
    request.app.state.tokens.require(f"play:{at.seat.id}", next(iter(form.get("csrf", ())), ""))
    if not 1 <= number <= len(at.order):
        raise NotFoundError
    given = form.get("mark", [])
    if len(given) != 1 or given[0] not in WORDS:
        twice = _("This stroke was marked twice; nothing was kept. Choose one of the three.")
        fault = twice if len(given) > 1 else _("Choose one of the three: clean, noisy or broken.")
        return _show(request, at, number, fault)
    marks = list(at.marks)
    marks[at.order[number - 1]] = list(WORDS).index(given[0])
    plain_sheets.mark(session, at.seat, at.slot, marks)
    if at.seat.closed:
        return RedirectResponse(f"/play/{token}", 303)
    onward = f"/{number + 1}" if number < len(at.order) else ""
    return RedirectResponse(f"{at.address}/strokes{onward}", 303)


def _show(request: Request, at: ProbedPlace, number: int, fault: str = "") -> Response:
    """Show a stroke; 0: what they are for, and what came of them."""
    stroke = at.order[number - 1] if number else None
    mark = None if stroke is None else at.marks[stroke]
    which = screen_words.SAID["stroke"]
    title = _(which).format(place=number, all=len(at.order)) if number else _("Eight strokes")
    page = FormPage(
        title=title,
        demo=request.app.state.demo,
        action=f"{at.address}/strokes/{number}",
        csrf=request.app.state.tokens.make(f"play:{at.seat.id}"),
        typed=Typed({}, {"mark": fault} if fault else {}),
    )
    settings = at.probe["strokes"][stroke] if stroke is not None else []
    asked = {"at": at, "number": number, "settings": settings, "chosen": "" if mark is None else list(WORDS)[mark]}
    asked |= {"begun": any(each is not None for each in at.marks), "count": strokes.count(at.marks)}
    return render(request, "devices/strokes.html", page, 422 if fault else 200, words=strokes, **asked)
