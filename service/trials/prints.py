"""What is printed for a trial, each paper at an address of its own; the key too, and for the adviser only."""

from fastapi import APIRouter
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from service.trials import desk_lines, desk_reads, paper, rater_links
from service.trials.desk_reads import TrialPage
from service.trials.paper import Paper
from service.trials.trial_view import Asked, AtTrial
from service.web import desk_frame
from service.web.desk_forms import today
from service.web.device_requests import signer

router = APIRouter(prefix="/desk/trials/{key}/print")


@router.get("/{name}")
async def show(at: Asked, name: str) -> Response:
    """Show one paper of a trial, ready to be printed."""
    page = _paper(at, name)
    if page is None:
        raise HTTPException(404)
    return desk_frame.show(at.request, at.staff, f"trials/print/{name}.html", page)


def _paper(at: AtTrial, name: str) -> Paper | None:
    """Return a paper; None where the trial has no such paper."""
    trial = desk_reads.trial(at.session, at.staff.dealer, at.key, today())
    if not trial.slots:
        return None
    if name == "key":
        return paper.key(trial, desk_reads.key_sheet(at.session, at.staff.dealer, at.key))
    if name in ("parcel", "loan"):
        return _of_the_parcel(at, trial, name) if desk_lines.is_by_post(trial.row) else None
    makers = {"sheet": paper.sheet, "letters": paper.letters}
    return makers[name](trial) if name in makers else None


def _of_the_parcel(at: AtTrial, trial: TrialPage, name: str) -> Paper:
    if name == "loan":
        return paper.loan(trial)
    return paper.parcel(trial, desk_reads.key_sheet(at.session, at.staff.dealer, at.key), _link(at))


def _link(at: AtTrial) -> str:
    """Return the link to the player's sheets, whole; empty while none is made."""
    paths = rater_links.open_paths(at.session, at.staff.dealer, at.key, signer=signer(at.request))
    return desk_frame.address_of(at.request, paths["player"]) if "player" in paths else ""
