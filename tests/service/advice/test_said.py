"""What players are told, over many answer sets on the demo's dealers, in every language: no fault that one sentence has alone."""

import re
from collections.abc import Iterator
from typing import Any

import pytest

from model.trial import influence
from service.advice import advise, influence_words, words
from service.advice.document import influence_document
from service.core.language import using
from service.modelling import catalogue
from service.modelling.catalogue import Catalogue
from service.questionnaire.forms import check
from tests.benchmarks._demo import demo_settings, opened
from tests.benchmarks._sense_sets import bodies
from tests.benchmarks.sense import fit_to_all
from tests.service.advice import said

SETS, EXPLAINED = 200, 40
LANGUAGES = ("en", "de", "fr", "it")
Document = dict[str, Any]
Asked = tuple[Catalogue, list[tuple[Document, list[Document]]]]


@pytest.fixture(scope="module")
def asked() -> Iterator[Asked]:
    """The range, and documents of drawn answer sets; of the first ones with what each answer did."""
    with demo_settings() as settings, opened(settings) as database:
        fit_to_all(database)
        with database.reading() as session:
            now = catalogue.current(session)
            found = []
            for number, body in enumerate(bodies(now, SETS, seed=23)):
                of = advise.consider(session, check(body))
                did: list[Document] = []
                if number < EXPLAINED:
                    offer = advise._offer(of.questionnaire, now, of.offered, now.stock.get(body.get("dealer", "")))
                    told = influence(of.view, of.outlook.answers, list(of.runs), offer)
                    did = [influence_document(each, now.names) for each in told]
                found.append((of.document, did))
            yield now, found


@pytest.fixture(scope="module")
def now(asked: Asked) -> Catalogue:
    return asked[0]


@pytest.fixture(scope="module")
def told(asked: Asked) -> list[tuple[Document, list[Document]]]:
    return asked[1]


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_page_says_a_sentence_twice(told: list[tuple[Document, list[Document]]], language: str) -> None:
    with using(language):
        for doc, did in told:
            assert said.repeated(said.page(doc)) == [], doc["answers"]
            effects = [effect for _answers, effect in influence_words.lines(did, doc)]
            assert len(effects) == len(set(effects)), doc["answers"]
    assert len(said.sentences(said.page(told[0][0]))) > 12


@pytest.mark.parametrize("language", LANGUAGES)
def test_words_of_chances_rise_with_them_and_none_is_said_of_chances_far_apart(
    told: list[tuple[Document, list[Document]]], language: str
) -> None:
    with using(language):
        rising = said.rising_words()
        found = sorted({one for doc, _did in told for one in said.chances(said.page(doc), rising)})
    assert len({word for _figure, word in found}) == len(set(rising)) == len(rising)
    assert said.out_of_order(found, rising) == []
    assert said.too_wide(found) == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_no_chance_is_set_against_another_in_the_same_word(
    told: list[tuple[Document, list[Document]]], language: str
) -> None:
    with using(language):
        for doc, did in told[:EXPLAINED]:
            page = said.page_of_answers(doc, did)
            assert said.compared_with_itself(page, said.rising_words()) == [], doc["answers"]


def test_a_model_that_is_not_listed_is_named_with_what_it_is(
    told: list[tuple[Document, list[Document]]], now: Catalogue
) -> None:
    for doc, _did in told:
        assert said.named_out_of_nowhere(said.page(doc), doc, set(now.names.values())) == [], doc["answers"]
    assert any((doc["verdict"] or {}).get("elsewhere") for doc, _did in told)


def test_the_model_that_an_answer_is_said_to_have_put_first_is_the_one_that_is_shown_first(
    told: list[tuple[Document, list[Document]]],
) -> None:
    assert [name for doc, did in told[:EXPLAINED] for name in said.another_first(did, doc)] == []
    assert any(change["what"] == "first_tier" for _doc, did in told for one in did for change in one["changes"])


def test_no_role_is_spoken_of_that_no_model_has(told: list[tuple[Document, list[Document]]]) -> None:
    for doc, _did in told:
        assert not [note for note in words.staff_notes(doc) if "sensible" in note], "no list stands beside them"
        named = any("sensible" in note for note in words.notes(doc))
        assert not named or any(entry["role"] == "sensible" for entry in doc["shortlist"]), doc["answers"]
    ladders = [doc for doc, _did in told if "budget" not in doc["answers"] and len(doc["shortlist"]) > 1]
    assert any(all(entry["role"] != "sensible" for entry in doc["shortlist"]) for doc in ladders)


def test_no_other_time_is_spoken_of_than_the_one_that_it_takes(
    told: list[tuple[Document, list[Document]]],
) -> None:
    for doc, _did in told:
        text = f"{words.headline(doc)}. {words.recommendation(doc)}"
        assert set(re.findall(r"\d+\sminutes", text)) <= {f"{(doc['trial'] or {}).get('minutes')}\u00a0minutes"}
        assert "hour" not in text


def test_money_is_written_as_its_language_writes_it(told: list[tuple[Document, list[Document]]]) -> None:
    # Unicode CLDR: in English the sign leads, in German, French and Italian it follows after a no-break space.
    for language in LANGUAGES:
        with using(language):
            found = " ".join(text for doc, _did in told[:60] for text in said.texts(said.page(doc)))
        leads, follows = re.findall(r"[€£]\d", found), re.findall(r"\d\u00a0[€£]", found)
        assert (bool(leads), bool(follows)) == ((True, False) if language == "en" else (False, True))


@pytest.mark.parametrize("language", LANGUAGES)
def test_who_has_no_bow_is_told_nothing_of_an_own_one(
    told: list[tuple[Document, list[Document]]], language: str
) -> None:
    own = {"en": "own bow", "de": "eigene[rnm]? Bogen", "fr": "votre archet", "it": "Suo archetto"}[language]
    with using(language):
        without = [said.page(doc) for doc, _did in told if doc["own_bow"]["state"] == "none"]
        found = [one for page in without for one in said.sentences(page) if re.search(own, one)]
    assert len(without) > 10
    assert found == []
