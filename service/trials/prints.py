"""What is printed for a trial, each paper at an address of its own; the key too, and for the adviser only."""

from dataclasses import replace
from typing import Any

from fastapi import APIRouter
from fastapi.responses import Response
from markupsafe import Markup
from starlette.exceptions import HTTPException

from service.core.language import _
from service.trials import desk_reads, paper, parcels, player_result, rater_links, result_words, sittings
from service.trials.desk_records import TrialPage
from service.trials.trial_view import Asked, AtTrial
from service.web import desk_frame
from service.web.desk_forms import today
from service.web.device_requests import signer
from service.web.page_data import Page

router = APIRouter(prefix="/desk/trials/{key}/print")


@router.get("/{name}")
async def show(at: Asked, name: str, sitting: str = "") -> Response:
    """Show one paper of a trial, or all of them as one document, ready to be printed; ``sitting``: whose places the sheet has."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if name == "sheet" and sitting and sitting == str(sittings.upcoming(trial)):
        trial = replace(trial, slots=sittings.places(trial, int(sitting)))
    papers = paper.papers(trial)
    if name not in (*papers, "result", paper.ALL) or not trial.slots:
        raise HTTPException(404)
    if name != paper.ALL:
        return _paper(at, trial, name, "trials/print/paper.html")
    within = (_paper(at, trial, each, "trials/print/within.html") for each in papers)
    parts = [Markup(bytes(part.body).decode()) for part in within]  # noqa: S704 - a template's own text, escaped there
    page = Page(title=_("All papers"))
    return desk_frame.show(at.request, at.staff, "trials/print/all.html", page, record=trial, paper=paper, parts=parts)


def _paper(at: AtTrial, trial: TrialPage, name: str, layout: str) -> Response:
    besides = _besides(at, trial, name)
    # What is handed to the player speaks to the player.
    page = Page(title=result_words.title(besides["result"]) if name == "result" else _(paper.PAPERS[name][0]))
    more = {"record": trial, "paper": paper, "layout": layout, **besides}
    return desk_frame.show(at.request, at.staff, f"trials/print/{name}.html", page, **more)


def _besides(at: AtTrial, trial: TrialPage, name: str) -> dict[str, Any]:
    """Return what stands on a paper besides the trial's record, by name."""
    if name == "loan":
        return paper.loan(trial)
    if name == "result":
        return {"result": player_result.of_dealer(at.session, at.staff.dealer, at.key), "words": result_words}
    if name not in ("key", "parcel"):
        return {}
    slots = desk_reads.key_sheet(at.session, at.staff.dealer, at.key)
    if name == "key":
        return {"slots": slots}
    parcel = parcels.of_trial(at.session, at.staff.dealer, at.key)
    paths = rater_links.open_paths(at.session, at.staff.dealer, at.key, signer=signer(at.request))
    return paper.parcel(
        trial, slots, desk_frame.address_of(at.request, paths["player"]) if "player" in paths else ""
    ) | {"to": (parcel.address or "").splitlines()}
