"""A trial on its way: opened, sent, swapped, taken back, closed, cancelled, revealed; and what staff and bad luck do meanwhile."""

import datetime as dt
from collections.abc import Callable

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import EventKind
from service import tables
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.core.scopes import AllDealers, OneDealer
from service.inventory import stock
from service.trials import desk_reads, lifecycle, materials, outcomes, standing
from tests.service.trial_cast import BOWS, SHOP, compose, composition, open_shop, rate, slots, status

TODAY = dt.datetime.now(dt.UTC).date()
POST = {"place": "post", "country": "DE", "on": TODAY.isoformat()}
AS_NEW = dict.fromkeys(BOWS, "as new")


@pytest.fixture
def shop(database: Database) -> Database:
    return open_shop(database)


def refused(call: Callable[[], object]) -> str:
    with pytest.raises(ConflictError) as caught:
        call()
    return str(caught.value)


def staff(session: Session) -> int:
    user = tables.User(
        email="ada@harbour.example", name="Ada", role="adviser", dealer=SHOP, created_at=dt.datetime.now(dt.UTC)
    )
    session.add(user)
    session.flush()
    return user.id


# Opening and closing in the shop


def test_opening_lets_the_bows_out_and_closing_brings_them_home(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        key = compose(session)
        lifecycle.open_(session, None, SHOP, key)
        assert {status(session, bow) for bow in BOWS} == {"on_trial"}
        assert composition(session, key).state == "open"
        lifecycle.open_(session, None, SHOP, key)  # once more changes nothing
        lifecycle.close(session, None, SHOP, key)
        lifecycle.close(session, None, SHOP, key)
        assert composition(session, key).state == "closed"
        assert {status(session, bow) for bow in BOWS} == {"in_stock"}
        did = session.scalars(select(tables.AuditEntry.did).order_by(tables.AuditEntry.id)).all()
    assert did == ["composed a trial", "opened a trial", "closed a trial"]


def test_a_trial_is_of_the_day_on_which_it_is_played(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=(TODAY + dt.timedelta(days=9)).isoformat())
        lifecycle.open_(session, None, SHOP, key)
        row = desk_reads.trial(session, SHOP, key).row
    assert row.on == TODAY
    assert row.due_back == TODAY + dt.timedelta(days=9)


def test_a_bow_that_another_trial_waits_for_is_reserved_again_when_it_comes_home(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        compose(session, copies=[BOWS[0]], on=(TODAY + dt.timedelta(days=30)).isoformat())
        lifecycle.open_(session, None, SHOP, key)
        lifecycle.close(session, None, SHOP, key)
        assert [status(session, bow) for bow in BOWS] == ["reserved", "in_stock", "in_stock"]


@pytest.mark.parametrize(
    ("verb", "sentence"),
    [
        (lifecycle.close, "Trial 1 has not been opened yet. Only an open trial can be closed."),
        (
            lambda session, _user, dealer, key: lifecycle.reveal(session, 1, dealer, key),
            "Trial 1 has not been opened yet. There is nothing to reveal before the first bow is played.",
        ),
        (
            lambda session, user, dealer, key: outcomes.record(session, user, dealer, key, "none", None, None, TODAY),
            "Trial 1 has not been opened yet. There is no outcome to record.",
        ),
        (
            lambda session, _user, dealer, key: outcomes.before_next(session, dealer, key),
            "Trial 1 has not been opened yet. Nothing was learnt from this trial yet.",
        ),
        (
            lambda session, user, dealer, key: lifecycle.send(session, user, dealer, key, {}),
            "This trial is in the shop; there is no parcel to send.",
        ),
        (
            lambda session, user, dealer, key: lifecycle.confirm_materials(session, user, dealer, key, "Ada"),
            "This trial is in the shop; nothing crosses a border.",
        ),
    ],
)
def test_what_a_planned_trial_does_not_allow_is_said(
    shop: Database, verb: Callable[[Session, int | None, str, str], object], sentence: str
) -> None:
    with shop.writing() as session:
        key = compose(session)
        assert refused(lambda: verb(session, None, SHOP, key)) == sentence


def test_an_unknown_trial_and_another_dealers_are_not_here(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        user = staff(session)
        calls: list[Callable[[str, str], object]] = [
            lambda dealer, of: lifecycle.open_(session, user, dealer, of),
            lambda dealer, of: lifecycle.send(session, user, dealer, of, {}),
            lambda dealer, of: lifecycle.confirm_materials(session, user, dealer, of, "Ada"),
            lambda dealer, of: lifecycle.swap(session, user, dealer, of, BOWS[0], None),
            lambda dealer, of: lifecycle.take_back(session, user, dealer, of, {}),
            lambda dealer, of: lifecycle.close(session, user, dealer, of),
            lambda dealer, of: lifecycle.cancel(session, user, dealer, of),
            lambda dealer, of: lifecycle.reveal(session, user, dealer, of),
            lambda dealer, of: outcomes.record(session, user, dealer, of, "none", None, None, TODAY),
            lambda dealer, of: outcomes.correct(
                session, user, dealer, of, ("none", None, TODAY), "none", None, None, TODAY
            ),
            lambda dealer, of: outcomes.before_next(session, dealer, of),
            lambda dealer, of: standing.standing(session, dealer, of),
            lambda dealer, of: desk_reads.trial(session, dealer, of),
            lambda dealer, of: desk_reads.key_sheet(session, dealer, of),
        ]
        for call in calls:
            with pytest.raises(NotFoundError):
                call("quay", key)
            with pytest.raises(NotFoundError):
                call(SHOP, "no-such-trial")


# Swapping


def test_a_bow_is_exchanged_while_planned_and_letters_are_drawn_for_the_new_case(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        lifecycle.swap(session, None, SHOP, key, BOWS[0], "DB-bramble-3")
        assert {slot.copy for slot in slots(session, key)} == {None, "DB-bramble-3", *BOWS[1:]}
        assert (status(session, BOWS[0]), status(session, "DB-bramble-3")) == ("in_stock", "reserved")
        assert composition(session, key).plan["copies"] == ["DB-bramble-3", *BOWS[1:]]


def test_dropping_and_adding_change_the_promise(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        before = composition(session, key).plan["chance"]
        lifecycle.swap(session, None, SHOP, key, BOWS[2], None)
        fewer = composition(session, key).plan["chance"]
        lifecycle.swap(session, None, SHOP, key, None, BOWS[2])
        assert fewer < before == composition(session, key).plan["chance"]


def test_a_swap_that_cannot_be_is_refused_and_the_trial_stays_as_it_was(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        compose(session, copies=["DB-juniper-3"])
    with shop.writing() as session:
        said = refused(lambda: lifecycle.swap(session, None, SHOP, key, BOWS[0], "DB-juniper-3"))
        with pytest.raises(InvalidInputError):
            lifecycle.swap(session, None, SHOP, key, BOWS[0], "V-linnet-0")
    assert said == "DB-juniper-3 is reserved for trial 2 on 3 May 2027."
    with shop.reading() as session:
        assert {slot.copy for slot in slots(session, key)} == {None, *BOWS}
        assert status(session, BOWS[0]) == "reserved"


def test_the_last_bow_stays_and_an_open_trial_is_changed_no_more(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, copies=BOWS[:1], repeat=False)
        said = refused(lambda: lifecycle.swap(session, None, SHOP, key, BOWS[0], None))
        assert said == "A trial needs one bow at least; cancel it if none is to be played."
        lifecycle.open_(session, None, SHOP, key)
        said = refused(lambda: lifecycle.swap(session, None, SHOP, key, None, BOWS[1]))
        assert said == "Trial 1 is open. The bows of a trial can be changed only while it is planned."


def test_a_swap_of_what_is_not_in_the_trial_names_the_field(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        for out, in_, path in (("DB-juniper-3", None, "out"), (None, BOWS[0], "in"), (None, "DB-nobody", "copies.0")):
            with pytest.raises(InvalidInputError) as caught:
                lifecycle.swap(session, None, SHOP, key, out, in_)
            assert [problem.path for problem in caught.value.problems] == [path]


# By post


def test_a_parcel_within_the_country_goes_with_the_condition_of_every_bow(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, **POST)
        said = refused(lambda: lifecycle.open_(session, None, SHOP, key))
        assert said == "This trial goes by post; it is opened when its parcel is sent."
        with pytest.raises(InvalidInputError) as caught:
            lifecycle.send(session, None, SHOP, key, {BOWS[0]: "as new", BOWS[1]: " "})
        assert {problem.path for problem in caught.value.problems} == {f"condition.{bow}" for bow in BOWS[1:]}
        lifecycle.send(session, None, SHOP, key, AS_NEW)
        page = desk_reads.trial(session, SHOP, key)
    assert page.row.state == "open"
    assert [row.condition_out for row in page.case] == ["as new"] * 3
    assert page.row.due_back == TODAY + dt.timedelta(days=14)


def test_across_a_border_the_parcel_waits_until_someone_has_confirmed_the_materials(shop: Database) -> None:
    with shop.writing() as session:
        session.get_one(tables.Copy, BOWS[0]).materials = "carbon fibre stick, nickel silver mounts"
        session.get_one(tables.Copy, BOWS[1]).materials = "pernambuco stick, ebony frog"
        key = compose(session, **POST | {"country": "CH"})
        said = refused(lambda: lifecycle.send(session, None, SHOP, key, AS_NEW))
        assert said == (
            "The parcel waits: confirm first that the materials of DB-juniper-0 and DB-juniper-1 may cross the border, "
            "and who says so."
        )
        assert [row.key for row in desk_reads.home(session, SHOP, TODAY).parcels_waiting] == [key]
        with pytest.raises(InvalidInputError):
            lifecycle.confirm_materials(session, None, SHOP, key, "  ")
        lifecycle.confirm_materials(session, None, SHOP, key, "Customs office, by telephone")
        lifecycle.send(session, None, SHOP, key, AS_NEW)
        page = desk_reads.trial(session, SHOP, key)
    assert page.materials.confirmed_by == "Customs office, by telephone"
    assert page.materials.copies == BOWS[1:]
    assert page.row.state == "open"


def test_other_bows_are_to_be_confirmed_anew(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, **POST | {"country": "CH"})
        lifecycle.confirm_materials(session, None, SHOP, key, "Customs office")
        lifecycle.swap(session, None, SHOP, key, BOWS[0], "DB-bramble-3")
        assert desk_reads.trial(session, SHOP, key).materials.waits


def test_a_dealer_whose_country_is_not_known_asks_always(shop: Database) -> None:
    with shop.writing() as session:
        session.get_one(tables.Dealer, SHOP).country = None
        assert desk_reads.trial(session, SHOP, compose(session, **POST)).materials.waits


@pytest.mark.parametrize(
    ("made_of", "unlisted"),
    [
        ("carbon fibre stick, nickel silver mounts", True),
        ("Carbon fibre and resin", True),
        # Pernambuco (Paubrasilia echinata), ivory and tortoiseshell stand in the appendices of CITES.
        ("pernambuco stick, nickel silver mounts", False),
        ("carbon fibre stick, ivory tip", False),
        ("carbon fibre stick, tortoiseshell frog", False),
        ("carbon fibre, imitation of something", False),
        ("stick", False),
        ("", False),
        (None, False),
    ],
)
def test_only_what_is_known_to_be_unlisted_travels_unasked(made_of: str | None, unlisted: bool) -> None:
    assert materials.unlisted(made_of) is unlisted


def test_bows_come_back_one_by_one_each_with_its_condition(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, **POST)
        lifecycle.send(session, None, SHOP, key, AS_NEW)
        lifecycle.close(session, None, SHOP, key)
        assert status(session, BOWS[0]) == "on_trial"
        lifecycle.take_back(session, None, SHOP, key, {BOWS[0]: "a crack in the head"})
        lifecycle.take_back(session, None, SHOP, key, {BOWS[0]: "said again"})
        page = desk_reads.trial(session, SHOP, key)
        assert [status(session, bow) for bow in BOWS] == ["in_stock", "on_trial", "on_trial"]
        with pytest.raises(InvalidInputError):
            lifecycle.take_back(session, None, SHOP, key, {"DB-juniper-3": "as new"})
    assert [row.condition_back for row in page.case] == ["a crack in the head", None, None]


def test_what_should_be_back_is_on_the_desk_and_blocks_later_trials(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, **POST)
        lifecycle.send(session, None, SHOP, key, AS_NEW)
        lifecycle.take_back(session, None, SHOP, key, {BOWS[0]: "as new"})
        later = TODAY + dt.timedelta(days=20)
        late = desk_reads.home(session, SHOP, later).overdue
        for row in session.scalars(select(tables.TrialCopy)):
            row.out_from = row.due_back = TODAY - dt.timedelta(days=3)
        session.flush()
        said = refused(lambda: compose(session, copies=[BOWS[1]], on=later.isoformat()))
        assert desk_reads.trial(session, SHOP, key).row.overdue
    assert [(item.copies, item.days) for item in late] == [(BOWS[1:], 6)]
    assert said.startswith("DB-juniper-0 has not come back from trial 1; it was due on ")


# Giving up, revealing


def test_a_trial_cancelled_half_way_keeps_its_sheets_and_frees_its_bows(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        lifecycle.open_(session, None, SHOP, key)
        rate(session, key, dict.fromkeys((None, *BOWS), 5), places=2)
        lifecycle.cancel(session, None, SHOP, key)
        lifecycle.cancel(session, None, SHOP, key)
        page = desk_reads.trial(session, SHOP, key)
        assert {status(session, bow) for bow in BOWS} == {"in_stock"}
        said = refused(lambda: lifecycle.open_(session, None, SHOP, key))
    assert (page.row.state, page.row.sheets_in) == ("cancelled", 2)
    assert said == "Trial 1 has been cancelled. Only a planned trial can be opened."


def test_a_planned_trial_given_up_frees_its_days(shop: Database) -> None:
    with shop.writing() as session:
        lifecycle.cancel(session, None, SHOP, compose(session))
        assert compose(session)


def test_letters_alone_are_shown_until_the_key_is_revealed_once_and_for_good(shop: Database) -> None:
    with shop.writing() as session:
        user, key = staff(session), compose(session)
        lifecycle.open_(session, user, SHOP, key)
        rate(session, key, {None: 4, BOWS[0]: 5, BOWS[1]: 6, BOWS[2]: 3})
        before = desk_reads.trial(session, SHOP, key), standing.standing(session, SHOP, key)
        assert all(slot.copy is None and slot.tier_name is None for slot in before[0].slots)
        assert all(bow.copy is None and bow.tier_name is None for bow in before[1].bows)
        assert not any(bow in repr(before[1]) for bow in BOWS)
        lifecycle.reveal(session, user, SHOP, key)
        first = composition(session, key).revealed_at
        lifecycle.reveal(session, user, SHOP, key)
        assert composition(session, key).revealed_at == first
        page, stands = desk_reads.trial(session, SHOP, key), standing.standing(session, SHOP, key)
    assert page.revealed_by == "Ada"
    assert {slot.copy for slot in page.slots} == {None, *BOWS}
    assert {bow.copy for bow in stands.bows} == {None, *BOWS}


def test_the_key_is_on_its_own_page(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        assert {slot.copy for slot in desk_reads.key_sheet(session, SHOP, key)} == {None, *BOWS}


# What staff say of a bow meanwhile


def test_a_bow_sold_while_on_trial_is_flagged_and_still_rated(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        lifecycle.open_(session, None, SHOP, key)
        said = stock.set_status(session, None, OneDealer(SHOP), BOWS[1], "sold")
        rate(session, key, {None: 4, BOWS[0]: 5, BOWS[1]: 6, BOWS[2]: 3})
        page, stands = desk_reads.trial(session, SHOP, key), standing.standing(session, SHOP, key)
        lifecycle.close(session, None, SHOP, key)
        assert status(session, BOWS[1]) == "sold"
    assert said == "DB-juniper-0 is in trial 1 still; look there."
    assert page.flags == ("DB-juniper-0 was sold while it is on this trial; its ratings still count.",)
    assert stands.bows[0].mark == 6


def test_a_bow_that_went_into_repair_keeps_its_trial_from_opening(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session)
        stock.set_status(session, None, OneDealer(SHOP), BOWS[1], "in_repair")
        said = refused(lambda: lifecycle.open_(session, None, SHOP, key))
        lifecycle.swap(session, None, SHOP, key, BOWS[1], None)
        lifecycle.open_(session, None, SHOP, key)
        assert status(session, BOWS[1]) == "in_repair"
    assert said == "DB-juniper-0 is in repair. Exchange or drop it first."


def test_status_and_place_are_changed_with_reasons_where_they_cannot(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        said = refused(lambda: stock.set_place(session, None, OneDealer(SHOP), BOWS[0], None))
        assert said.startswith("DB-bramble-0 belongs to trial 1 until ")
        lifecycle.open_(session, None, SHOP, key)
        said = refused(lambda: stock.set_status(session, None, OneDealer(SHOP), BOWS[0], "in_stock"))
        assert said == "DB-bramble-0 is out on trial 1; take it back there."
        with pytest.raises(InvalidInputError):
            stock.set_status(session, None, OneDealer(SHOP), "DB-juniper-3", "reserved")
        with pytest.raises(InvalidInputError):
            stock.set_place(session, None, OneDealer(SHOP), "DB-juniper-3", "nobody")
        with pytest.raises(NotFoundError):
            stock.set_status(session, None, OneDealer(SHOP), "DB-quay-0", "sold")
        with pytest.raises(NotFoundError):
            stock.set_place(session, None, OneDealer("quay"), "DB-juniper-3", None)
        with pytest.raises(NotFoundError):
            stock.copy(session, OneDealer(SHOP), "DB-shed-0")
        stock.set_place(session, None, OneDealer(SHOP), "DB-juniper-3", "quay", reach=AllDealers())
        assert stock.copy(session, OneDealer("quay"), "DB-juniper-3").row.where == "In stock"
        assert stock.copy(session, AllDealers(), "DB-shed-0").row.where == "At the workshop"


def test_stock_by_tier_says_where_each_bow_is(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        compose(session, copies=["DB-juniper-3"])
        lifecycle.open_(session, None, SHOP, key)
        tiers = {tier.tier: tier for tier in stock.shelf(session, OneDealer(SHOP))}
        everywhere = {row.copy for row in stock.listing(session, AllDealers(), today=TODAY).rows}
        where = {row.copy: row.where for row in stock.listing(session, OneDealer(SHOP), today=TODAY).rows}
    assert where[BOWS[1]].startswith("On trial 1 until ")
    assert where["DB-juniper-3"] == "Reserved for trial 2 on 3 May 2027"
    assert where["DB-juniper-2"] == "In stock"
    assert (tiers["juniper"].at_hand, tiers["juniper"].price) == (1, 2450.0)
    assert "DB-quay-0" not in where
    assert {"DB-quay-0", "DB-shed-0"} < everywhere


# What is done to a bow


def test_a_rehair_says_what_it_does_to_older_ratings(shop: Database) -> None:
    with shop.writing() as session:
        fresh = stock.record_event(session, None, OneDealer(SHOP), BOWS[0], EventKind.REHAIRED, TODAY)
        key = compose(session)
        lifecycle.open_(session, None, SHOP, key)
        rate(session, key, dict.fromkeys((None, *BOWS), 5))
        lifecycle.close(session, None, SHOP, key)
        after = stock.record_event(
            session, None, OneDealer(SHOP), BOWS[0], EventKind.REHAIRED, TODAY + dt.timedelta(days=1)
        )
        moved = stock.record_event(
            session, None, OneDealer(SHOP), BOWS[0], EventKind.MOVED, TODAY + dt.timedelta(days=1), "to town"
        )
        stock.record_event(
            session, None, OneDealer(SHOP), BOWS[0], EventKind.MOVED, TODAY + dt.timedelta(days=1), "to the hills"
        )
        page = stock.copy(session, OneDealer(SHOP), BOWS[0])
        with pytest.raises(InvalidInputError):
            stock.record_event(session, None, OneDealer(SHOP), BOWS[0], EventKind.MOVED, TODAY + dt.timedelta(days=9))
    assert fresh == "It was not rated before that day, so nothing changes for the advice."
    assert after.endswith("older ratings of it count less from now on. One trial is meant.")
    assert moved == "A move changes nothing about the bow: older ratings of it count as before."
    assert [(row.event, row.note) for row in page.events] == [
        (EventKind.MOVED, "to the hills"),
        (EventKind.REHAIRED, None),
        (EventKind.REHAIRED, None),
    ]
