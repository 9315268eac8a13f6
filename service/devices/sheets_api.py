"""The API's door for sheets: a tablet, a phone or a listener puts them here, as often as it takes."""

from typing import Annotated, Any

from fastapi import APIRouter, Path, Request
from fastapi.responses import JSONResponse
from sqlalchemy.orm import Session
from starlette.exceptions import HTTPException

from service.core import dealer_wall
from service.core.errors import ConflictError, FieldCode, FieldProblem, InvalidInputError, NotFoundError
from service.core.group_commit import Together
from service.core.language import _
from service.core.signed_links import Signer
from service.dealers import keyed
from service.devices import device_keys, senders, tablets
from service.questionnaire.sheet_fields import RUN_ID, SheetIn, read
from service.trials import sheets
from service.web import api_schema
from service.web.device_requests import Json, Key, Links, unknown_key

router = APIRouter()


class SheetStored(api_schema.Tested):
    """What became of a sheet."""

    stored_revision: int
    flags: list[str]


TrialKey = Annotated[str, Path(max_length=200, json_schema_extra={"minLength": 1, "pattern": "^[^/]+$"})]
RunKey = Annotated[str, Path(json_schema_extra={"minLength": 8, "maxLength": 64, "pattern": f"^{RUN_ID.pattern}$"})]
_REFUSALS = (HTTPException, NotFoundError, InvalidInputError, ConflictError)


@router.put(
    "/api/v1/trials/{trial}/runs/{run_id}",
    summary="Keep one rating sheet; the same one again changes nothing",
    responses={
        200: {"model": SheetStored, "description": "Stored"},
        **api_schema.errors(400, 401, 404, 408, 409, 413, 415, 421, 422, 429, 500, 503),
    },
    openapi_extra={
        "security": [{"tablet_key": []}, {"rater_link": []}, {"server_key": []}, {"test_key": []}],
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": {"$ref": "#/components/schemas/SheetIn"}}},
        },
    },
    dependencies=device_keys.FROM_SENDER,
)
async def put_sheet(
    request: Request, trial: TrialKey, run_id: RunKey, content: Json, key: Key, links: Links
) -> JSONResponse:
    """Keep a sheet under the sender's own id: the highest revision counts, every one is kept, none that is well formed is refused."""
    if not RUN_ID.fullmatch(run_id):
        sentence = _("Expected an id of 8 to 64 letters, digits, hyphens and underscores, as a UUID.")
        raise InvalidInputError([FieldProblem("run_id", sentence, FieldCode.WRONG_FORM)])
    sheet = read(SheetIn, content)
    together: Together = request.app.state.together
    return JSONResponse(
        await together.write(lambda session: _keep(session, key, links, trial, run_id, sheet), _REFUSALS)
    )


def _keep(session: Session, key: str, links: Signer, trial: str, run: str, sheet: SheetIn) -> dict[str, Any]:
    sender = senders.identify(session, key, links)
    if sender is None:
        raise unknown_key()
    if not sender.may_send(trial):
        raise NotFoundError
    if sender.rater not in (None, sheet.rater):
        sentence = (
            _("This link is for the player’s sheets.")
            if sender.rater == "player"
            else _("This link is for the listener’s sheets.")
        )
        raise InvalidInputError([FieldProblem("rater", sentence, FieldCode.CONTRADICTS)])
    with dealer_wall.within(session, sender.dealer), keyed.for_key(session, sender.server) as moment:
        stored = sheets.record(moment.session, sender.dealer, trial, run, sheet, sender.name, closed=sender.closed)
    if sender.tablet is not None:
        tablets.seen(session, sender.tablet)
    return {"stored_revision": stored.stored_revision, "flags": list(stored.flags), **moment.mark}
