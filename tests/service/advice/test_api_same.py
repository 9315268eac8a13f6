"""Advice as JSON: the language that a body asks for, and which answers are the same ones."""

import json
import uuid
from collections.abc import Iterator
from typing import Any

import pytest

from service.advice import advise
from service.core.errors import InvalidInputError
from tests.service.client import Client, add_small_range, serving, settings_in

BASS: dict[str, Any] = {
    "instrument": "double_bass",
    "hold": "german",
    "settings": ["orchestra", "jazz", "solo"],
    "priorities": ["response", "tone"],
    "own_bow": {"kind": "wood", "ratings": {"overall": 4, "response": 3}},
    "tried": [
        {"copy": "DB-juniper-0", "ratings": {"overall": 6, "response": 6}},
        {"copy": "DB-bramble-1", "ratings": {"clarity": 5, "overall": 3}},
    ],
}
GERMAN, FRENCH = ("nicht", "Sie", "und"), ("vous", "pas", "les")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("same"), advice_per_minute=0)) as client:
        add_small_range(client.database)
        yield client


def speaks(text: str, words: tuple[str, ...]) -> bool:
    return all(f" {word} " in f" {text} " for word in words)


@pytest.mark.parametrize(("code", "words"), [("de-AT", GERMAN), ("fr", FRENCH)])
def test_the_bodys_language_rules_every_word_of_the_answer(client: Client, code: str, words: tuple[str, ...]) -> None:
    reply = client.advice(BASS | {"language": code}, {"Accept-Language": "it"})
    assert reply.status_code == 200
    assert reply.headers["content-language"] == code[:2]
    told = reply.json()
    assert speaks(" ".join([*told["notes"], *told["cautions"], told["trial"]["recommendation"]]), words)
    reasons = [each["text"] for tier in told["shortlist"] for each in tier["reasons"] + tier["weaknesses"]]
    in_english = client.advice(BASS | {"language": "en"}).json()
    assert not {each["text"] for tier in in_english["shortlist"] for each in tier["reasons"]} & set(reasons)


def test_the_bodys_language_rules_what_is_wrong_with_it_too(client: Client) -> None:
    for wrong in (
        {"instrument": "lute"},
        {"dealer": "nobody"},
        {"tried": [{"copy": "DB-9", "ratings": {"overall": 1}}]},
    ):
        told = client.advice(BASS | wrong | {"language": "de"}, {"Accept-Language": "fr"}).json()
        assert "geändert" in told["detail"]
        in_english = client.advice(BASS | wrong).json()
        assert told["errors"][0]["path"] == in_english["errors"][0]["path"]
        assert told["errors"][0]["detail"] != in_english["errors"][0]["detail"]


@pytest.mark.parametrize("language", ["xx", "tlh", None])
def test_a_language_that_is_not_spoken_here_leaves_the_readers_own(client: Client, language: str | None) -> None:
    reply = client.advice({"instrument": "violin", "language": language}, {"Accept-Language": "de"})
    assert (reply.status_code, reply.headers["content-language"]) == (200, "de")


def test_what_is_no_json_is_refused_in_the_readers_own_language(client: Client) -> None:
    reply = client.advice(b'{"language": "de", ', {"Accept-Language": "fr"})
    assert (reply.status_code, reply.headers["content-language"]) == (422, "fr")


def test_the_command_speaks_the_bodys_language_too(client: Client) -> None:
    told = advise.advise_json(client.database, BASS | {"language": "de"})
    assert speaks(" ".join([*told["notes"], *told["cautions"]]), GERMAN)
    with pytest.raises(InvalidInputError) as english:
        advise.advise_json(client.database, {"instrument": "lute"})
    with pytest.raises(InvalidInputError) as german:
        advise.advise_json(client.database, {"instrument": "lute", "language": "de"})
    assert german.value.problems[0].message != english.value.problems[0].message


def reordered(body: dict[str, Any]) -> dict[str, Any]:
    """Return the same answers with keys, settings, tried and ratings in the opposite order."""
    turned = dict(reversed(body.items()))
    tried = [
        {"ratings": dict(reversed(each["ratings"].items())), "copy": each["copy"]} for each in reversed(body["tried"])
    ]
    own = {"ratings": dict(reversed(body["own_bow"]["ratings"].items())), "kind": body["own_bow"]["kind"]}
    return turned | {"settings": body["settings"][::-1], "tried": tried, "own_bow": own}


def test_the_same_answers_in_another_order_are_the_same_enquiry(client: Client) -> None:
    body = BASS | {"id": str(uuid.uuid4())}
    first, before = client.advice(body), client.count()
    other = reordered(body)
    assert json.dumps(other) != json.dumps(body)
    again = client.advice(other)
    assert (again.status_code, again.json()) == (200, first.json())
    assert client.count() == before


@pytest.mark.parametrize(
    "changes",
    [
        {"priorities": ["tone", "response"]},
        {"settings": ["orchestra", "jazz"]},
        {"tried": BASS["tried"][:1]},
        {"own_bow": {"kind": "wood", "ratings": {"overall": 3, "response": 4}}},
    ],
)
def test_other_answers_under_the_same_id_are_refused_at_the_id(client: Client, changes: dict[str, Any]) -> None:
    body = BASS | {"id": str(uuid.uuid4())}
    assert client.advice(body).status_code == 200
    refused = client.advice(body | changes)
    assert refused.status_code == 422
    assert [problem["path"] for problem in refused.json()["errors"]] == ["id"]
