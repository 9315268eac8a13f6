"""Advice as JSON: the published shape, one stored enquiry an id, and no bad value that gets through."""

import json
import re
import uuid
from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import text

from service.core.errors import InvalidInputError
from service.questionnaire import forms
from service.web import api_schema
from tests.service.bad_answers import GOOD, HANDFUL, with_answer
from tests.service.client import Client, add_small_range, serving, settings_in

BODY = {key: value for key, value in GOOD.items() if key != "tried"} | {
    "tried": [{"copy": "DB-juniper-0", "ratings": {"overall": 6, "response": 6, "clarity": 5}}]
}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("api"), advice_per_minute=0)) as client:
        add_small_range(client.database)
        yield client


def fresh(**changes: Any) -> dict[str, Any]:
    """Return good answers under an id of their own."""
    return BODY | {"id": str(uuid.uuid4())} | changes


def test_good_answers_get_advice_in_the_published_shape(client: Client) -> None:
    body = fresh()
    answer = client.advice(body)
    assert answer.status_code == 200
    told = api_schema.Advice.model_validate(answer.json())
    assert told.id == body["id"]
    assert {tier.tier for tier in told.shortlist} <= {"bramble", "juniper"}
    assert told.shortlist


def test_the_instrument_alone_is_enough(client: Client) -> None:
    answer = client.advice({"instrument": "violin"})
    assert answer.status_code == 200
    assert [tier.tier for tier in api_schema.Advice.model_validate(answer.json()).shortlist] == ["linnet"]


def test_copies_of_the_shortlist_add_up_to_those_of_the_trial(client: Client) -> None:
    told = api_schema.Advice.model_validate(client.advice(fresh()).json())
    assert told.trial is not None
    assert sum(tier.copies for tier in told.shortlist) == told.trial.copies
    chances = {step.copies: step.chance for step in told.trial.by_copies}
    assert chances[told.trial.copies] == told.trial.chance_one_beats_own_bow


@pytest.mark.parametrize("mark", [2, 4])
def test_no_number_of_bows_is_said_to_lose_and_one_more_never_to_win_less(client: Client, mark: int) -> None:
    # All that the shop has at hand was tried and disliked.
    tried = [{"copy": f"DB-{tier}-{n}", "ratings": {"overall": 1}} for tier in ("bramble", "juniper") for n in range(4)]
    own = {"ratings": {"overall": mark}}
    steps = client.advice(fresh(own_bow=own, tried=tried, dealer="harbour")).json()["trial"]["by_copies"]
    gains, chances = [step["expected_gain"] for step in steps], [step["chance"] for step in steps]
    assert gains == sorted(gains)
    assert all(gain >= 0 for gain in gains)
    assert chances == sorted(chances)
    assert all(step["bows"] <= step["copies"] for step in steps)


def test_a_player_is_never_told_which_serials_to_bring(client: Client) -> None:
    body = fresh(dealer="harbour")
    answer = client.advice(body)
    assert answer.status_code == 200
    assert not {"bring", "loved", "rejected"} & answer.json()["trial"].keys()
    named = {tried["copy"] for tried in body.get("tried", ())}
    assert set(re.findall(r"DB-\w+-\d", answer.text)) <= named  # what the player named may be named again


def test_the_texts_hold_no_percentage_while_the_numbers_stand(client: Client) -> None:
    answer = client.advice(fresh()).json()
    assert answer["model"]["basis"] == "prior"
    assert "%" not in json.dumps(answer, ensure_ascii=False)
    assert 0 < answer["shortlist"][0]["beats_own_bow"] < 1


def test_the_same_id_again_gets_the_same_answer_and_makes_no_second_enquiry(client: Client) -> None:
    body, before = fresh(), client.count()
    first, second = client.advice(body), client.advice(body)
    assert first.json() == second.json()
    assert client.count() == before + 1


def test_the_same_id_with_other_answers_is_refused_at_the_id(client: Client) -> None:
    body = fresh()
    client.advice(body)
    before = client.count()
    answer = client.advice(body | {"strings": 5})
    assert answer.status_code == 422
    assert [problem["path"] for problem in answer.json()["errors"]] == ["id"]
    assert client.count() == before


def test_the_enquiry_keeps_the_answers_and_the_contact_apart(client: Client) -> None:
    body = fresh()
    client.advice(body)
    (kept,) = [row for row in client.enquiries() if row.id == body["id"]]
    assert "contact" not in kept.answers
    assert "Ada" not in json.dumps(kept.advice)
    assert kept.contact is not None
    assert kept.contact["email"] == "ada@example.org"


def test_the_answers_stand_once_in_what_is_kept(client: Client) -> None:
    body = fresh()
    client.advice(body)
    with client.database.reading() as session:
        row = session.execute(text("SELECT * FROM enquiries WHERE id = :id"), {"id": body["id"]}).mappings().one()
    holding = [
        name for name, value in row.items() if "string_length_mm" in str(value) or "stretch_percent" in str(value)
    ]
    assert holding == ["answers"]
    (kept,) = [each for each in client.enquiries() if each.id == body["id"]]
    assert kept.advice["answers"] == kept.answers


@pytest.mark.parametrize(("path", "value"), HANDFUL)
def test_an_unusable_answer_is_refused_by_path_and_nothing_is_kept(client: Client, path: str, value: Any) -> None:
    before, body = client.count(), with_answer(path, value, BODY)
    with pytest.raises(InvalidInputError) as refused:
        forms.check(body)
    answer = client.advice(body)
    assert answer.status_code == 422
    told = api_schema.Problem.model_validate(answer.json())
    assert [each.path for each in told.errors] == [path]
    assert [each.detail for each in told.errors] == [problem.message for problem in refused.value.problems]
    assert client.count() == before


@pytest.mark.parametrize(
    ("changes", "path"),
    [
        ({"dealer": "nobody"}, "dealer"),
        ({"tried": [{"copy": "DB-9999", "ratings": {"overall": 4}}]}, "tried.0.copy"),
        ({"tried": [{"copy": "V-linnet-0", "ratings": {"overall": 4}}]}, "tried.0.copy"),
        ({"tried": [{"copy": "own", "ratings": {"overall": 4}}]}, "tried.0.copy"),
    ],
)
def test_a_name_that_nothing_here_has_is_refused_by_path(client: Client, changes: dict[str, Any], path: str) -> None:
    before = client.count()
    answer = client.advice(fresh(**changes))
    assert answer.status_code == 422
    assert [problem["path"] for problem in answer.json()["errors"]] == [path]
    assert client.count() == before


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b'{"instrument": "violin",,}', "line 1, column 25"),
        (b"", "line 1"),
        (b"\xff\xfe", "UTF-8"),
        (b"[1, 2]", "expected an object"),
        (b"null", "expected an object"),
        (b'{"instrument": "violin", "strings": NaN}', "Got NaN"),
        (b'{"instrument": "violin", "budget": {"amount": Infinity, "currency": "EUR"}}', "Got Infinity"),
    ],
)
def test_what_is_not_json_or_not_a_number_is_refused_with_the_place(client: Client, text: bytes, said: str) -> None:
    answer = client.advice(text)
    assert answer.status_code == 422
    assert said in answer.json()["errors"][0]["detail"]


def test_json_with_a_character_set_is_still_json(client: Client) -> None:
    assert client.advice(fresh(), {"Content-Type": "Application/JSON; charset=utf-8"}).status_code == 200


def test_a_currency_nobody_prices_in_is_said_and_not_converted(client: Client) -> None:
    answer = client.advice(fresh(budget={"amount": 2600, "currency": "JPY"}))
    assert answer.status_code == 200
    assert answer.json()["shortlist"] == []
    assert any("JPY" in note for note in answer.json()["notes"])


def test_an_instrument_without_bows_is_said_plainly(client: Client) -> None:
    answer = client.advice({"instrument": "cello"})
    assert answer.status_code == 200
    told = api_schema.Advice.model_validate(answer.json())
    assert (told.shortlist, told.trial) == ([], None)
    assert any("cello" in note for note in told.notes)


def test_the_description_holds_what_goes_in_and_what_comes_out(client: Client) -> None:
    description = client.get("/openapi.json").json()
    assert set(description["paths"]) == {
        "/api/v1/advice",
        "/api/v1/enquiries",
        "/api/v1/enquiries/{enquiry}",
        "/api/v1/range",
        "/api/v1/stock",
        "/api/v1/trials",
        "/api/v1/trials/{trial}",
        "/api/v1/trials/{trial}/outcome",
        "/api/v1/trials/{trial}/runs/{run_id}",
        "/api/v1/trials/{trial}/standing",
        "/health/live",
        "/health/ready",
        "/healthz",
    }
    post = description["paths"]["/api/v1/advice"]["post"]
    wanted = post["requestBody"]["content"]["application/json"]["schema"]["$ref"]
    models = description["components"]["schemas"]
    assert wanted == "#/components/schemas/Questionnaire"
    assert models["Questionnaire"]["required"] == ["instrument"]
    assert set(post["responses"]) == {
        "200",
        "400",
        "401",
        "403",
        "408",
        "409",
        "413",
        "415",
        "421",
        "422",
        "429",
        "500",
        "503",
    }


def test_every_reference_of_the_description_leads_somewhere(client: Client) -> None:
    description = client.get("/openapi.json").json()
    models = {f"#/components/schemas/{name}" for name in description["components"]["schemas"]}
    assert set(references(description)) <= models


def references(part: Any) -> Iterator[str]:
    if isinstance(part, dict):
        yield from (value for key, value in part.items() if key == "$ref")
        for value in part.values():
            yield from references(value)
    elif isinstance(part, list):
        for value in part:
            yield from references(value)


def test_the_examples_of_the_description_are_true(client: Client) -> None:
    models = client.get("/openapi.json").json()["components"]["schemas"]
    for example in models["Questionnaire"]["examples"]:
        assert client.advice(example).status_code == 200
    for example in models["Advice"]["examples"]:
        api_schema.Advice.model_validate(example)
