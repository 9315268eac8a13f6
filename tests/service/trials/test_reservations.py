"""Which bow can be had on which days: before and after other trials, with the days kept for the post, and what opening says."""

import datetime as dt
from collections.abc import Callable

import pytest

from service.core.database import Database
from service.core.errors import ConflictError
from service.questionnaire.forms import check
from service.trials import composing, lifecycle, proposing, trial_record, whole_trial
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, open_shop, status


@pytest.fixture
def small_shop(database: Database) -> Database:
    return open_shop(database)


def refused(call: Callable[[], object]) -> str:
    with pytest.raises(ConflictError) as caught:
        call()
    return str(caught.value)


def test_a_bow_set_aside_for_a_later_day_can_be_had_before_it_and_one_that_is_out_after_it(
    small_shop: Database,
) -> None:
    with small_shop.writing() as session:
        later = compose(session, copies=[BOWS[0]], on="2027-05-10")
        sooner = compose(session, copies=[BOWS[0]], on="2027-05-03")
        lifecycle.open_(session, None, SHOP, sooner)
        assert status(session, BOWS[0]) == "on_trial"
        third = compose(session, copies=[BOWS[0]], on="2027-06-01")
        said = refused(lambda: lifecycle.open_(session, None, SHOP, later))
        assert said.startswith("DB-bramble-0 is still out on trial 2."), "not back on the day: the other trial is named"
        lifecycle.close(session, None, SHOP, sooner)
        lifecycle.open_(session, None, SHOP, later)
        lifecycle.close(session, None, SHOP, later)
        assert status(session, BOWS[0]) == "reserved"
        lifecycle.cancel(session, None, SHOP, third)
        assert status(session, BOWS[0]) == "in_stock"


BY_POST = {"place": "post", "country": "DE", "on": "2027-05-03", "due_back": "2027-05-10"}


def test_two_days_are_kept_after_a_bow_is_due_back_by_post_and_it_is_said_from_when_on_it_can_be_had(
    small_shop: Database,
) -> None:
    with small_shop.writing() as session:
        compose(session, copies=[BOWS[0]], **BY_POST)
        said = refused(lambda: compose(session, copies=[BOWS[0]], on="2027-05-12"))
        assert said == (
            "DB-bramble-0 is due back by post from trial 1 on 10 May 2027; with two days for the parcel to be late and the "
            "bow to be looked over it can be had from 13 May 2027 on."
        )
        seen = composing.propose(session, SHOP, check(BASS), on=dt.date(2027, 5, 12))
        assert {bow.copy: bow.blocked for bow in seen.bows}[BOWS[0]] == said
        assert compose(session, copies=[BOWS[0]], on="2027-05-13")
        # The same days are kept before the next trial in the shop, where it is the parcel that is asked for.
        compose(session, copies=[BOWS[1]], on="2027-05-12")
        assert "is reserved for trial 3" in refused(lambda: compose(session, copies=[BOWS[1]], **BY_POST))
        assert compose(session, copies=[BOWS[1]], **BY_POST | {"due_back": "2027-05-09"})


def test_what_is_proposed_for_a_parcel_can_be_had_for_the_two_weeks_it_is_away(small_shop: Database) -> None:
    answers = BASS | {"trial": {"place": "post"}}
    with small_shop.writing() as session:
        compose(session, copies=[BOWS[0]], on="2027-05-10")
        seen = composing.propose(session, SHOP, check(answers), on=dt.date(2027, 5, 3))
    assert {bow.copy: bow.blocked for bow in seen.bows}[
        BOWS[0]
    ] == "DB-bramble-0 is reserved for trial 1 on 10 May 2027."
    assert BOWS[0] not in seen.recommended


def test_a_planned_trial_may_take_in_what_is_back_by_its_day(small_shop: Database) -> None:
    with small_shop.writing() as session:
        out = compose(session, copies=[BOWS[0]], on="2027-05-03")
        key = compose(session, copies=[BOWS[1]], on="2027-05-10")
        compose(session, copies=[BOWS[2]], on="2027-05-10")
        lifecycle.open_(session, None, SHOP, out)
        may = {serial for serial, _tier in lifecycle.may_come(session, whole_trial.read(session, SHOP, key))}
        assert BOWS[0] in may
        assert not {BOWS[1], BOWS[2], "DB-quay-0"} & may
        lifecycle.swap(session, None, SHOP, key, None, BOWS[0])


def test_a_bow_that_is_out_but_due_back_by_then_is_offered_with_its_risk_and_never_twice(small_shop: Database) -> None:
    today = dt.datetime.now(dt.UTC).date()
    with small_shop.writing() as session:
        lent = compose(session, copies=[BOWS[0]], on=today.isoformat())
        lifecycle.open_(session, None, SHOP, lent)
        later = today + dt.timedelta(days=3)
        offered = {bow.copy: bow for bow in proposing.propose(session, SHOP, check(BASS), on=later).bows}
        assert offered[BOWS[0]].blocked is None
        assert "It is out on trial 1 and due back on" in offered[BOWS[0]].reason
        assert "due back" not in offered[BOWS[1]].reason
        now = {bow.copy: bow for bow in proposing.propose(session, SHOP, check(BASS), on=today).bows}
        assert "is out on trial 1" in str(now[BOWS[0]].blocked)
        assert "exchange it before" not in now[BOWS[0]].reason
        key = compose(session, copies=[BOWS[0]], on=later.isoformat())
        assert f"{BOWS[0]} is still out on another trial" in trial_record.trial(session, SHOP, key).flags[0]
        said = refused(lambda: compose(session, copies=[BOWS[0]], on=later.isoformat()))
        assert "is reserved for trial 2" in said
        lifecycle.close(session, None, SHOP, lent)
        assert trial_record.trial(session, SHOP, key).flags == ()
