"""A trial closed by mistake is opened again as it was; what closing did not change stays, and what has gone out is corrected."""

import datetime as dt
from typing import Any

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.core.errors import ConflictError, NotFoundError
from service.core.scopes import OneDealer
from service.core.signed_links import Signer
from service.inventory import stock
from service.trials import desk_reads, lifecycle, outcomes, rater_links, reopening
from tests.service.client import SECRET
from tests.service.trial_cast import BOWS, SHOP, compose, composition, open_shop, status

NOW = dt.datetime.now(dt.UTC)
TODAY = NOW.date()
CLARA = {"name": "Clara (invented)", "email": "clara@bows.example", "consent": {"advice": True, "mail": True}}
SIGNER = Signer(SECRET)


@pytest.fixture
def shop(database: Database) -> Database:
    """A shop whose own system is told of outcomes."""
    open_shop(database)
    with database.writing() as session:
        session.add(tables.Door(dealer=SHOP, webhook="https://shop.example/bows", changed_at=NOW))
    return database


def opened(session: Session, **changes: Any) -> str:
    key = compose(session, on=TODAY.isoformat(), contact=CLARA, **changes)
    lifecycle.open_(session, None, SHOP, key)
    return key


def waiting(session: Session) -> dict[str, list[str]]:
    """Return what is in the outbox and has not gone out: what each is about, by kind."""
    found: dict[str, list[str]] = {}
    for row in session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.sent_at.is_(None))):
        found.setdefault(row.kind, []).append(row.about)
    return found


def test_closed_by_mistake_it_is_as_it_was(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        key = opened(session)
        path = rater_links.open_seat(session, None, SHOP, key, "player", signer=SIGNER)
        before = waiting(session)
        lifecycle.close(session, None, SHOP, key)
        assert {status(session, bow) for bow in BOWS} == {"in_stock"}
        reopening.reopen(session, None, SHOP, key)
        reopening.reopen(session, None, SHOP, key)  # once more changes nothing
    with shop.reading() as session:
        assert composition(session, key).state == "open"
        assert composition(session, key).closed_at is None
        assert {status(session, bow) for bow in BOWS} == {"on_trial"}
        assert rater_links.open_paths(session, SHOP, key, signer=SIGNER) == {"player": path}
        assert waiting(session) == before
        did = session.scalars(select(tables.AuditEntry.did).where(tables.AuditEntry.about == f"trial {key}")).all()
        assert did.count("opened a closed trial again") == 1
    with shop.writing() as session:  # and it can be closed for good
        lifecycle.close(session, None, SHOP, key)
        assert "after_trial" in waiting(session)


def test_an_outcome_tapped_by_mistake_is_taken_out_with_all_that_followed(shop: Database) -> None:
    with shop.writing() as session:
        key = opened(session)
        outcomes.record(session, None, SHOP, key, "kept", BOWS[0], "sound", TODAY)
        assert status(session, BOWS[0]) == "sold"
        assert {"after_trial", "follow_up", "outcome_event"} <= set(waiting(session))
        reopening.reopen(session, None, SHOP, key)
    with shop.reading() as session:
        assert desk_reads.trial(session, SHOP, key).outcomes == ()
        assert {status(session, bow) for bow in BOWS} == {"on_trial"}
        assert waiting(session) == {}
        entry = session.scalars(select(tables.AuditEntry).order_by(tables.AuditEntry.id.desc())).first()
        assert entry is not None
        assert entry.detail["outcomes"] == [["kept", BOWS[0], "sound", TODAY.isoformat()]]


def test_a_system_that_was_told_is_told_that_it_goes_on_and_how_it_ends(shop: Database) -> None:
    with shop.writing() as session:
        key = opened(session)
        outcomes.record(session, None, SHOP, key, "none", None, "price", TODAY)
        for row in session.scalars(select(tables.OutboxItem)):
            row.sent_at = NOW
    with shop.writing() as session:
        reopening.reopen(session, None, SHOP, key)
        (told,) = session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.sent_at.is_(None)))
        assert told.values == {"event": "reopened", "trial": key}
        told.sent_at = NOW
    with shop.writing() as session:
        outcomes.record(session, None, SHOP, key, "none", None, "price", TODAY)
        # Once more, since it was taken back in between; the player was written to before, and is not again.
        assert set(waiting(session)) == {"outcome_event"}


def test_a_system_that_was_told_has_what_stands_as_its_last_word_after_each_correction(shop: Database) -> None:
    with shop.writing() as session:
        key = opened(session)
    last: tuple[str, str | None, dt.date] = ("kept", BOWS[0], TODAY)
    told: list[tuple[str, str | None]] = []
    for kind, bow in (("kept", BOWS[0]), ("kept", BOWS[1]), ("kept", BOWS[0]), ("more_asked", None)):
        with shop.writing() as session:
            if told:
                outcomes.correct(session, None, SHOP, key, last, kind, bow, None, TODAY)
            else:
                outcomes.record(session, None, SHOP, key, kind, bow, None, TODAY)
            last = (kind, bow, TODAY)
            told += sent(session)
    with shop.writing() as session:  # and after it was corrected the same may come of it yet
        outcomes.record(session, None, SHOP, key, "kept", BOWS[0], None, TODAY)
        told += sent(session)
    assert told == [("kept", BOWS[0]), ("kept", BOWS[1]), ("kept", BOWS[0]), ("more_asked", None), ("kept", BOWS[0])]


def sent(session: Session) -> list[tuple[str, str | None]]:
    """Let what waits go out; return the outcomes in it that a dealer's system is told."""
    session.flush()
    rows = list(session.scalars(select(tables.OutboxItem).where(tables.OutboxItem.sent_at.is_(None))))
    for row in rows:
        row.sent_at = NOW
    return [(row.values["outcome"], row.values["copy"]) for row in rows if row.kind == "outcome_event"]


def test_what_is_rated_after_the_key_was_revealed_is_not_blind_so_it_stays_closed(shop: Database) -> None:
    with shop.writing() as session:
        user = tables.User(email="ada@harbour.example", name="Ada", role="adviser", dealer=SHOP, created_at=NOW)
        session.add(user)
        session.flush()
        key = opened(session)
        lifecycle.close(session, None, SHOP, key)
        lifecycle.reveal(session, user.id, SHOP, key)
        with pytest.raises(ConflictError, match="would not be blind"):
            reopening.reopen(session, None, SHOP, key)
        assert composition(session, key).state == "closed"


def test_a_bow_that_is_out_on_another_trial_keeps_it_closed_and_whole(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        key = opened(session)
        outcomes.record(session, None, SHOP, key, "none", None, None, TODAY)
        other = compose(session, on=TODAY.isoformat(), copies=[BOWS[0]])
        lifecycle.open_(session, None, SHOP, other)
    with shop.writing() as session, pytest.raises(ConflictError, match="out on another one"):
        reopening.reopen(session, None, SHOP, key)
    with shop.writing() as session:
        with pytest.raises(ConflictError):
            reopening.reopen(session, None, SHOP, key)
        assert [row.outcome for row in desk_reads.trial(session, SHOP, key).outcomes] == ["none"]
        assert composition(session, key).state == "closed"
        assert [status(session, bow) for bow in BOWS] == ["on_trial", "in_stock", "in_stock"]


def test_a_bow_sent_to_repair_since_keeps_it_closed(shop: Database) -> None:
    with shop.writing() as session:
        key = opened(session)
        lifecycle.close(session, None, SHOP, key)
        stock.set_status(session, None, OneDealer(SHOP), BOWS[1], "in_repair")
        with pytest.raises(ConflictError, match=f"{BOWS[1]} is in repair"):
            reopening.reopen(session, None, SHOP, key)
        assert status(session, BOWS[0]) == "in_stock"


def test_a_parcels_bows_that_came_back_stay_back(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat(), place="post", country="DE", contact=CLARA)
        lifecycle.send(session, None, SHOP, key, dict.fromkeys(BOWS, "sound"))
        outcomes.record(session, None, SHOP, key, "kept", BOWS[2], None, TODAY)
        lifecycle.take_back(session, None, SHOP, key, {BOWS[0]: "sound"})
        reopening.reopen(session, None, SHOP, key)
        assert [status(session, bow) for bow in BOWS] == ["in_stock", "on_trial", "on_trial"]


def test_another_dealers_and_a_planned_one_are_refused(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, on=TODAY.isoformat())
        with pytest.raises(ConflictError, match=r"Trial 1 has not been opened yet\. Only a closed trial"):
            reopening.reopen(session, None, SHOP, key)
        with pytest.raises(NotFoundError):
            reopening.reopen(session, None, "quay", key)
