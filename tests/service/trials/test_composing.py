"""Composing: which bows, why, the chance of exactly these; bows set aside once; order, letters and repeats by the rules."""

import datetime as dt
import threading
import uuid
from collections import Counter
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError

from model.domain.vocabulary import Blinding, Place
from service import tables
from service.advice import advise
from service.core.database import Database
from service.core.errors import ConflictError, InvalidInputError, NotFoundError
from service.questionnaire.forms import Composing, check, check_as
from service.trials import composing, lifecycle
from tests.service.trial_cast import (
    BASS,
    BOWS,
    ON,
    SHOP,
    compose,
    composition,
    open_shop,
    request,
    slots,
    status,
)


@pytest.fixture
def shop(any_database: Database) -> Database:
    return open_shop(any_database)


@pytest.fixture
def small_shop(database: Database) -> Database:
    return open_shop(database)


def refused(call: Callable[[], object]) -> str:
    with pytest.raises(ConflictError) as caught:
        call()
    return str(caught.value)


def problems(call: Callable[[], object]) -> dict[str, str]:
    with pytest.raises(InvalidInputError) as caught:
        call()
    return {problem.path: problem.message for problem in caught.value.problems}


# What is kept


def test_a_trial_is_composed_with_player_history_row_order_and_bows_set_aside(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, model_consent=None)
    with shop.reading() as session:
        trial = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
        made = composition(session, key)
        assert (trial.dealer, trial.on, trial.instrument, trial.hold) == (SHOP, ON, "double_bass", "german")
        assert (trial.budget, trial.currency, trial.blinding, trial.place) == (
            Decimal(2600),
            "EUR",
            Blinding.BLIND,
            Place.SHOP,
        )
        assert (made.number, made.state, made.own_plays, made.minutes) == (1, "planned", 2, 60)
        assert made.plan["copies"] == sorted(BOWS)
        assert {slot.copy for slot in slots(session, key)} == {*BOWS, None}
        assert {status(session, bow) for bow in BOWS} == {"reserved"}
        player = session.get_one(tables.Player, trial.player)
        assert not player.in_model  # nobody was asked
        assert player.asked_at is None
        assert uuid.UUID(player.key)


def test_composing_twice_with_one_id_is_one_trial(shop: Database) -> None:
    asked = request()
    with shop.writing() as session:
        first = composing.compose(session, None, SHOP, asked)
    with shop.writing() as session:
        assert composing.compose(session, None, SHOP, asked) == first
        assert session.scalar(select(func.count()).select_from(tables.Composition)) == 1


def test_another_dealers_id_is_refused_without_a_word_about_the_trial(shop: Database) -> None:
    asked = request()
    with shop.writing() as session:
        composing.compose(session, None, SHOP, asked)
    with shop.writing() as session:
        said = refused(lambda: composing.compose(session, None, "quay", asked))
    assert said == "This id is taken; draw a new one for a new trial."


def test_the_advice_of_the_answers_and_the_promise_of_exactly_these_bows_are_kept(small_shop: Database) -> None:
    with small_shop.writing() as session:
        key = compose(session)
        seen = composing.propose(session, SHOP, check(BASS), chosen=BOWS, on=dt.date(2028, 1, 1))
        plan = dict(composition(session, key).plan)
    assert seen.chance is not None
    assert seen.gain is not None
    assert plan["chance"] == pytest.approx(seen.chance, abs=5e-4)
    assert plan["gain"] == pytest.approx(seen.gain, abs=5e-4)


CONTACT = {"consent": {"advice": True, "mail": True, "model": False}, "name": "Ada Bow", "email": "ada@example.org"}


def test_a_player_who_did_not_consent_to_the_model_is_left_out_of_it_and_known_by_name_here_only(
    small_shop: Database,
) -> None:
    with small_shop.writing() as session:
        key = compose(session, contact=CONTACT)
        player = session.scalars(select(tables.Trial.player).where(tables.Trial.key == key)).one()
        contact = session.get_one(tables.Contact, player)
        assert (contact.name, contact.email, contact.dealer) == ("Ada Bow", "ada@example.org", SHOP)
        assert contact.mail_consent
        assert not session.get_one(tables.Player, player).in_model


def test_a_name_and_an_address_identify_nobody(small_shop: Database) -> None:
    with small_shop.writing() as session:
        keys = [compose(session, contact=CONTACT, copies=[bow]) for bow in BOWS[:2]]
        players = {session.scalar(select(tables.Trial.player).where(tables.Trial.key == key)) for key in keys}
    assert len(players) == 2


@pytest.mark.parametrize("field", ["enquiry", "player", "previous"])
def test_what_is_another_dealers_is_not_here(small_shop: Database, field: str) -> None:
    with small_shop.writing() as session:
        advised = advise.advise(session, check(BASS | {"dealer": "quay"}))
        theirs = compose(session, "quay", copies=["DB-quay-0"])
        player = session.scalars(
            select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
        ).one()
        foreign = {"enquiry": advised["id"], "player": player, "previous": theirs}[field]
        with pytest.raises(NotFoundError):
            compose(session, **{field: foreign})


def test_an_enquiry_learns_its_player_and_brings_its_contact(small_shop: Database) -> None:
    with small_shop.writing() as session:
        advised = advise.advise(session, check(BASS | {"dealer": SHOP, "contact": CONTACT}))
        key = compose(session, enquiry=advised["id"])
        trial = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
        assert session.get_one(tables.Enquiry, advised["id"]).player == trial.player
        assert session.get_one(tables.Contact, trial.player).name == "Ada Bow"


# Which bows can be had


def test_overlapping_days_are_refused_naming_the_other_trial_and_its_days(shop: Database) -> None:
    week = {"on": "2027-05-03", "due_back": "2027-05-10"}
    with shop.writing() as session:
        compose(session, copies=[BOWS[0]], **week)
    with shop.writing() as session:
        said = refused(lambda: compose(session, copies=[BOWS[0]], on="2027-05-10", due_back="2027-05-12"))
    assert said == "DB-bramble-0 is reserved for trial 1 from 3 May 2027 to 10 May 2027."
    with shop.writing() as session:
        assert compose(session, copies=[BOWS[0]], on="2027-05-11")


def test_a_refused_trial_leaves_nothing_behind(shop: Database) -> None:
    def counted() -> list[int | None]:
        kept = (tables.Player, tables.Trial, tables.Composition, tables.TrialCopy, tables.Slot, tables.AuditEntry)
        with shop.reading() as session:
            return [session.scalar(select(func.count()).select_from(table)) for table in kept]

    with shop.writing() as session:
        compose(session, copies=[BOWS[0]])
    before = counted()
    with pytest.raises(ConflictError), shop.writing() as session:
        compose(session)
    assert counted() == before
    with shop.reading() as session:
        assert status(session, BOWS[1]) == "in_stock"


STATUSES = {
    "in_repair": "DB-bramble-0 is in repair.",
    "sold": "DB-bramble-0 has been sold.",
    "withdrawn": "DB-bramble-0 has been withdrawn.",
    "in_transit": "DB-bramble-0 is on its way.",
    "on_trial": "DB-bramble-0 is out on trial; put it in stock when it is back.",
    None: "It is not known where DB-bramble-0 is; say first that it is in stock.",
}


@pytest.mark.parametrize(("said_of", "sentence"), STATUSES.items())
def test_a_bow_that_cannot_be_had_is_refused_with_the_reason(
    small_shop: Database, said_of: str | None, sentence: str
) -> None:
    with small_shop.writing() as session:
        session.get_one(tables.Copy, BOWS[0]).status = said_of
    with small_shop.writing() as session:
        assert refused(lambda: compose(session)) == sentence


@pytest.mark.parametrize(
    ("serial", "sentence"),
    [
        ("DB-nobody", "There is no bow DB-nobody in your stock; look at its serial again."),
        ("DB-quay-0", "There is no bow DB-quay-0 in your stock; look at its serial again."),
        ("DB-shed-0", "There is no bow DB-shed-0 in your stock; look at its serial again."),
        ("V-linnet-0", "The bow V-linnet-0 is for another instrument or hold; choose one that the player can use."),
    ],
)
def test_a_bow_that_is_not_here_or_does_not_suit_is_named(small_shop: Database, serial: str, sentence: str) -> None:
    with small_shop.writing() as session:
        assert problems(lambda: compose(session, copies=[BOWS[0], serial])) == {"copies.1": sentence}
    with small_shop.reading() as session:
        asked = problems(lambda: composing.propose(session, SHOP, check(BASS), chosen=[BOWS[0], serial]))
    assert asked == {"copies.1": sentence}


@pytest.mark.parametrize(
    ("changes", "path"),
    [
        ({"copies": []}, "copies"),
        ({"copies": [BOWS[0], BOWS[0]]}, "copies"),
        ({"copies": [f"DB-{n}" for n in range(20)]}, "copies"),
        ({"on": "3 May"}, "on"),
        ({"due_back": "2027-05-02"}, "due_back"),
        ({"place": "post"}, "country"),
        ({"place": "post", "country": "Germany"}, "country"),
        ({"place": "post", "country": "XX"}, "country"),
        ({"minutes": 5}, "minutes"),
        ({"blinding": "dark"}, "blinding"),
        ({"answers": {"instrument": "double_bass"}}, "answers.hold"),
        ({"answers": BASS | {"tried": [{"copy": "X", "ratings": {"overall": 9}}]}}, "answers.tried.0.ratings.overall"),
        ({"id": "seven"}, "id"),
    ],
)
def test_a_wrong_field_is_named_with_what_would_be_right(changes: dict[str, Any], path: str) -> None:
    body = {"id": str(uuid.uuid4()), "answers": BASS, "copies": list(BOWS), "on": "2027-05-03"} | changes
    found = problems(lambda: check_as(Composing, body))
    assert list(found) == [path]
    assert found[path].endswith(".")


def test_a_tried_bow_that_is_no_more_is_named_by_its_place_in_the_answers(small_shop: Database) -> None:
    answers = BASS | {"tried": [{"copy": "DB-gone", "ratings": {"overall": 5}}]}
    with small_shop.writing() as session:
        assert list(problems(lambda: compose(session, answers=answers))) == ["answers.tried.0.copy"]


# Two at once


def test_of_two_advisers_who_compose_with_the_same_bow_at_once_one_gets_it_and_one_a_clear_sentence(
    shop: Database,
) -> None:
    start, heard = threading.Barrier(2), []

    def adviser(**days: Any) -> None:
        asked = request(copies=[BOWS[0]], **days)
        start.wait(10)
        try:
            with shop.writing() as session:
                heard.append(composing.compose(session, None, SHOP, asked))
        except ConflictError as refusal:
            heard.append(str(refusal))

    together(adviser, adviser)
    assert sorted(said for said in heard if " " in said) == ["DB-bramble-0 is reserved for trial 1 on 3 May 2027."]
    # Of a parcel and a trial whose days only meet by the days kept for the post too.
    heard.clear()
    together(
        lambda: adviser(place="post", country="DE", on="2027-06-03", due_back="2027-06-10"),
        lambda: adviser(on="2027-06-11"),
    )
    assert len([said for said in heard if " " not in said]) == 1
    assert len([said for said in heard if said.startswith("DB-bramble-0 is")]) == 1
    with shop.reading() as session:
        assert session.scalars(select(tables.TrialCopy.copy)).all() == [BOWS[0], BOWS[0]]


def test_many_trials_composed_at_once_count_on_without_a_gap(shop: Database) -> None:
    bows = [f"DB-{tier}-{number}" for tier in ("bramble", "juniper") for number in range(4)]
    start = threading.Barrier(len(bows))

    def adviser(bow: str) -> Callable[[], None]:
        def at_work() -> None:
            start.wait(10)
            with shop.writing() as session:
                compose(session, copies=[bow])

        return at_work

    together(*map(adviser, bows))
    with shop.reading() as session:
        assert sorted(session.scalars(select(tables.Composition.number))) == list(range(1, len(bows) + 1))


def together(*calls: Callable[[], None]) -> None:
    """Run calls at the same time; what one of them raises is raised here."""
    raised: list[BaseException] = []

    def guarded(call: Callable[[], None]) -> None:
        try:
            call()
        except BaseException as error:  # noqa: BLE001 - handed to the test, which fails by it
            raised.append(error)

    threads = [threading.Thread(target=guarded, args=(call,)) for call in calls]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    if raised:
        raise raised[0]


def test_the_database_itself_refuses_a_bow_that_is_out_on_two_trials(shop: Database) -> None:
    with shop.writing() as session:
        keys = [compose(session, copies=[BOWS[0]], on=day) for day in ("2027-05-03", "2027-06-03")]
        ids = [composition(session, key).trial for key in keys]
    out = dt.datetime(2027, 5, 3, 9, tzinfo=dt.UTC)
    with shop.writing() as session:
        session.execute(update(tables.TrialCopy).where(tables.TrialCopy.trial == ids[0]).values(out_at=out))
    with pytest.raises(IntegrityError), shop.writing() as session:
        session.execute(update(tables.TrialCopy).where(tables.TrialCopy.trial == ids[1]).values(out_at=out))


def test_opening_turns_that_refusal_into_a_sentence_and_leaves_the_trial_planned(shop: Database) -> None:
    with shop.writing() as session:
        keys = [compose(session, copies=[BOWS[0]], on=day) for day in ("2027-05-03", "2027-06-03")]
        lifecycle.open_(session, None, SHOP, keys[0])
    with shop.writing() as session:
        said = refused(lambda: lifecycle.open_(session, None, SHOP, keys[1]))
        assert composition(session, keys[1]).state == "planned"
    assert said == "DB-bramble-0 is still out on trial 1. Take it back there first, or exchange it here."


def test_of_two_trials_opened_at_once_with_one_bow_one_goes_out(shop: Database) -> None:
    with shop.writing() as session:
        keys = [compose(session, copies=[BOWS[0]], on=day) for day in ("2027-05-03", "2027-06-03")]
    start, heard = threading.Barrier(2), []

    def opener(key: str) -> Callable[[], None]:
        def at_work() -> None:
            start.wait(10)
            try:
                with shop.writing() as session:
                    lifecycle.open_(session, None, SHOP, key)
            except ConflictError as refusal:
                heard.append(str(refusal))

        return at_work

    together(*map(opener, keys))
    with shop.reading() as session:
        assert sorted(session.scalars(select(tables.Composition.state))) == ["open", "planned"]
    assert len(heard) == 1
    assert heard[0].startswith("DB-bramble-0 is still out on trial ")


# Order, letters, repeats


def test_letters_hide_bows_and_the_own_bow_stands_inside_and_last(small_shop: Database) -> None:
    with small_shop.writing() as session:
        order = [(slot.position, slot.letter, slot.copy) for slot in slots(session, compose(session))]
    assert [position for position, _letter, _copy in order] == list(range(1, len(order) + 1))
    letters = [letter for _position, letter, copy in order if copy]
    assert len(set(letters)) == len(letters)
    own = [position for position, _letter, copy in order if copy is None]
    assert own[-1] == len(order)
    assert len(own) == 2


def test_any_three_trials_in_a_row_have_a_hidden_repeat_unless_an_adviser_says_no(small_shop: Database) -> None:
    with small_shop.writing() as session:
        keys = [compose(session, on=(ON + dt.timedelta(days=day)).isoformat()) for day in range(9)]
        hidden = [composition(session, key).repeat for key in keys]
        played = [Counter(slot.copy for slot in slots(session, key) if slot.copy) for key in keys]
        declined = compose(session, on="2028-01-01", repeat=False)
        assert not composition(session, declined).repeat
    assert all(any(hidden[place : place + 3]) for place in range(len(hidden) - 2))
    assert [max(counts.values()) == 2 for counts in played] == hidden


def test_a_trial_after_two_without_a_repeat_has_one(small_shop: Database) -> None:
    with small_shop.writing() as session:
        for day in range(4, 7):
            compose(session, on=f"2027-06-0{day}", repeat=False)
        assert composition(session, compose(session, on="2027-06-10")).repeat


BY_POST = {"place": "post", "country": "DE"}


def test_by_post_no_repeat_is_hidden_since_one_bow_would_carry_two_loops(small_shop: Database) -> None:
    with small_shop.writing() as session:
        key = compose(session, **BY_POST)
        assert not composition(session, key).repeat
        assert max(Counter(slot.copy for slot in slots(session, key) if slot.copy).values()) == 1
        assert not composition(session, compose(session, **BY_POST | {"on": "2028-01-01"})).repeat
    with pytest.raises(InvalidInputError) as wrong:
        request(repeat=True, **BY_POST)
    assert [(each.path, each.message) for each in wrong.value.problems] == [
        ("repeat", "By post no repeat can be hidden: one bow would carry two loops. Leave it out, or play in the shop.")
    ]
    assert request(repeat=False, **BY_POST).repeat is False


def test_the_rule_of_one_in_three_counts_trials_in_the_shop(small_shop: Database) -> None:
    with small_shop.writing() as session:
        hidden = []
        for number in range(9):
            day = (ON + dt.timedelta(days=40 * number)).isoformat()
            hidden.append(composition(session, compose(session, on=day)).repeat)
            parcel = BY_POST | {"on": (ON + dt.timedelta(days=40 * number + 5)).isoformat()}
            compose(session, **parcel)
    assert all(any(hidden[place : place + 3]) for place in range(len(hidden) - 2))
    assert hidden[:7] == [True, False, False] * 2 + [True]


def test_a_repeat_is_not_hidden_where_the_player_sees_the_bow(small_shop: Database) -> None:
    with small_shop.writing() as session:
        assert not composition(session, compose(session, blinding="open")).repeat


@pytest.mark.parametrize(("minutes", "own"), [(20, 1), (34, 1), (40, 2), (60, 2)])
def test_with_little_time_the_own_bow_is_rated_once(small_shop: Database, minutes: int, own: int) -> None:
    with small_shop.writing() as session:
        assert composition(session, compose(session, minutes=minutes, repeat=False)).own_plays == own


def test_who_plays_no_bow_rates_none_of_their_own(small_shop: Database) -> None:
    with small_shop.writing() as session:
        key = compose(session, answers=BASS | {"own_bow": None})
        assert composition(session, key).own_plays == 0
        assert all(slot.copy for slot in slots(session, key))


def test_what_was_done_is_written_down_without_a_name(small_shop: Database) -> None:
    with small_shop.writing() as session:
        key = compose(session, contact=CONTACT)
        entry = session.scalars(select(tables.AuditEntry)).one()
        assert (entry.did, entry.about, entry.dealer) == ("composed a trial", f"trial {key}", SHOP)
        assert "Ada" not in str(entry.detail)
