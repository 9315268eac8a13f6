"""What each answer did: one entry for each answer given, in the API on request and on a page of its own."""

from collections.abc import Iterator
from typing import Any

import pytest
from sqlalchemy import select

from model.trial import AdvicePart, Answer
from service import tables
from service.advice import influence_words
from service.questionnaire import answer_summary
from service.web.api_schema import Advice
from tests.service.client import Client, add_small_range, serving, settings_in
from tests.service.documents import before_verdicts, document
from tests.service.page import Page, Reader

BODY: dict[str, Any] = {
    "instrument": "double_bass",
    "hold": "german",
    "strings": 4,
    "string_length_mm": 1050,
    "settings": ["orchestra"],
    "budget": {"amount": 2600, "currency": "EUR"},
    "priorities": ["response", "tone"],
    "wishes": {"mass": -1, "tone": 1},
    "own_bow": {"kind": "wood", "mass_g": 134, "ratings": {"overall": 4}},
    "tried": [{"copy": "DB-juniper-0", "ratings": {"overall": 6}}],
    "trial": {"minutes": 30, "place": "post"},
    "dealer": "harbour",
}
"""Every question answered."""


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with serving(settings_in(tmp_path_factory.mktemp("why"), advice_per_minute=0)) as client:
        add_small_range(client.database)
        yield client


def ask(client: Client, body: dict[str, Any], query: str = "?explain=1") -> dict[str, Any]:
    answer = client.send("POST", f"/api/v1/advice{query}", json=body)
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    Advice.model_validate(told)
    return told


def page_of(client: Client, enquiry: str) -> Page:
    with client.database.reading() as session:
        address = session.scalar(select(tables.Enquiry.address).where(tables.Enquiry.id == enquiry))
    shown = Reader(client.app).get(f"/advice/{address}")
    (link,) = [e.get("href") for e in shown.all("a") if e.text.strip() == "What your answers did"]
    return Reader(client.app).get(link)


def test_every_answer_given_is_told_on_request_and_only_then(client: Client) -> None:
    told = ask(client, BODY)
    assert {one["answer"] for one in told["influence"]} == answer_summary.ANSWERS.keys() - {"own_bow"}
    assert all(one["text"] for one in told["influence"])
    assert "influence" not in ask(client, BODY, "")
    assert ask(client, {"instrument": "violin"})["influence"] == []


def test_an_answer_that_changed_something_says_what(client: Client) -> None:
    told = {one["answer"]: one for one in ask(client, BODY)["influence"]}
    changed = [one for one in told.values() if one["changes"]]
    assert changed
    assert all(one["text"].startswith("Without it") for one in changed)
    assert all(
        change["with"] != change["without"] or change["what"] == "bows" for one in changed for change in one["changes"]
    )


def test_a_serial_may_hold_whatever_the_files_take(client: Client) -> None:
    serials = ("DB-odd:1", "DB-odd:17", "DB:x:y")
    with client.database.writing() as session:
        for serial in serials:
            session.add(tables.Copy(serial=serial, tier="juniper", hold="german", dealer="harbour", status="in_stock"))
    tried = [{"copy": serial, "ratings": {"overall": 7}} for serial in serials]
    body = {key: value for key, value in BODY.items() if key != "trial"}
    told = ask(client, body | {"tried": tried})
    (change,) = [
        change
        for each in told["influence"]
        if each["answer"] == "tried"
        for change in each["changes"]
        if change["what"] == "bows"
    ]
    assert 1 <= change["with"] <= 6
    assert 1 <= change["without"] <= 6
    with client.database.writing() as session:
        for serial in serials:
            session.delete(session.get_one(tables.Copy, serial))


def test_what_nothing_reads_says_whom_it_serves(client: Client) -> None:
    told = {one["answer"]: one for one in ask(client, BODY)["influence"]}
    unread = {name for name, one in told.items() if not one["reads"]}
    assert unread == {"strings", "string_length_mm", "own_bow_kind"}
    assert {told[name]["text"] for name in unread} == {
        "The advice does not depend on it; it helps the adviser to prepare the right bows."
    }


def test_the_page_says_the_same_behind_a_plain_link(client: Client) -> None:
    told = ask(client, BODY)
    page = page_of(client, told["id"])
    assert page.h1 == "What your answers did"
    names = [e.text.strip() for e in page.all("dt")]
    assert sorted(names) == sorted(influence_words.answer_words(one) for one in told["influence"])
    said = [e.text.strip() for e in page.all("dd")]
    assert {one["text"] for one in told["influence"] if one["changes"]} <= set(said)
    assert len(said) == len(set(said)), "what several answers did alike is said once"
    (back,) = [e.get("href") for e in page.all("a") if e.text.strip() == "Back to the advice"]
    assert Reader(client.app).get(back).h1 == told["verdict"]["text"]


def test_a_bow_that_is_gone_since_is_said_and_breaks_nothing(client: Client) -> None:
    told = ask(client, BODY | {"tried": [{"copy": "DB-bramble-3", "ratings": {"overall": 6}}]}, "")
    with client.database.writing() as session:
        row = session.get_one(tables.Enquiry, told["id"])
        gone = [{"copy": "DB-gone-1", "ratings": {"overall": 6}}]
        row.answers = row.answers | {"tried": gone}
    page = page_of(client, told["id"])
    assert "no longer here" in page.text
    assert not page.all("dt")


def test_an_unknown_address_and_an_advice_of_before_have_no_such_page(client: Client) -> None:
    assert client.get("/advice/nobody/why").status_code == 404


@pytest.mark.parametrize("basis", ["trials", "prior"])
def test_every_change_has_its_sentence_and_no_figure_under_the_prior(basis: str) -> None:
    doc = document(model={"basis": basis})
    values: dict[str, tuple[Any, Any]] = {
        "verdict": ("trial", "keep"),
        "first_tier": ("Juniper", "Rowan"),
        "bows": (3, 1),
        "chance": (0.71, 0.42),
    }
    assert values.keys() == {str(what) for what in AdvicePart}
    changes = [{"what": what, "with": given, "without": other} for what, (given, other) in values.items()]
    said = influence_words.what_it_did({"answer": "budget", "changes": changes, "reads": True}, doc)
    assert "Rowan would then suit you best, not Juniper." in said
    assert "one bow to compare, not three" in said
    assert "keep your own bow" in said
    assert ("%" in said) == (basis == "trials")


def test_every_answer_that_can_be_told_of_has_its_name() -> None:
    assert {str(answer) for answer in Answer} <= answer_summary.ANSWERS.keys()


def test_an_answer_that_changed_nothing_is_said_to_have_changed_nothing() -> None:
    told = {"answer": "wish_tone", "changes": [], "reads": True}
    assert influence_words.what_it_did(told, document()) == "Without it the advice would be the same."


def test_answers_that_did_the_same_are_told_together_each_by_itself() -> None:
    led = {"changes": [{"what": "first_tier", "with": "Juniper", "without": "Rowan"}], "reads": True}
    more = {"changes": [{"what": "bows", "with": 4, "without": 6}], "reads": True}
    told = [{"answer": "wish_mass", **led}, {"answer": "own_bow_mass", **led}, {"answer": "minutes", **more}]
    (both, said), (one, alone) = influence_words.lines(told, document())
    assert (len(both), len(one)) == (2, 1)
    assert said == "Without it Rowan would suit you best, not Juniper. This holds of each of them alone."
    assert alone == "Without it there would be six bows to compare, not four."


def test_an_advice_of_before_verdicts_has_no_link_to_it(client: Client) -> None:
    doc = before_verdicts()
    told = ask(client, BODY, "")
    with client.database.writing() as session:
        row = session.get_one(tables.Enquiry, told["id"])
        row.advice = doc
        address = row.address
    assert "What your answers did" not in Reader(client.app).get(f"/advice/{address}").text
    assert client.get(f"/advice/{address}/why").status_code == 404
