"""The JSON API's reading of enquiries and trials, for a dealer's own server: what the ids in messages stand for."""

from functools import partial
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path
from fastapi.responses import JSONResponse
from pydantic import Field

from service.dealers.keyed import FROM_SERVER, ServerReads
from service.trials import told_to_servers
from service.trials.trials_api import TrialKey
from service.web import api_schema
from service.web.api_pages import BY_SERVER, After, Listed, listed, one, page
from service.web.api_schema import Answer

router = APIRouter()
_get = partial(router.get, openapi_extra=BY_SERVER, dependencies=FROM_SERVER)
ENQUIRIES, TRIALS = "/api/v1/enquiries", "/api/v1/trials"
EnquiryKey = Annotated[str, Path(max_length=200, json_schema_extra={"minLength": 1, "pattern": "^[^/]+$"})]


class EnquiryListed(Answer):
    """An enquiry in a list."""

    id: str
    created_at: str
    instrument: str
    hold: str | None
    player: str | None = Field(description="the key of the player it is known to be of, once a trial was composed")
    trials: list[str] = Field(description="the ids of the trials that were composed from it")
    settled: bool = Field(description="put aside at the desk without a trial")


class Enquiries(Listed):
    """A page of enquiries, the oldest first."""

    enquiries: list[EnquiryListed]


class Enquiry(EnquiryListed):
    """An enquiry: what was answered, by whom, and what was advised."""

    language: str
    answers: dict[str, Any] = Field(description="as a `Questionnaire`, without the contact")
    contact: dict[str, Any] | None = Field(description="name, email, phone, consent; null: none given, or erased")
    advice: api_schema.Advice


class TrialListed(Answer):
    """A trial in a list."""

    id: str
    number: int
    state: Literal["planned", "open", "closed", "cancelled"]
    date: str
    hour: str | None = Field(description="by the shop's clock, as 15:30; null: not agreed")
    due_back: str | None
    instrument: str
    hold: str | None
    place: str
    blinding: str
    enquiry: str | None
    player: str
    sheets_in: int = Field(ge=0, description="places that the player has rated")
    sheets_of: int = Field(ge=0)
    revealed: bool
    outcome: str | None = Field(description="the newest; null: none is recorded")


class Trials(Listed):
    """A page of trials, in the order in which they were composed."""

    trials: list[TrialListed]


class PlaceTold(Answer):
    """One place in the order; which bow it is only once the key is revealed, and null for the own bow."""

    position: int
    letter: str
    own: bool
    copy_: str | None = Field(alias="copy")


class SittingTold(Answer):
    """A later sitting at home: the same bows under the same letters, at places of their own."""

    sitting: int = Field(ge=2)
    date: str | None = Field(description="the day on which it was begun")
    runs: list[PlaceTold]


class OutcomeTold(Answer):
    """What came of it, one of several perhaps."""

    outcome: str
    copy_: str | None = Field(alias="copy")
    reason: str | None
    date: str
    price: float | None = Field(None, description="what was paid for the bow kept; null: not known")
    currency: str | None = None


class Trial(TrialListed):
    """A trial: its order, its bows by serial (not by letter), and what came of it."""

    minutes: int
    runs: list[PlaceTold] = Field(description="of the first sitting")
    later_sittings: list[SittingTold] = Field([], description="by post, where the player played them on further days")
    copies: list[str]
    outcomes: list[OutcomeTold]


@_get(ENQUIRIES, summary="The dealer's enquiries, the oldest first", responses=listed(Enquiries))
async def enquiries(at: ServerReads, after: After = "") -> JSONResponse:
    """List enquiries; the last page's `after` asks later for what came since."""
    return page(
        ENQUIRIES, "enquiries", lambda mark: told_to_servers.enquiries(at.session, at.dealer, mark), after, at.mark
    )


@_get(
    ENQUIRIES + "/{enquiry}",
    summary="One enquiry: answers, contact and the advice that was given",
    responses=one(Enquiry, "The enquiry"),
)
async def enquiry(enquiry: EnquiryKey, at: ServerReads) -> JSONResponse:
    """Tell one enquiry; another dealer's is not there."""
    return JSONResponse(told_to_servers.enquiry(at.session, at.dealer, enquiry) | at.mark)


@_get(TRIALS, summary="The dealer's trials, in the order in which they were composed", responses=listed(Trials))
async def trials(at: ServerReads, after: After = "") -> JSONResponse:
    """List trials; the last page's `after` asks later for what came since."""
    return page(TRIALS, "trials", lambda mark: told_to_servers.trials(at.session, at.dealer, mark), after, at.mark)


@_get(
    TRIALS + "/{trial}",
    summary="One trial: its order by letter, its bows, what came of it",
    responses=one(Trial, "The trial"),
)
async def trial(trial: TrialKey, at: ServerReads) -> JSONResponse:
    """Tell one trial; which bow a letter is, only once the key is revealed."""
    return JSONResponse(told_to_servers.trial(at.session, at.dealer, trial) | at.mark)
