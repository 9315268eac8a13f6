"""What people fill in: every field has its limits, every mistake its sentence."""

import copy
import json
import random
import re
from collections.abc import Iterator
from typing import Annotated, Any, get_args

import jsonschema_rs
import pytest
from pydantic import BaseModel, Field

from model.domain.vocabulary import BowKind, Criterion, Hold, Instrument
from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.questionnaire import forms
from service.questionnaire.declared import Asked, Kind
from service.questionnaire.field_types import Whole
from tests.service.bad_answers import BAD, CASES, GOOD, HANDFUL, with_answer

SENTENCE = re.compile(r"[A-Z].*[.]", re.DOTALL)


def problems(answers: Any) -> tuple[FieldProblem, ...]:
    with pytest.raises(InvalidInputError) as caught:
        forms.check(answers)
    return caught.value.problems


def models_within(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from models_within(part)


def every_path(model: type[BaseModel], above: str = "") -> Iterator[str]:
    for name, info in model.model_fields.items():
        path = above + (info.alias or name)
        yield path
        many = "tuple" in str(info.annotation)
        for inner in models_within(info.annotation):
            yield from every_path(inner, f"{path}.0." if many else f"{path}.")


def test_every_field_of_the_questionnaire_has_unusable_values_to_be_tried() -> None:
    assert set(every_path(forms.Questionnaire)) <= set(BAD)


@pytest.mark.parametrize(("path", "value"), CASES)
def test_an_unusable_answer_is_named_by_path_in_a_sentence(path: str, value: Any) -> None:
    found = problems(with_answer(path, value))
    assert [problem.path for problem in found] == [path]
    assert SENTENCE.fullmatch(found[0].message)


@pytest.mark.parametrize(("path", "value"), HANDFUL)
def test_json_text_is_judged_like_the_values_it_holds(path: str, value: Any) -> None:
    body = with_answer(path, value)
    with pytest.raises(InvalidInputError) as caught:
        forms.read(json.dumps(body).encode())
    assert caught.value.problems == problems(body)


def test_the_good_answers_are_kept_as_they_were_sent_without_id_and_contact() -> None:
    kept = forms.check(GOOD).body()
    assert kept == {key: value for key, value in GOOD.items() if key not in {"id", "contact"}}


def test_what_is_kept_can_be_read_again() -> None:
    once = forms.check({"instrument": "viola", "own_bow": None}).body()
    assert forms.check(once).body() == once == {"instrument": "viola", "own_bow": None}


def test_only_the_instrument_is_needed() -> None:
    answers = forms.check({"instrument": "cello"}).answers()
    assert answers.instrument is Instrument.CELLO
    assert (answers.hold, answers.own_bow, answers.plays_no_bow) == (None, None, False)


def test_no_own_bow_is_another_answer_than_none_given() -> None:
    assert forms.check({"instrument": "cello", "own_bow": None}).answers().plays_no_bow


def test_the_model_gets_the_answers_in_its_own_words() -> None:
    answers = forms.check(GOOD).answers()
    assert answers.hold is Hold.GERMAN
    assert answers.priorities == (Criterion.RESPONSE, Criterion.DYNAMIC_RANGE, Criterion.OFF_STRING)
    assert (answers.wish_mass, answers.wish_tone) == (-1, None)
    assert answers.own_bow is not None
    assert (answers.own_bow.kind, answers.own_bow.mass_g) == (BowKind.WOOD, 134)
    assert answers.own_bow.ratings == {Criterion.OVERALL: 4, Criterion.RESPONSE: 3}


@pytest.mark.parametrize("missing", ["instrument", "hold"])
def test_what_is_needed_and_missing_is_asked_for(missing: str) -> None:
    found = problems({key: value for key, value in GOOD.items() if key != missing})
    assert [problem.path for problem in found] == [missing]
    assert found[0].message.startswith("This is needed")


@pytest.mark.parametrize(("field", "value"), [("hold", "german"), ("string_length_mm", 1050)])
def test_the_double_bass_questions_are_refused_for_a_violin(field: str, value: object) -> None:
    found = problems({"instrument": "violin", field: value})
    assert [problem.path for problem in found] == [field]
    assert "double bass only" in found[0].message


class WithOneMore(forms.Questionnaire):
    """The questionnaire with one more question, declared for two instruments and with words for the others."""

    rosin: Annotated[
        Whole | None,
        Field(ge=1, le=9, description="a whole number of cakes"),
        Asked(
            "work",
            Kind.NUMBER,
            "rosin",
            only=(Instrument.VIOLIN, Instrument.VIOLA),
            not_asked="Rosin is asked for high strings only; leave it out.",
        ),
    ] = None


@pytest.mark.parametrize("instrument", Instrument)
def test_a_question_declared_for_some_instruments_is_refused_for_the_others_in_its_own_words(
    instrument: Instrument,
) -> None:
    asked = {"instrument": str(instrument), "hold": "german" if instrument is Instrument.DOUBLE_BASS else None}
    described = jsonschema_rs.Draft202012Validator(WithOneMore.model_json_schema())
    assert described.is_valid(asked | {"rosin": None})
    assert forms.check_as(WithOneMore, asked | {"rosin": None}).rosin is None
    if instrument in (Instrument.VIOLIN, Instrument.VIOLA):
        assert forms.check_as(WithOneMore, asked | {"rosin": 3}).rosin == 3
        assert described.is_valid(asked | {"rosin": 3})
        return
    assert not described.is_valid(asked | {"rosin": 3})
    with pytest.raises(InvalidInputError) as caught:
        forms.check_as(WithOneMore, asked | {"rosin": 3})
    (found,) = caught.value.problems
    assert (found.path, found.code) == ("rosin", FieldCode.CONTRADICTS)
    assert found.message == "Rosin is asked for high strings only; leave it out."


@pytest.mark.parametrize("instrument", set(Instrument) - {Instrument.DOUBLE_BASS})
@pytest.mark.parametrize(("field", "value"), [("hold", "german"), ("string_length_mm", 1050), ("strings", 5)])
def test_what_is_asked_of_bass_players_alone_is_taken_of_others_only_where_nothing_speaks_against_it(
    instrument: Instrument, field: str, value: object
) -> None:
    body = {"instrument": str(instrument), field: value}
    described = jsonschema_rs.Draft202012Validator(forms.Questionnaire.model_json_schema())
    assert described.is_valid(body) == (field == "strings")
    if field == "strings":
        assert forms.check(body).strings == value
    else:
        assert [(problem.path, problem.code) for problem in problems(body)] == [(field, FieldCode.CONTRADICTS)]


@pytest.mark.parametrize(
    "path",
    ["colour", "budget.limit", "wishes.length", "own_bow.maker", "tried.0.note", "trial.room", "contact.consent.all"],
)
def test_an_unknown_field_is_refused_with_the_names_that_are_known(path: str) -> None:
    found = problems(with_answer(path, 1))
    assert [problem.path for problem in found] == [path]
    assert "expected one of" in found[0].message


@pytest.mark.parametrize("path", ["own_bow.ratings.loudness", "tried.0.ratings.carrying"])
def test_an_unknown_criterion_is_refused_with_the_names_that_are_known(path: str) -> None:
    found = problems(with_answer(path, 5))
    assert [problem.path for problem in found] == [path]
    assert "dynamic_range" in found[0].message


def test_every_mistake_is_told_at_once() -> None:
    body = {"instrument": "lute", "strings": 9, "budget": {"amount": 0}, "own_bow": {"ratings": {"response": 8}}}
    paths = {problem.path for problem in problems(body)}
    assert paths == {"instrument", "strings", "budget.amount", "budget.currency", "own_bow.ratings.response"}


def test_a_refusal_says_what_was_got_and_what_would_be_right() -> None:
    (found,) = problems(with_answer("own_bow.ratings.response", 8))
    assert found.message == "Got 8; expected a whole number from 1 to 7."


def test_a_long_wrong_value_is_cut_in_the_sentence() -> None:
    (found,) = problems({"instrument": "x" * 10_000})
    assert len(found.message) < 200


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"", "line 1, column 0"),
        (b'{"instrument": "violin",\n "strings" 4}', "line 2, column 12"),
        (b"[" * 5000, "too many brackets"),
        ('{"instrument": "Geige für Käthe"'.encode("latin-1"), "not UTF-8"),
        (b'{"instrument": "\\ud800"}', "line 1"),
        (b"violin", "line 1, column 1"),
    ],
)
def test_malformed_json_is_refused_with_the_place(text: bytes, said: str) -> None:
    with pytest.raises(InvalidInputError) as caught:
        forms.read(text)
    assert [problem.path for problem in caught.value.problems] == [""]
    assert said in caught.value.problems[0].message


@pytest.mark.parametrize("value", [None, [], "violin", 3, [{"instrument": "violin"}]])
def test_answers_that_are_no_object_are_refused(value: object) -> None:
    assert "expected an object" in problems(value)[0].message


@pytest.mark.parametrize("address", ["ada@example.org", "käthe@müsik.example", "o'neil+bows@a.b-c.example", "x@y.zz"])
def test_addresses_with_letters_of_any_script_are_taken(address: str) -> None:
    # RFC 6531 allows letters beyond ASCII on both sides of the @.
    body = with_answer("contact.email", address)
    contact = forms.check(body).contact
    assert contact is not None
    assert contact.email == address


def test_a_script_in_a_name_is_text_like_any_other() -> None:
    contact = forms.check(with_answer("contact.name", "<script>alert(1)</script>")).contact
    assert contact is not None
    assert contact.name == "<script>alert(1)</script>"


def test_a_whole_number_written_with_a_point_is_the_same_number() -> None:
    # JSON has one kind of number; JSON Schema counts 5.0 among the integers (draft 2020-12, 6.1.1).
    assert forms.read(b'{"instrument": "violin", "strings": 4.0}').strings == 4


def test_a_setting_named_twice_counts_once() -> None:
    assert forms.check({"instrument": "violin", "settings": ["solo", "solo"]}).answers().settings == {"solo"}


JUNK: list[Any] = [
    None,
    True,
    0,
    -1,
    7,
    8,
    4.5,
    1e308,
    float("nan"),
    10**40,
    "",
    "5",
    "\x00",
    "é" * 300,
    [],
    {},
    [[]],
    [None],
]
JUNK += [{"a": 1}, {"overall": 4}, ["tone"], "😀"]
NAMES = ["zz", "overall", "[key]", "a.b", "0", "copy", "\n", ""]


def holders(part: Any) -> Iterator[Any]:
    """Yield every object and list within ``part`` that is not empty."""
    if isinstance(part, dict | list) and part:
        yield part
        for inner in part.values() if isinstance(part, dict) else part:
            yield from holders(inner)


def spoilt(rng: random.Random) -> Any:
    """Return good answers with one to four values replaced by junk, taken out, or put under a strange name."""
    body = copy.deepcopy(GOOD)
    for _ in range(rng.randint(1, 4)):
        holder = rng.choice([*holders(body), {"": 0}])
        key = rng.choice(list(holder) if isinstance(holder, dict) else range(len(holder)))
        match rng.choice(["replace", "replace", "take out", "add"]):
            case "replace":
                holder[key] = rng.choice(JUNK)
            case "take out":
                del holder[key]
            case _ if isinstance(holder, dict):
                holder[rng.choice(NAMES)] = rng.choice(JUNK)
    return body


def outcome(body: Any) -> forms.Questionnaire | tuple[FieldProblem, ...]:
    try:
        return forms.check(body)
    except InvalidInputError as invalid:
        return invalid.problems


@pytest.mark.parametrize("seed", range(10))
def test_spoilt_answers_are_refused_in_sentences_or_kept_so_that_they_can_be_read_again(seed: int) -> None:
    rng = random.Random(seed)
    for found in (outcome(spoilt(rng)) for _ in range(100)):
        if isinstance(found, forms.Questionnaire):
            assert forms.check(found.body()).answers() == found.answers()
        else:
            assert found
            assert all(SENTENCE.fullmatch(problem.message) for problem in found)
            assert all(len(problem.message) < 400 for problem in found)
