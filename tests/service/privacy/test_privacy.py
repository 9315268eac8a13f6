"""A player's data: whose it is, what is handed out, what erasure takes and leaves, and how long anything is kept."""

import datetime as dt
import io
import json
import logging
import time
import uuid
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from sqlalchemy import select, update
from sqlalchemy.exc import OperationalError

from model.preference import serialization
from service import privacy, tables
from service.core.database import Database
from service.core.errors import ConflictError, NotFoundError
from service.modelling import fits, model_records
from service.privacy import clock, daily, retention
from service.questionnaire import forms
from service.questionnaire.server_fields import TrialIn
from service.trials import by_server, desk_reads, lifecycle
from tests.service.privacy_cast import (
    EMAIL,
    NAME,
    PHONE,
    TODAY,
    TOLD,
    add_all,
    contact,
    draft,
    enquire,
    rows_of,
    send,
)
from tests.service.trial_cast import BOWS, SHOP, compose, composition, open_shop, rate, slots, status

NOW = dt.datetime.now(dt.UTC)
LATER = NOW + dt.timedelta(days=24 * 31)


@pytest.fixture
def shop(database: Database) -> Database:
    return open_shop(database)


def in_model(session: Any, key: str) -> tuple[bool, bool]:
    """Return whether a trial's player is in the model, and whether anybody asked."""
    of_trial = select(tables.Player).join(tables.Trial, tables.Trial.player == tables.Player.id)
    player = session.scalars(of_trial.where(tables.Trial.key == key)).one()
    return player.in_model, player.asked_at is not None


def refused(call: Callable[[], object]) -> str:
    with pytest.raises(ConflictError) as caught:
        call()
    return str(caught.value)


# Consent


@pytest.mark.parametrize(("said", "expected"), [(None, (False, False)), (True, (True, True)), (False, (False, True))])
def test_ratings_help_others_only_after_a_yes(shop: Database, said: bool | None, expected: tuple[bool, bool]) -> None:
    with shop.writing() as session:
        key = compose(session, model_consent=said)
        rate(session, key, {None: 4, BOWS[0]: 5, BOWS[1]: 6, BOWS[2]: 2})
        assert in_model(session, key) == expected
        assert len(model_records.read_trials(session)) == int(expected[0])


def test_a_sheet_brings_along_what_the_player_said_and_a_late_yes_undoes_no_no(shop: Database) -> None:
    with shop.writing() as session:
        key = compose(session, model_consent=None, on=TODAY.isoformat())
        lifecycle.open_(session, None, SHOP, key)
        one, two, three, *_rest = slots(session, key)
        send(session, key, one, 4, rater="listener", model_consent=True)  # not the listener's to say
        assert in_model(session, key) == (False, False)
        send(session, key, one, 4, model_consent=True)
        assert in_model(session, key) == (True, True)
        send(session, key, two, 4, model_consent=False)
        assert in_model(session, key) == (False, True)
        send(session, key, three, 4, model_consent=True)
        assert in_model(session, key) == (False, True)


def test_an_older_consent_of_an_enquiry_does_not_undo_what_was_said_since(shop: Database) -> None:
    with shop.writing() as session:
        enquiry = enquire(session, model=True)
        first = compose(session, enquiry=enquiry, model_consent=None, copies=BOWS[:1])
        assert in_model(session, first) == (True, True)
        privacy_said_no = privacy.of_enquiry(session, enquiry)
        session.execute(
            update(tables.Player)
            .where(tables.Player.id.in_(privacy_said_no.players))
            .values(in_model=False, asked_at=dt.datetime.now(dt.UTC))
        )
        session.expire_all()
        second = compose(session, enquiry=enquiry, model_consent=None, copies=BOWS[1:2])
        assert in_model(session, second) == (False, True)


# Whose, and what


def test_a_person_is_all_that_one_dealer_knows_under_an_address(shop: Database) -> None:
    with shop.writing() as session:
        kept = add_all(session)
        other = enquire(session, email="Clara.Quillfeather@PLAYER.example")
        elsewhere = enquire(session, dealer="quay")
        stranger = enquire(session, email="bo@player.example", name="Bo Other")
        person = privacy.of_player(session, SHOP, kept.player)
        assert set(person.enquiries) == {kept.enquiry, other}
        assert privacy.of_enquiry(session, kept.enquiry) == person
        assert privacy.of_enquiry(session, elsewhere).enquiries == (elsewhere,)
        assert privacy.of_enquiry(session, stranger).players == ()
        assert len(person.drafts) == 1
        with pytest.raises(NotFoundError):
            privacy.of_enquiry(session, "nobody")
        with pytest.raises(NotFoundError):
            privacy.of_player(session, "quay", kept.player)


def test_what_is_handed_out_holds_everything_and_no_serial_that_a_blind_trial_hides(shop: Database) -> None:
    with shop.writing() as session:
        kept = add_all(session, over=False)
        of = {
            "trial": session.scalars(select(tables.Trial.id).where(tables.Trial.key == kept.trial)).one(),
            "on": TODAY,
        }
        for outcome in ("returned", "kept"):  # as a file may have them, whatever came first
            session.add(tables.Outcome(**of, copy="DB-quay-0", outcome=outcome))
            session.flush()
        held = privacy.held(session, privacy.of_player(session, SHOP, kept.player))
    assert [each["outcome"] for each in held["trials"][0]["outcomes"]] == ["kept", "returned"]
    text = json.dumps(held)
    for told in (NAME, EMAIL, PHONE, "liked it"):
        assert told in text
    (trial,) = held["trials"]
    assert len(trial["ratings"]) == len(trial["sheets"]) == 6  # five places in the order, and one of the listener
    assert [len(held[part]) for part in ("contacts", "enquiries", "unfinished_questionnaires")] == [1, 1, 1]
    assert len(trial["pairs"]) == 1
    assert {mail["kind"] for mail in held["mails"]} >= {"advice"}
    assert not any(serial in text for serial in (*BOWS, "DB-juniper-2", "DB-bramble-1"))


# Erasure


@pytest.mark.parametrize("model", [False, True], ids=["not consented", "consented"])
def test_erasure_takes_the_person_and_leaves_nameless_ratings_only_where_that_was_agreed(
    any_database: Database, model: bool
) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        other = compose(
            session, contact=contact(model=True, name="Bo Other", email="bo@player.example"), copies=["DB-bramble-3"]
        )
        before, digest = rows_of(session), model_records.digest(session)
        kept = add_all(session, model=model)
        number = len(model_records.read_trials(session))
    with shop.writing() as session:
        done = privacy.erase(session, None, privacy.of_player(session, SHOP, kept.player))
        assert (done.enquiries, done.trials, done.trials_kept) == ((1, 0, 2) if model else (1, 2, 0))
    with shop.reading() as session:
        after = rows_of(session)
        gone = ("contacts", "enquiries", "drafts", "outbox", "seats")
        assert {name: after[name] for name in gone} == {name: before[name] for name in gone}
        read = model_records.read_trials(session)
        assert len(read) == (number if model else 0)
        if model:
            assert after["trials"] == before["trials"] + 2
            assert read[0].player != kept.player
            assert set(session.scalars(select(tables.Sheet.note))) == {None}
            assert set(session.scalars(select(tables.Run.note))) == {None}
            assert set(session.scalars(select(tables.Outcome.note))) == {None}
        else:
            assert after == before
            assert model_records.digest(session) == digest
        assert composition(session, other).state == "planned"  # a stranger's is untouched
        assert desk_reads.trial(session, SHOP, other).row.who == "Bo Other"
        assert status(session, BOWS[1]) == "sold"
        assert {status(session, BOWS[0]), status(session, BOWS[2])} == {"in_stock"}
        assert _everything(session, kept) == []
    with pytest.raises(NotFoundError), shop.writing() as session:
        privacy.of_enquiry(session, kept.enquiry)


def _everything(session: Any, kept: Any) -> list[str]:
    """Return every table that still tells of the person anywhere."""
    wanted = (*TOLD, NAME, kept.player, kept.enquiry)
    found = []
    for table in tables.Base.metadata.sorted_tables:
        for row in session.execute(select(table)):
            text = repr(tuple(row))
            found += [f"{table.name}: {told}" for told in wanted if told.lower() in text.lower()]
    return found


def test_the_record_says_that_somebody_was_erased_and_not_who(shop: Database) -> None:
    with shop.writing() as session:
        kept = add_all(session)
        privacy.erase(session, None, privacy.of_player(session, SHOP, kept.player))
        (entry,) = session.scalars(select(tables.AuditEntry).where(tables.AuditEntry.did.like("erased%")))
        assert (entry.about, entry.dealer) == ("person", SHOP)
        assert entry.detail == {"reason": "asked", "enquiries": 1, "trials": 2, "trials_kept": 0}


def test_nothing_is_erased_while_bows_are_out_or_a_trial_is_planned(shop: Database) -> None:
    with shop.writing() as session:
        kept = add_all(session, over=False)
        person, before = privacy.of_player(session, SHOP, kept.player), rows_of(session)
        assert "still goes on" in refused(lambda: privacy.erase(session, None, person))
        assert "still goes on" in refused(lambda: privacy.would_erase(session, person))
        lifecycle.close(session, None, SHOP, kept.trial)
        out = session.scalars(select(tables.TrialCopy).where(tables.TrialCopy.copy == BOWS[0])).one()
        out.back_at = None
        session.flush()
        assert "still out on a trial" in refused(lambda: privacy.erase(session, None, person))
        assert rows_of(session) | {"outbox": 0} == before | {"outbox": 0}
        out.back_at = NOW
        session.flush()
        privacy.erase(session, None, person)


def test_an_enquiry_of_nobody_in_particular_is_erased_by_itself(database: Database) -> None:
    shop = open_shop(database)
    with shop.writing() as session:
        one = enquire(session, dealer=None)
        other = enquire(session)
        privacy.erase(session, None, privacy.of_enquiry(session, one))
        assert session.scalars(select(tables.Enquiry.id)).all() == [other]


def test_the_next_fit_contains_nothing_of_the_erased_and_no_version_a_player(shop: Database) -> None:
    with shop.writing() as session:
        for number in range(7):
            bows = [f"DB-juniper-{number % 3}", "DB-juniper-3"]
            key = compose(session, copies=bows, on=(TODAY + dt.timedelta(days=100 + number)).isoformat())
            rate(session, key, {None: 4, bows[0]: 3 + number % 4, bows[1]: 6 - number % 3})
        without = model_records.digest(session)
        kept = add_all(session, model=True)
    with shop.writing() as session:
        assert model_records.digest(session) != without
        assert kept.player in {trial.player for trial in model_records.read_trials(session)}
        session.execute(update(tables.Player).where(tables.Player.key == kept.player).values(in_model=False))
        privacy.erase(session, None, privacy.of_player(session, SHOP, kept.player))
        assert model_records.digest(session) == without
        assert len(model_records.read_trials(session)) == 7
    fits.fit(shop)
    with shop.reading() as session:
        players, trials = (set(session.scalars(select(table.key))) for table in (tables.Player, tables.Trial))
        version = session.scalars(select(tables.ModelVersion)).one()
        assert version.data_digest == without
        told = repr(serialization.from_bytes(version.artifact)) + _unpacked(version.artifact)
        assert len(players) == len(trials) == 7
        assert [key for key in players | trials if key in told] == []
        # Beside the artifact stand the random keys of the trials it has seen, never whose they were.
        assert [key for key in players if key in json.dumps(version.report)] == []


def _unpacked(content: bytes) -> str:
    """Return every byte of a version's arrays and text, unpacked from the zip."""
    with zipfile.ZipFile(io.BytesIO(content)) as file:
        return "".join(file.read(name).decode("latin-1") for name in file.namelist())


# How long


def test_what_has_had_its_time_goes_and_what_is_younger_stays(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        old = add_all(session)
        alone = enquire(session, email="old@player.example", name="Old One")
        nameless = compose(session, model_consent=False, copies=["DB-bramble-1"], on=TODAY.isoformat())
        lifecycle.open_(session, None, SHOP, nameless)
        lifecycle.close(session, None, SHOP, nameless)
        out = compose(
            session,
            contact=contact(model=False, email="out@player.example"),
            copies=["DB-bramble-2"],
            on=TODAY.isoformat(),
        )
        lifecycle.open_(session, None, SHOP, out)
        young = compose(
            session,
            contact=contact(model=False, email="y@player.example"),
            copies=["DB-bramble-3"],
            on=(TODAY + dt.timedelta(days=300)).isoformat(),
        )
    assert retention.sweep(shop, NOW) == retention.Swept(0, 0, 0, 0)
    assert retention.sweep(shop, NOW + dt.timedelta(days=15)).drafts == 1
    swept = retention.sweep(shop, LATER)
    assert (swept.persons, swept.failed) == (3, 0)
    with shop.reading() as session:
        kept = set(session.scalars(select(tables.Trial.key)))
        assert kept == {out, young}
        assert session.scalars(select(tables.Enquiry.id)).all() == []
        assert {old.trial, nameless}.isdisjoint(kept)
        assert alone
    assert retention.sweep(shop, LATER).persons == 0


def test_a_dealer_says_how_long(shop: Database) -> None:
    with shop.writing() as session:
        session.add(tables.Door(dealer=SHOP, keep_months=1, changed_at=NOW))
        enquire(session)
        enquire(session, dealer="quay")
    assert retention.sweep(shop, NOW + dt.timedelta(days=29)).persons == 0
    assert retention.sweep(shop, NOW + dt.timedelta(days=32)).persons == 1


def test_who_came_back_lately_is_kept_with_all_there_is(shop: Database) -> None:
    with shop.writing() as session:
        first = enquire(session)
        session.get_one(tables.Enquiry, first).created_at = NOW - dt.timedelta(days=2000)
        enquire(session)
    assert retention.sweep(shop, NOW).persons == 0


def test_one_process_sweeps_a_day_however_many_there_are(any_database: Database) -> None:
    shop = open_shop(any_database)
    with shop.writing() as session:
        enquire(session)
        clock.confirm(session, None, LATER)
    with ThreadPoolExecutor(4) as many:
        done = list(many.map(lambda _number: retention.sweep_if_due(shop, LATER), range(4)))
    assert [swept.persons for swept in done if swept is not None] == [1]
    assert retention.sweep_if_due(shop, LATER + dt.timedelta(hours=19)) is None
    with ThreadPoolExecutor(4) as many:
        done = list(many.map(lambda _number: retention.sweep_if_due(shop, LATER + dt.timedelta(hours=21)), range(4)))
    assert [swept is not None for swept in done].count(True) == 1


def test_check_tells_when_the_last_sweep_was_and_what_is_wrong_with_it(shop: Database) -> None:
    with shop.reading() as session:
        assert retention.finding(session, NOW) == ("retention: not run yet; `serve` does so once a day", True)
    retention.sweep_if_due(shop, NOW)
    with shop.reading() as session:
        said, well = retention.finding(session, NOW + dt.timedelta(days=1))
        assert well
        assert said.startswith(f"retention: last run {NOW:%Y-%m-%d}")
        assert "0 persons, 0 drafts" in said
        assert not retention.finding(session, NOW + dt.timedelta(days=4))[1]
    with shop.writing() as session:
        session.get_one(tables.Duty, retention.SWEEP).ended_at = None
    with shop.reading() as session:
        assert not retention.finding(session, NOW + dt.timedelta(hours=2))[1]


def test_one_who_cannot_be_erased_keeps_nobody_else_from_it(shop: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    with shop.writing() as session:
        stuck = enquire(session, email="stuck@player.example")
        enquire(session, email="other@player.example")
        clock.confirm(session, None, LATER)

    def failing(session: Any, user: Any, person: privacy.Person, reason: str) -> privacy.Erased:
        if stuck in person.enquiries:
            raise RuntimeError("stuck@player.example")
        return privacy.erase(session, user, person, reason)

    monkeypatch.setattr("service.privacy.retention.erase", failing)
    swept = retention.sweep_if_due(shop, LATER)
    assert swept is not None
    assert (swept.persons, swept.failed) == (1, 1)
    with shop.reading() as session:
        assert retention.finding(session, LATER)[1] is False
        assert session.scalars(select(tables.Enquiry.id)).all() == [stuck]


def test_a_draft_of_another_address_stays(shop: Database) -> None:
    with shop.writing() as session:
        enquiry = enquire(session)
        mine, other = draft(session), draft(session, "bo@player.example")
        privacy.erase(session, None, privacy.of_enquiry(session, enquiry))
        assert session.scalars(select(tables.Draft.id)).all() == [other]
        assert mine != other


def test_the_caretaker_sweeps_while_a_process_serves_and_outlives_a_database_that_is_away(
    shop: Database, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="service")
    with shop.writing() as session:
        stale = draft(session)
        session.get_one(tables.Draft, stale).updated_at = NOW - dt.timedelta(days=15)
    looks = iter([OperationalError(EMAIL, {}, RuntimeError(EMAIL))])

    def away_at_first(database: Database, now: dt.datetime) -> retention.Swept | None:
        for trouble in looks:
            raise trouble
        return retention.sweep_if_due(database, now)

    monkeypatch.setattr(daily, "sweep_if_due", away_at_first)
    retention_worker = daily.RetentionWorker(shop, first=0.0, every=0.01)
    retention_worker.start()
    until = time.monotonic() + 10
    while "'drafts': 1" not in caplog.text and time.monotonic() < until:
        time.sleep(0.01)
    retention_worker.stop()
    assert "retention: {'persons': 0, 'drafts': 1, 'spent': 0, 'failed': 0, 'held': 0}" in caplog.text
    assert "retention did not run: OperationalError" in caplog.text
    assert EMAIL not in caplog.text
    with shop.reading() as session:
        assert session.scalars(select(tables.Draft)).all() == []


def test_a_dealers_server_says_what_the_player_said(shop: Database) -> None:
    for said in (True, False, None):
        body = {"id": str(uuid.uuid4()), "instrument": "double_bass", "hold": "german", "copies": [BOWS[0]]}
        asked = forms.check_as(TrialIn, body | {"model_consent": said})
        with shop.writing() as session:
            told = by_server.compose(session, SHOP, asked)
            assert in_model(session, told["id"]) == (said is True, said is not None)
            lifecycle.cancel(session, None, SHOP, told["id"])
