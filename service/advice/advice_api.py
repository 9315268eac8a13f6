"""The JSON API: advice for programs."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import JSONResponse
from pydantic.json_schema import models_json_schema

from service.advice import advise, influence_words, words
from service.core import language
from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.core.language import _
from service.dealers import api_keys, key_check
from service.dealers.api_keys import KeyFound
from service.dealers.keyed import AnyCaller, CallerWrites, count_server
from service.players import known
from service.questionnaire import forms
from service.questionnaire.answer_summary import ANSWERS
from service.questionnaire.server_fields import OutcomeIn, TrialIn
from service.questionnaire.sheet_fields import SheetIn
from service.web import api_examples, api_operations, api_schema, costs
from service.web.bodies import json_body
from service.web.device_requests import client_of, not_too_often

router = APIRouter()
costs.declare({"GET /openapi.json": costs.PAGE})
_REF = "#/components/schemas/{model}"
_QUESTIONNAIRE = _REF.format(model=forms.Questionnaire.__name__)


async def asked(request: Request, found: AnyCaller) -> forms.Questionnaire:
    """Read the questionnaire of a request; raises 429, 415, 413, 408 or `InvalidInputError`.

    A dependency of its own, named before the session: while a slow client is still sending, nobody waits for its lock.
    A dealer's server, which speaks for many players, may ask more often than a player, and is counted by its key.
    """
    if found is not None and found.kind in api_keys.SECRET:
        count_server(request, found)
    else:
        not_too_often(client_of(request), request.app.state.advice_limit)
        not_too_often(client_of(request), request.app.state.cost_limit, costs.ADVICE)
    body = await json_body(request)
    language.ask(forms.language_of(body))
    return forms.read(body)


@router.post(
    key_check.ADVICE,
    summary="From a player's answers to a shortlist, the number of copies to try, and the chance that one beats the own bow",
    responses={
        200: {"model": api_schema.Advice, "description": "The advice"},
        **api_schema.errors(400, 401, 403, 408, 409, 413, 415, 421, 422, 429, 500, 503),
    },
    openapi_extra={
        "security": [{}, {"website_key": []}, {"server_key": []}, {"test_key": []}],
        "requestBody": {"required": True, "content": {"application/json": {"schema": {"$ref": _QUESTIONNAIRE}}}},
    },
)
async def give_advice(
    request: Request,
    questionnaire: Annotated[forms.Questionnaire, Depends(asked)],
    at: CallerWrites,
    explain: Annotated[bool, Query(description="Say what each answer did, as `influence`")] = False,
) -> JSONResponse:
    """Give advice and keep the answers as an enquiry; the same `id` again returns the stored advice.

    With a dealer's key it is that dealer's enquiry; with the server key the answer names the copies to bring, and a `player` who is
    known may be named: what that player rated counts then.
    """
    session = at.session
    if explain and not at.is_server:
        costs.charge(request, costs.ADVICE)
    client = None if at.is_server else (request.client.host if request.client else "")
    asked_of = bound(questionnaire, at.found)
    if asked_of.player is not None and not at.is_server:
        sentence = _("Only a dealer’s own server may name a player; leave it out.")
        raise InvalidInputError([FieldProblem("player", sentence, FieldCode.NOT_OPEN)])
    marks = known.of_server(session, asked_of)
    told = advise.advise(session, asked_of, client=client, marks=marks)
    answer = words.reply(told, operator=at.is_server) | at.mark
    answer |= {"player": known.key_of(session, marks)} if marks.player is not None else {}
    address = advise.address_of(session, told["id"]) if explain else None
    did = influence_words.explained(session, address) if address else None
    return JSONResponse(answer if did is None else answer | {"influence": influence_words.influence(did, told)})


@router.get("/openapi.json", include_in_schema=False)
async def description(request: Request) -> JSONResponse:
    """Describe the API (OpenAPI 3.1)."""
    return JSONResponse(request.app.openapi())


def add_questionnaire(description: dict[str, Any]) -> dict[str, Any]:
    """Return the OpenAPI description with the models of the bodies that routes read without FastAPI's help, and the keys."""
    _refs, models = models_json_schema(
        [(form, "validation") for form in (forms.Questionnaire, TrialIn, OutcomeIn, SheetIn)],
        ref_template=_REF,
        schema_generator=api_schema.Bodies,
    )
    _refs, answers = models_json_schema([(api_schema.Problem, "serialization")], ref_template=_REF)
    description.setdefault("components", {}).setdefault("schemas", {}).update(models["$defs"] | answers["$defs"])
    description["components"]["schemas"]["Influence"]["properties"]["answer"]["enum"] = list(ANSWERS)
    for name, example in api_examples.ANSWERS.items():
        description["components"]["schemas"][name]["examples"] = [example]
    return api_operations.add_links(key_check.add_security(description))


def bound(questionnaire: forms.Questionnaire, found: KeyFound | None) -> forms.Questionnaire:
    """Return the answers as asked at the key's dealer; raises `InvalidInputError` where they name another one."""
    if found is None:
        return questionnaire
    if questionnaire.dealer not in (None, found.dealer):
        sentence = _("This key is another dealer’s; leave the dealer out.")
        raise InvalidInputError([FieldProblem("dealer", sentence, FieldCode.CONTRADICTS)])
    return questionnaire.model_copy(update={"dealer": found.dealer})
