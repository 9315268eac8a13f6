"""What is proposed from the stock at hand, and what of the range stays in memory while trials come and go."""

import datetime as dt
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import insert, update
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.modelling import catalogue, versions
from service.questionnaire.forms import check
from service.trials import composing, lifecycle
from tests.service.trial_cast import BASS, BOWS, ON, SHOP, compose, open_shop, rate


@pytest.fixture
def shop(any_database: Database) -> Database:
    return open_shop(any_database)


@pytest.fixture
def small_shop(database: Database) -> Database:
    return open_shop(database)


# What is proposed


def test_a_reserved_bow_is_shown_with_its_reason_and_not_recommended_for_those_days(small_shop: Database) -> None:
    with small_shop.writing() as session:
        compose(session)
        seen = composing.propose(session, SHOP, check(BASS), on=ON)
        later = composing.propose(session, SHOP, check(BASS), on=dt.date(2027, 6, 1))
    blocked = {bow.copy: bow.blocked for bow in seen.bows}
    assert blocked[BOWS[1]] == "DB-juniper-0 is reserved for trial 1 on 3 May 2027."
    assert not set(seen.recommended) & set(BOWS)
    assert all(bow.blocked is None for bow in later.bows)


def test_the_chosen_come_first_and_the_next_best_of_the_tiers_in_turn(small_shop: Database) -> None:
    with small_shop.reading() as session:
        seen = composing.propose(session, SHOP, check(BASS), chosen=[BOWS[0]])
    assert [bow.copy for bow in seen.bows if bow.chosen] == [BOWS[0]]
    assert seen.bows[0].copy == BOWS[0]
    assert {bow.tier for bow in seen.bows[1:3]} == {"bramble", "juniper"}
    assert len(seen.bows) == 8


def test_adding_a_bow_raises_the_chance_and_dropping_all_leaves_none(small_shop: Database) -> None:
    with small_shop.reading() as session:
        none, one, two = (composing.propose(session, SHOP, check(BASS), chosen=BOWS[1 : 1 + n]) for n in range(3))
    assert none.chance is None
    assert one.chance is not None
    assert two.chance is not None
    assert one.chance < two.chance
    assert (one.runs, one.minutes, two.runs, two.minutes) == (3, 25, 4, 30)


def test_what_the_shop_lacks_and_the_workshop_has_is_said(small_shop: Database) -> None:
    with small_shop.writing() as session:
        for number in range(4):
            session.get_one(tables.Copy, f"DB-juniper-{number}").status = "sold"
    with small_shop.reading() as session:
        seen = composing.propose(session, SHOP, check(BASS))
    assert [line for line in seen.lacking if "Juniper" in line] == ["The workshop has one Juniper."]


@pytest.mark.parametrize(
    "asked",
    [
        BASS | {"hold": "either"},
        # Juniper lies a tenth above it: within the usual stretch, which is not said.
        BASS | {"budget": {"amount": 2250, "currency": "EUR"}},
    ],
    ids=["either hold", "within the usual stretch"],
)
def test_the_workshop_is_asked_for_whatever_the_advice_would_take(small_shop: Database, asked: dict[str, Any]) -> None:
    with small_shop.writing() as session:
        for number in range(4):
            session.get_one(tables.Copy, f"DB-juniper-{number}").status = "sold"
    with small_shop.reading() as session:
        seen = composing.propose(session, SHOP, check(asked))
    assert [line for line in seen.lacking if "Juniper" in line] == ["The workshop has one Juniper."]


def test_an_earlier_trial_of_a_bow_is_told(small_shop: Database) -> None:
    with small_shop.writing() as session:
        key = compose(session)
        lifecycle.open_(session, None, SHOP, key)
        rate(session, key, dict.fromkeys((None, *BOWS), 5))
        lifecycle.close(session, None, SHOP, key)
        seen = composing.propose(session, SHOP, check(BASS))
    reasons = {bow.copy: bow.reason for bow in seen.bows}
    assert reasons["DB-juniper-3"] == "Nobody has tried it yet, so it is judged by its model."
    assert reasons[BOWS[0]] == "Rated in one trial; the next fit will learn from it."


def test_a_bow_tried_by_the_player_moves_by_its_own_ratings(small_shop: Database) -> None:
    marks = [{"copy": BOWS[1], "ratings": {"overall": 7}}, {"copy": BOWS[2], "ratings": {"overall": 2}}]
    with small_shop.reading() as session:
        seen = composing.propose(session, SHOP, check(BASS | {"tried": marks}))
    expected = {bow.copy: bow for bow in seen.bows}
    assert expected[BOWS[1]].expected > expected["DB-juniper-3"].expected > expected[BOWS[2]].expected
    assert expected[BOWS[1]].reason == "The player gave it 7 of 7."
    assert BOWS[2] not in seen.recommended


# The range in memory


def test_composing_opening_and_closing_leave_the_models_view_of_the_range_alone(shop: Database) -> None:
    with shop.writing() as session:
        before = catalogue.current(session)
        view = before.view(versions.current(session))
        key = compose(session)
    with shop.reading() as session:
        after = catalogue.current(session)
        assert after.stock[SHOP] == before.stock[SHOP] - set(BOWS)
        assert after.view(versions.current(session)) is view
    with shop.writing() as session:
        lifecycle.open_(session, None, SHOP, key)
    with shop.writing() as session:
        lifecycle.close(session, None, SHOP, key)
    with shop.reading() as session:
        again = catalogue.current(session)
        assert again.stock[SHOP] == before.stock[SHOP]
        assert again.view(versions.current(session)) is view


def measured(session: Session) -> None:
    session.get_one(tables.Copy, BOWS[0]).mass_g = 131.0


def moved_then_measured(session: Session) -> None:
    session.get_one(tables.Copy, BOWS[0]).status = "sold"
    session.flush()
    measured(session)


CHANGES: list[Callable[[Session], object]] = [
    measured,
    lambda session: session.execute(insert(tables.Event), [{"copy": BOWS[0], "on": ON, "event": "rehaired"}]),
    lambda session: session.execute(update(tables.Copy).values(status="sold")),
    moved_then_measured,
]


@pytest.mark.parametrize("change", CHANGES, ids=["bench", "event", "in bulk", "stock first"])
def test_any_other_change_of_a_copy_makes_the_view_anew(shop: Database, change: Callable[[Session], object]) -> None:
    with shop.reading() as session:
        view = catalogue.current(session).view(versions.current(session))
    with shop.writing() as session:
        change(session)
    with shop.reading() as session:
        assert catalogue.current(session).view(versions.current(session)) is not view
