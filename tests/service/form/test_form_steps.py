"""The form's posts: the same rules as the API, in the fields' own names; what is usable is kept."""

import random
from typing import Any

import pytest

from service.core.errors import InvalidInputError
from service.questionnaire import forms
from service.questionnaire.forms import (
    STEPS,
    BudgetStep,
    ContactStep,
    FormStep,
    InstrumentStep,
    OwnBowStep,
    WishesStep,
    WorkStep,
    number,
)
from tests.service.bad_answers import GOOD, with_answer


def post(step: type[FormStep], **fields: str | list[str]) -> tuple[dict[str, Any], dict[str, str]]:
    return step.parse({name: [value] if isinstance(value, str) else value for name, value in fields.items()})


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("134", 134),
        (" 60,5 ", 60.5),
        ("60.5", 60.5),
        ("2 600", 2600),
        ("2\u202f600,50", 2600.5),
        ("2'600.50", 2600.5),
        ("1,234,567.50", 1_234_567.5),
        ("1.234,50", 1234.5),
        ("-1", -1),
        ("0", 0),
        ("2600,00", 2600),
    ],
)
def test_a_number_is_read_as_people_write_it(text: str, value: float) -> None:
    assert number(text) == value


@pytest.mark.parametrize("text", ["2,600", "2.600", "1,234,567"])
def test_a_mark_before_three_digits_is_asked_again_rather_than_guessed(text: str) -> None:
    with pytest.raises(ValueError, match="two ways") as caught:
        number(text)
    assert text.replace(",", "").replace(".", "") in str(caught.value)


@pytest.mark.parametrize("text", ["x", "12 €", "1e3", "NaN", "inf", "1,,5", "--1", "٣", "1" * 30, "0x10", "12 34", "½"])
def test_what_is_no_plain_number_is_refused_in_a_sentence(text: str) -> None:
    with pytest.raises(ValueError, match="expected a number in digits"):
        number(text)


@pytest.mark.parametrize("step", STEPS)
def test_an_empty_post_is_an_answer_to_every_step_but_the_first(step: type[FormStep]) -> None:
    body, errors = step.parse({})
    assert body == {}
    assert list(errors) == (["instrument"] if step is InstrumentStep else [])


@pytest.mark.parametrize("step", STEPS)
def test_what_was_answered_fills_the_fields_it_came_from(step: type[FormStep]) -> None:
    part = {key: value for key, value in GOOD.items() if key in step.keys}
    body, errors = step.parse(step.fill(part))
    assert errors == {}
    assert forms.check({**GOOD, **body}).answers() == forms.check(GOOD).answers()
    assert step.parse(step.fill(body)) == (body, {})


def test_no_own_bow_fills_its_field_again() -> None:
    assert OwnBowStep.parse(OwnBowStep.fill({"own_bow": None})) == ({"own_bow": None}, {})


def test_all_steps_together_cover_the_questionnaire_but_what_no_question_asks() -> None:
    asked = {key for step in STEPS for key in step.keys}
    assert set(forms.Questionnaire.model_fields) - asked == {"id", "language", "dealer", "player"}


def test_hidden_questions_of_the_double_bass_do_not_count_for_a_violin() -> None:
    body, errors = post(InstrumentStep, instrument="violin", hold="german", strings="x", string_length_mm="1050")
    assert (body, errors) == ({"instrument": "violin"}, {})


def test_a_missing_hold_is_asked_for_and_the_rest_is_kept() -> None:
    body, errors = post(InstrumentStep, instrument="double_bass", hold="", strings="4", string_length_mm="1 050")
    assert body == {"instrument": "double_bass", "strings": 4, "string_length_mm": 1050}
    assert list(errors) == ["hold"]


@pytest.mark.parametrize(("fields", "asked"), [({}, "instrument"), ({"instrument": "double_bass"}, "hold")])
def test_a_choice_not_made_is_asked_for_in_a_pages_words(fields: dict[str, str], asked: str) -> None:
    _, errors = post(InstrumentStep, **fields)
    assert list(errors) == [asked]
    assert errors[asked].startswith("Choose")
    assert "_" not in errors[asked]


def test_an_unknown_setting_is_named_at_its_question() -> None:
    assert list(post(WorkStep, settings=["orchestra", "pub"])[1]) == ["settings"]


def test_not_sure_is_no_answer() -> None:
    body, errors = post(OwnBowStep, own_bow="yes", own_kind="unsure", own_rating_response="unsure", own_rating_tone="5")
    assert (body, errors) == ({"own_bow": {"kind": "unknown", "ratings": {"tone": 5}}}, {})
    assert post(OwnBowStep, own_bow="unsure", own_mass_g="60") == ({}, {})


def test_no_own_bow_makes_its_other_fields_idle() -> None:
    assert post(OwnBowStep, own_bow="none", own_mass_g="heavy") == ({"own_bow": None}, {})


@pytest.mark.parametrize("rating", ["0", "8", "4.5", "x", "NaN"])
def test_a_rating_off_the_scale_is_refused_at_its_field(rating: str) -> None:
    body, errors = post(OwnBowStep, own_bow="yes", own_mass_g="60,5", own_rating_response=rating)
    assert body == {"own_bow": {"kind": "unknown", "mass_g": 60.5}}
    assert list(errors) == ["own_rating_response"]


def test_a_repeated_priority_is_named_where_it_repeats_and_the_first_stays() -> None:
    body, errors = post(WishesStep, priority_1="tone", priority_2="ease", priority_3="tone", wish_mass="-1")
    assert body == {"priorities": ["tone", "ease"], "wishes": {"mass": -1}}
    assert list(errors) == ["priority_3"]


def test_a_gap_among_the_priorities_closes() -> None:
    assert post(WishesStep, priority_1="", priority_3="tone")[0] == {"priorities": ["tone"]}


def test_without_an_amount_there_is_no_budget() -> None:
    body, errors = post(BudgetStep, amount="", currency="EUR", stretch_percent="10", minutes="45", place="post")
    assert (body, errors) == ({"trial": {"minutes": 45, "place": "post"}}, {})


def test_an_amount_that_could_mean_two_things_is_asked_again() -> None:
    body, errors = post(BudgetStep, amount="2,600", currency="eur", minutes="45", place="shop")
    assert body == {"trial": {"minutes": 45, "place": "shop"}}
    assert "two ways" in errors["amount"]


def test_an_amount_needs_its_currency() -> None:
    body, errors = post(BudgetStep, amount="2600", currency="", minutes="45")
    assert body == {"trial": {"minutes": 45}}
    assert list(errors) == ["currency"]


def test_a_contact_without_consent_is_refused_and_not_kept() -> None:
    body, errors = post(ContactStep, name="Ada Invented", email="ada@example.org")
    assert body == {}
    assert list(errors) == ["consent_advice"]


def test_consent_to_mail_needs_an_address() -> None:
    assert list(post(ContactStep, consent_advice="yes", consent_mail="yes")[1]) == ["email"]


def test_a_header_hidden_in_an_address_is_refused() -> None:
    _, errors = post(ContactStep, email="ada@example.org\r\nBcc: all@example.org", consent_advice="yes")
    assert list(errors) == ["email"]


@pytest.mark.parametrize(
    ("step", "fields", "field", "said_of"),
    [
        (InstrumentStep, {"instrument": "double_bass", "hold": "german", "strings": "9"}, "strings", ("strings", 9)),
        (InstrumentStep, {"instrument": "guitar"}, "instrument", ("instrument", "guitar")),
        (WorkStep, {"settings": "pub"}, "settings", ("settings.0", ["pub"])),
        (OwnBowStep, {"own_bow": "yes", "own_mass_g": "250,1"}, "own_mass_g", ("own_bow.mass_g", 250.1)),
        (BudgetStep, {"amount": "0", "currency": "EUR"}, "amount", ("budget.amount", 0)),
        (ContactStep, {"phone": "call me", "consent_advice": "yes"}, "phone", ("contact.phone", "call me")),
    ],
)
def test_a_page_says_of_an_answer_what_the_api_says(
    step: type[FormStep], fields: dict[str, str], field: str, said_of: tuple[str, Any]
) -> None:
    with pytest.raises(InvalidInputError) as refused:
        forms.check(with_answer(*said_of))
    assert post(step, **fields)[1] == {field: refused.value.problems[0].message}


def test_an_emptied_answer_is_gone() -> None:
    assert WorkStep.put({"instrument": "viola", "settings": ["solo"]}, {}) == {"instrument": "viola"}


TEXTS = [
    "",
    "x",
    "5",
    "-1",
    "2,600",
    "2 600",
    "1e9",
    "٣",
    "nan",
    "tone",
    "german",
    "double_bass",
    "violin",
    "none",
    "yes",
]
TEXTS += ["unsure", "\x00", "a@b.cc", "é" * 500, "EUR", "shop", "4.5", "0", "8", "<script>"]


@pytest.mark.parametrize("step", STEPS)
def test_any_post_keeps_only_what_the_questionnaire_takes_and_names_its_own_fields(step: type[FormStep]) -> None:
    rng = random.Random(7)
    fields = [*step.fill(GOOD), *step.fields.values(), "csrf"]
    beside = {} if step is InstrumentStep else {"instrument": "violin"}
    for _ in range(500):
        form = {rng.choice(fields): rng.choices(TEXTS, k=rng.randint(0, 2)) for _ in range(rng.randint(0, 8))}
        body, errors = step.parse(form)
        assert set(body) <= set(step.keys)
        assert set(errors) <= set(fields)
        if not errors:
            forms.check(beside | body)
            assert step.parse(step.fill(body)) == (body, {})
