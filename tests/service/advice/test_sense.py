"""Answers of the service on the demo's dealers, as a practitioner would look at them: nothing contradicts anything."""

from collections.abc import Callable, Iterator
from copy import deepcopy
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from model.preference import recalibrated
from service.core.database import Database
from service.modelling import catalogue, versions
from service.modelling.catalogue import Catalogue
from service.tables import ModelVersion
from tests.benchmarks._demo import demo_settings, opened
from tests.benchmarks._sense_checks import Asked, contradictions, falls
from tests.benchmarks._sense_sets import bodies, raised_marks
from tests.benchmarks.sense import ask, fit_to_all

SETS, PAIRS = 72, 12


@pytest.fixture(scope="module")
def demo() -> Iterator[Database]:
    """The demo's range and history with a version fitted to all of it."""
    with demo_settings() as settings, opened(settings) as database:
        fit_to_all(database)
        yield database


@pytest.fixture(scope="module")
def session(demo: Database) -> Iterator[Session]:
    with demo.reading() as reading:
        yield reading


@pytest.fixture(scope="module")
def now(session: Session) -> Catalogue:
    return catalogue.current(session)


@pytest.fixture(scope="module")
def answered(session: Session, now: Catalogue) -> list[Asked]:
    return [ask(session, now, body)[0] for body in bodies(now, SETS, seed=7)]


def test_every_answer_has_a_verdict_and_every_tier_a_reason(answered: list[Asked]) -> None:
    assert {each.verdict["code"] for each in answered} == {"trial", "curious", "keep", "ask"}
    assert all(entry["reasons"] for each in answered for entry in each.entries)
    assert all(reason["text"].strip() for each in answered for entry in each.entries for reason in entry["reasons"])


def test_nothing_contradicts_anything(answered: list[Asked]) -> None:
    assert {name: each.body for each in answered for name in contradictions(each)} == {}


def test_more_bows_never_promise_less(answered: list[Asked]) -> None:
    assert not [each.body for each in answered if falls(each.reply)]
    assert sum(len(each.trial["by_copies"]) > 2 for each in answered) > SETS / 2


def test_what_was_liked_is_brought_and_what_was_not_stays(answered: list[Asked]) -> None:
    loved = [(copy in each.trial["bring"], each.body) for each in answered for copy in each.loved()]
    rejected = [(copy in each.trial["bring"], each.body) for each in answered for copy in each.rejected()]
    assert len(loved) > 1
    assert len(rejected) > 3
    assert [body for brought, body in loved if not brought] == []
    assert [body for brought, body in rejected if brought] == []


def test_one_bow_alone_is_advised_only_where_there_are_no_two(answered: list[Asked]) -> None:
    advised = [each for each in answered if each.verdict["code"] in ("trial", "curious")]
    assert [each.body for each in advised if each.bows == 1 and each.can_be_had() >= 2] == []
    several = [each.bows >= 3 for each in advised if each.can_be_had() >= 3]
    assert sum(several) / len(several) >= 0.75


def test_two_tiers_are_named_where_two_are_in_reach(answered: list[Asked]) -> None:
    named = [len(each.entries) >= 2 for each in answered if each.tiers_in_reach() >= 2]
    assert len(named) > SETS / 2
    assert sum(named) / len(named) >= 0.9


def test_a_better_own_bow_makes_no_new_one_likelier_to_beat_it(session: Session, now: Catalogue) -> None:
    pairs = list(raised_marks(list(bodies(now, 2 * SETS, seed=11)), seed=12))[:PAIRS]
    fell = 0
    for pair in pairs:
        low, high = (ask(session, now, body)[0] for body in (pair.one, pair.other))
        after = {entry["tier"]: entry["beats_own_bow"] for entry in high.entries}
        for entry in low.entries:
            if entry["tier"] in after:
                assert after[entry["tier"]] <= entry["beats_own_bow"] + 5e-4, pair
                fell += after[entry["tier"]] < entry["beats_own_bow"] - 0.01
    assert fell > PAIRS / 3


def test_chances_are_told_as_the_check_up_of_the_version_recalibrates_them(
    demo: Database, answered: list[Asked]
) -> None:
    with demo.writing() as writing:
        known = writing.scalars(select(ModelVersion)).one()
        facts = {name: getattr(known, name) for name in ("fitted_at", "data_digest", "code_version", "artifact")}
        bold = ModelVersion(**facts, adopted=False, report=known.report | {"check_up": {"chances": {"slope": 0.5}}})
        writing.add(bold)
        writing.flush()
        versions.adopt(writing, bold.id)
        plain = known.id
    try:
        with demo.reading() as reading:
            now, told = catalogue.current(reading), [each for each in answered if each.bows][:6]
            again = [ask(reading, now, dict(each.body))[0] for each in told]
    finally:
        with demo.writing() as writing:
            versions.adopt(writing, plain)
    for before, after in zip(told, again, strict=True):
        assert after.trial["bring"] == before.trial["bring"], "the case is what it was"
        for one, other in ((before.trial["by_copies"], after.trial["by_copies"]), (before.entries, after.entries)):
            name = "beats_own_bow" if one is before.entries else "chance"
            mapped = recalibrated([row[name] for row in one], 0.5)
            assert [row[name] for row in other] == pytest.approx(mapped.tolist(), abs=6e-3)
        assert after.verdict["chance"] == pytest.approx(float(recalibrated(before.verdict["chance"], 0.5)), abs=6e-3)
        assert contradictions(after) == []


# What the checks find


def _with(asked: Asked, change: Callable[[Any], None]) -> list[str]:
    reply = deepcopy(dict(asked.reply))
    change(reply)
    return contradictions(replace(asked, reply=reply))


def _best_without_a_bow(reply: Any) -> None:
    reply["shortlist"][0]["copies"] = 0


def _the_first_bow_twice(reply: Any) -> None:
    reply["trial"]["bring"][-1] = reply["trial"]["bring"][0]


def _another_verdict(reply: Any) -> None:
    reply["verdict"]["code"] = "ask"


def _a_chance_out_of_the_air(reply: Any) -> None:
    reply["verdict"]["text"] = "A trial is worth it: 3 % of players like one better."


def _another_price(reply: Any) -> None:
    reply["shortlist"][0]["price"] *= 40


def _likelier_than_its_row(reply: Any) -> None:
    reply["trial"]["chance_one_beats_own_bow"] = min(1.0, reply["trial"]["chance_one_beats_own_bow"] + 0.01)


def _a_little_that_is_much(reply: Any) -> None:
    trial = reply["trial"]
    trial["by_copies"][trial["copies"]]["expected_gain"] += 0.5
    ordinal = ("first", "second", "third", "fourth", "fifth", "sixth")[trial["copies"]]
    trial["recommendation"] = f"Try some bows. A {ordinal} bow would add little. It takes about an hour."


def _no_more_bows(reply: Any) -> None:
    reply["trial"]["recommendation"] = "Try some bows. No more suitable bows are at hand."


def _only_two(reply: Any) -> None:
    reply["notes"].append("Only two bows can be had today; three would make a fairer comparison.")


def _only_one(reply: Any) -> None:
    reply["notes"].append(
        "Only one bow can be had, and one bow is no comparison. On a later day there may be more: ask us."
    )


PLANTED = (
    ("adds little that adds much", _a_little_that_is_much),
    ("no more bows though there are", _no_more_bows),
    ("fewer can be had than are at hand", _only_two),
    ("fewer can be had than are at hand", _only_one),
    ("best without a bow", _best_without_a_bow),
    ("brought twice", _the_first_bow_twice),
    ("verdict against chance", _another_verdict),
    ("a percentage that is no chance", _a_chance_out_of_the_air),
    ("another price", _another_price),
    ("another chance in the row", _likelier_than_its_row),
)


@pytest.mark.parametrize(("name", "plant"), PLANTED)
def test_a_planted_contradiction_is_found(name: str, plant: Callable[[Any], None], answered: list[Asked]) -> None:
    whole = next(
        each
        for each in answered
        if each.bows >= 3 and "budget" in each.body and each.verdict["code"] == "trial" and each.trial["bring"]
    )
    assert contradictions(whole) == []
    assert name in _with(whole, plant)
