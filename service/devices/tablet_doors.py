"""The tablet's doors: its one page, its enrolment, the open trials of its dealer, the pairs of a head-to-head.

What a tablet is told holds letters only.
"""

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, Response
from sqlalchemy.orm import Session

from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.core.language import _
from service.devices import tablets
from service.devices.device_keys import FROM_TABLET
from service.form import drafts
from service.questionnaire.sheet_fields import RUN_ID, CodeIn, PairIn, read
from service.trials import paired_comparison, player_result, result_page, screen_words, screens, sheets
from service.web import costs
from service.web.database_sessions import Reading, Writing
from service.web.device_requests import Json, Key, ScreenPage, client_of, not_too_often, unknown_key
from service.web.rendering import render
from service.web.static_files import STATIC_FILES

router = APIRouter()
costs.declare(
    {
        "GET /tablet": costs.PAGE,
        "GET /tablet/enrol": costs.PAGE,
        "POST /tablet/enrol": costs.SMALL,
        "GET /tablet-worker.js": costs.SMALL,
    }
)
TEMPLATES = Path(__file__).resolve().parents[2] / "templates"
WORKER = "tablet-worker.js"
KEPT = ("faces.css", "tokens.css", "style.css", "tablet.css", "favicon.svg", "tablet.js", "play.js")
"""Of the static files, those that tablet and phone need without network, the scripts of `static/tablet` beside them."""
PAGES = (
    "devices/bow.html",
    "devices/link.html",
    "devices/screens.html",
    "devices/tablet.html",
    "web/kiosk_base.html",
    "web/look.html",
)
SHELL = "/tablet"


@router.get("/tablet")
@router.get("/tablet/enrol")
async def show(request: Request) -> Response:
    """Show the tablet's page; it finds out by itself what comes next."""
    page = ScreenPage(title=_("The tablet of the trial"), demo=request.app.state.demo, words=screen_words.of_script())
    return render(request, "devices/tablet.html", page)


async def _may_try(request: Request) -> None:
    not_too_often(client_of(request), request.app.state.enrol_limit)


@router.post("/tablet/enrol", dependencies=[Depends(_may_try)])
async def enrol(content: Json, session: Writing) -> JSONResponse:
    """Enrol a tablet by its one-time code; its key is told this once."""
    tablet, key = tablets.enrol(session, read(CodeIn, content).code)
    told = {"id": tablet.id, "name": tablet.name, "key": key, "file_key": tablets.file_key(key)}
    dealer = {"dealer": tablet.dealer, "dealer_name": drafts.dealer_name(session, tablet.dealer) or tablet.dealer}
    return JSONResponse(told | dealer, 201)


@router.get("/tablet/trials", dependencies=FROM_TABLET)
async def open_trials(key: Key, session: Reading) -> JSONResponse:
    """Tell the open trials of the tablet's dealer: number and first name, no more."""
    dealer = _known(session, key).dealer
    return JSONResponse({"trials": screens.open_trials(session, dealer)})


@router.get("/tablet/trials/{trial}", dependencies=FROM_TABLET)
async def one_trial(trial: str, key: Key, session: Reading) -> JSONResponse:
    """Tell all that the screen needs to play a trial through without network."""
    dealer = _known(session, key).dealer
    screen = sheets.for_screen(session, trial, "player", dealer)
    return JSONResponse(screen | {"pairs": paired_comparison.state(session, dealer, trial)})


@router.get("/tablet/trials/{trial}/result", dependencies=FROM_TABLET)
async def result(request: Request, trial: str, key: Key, session: Reading) -> Response:
    """Show the result of a trial on the tablet on which it was played; there is none before it is revealed."""
    return result_page.shown(request, player_result.of_dealer(session, _known(session, key).dealer, trial))


@router.put("/tablet/trials/{trial}/pairs/{pair_id}", dependencies=FROM_TABLET)
async def put_pair(trial: str, pair_id: str, content: Json, key: Key, session: Writing) -> JSONResponse:
    """Keep one pair of a head-to-head; the same one again changes nothing."""
    if not RUN_ID.fullmatch(pair_id):
        sentence = _("Expected an id of 8 to 64 letters, digits, hyphens and underscores, as a UUID.")
        raise InvalidInputError([FieldProblem("pair_id", sentence, FieldCode.WRONG_FORM)])
    pair = read(PairIn, content)
    dealer = _known(session, key).dealer
    return JSONResponse(paired_comparison.record_pair(session, dealer, trial, pair_id, pair))


@router.get(f"/{WORKER}")
async def worker() -> Response:
    """Give the service worker, which lets tablet and phone open their page without network."""
    return Response(_worker(), media_type="text/javascript", headers={"Cache-Control": "no-cache"})


@cache
def _worker() -> str:
    """Return the worker's script, headed by what it keeps and a version that changes when any of it does."""
    more = (*sorted((STATIC_FILES / "faces").glob("*.woff2")), *sorted((STATIC_FILES / "tablet").glob("*.js")))
    files = [*(STATIC_FILES / name for name in KEPT), *more]
    pages = [*(TEMPLATES / name for name in PAGES), Path(screen_words.__file__)]
    version = hashlib.sha256()
    for file in (*files, *pages, STATIC_FILES / WORKER):
        version.update(file.read_bytes())
    addresses = [SHELL, *(f"/static/{file.relative_to(STATIC_FILES).as_posix()}" for file in files)]
    head: dict[str, Any] = {"VERSION": version.hexdigest()[:16], "FILES": addresses}
    said = "".join(f"const {name} = {json.dumps(value)};\n" for name, value in head.items())
    return said + (STATIC_FILES / WORKER).read_text(encoding="utf-8")


def _known(session: Session, key: str) -> tablets.TabletInfo:
    tablet = tablets.tablet_of(session, key)
    if tablet is None:
        raise unknown_key()
    return tablet
