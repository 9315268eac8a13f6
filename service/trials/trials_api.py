"""The JSON API's trials, for a dealer's own server: compose one, see how it stands, say what came of it."""

from typing import Annotated, Any

from fastapi import APIRouter, Path
from fastapi.responses import JSONResponse
from pydantic import Field

from service.dealers.keyed import FROM_SERVER, ServerReads, ServerWrites
from service.questionnaire import forms
from service.questionnaire.server_fields import OutcomeIn, TrialIn
from service.trials import by_server
from service.web import api_schema
from service.web.api_pages import BY_SERVER
from service.web.api_schema import Answer, Tested
from service.web.device_requests import Json

router = APIRouter()
TrialKey = Annotated[str, Path(max_length=200, json_schema_extra={"minLength": 1, "pattern": "^[^/]+$"})]


class PlaceInOrder(Answer):
    """One place in the order: the bow's letter, empty for the player's own."""

    position: int
    letter: str
    own: bool


class TrialMade(Tested):
    """A trial's order. ``player`` is the key by which the next trial of the same player is known."""

    id: str
    number: int
    state: str
    player: str
    runs: list[PlaceInOrder]


class BowFit(Answer):
    """The rating this player would give to this bow again, and its bounds."""

    expected: float
    low: float
    high: float
    level: float


class BowStands(Answer):
    """One bow, by letter; ``copy`` only once the key is revealed; ``fit`` and ``best`` once it was played."""

    letter: str
    letters: list[str]
    own: bool
    plays: int
    fit: BowFit | None
    best: float | None
    copy_: str | None = Field(alias="copy")


class Advised(Answer):
    """What to do next: go_on, replay, bring_more or stop."""

    say: str
    letters: list[str]
    tier: str | None
    text: str


class Standing(Tested):
    """How a trial stands."""

    bows: list[BowStands]
    recommendation: Advised
    revealed: bool
    sheets_in: int
    sheets_of: int
    basis: str
    notes: list[str]


class OutcomeStored(Tested):
    """What was recorded."""

    outcome: str
    copy_: str | None = Field(alias="copy")
    reason: str | None
    date: str
    price: float | None = Field(None, description="what was paid for the bow kept; null: not known")
    currency: str | None = None


def _responses(model: type[Answer], said: str) -> dict[int | str, dict[str, Any]]:
    return {
        200: {"model": model, "description": said},
        **api_schema.errors(400, 401, 403, 404, 408, 409, 413, 415, 421, 422, 429, 500, 503),
    }


def _body(form: type[TrialIn] | type[OutcomeIn]) -> dict[str, Any]:
    """Describe a body that the route reads itself."""
    reference = {"$ref": f"#/components/schemas/{form.__name__}"}
    return {**BY_SERVER, "requestBody": {"required": True, "content": {"application/json": {"schema": reference}}}}


@router.post(
    "/api/v1/trials",
    summary="Compose a trial: letters and order are drawn, the bows set aside",
    responses=_responses(TrialMade, "Composed; the same `id` again returns the same trial"),
    openapi_extra=_body(TrialIn),
    dependencies=FROM_SERVER,
)
async def compose(content: Json, at: ServerWrites) -> JSONResponse:
    """Compose a trial; which bow a letter is, is told by the key on paper alone, until it is revealed."""
    return JSONResponse(by_server.compose(at.session, at.dealer, forms.read_as(TrialIn, content)) | at.mark)


@router.get(
    "/api/v1/trials/{trial}/standing",
    summary="How the bows of a trial stand, by letter, and what to do next",
    responses=_responses(Standing, "How it stands"),
    openapi_extra=BY_SERVER,
    dependencies=FROM_SERVER,
)
async def standing(trial: TrialKey, at: ServerReads) -> JSONResponse:
    """Tell how a trial stands after the sheets so far."""
    return JSONResponse(by_server.tell(at.session, at.dealer, trial) | at.mark)


@router.post(
    "/api/v1/trials/{trial}/outcome",
    summary="Record what came of a trial; the same again changes nothing",
    responses=_responses(OutcomeStored, "Recorded"),
    openapi_extra=_body(OutcomeIn),
    dependencies=FROM_SERVER,
)
async def outcome(trial: TrialKey, content: Json, at: ServerWrites) -> JSONResponse:
    """Record what came of a trial; a bow that was kept is sold."""
    told = by_server.outcome(at.session, at.dealer, trial, forms.read_as(OutcomeIn, content))
    return JSONResponse(told | at.mark)
