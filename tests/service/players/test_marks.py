"""What a player rated in earlier trials at a dealer reaches every proposal there, numbers and sentences; nobody else's, and not without a yes."""

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from model.domain.vocabulary import Criterion
from service import tables
from service.accounts import users
from service.advice import advise
from service.core.database import Database
from service.core.errors import NotFoundError
from service.players import known as marks
from service.players.trial_access import composed
from service.questionnaire.forms import check, check_as
from service.questionnaire.server_fields import TrialIn
from service.trials import by_server, compose_page, composing, lifecycle, outcomes
from service.trials.proposing import Proposal
from tests.service.trial_cast import BASS, BOWS, SHOP, compose, composition, open_shop, rate

TODAY = dt.datetime.now(dt.UTC).date()
YESTERDAY = TODAY - dt.timedelta(days=1)
FRESH = ["DB-juniper-2", "DB-juniper-3"]
GOOD: Mapping[str | None, int] = {None: 4, BOWS[0]: 3, BOWS[1]: 7, BOWS[2]: 5}
SAID = f"{YESTERDAY.day} {YESTERDAY:%B %Y}"


@pytest.fixture
def shop(database: Database) -> Database:
    return open_shop(database)


def played(session: Session, given: Mapping[str | None, int] = GOOD, **changes: Any) -> str:
    """Compose a trial for yesterday, let every bow be rated, and close it; return its key."""
    key = compose(session, on=YESTERDAY.isoformat(), **changes)
    lifecycle.open_(session, None, SHOP, key)
    rate(session, key, given)
    lifecycle.close(session, None, SHOP, key)
    trial = session.scalars(select(tables.Trial).where(tables.Trial.key == key)).one()
    trial.on = YESTERDAY
    composition(session, key).opened_at = dt.datetime.now(dt.UTC)
    session.flush()
    return key


def player_of(session: Session, key: str) -> str:
    joined = select(tables.Player.key).join(tables.Trial, tables.Trial.player == tables.Player.id)
    return session.scalars(joined.where(tables.Trial.key == key)).one()


def proposed(session: Session, chosen: list[str] | None = None, body: Mapping[str, Any] = BASS, **of: Any) -> Proposal:
    answers = check({**body, "dealer": SHOP})
    stored = marks.gathered(session, SHOP, answers, **of)
    return composing.propose(session, SHOP, answers, chosen=chosen, on=TODAY, marks=stored)


def reasons(seen: Proposal) -> dict[str, str]:
    return {bow.copy: bow.reason for bow in seen.bows}


def expected(seen: Proposal, copy: str) -> float:
    return next(bow.expected for bow in seen.bows if bow.copy == copy)


# Every way to a proposal


def test_a_known_player_who_walks_in_is_proposed_to_by_what_was_rated(shop: Database) -> None:
    with shop.writing() as session:
        player = player_of(session, played(session))
        stranger, known = proposed(session), proposed(session, player=player)
    assert expected(known, BOWS[1]) > expected(stranger, BOWS[1])
    assert expected(known, BOWS[0]) < expected(stranger, BOWS[0])
    assert known.document["own_bow"] == {"state": "rated", "level": 4.0}
    assert reasons(known)[BOWS[1]].startswith(f"Played on {SAID}, rated 7 by this player.")
    assert f"The player rated the own bow 4 on {SAID}; what the bows promise is measured against that." in known.notes
    assert not any("The player did not rate the own bow" in note for note in known.notes)
    assert any("The player did not rate the own bow" in note for note in stranger.notes)
    assert "Played on" not in " ".join(reasons(stranger).values())


def test_the_next_trial_and_the_enquiry_of_before_know_them_too(shop: Database) -> None:
    with shop.writing() as session:
        asked = advise.advise(session, check(BASS | {"dealer": SHOP}))["id"]
        key = played(session, enquiry=asked)
        known = proposed(session, player=player_of(session, key))
        for way in ({"previous": key}, {"enquiry": asked}):
            seen = proposed(session, **way)
            assert reasons(seen) == reasons(known)
            assert (seen.chance, seen.recommended, seen.notes) == (known.chance, known.recommended, known.notes)


def test_what_is_promised_when_the_bows_are_set_aside_is_what_the_page_promised(shop: Database) -> None:
    with shop.writing() as session:
        before = played(session)
        player = player_of(session, before)
        seen = proposed(session, chosen=FRESH, player=player)
        key = compose(session, player=player, copies=FRESH, on=TODAY.isoformat())
        assert composition(session, key).plan["chance"] == round(seen.chance or 0, 3)
        lifecycle.swap(session, None, SHOP, key, FRESH[0], BOWS[1])
        swapped = proposed(session, chosen=[BOWS[1], FRESH[1]], player=player)
        assert composition(session, key).plan["chance"] == round(swapped.chance or 0, 3)
        stranger = proposed(session, chosen=[BOWS[1], FRESH[1]])
        assert (swapped.chance or 0) > (stranger.chance or 0) + 0.02


def test_a_dealers_server_that_names_a_player_gets_the_same_promise(shop: Database) -> None:
    with shop.writing() as session:
        player = player_of(session, played(session))
        seen = proposed(session, chosen=FRESH, body={"instrument": "double_bass", "hold": "german"}, player=player)
        body = {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "player": player}
        asked = check_as(TrialIn, {**body, "copies": FRESH, "minutes": 60, "date": TODAY.isoformat()})
        told = by_server.compose(session, SHOP, asked)
        assert composition(session, told["id"]).plan["chance"] == round(seen.chance or 0, 3)


# What comes first


def test_a_bow_rated_below_the_own_bow_is_not_advised_again_and_one_rated_above_is(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session, {None: 4, BOWS[0]: 3, BOWS[1]: 6, BOWS[2]: 2})
        seen = proposed(session, previous=key)
    assert BOWS[1] in seen.recommended
    assert not {BOWS[0], BOWS[2]} & set(seen.recommended)
    assert seen.bows[0].copy not in (BOWS[0], BOWS[2])


def test_a_bow_rated_above_the_own_one_comes_also_where_its_tier_is_not_on_the_list(shop: Database) -> None:
    # Bramble fits the budget alone; a Juniper within the stretch was loved, one beyond it would not come.
    body = BASS | {"budget": {"amount": 2000, "currency": "EUR", "stretch_percent": 30}}
    with shop.writing() as session:
        key = played(session, {None: 3, BOWS[0]: 3, BOWS[1]: 7, BOWS[2]: 3}, answers=body)
        assert BOWS[1] in proposed(session, body=body, previous=key).recommended
        tight = BASS | {"budget": {"amount": 2000, "currency": "EUR"}}
        assert BOWS[1] not in proposed(session, body=tight, previous=key).recommended


def test_with_little_time_no_more_bows_are_advised_than_can_be_played(shop: Database) -> None:
    body = BASS | {"trial": {"minutes": 20}}
    with shop.writing() as session:
        key = played(session, {None: 2, BOWS[0]: 6, BOWS[1]: 7, BOWS[2]: 6})
        assert len(proposed(session, body=body, previous=key).recommended) == 1


@pytest.mark.parametrize(
    "given",
    [
        {None: 4, BOWS[0]: 3, BOWS[1]: 6, BOWS[2]: 2},
        {None: 3, BOWS[0]: 7, BOWS[1]: 3, BOWS[2]: 5},
        {None: 5, BOWS[0]: 6, BOWS[1]: 6, BOWS[2]: 6},
        {None: 6, BOWS[0]: 2, BOWS[1]: 3, BOWS[2]: 4},
    ],
)
def test_the_step_that_is_said_to_be_advised_promises_what_the_page_does(
    shop: Database, given: Mapping[str | None, int]
) -> None:
    with shop.writing() as session:
        seen = proposed(session, previous=played(session, given))
    advised = [step for step in seen.by_copies if step.advised]
    assert [step.copies for step in advised] == [len(seen.recommended)]
    assert advised[0].chance == pytest.approx(seen.chance, abs=1e-3)
    chances = [step.chance for step in seen.by_copies]
    assert chances == sorted(chances)
    told = reasons(seen)
    assert not any(
        "own ratings speak for it" in told[bow] for bow, mark in given.items() if bow and mark < (given[None])
    )


def test_no_sentence_says_that_a_case_which_loses_wins(shop: Database) -> None:
    with shop.writing() as session:
        seen = proposed(session, chosen=[BOWS[1]])
        none = proposed(session, chosen=[BOWS[1]], body=BASS | {"own_bow": None})
    told = [compose_page.gain(replace(seen, basis="trials", gain=gain), 1) for gain in (-0.1, 0.04, 0.3)]
    assert [said.split(":")[0] for said in told[:2]] == ["On average nothing is won against the own bow"] * 2
    assert told[2].startswith("On average the bow taken home is 0.3 points better than the own one")
    assert compose_page.gain(replace(none, basis="trials", gain=0.3), 1) == "", "there is no own bow to win against"


def test_where_all_that_is_at_hand_was_disliked_nothing_is_ticked_and_it_is_said(shop: Database) -> None:
    every = [f"DB-{tier}-{number}" for tier in ("bramble", "juniper") for number in range(4)]
    with shop.writing() as session:
        key = played(session, {None: 7, **dict.fromkeys(every, 1)}, copies=every, minutes=75)
        seen = proposed(session, previous=key)
        assert seen.recommended == ()
        assert outcomes.before_next(session, SHOP, key).player == player_of(session, key)


# Whose, and for whom


def test_without_a_yes_the_ratings_serve_their_own_trial_only_and_that_is_said(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session, model_consent=False)
        seen, stranger = proposed(session, previous=key), proposed(session)
        assert seen.bows == stranger.bows
        assert seen.chance == stranger.chance
        assert any("serve their own trial only" in note for note in seen.notes)
        session.execute(update(tables.Player).values(in_model=True))
        assert "Played on" in reasons(proposed(session, previous=key))[BOWS[1]]


def test_another_dealers_players_are_not_here_and_their_sheets_do_not_count(shop: Database) -> None:
    with shop.writing() as session:
        mine = played(session)
        theirs = compose(session, "quay", copies=["DB-quay-0"])
        with pytest.raises(NotFoundError):
            proposed(session, player=player_of(session, theirs))
        with pytest.raises(NotFoundError):
            proposed(session, previous=theirs)
        session.execute(update(tables.Trial).where(tables.Trial.key == mine).values(dealer="quay"))
        assert marks.gathered(session, SHOP, check(BASS), previous=mine) == marks.NO_MARKS


def test_a_listeners_sheets_and_superseded_ones_do_not_count(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        trial = session.scalars(select(tables.Trial.id).where(tables.Trial.key == key)).one()
        last = session.scalars(select(tables.Run).where(tables.Run.trial == trial, tables.Run.copy == BOWS[1])).first()
        assert last is not None
        newer = {"trial": trial, "position": last.position, "copy": BOWS[1]}
        session.add(tables.Run(**newer, revision=2, overall=5))
        session.add(tables.Run(**newer, rater="listener", overall=1))
        session.flush()
        stored = marks.gathered(session, SHOP, check(BASS), previous=key)
    given = [run.ratings[Criterion.OVERALL] for run in stored.sheets if run.copy == BOWS[1]]
    assert sorted(given) in ([5.0], [5.0, 7.0])  # a hidden repeat is another sheet


def test_a_trial_that_is_still_blind_says_nothing_by_serial_and_counts_once_its_key_is_known(shop: Database) -> None:
    with shop.writing() as session:
        blind = compose(session)
        lifecycle.open_(session, None, SHOP, blind)
        rate(session, blind, GOOD)
        player = player_of(session, blind)
        seen, stranger = proposed(session, player=player), proposed(session)
        assert "Played on" not in " ".join(reasons(seen).values())
        assert seen.bows == stranger.bows  # neither a sentence nor a number tells the good one from the bad one
        assert (seen.recommended, seen.chance) == (stranger.recommended, stranger.chance)
        assert [note for note in seen.notes if "blind" in note] == [
            "This player is in the middle of a blind trial; what is rated in it counts here once it is closed or revealed."
        ]
        lifecycle.reveal(session, users.add(session, "ada@bows.example", "owner", None).account.id, SHOP, blind)
        known = proposed(session, player=player)
    assert reasons(known)[BOWS[1]].startswith("Played on ")
    assert not any("blind" in note for note in known.notes)


# The own bow, once


def test_the_own_bows_blind_marks_stand_in_the_place_of_the_answers_and_newer_answers_in_theirs(shop: Database) -> None:
    body = BASS | {"own_bow": {"ratings": {"overall": 6, "tone": 5}}}
    with shop.writing() as session:
        asked = advise.advise(session, check(body | {"dealer": SHOP}))["id"]
        key = played(session, enquiry=asked, answers=body)
        before = proposed(session, body=body, previous=key)
        assert before.document["own_bow"]["level"] == 4.0
        player = player_of(session, key)
        now = proposed(session, body=body, player=player)
        assert now.document["own_bow"]["level"] == 6.0, "said just now"
        assert not any("own bow" in note and "measured" in note for note in now.notes)
        # A trial after another keeps the answers of the first: they are no newer for that.
        second = compose(session, player=player, previous=key, answers=body, copies=FRESH, on=TODAY.isoformat())
        trial, row = composed(session, SHOP, second)
        stored = marks.of_trial(session, trial, row, check(body))
        assert stored.own[Criterion.OVERALL] == 4.0


def test_after_a_bow_was_kept_the_old_own_bows_marks_are_left_out_and_the_page_says_why(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        outcomes.record(session, None, SHOP, key, "kept", BOWS[1], None, TODAY)
        seen = proposed(session, player=player_of(session, key))
        assert seen.document["own_bow"]["state"] == "unrated"
        assert any(f"kept {BOWS[1]}" in note for note in seen.notes)
        outcomes.record(session, None, SHOP, key, "returned", BOWS[1], None, TODAY)
        assert proposed(session, player=player_of(session, key)).document["own_bow"]["state"] == "rated"


def test_a_bow_that_the_answers_name_as_tried_counts_once(shop: Database) -> None:
    body = BASS | {"tried": [{"copy": BOWS[1], "ratings": {"overall": 7}}]}
    with shop.writing() as session:
        key = played(session, answers=body)
        one, other = proposed(session, body=body, previous=key), proposed(session, previous=key)
    assert expected(one, BOWS[1]) == expected(other, BOWS[1])


def test_who_has_no_bow_is_measured_against_none(shop: Database) -> None:
    with shop.writing() as session:
        key = played(session)
        seen = proposed(session, body=BASS | {"own_bow": None}, previous=key)
    assert seen.document["own_bow"]["state"] == "none"
    assert not any("rated the own bow" in note for note in seen.notes)
