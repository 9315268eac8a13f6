"""Tables: the database itself refuses what must not be, on SQLite and on PostgreSQL alike."""

import datetime as dt
from decimal import Decimal
from typing import Any

import pytest
from sqlalchemy import insert, select, text, update
from sqlalchemy.exc import DBAPIError, StatementError

from model.domain.vocabulary import Hold, Instrument
from service.core.database import Database
from service.tables import (
    AddressKey,
    ApiKey,
    AuditEntry,
    Base,
    BenchReading,
    BowMarks,
    Calendar,
    ClosedAddress,
    Composition,
    ConfirmedAddress,
    Contact,
    Copy,
    Dealer,
    Door,
    Draft,
    Duty,
    Enquiry,
    Event,
    FirstMail,
    FollowUp,
    HalfSignIn,
    HeadToHead,
    JoinedPlayer,
    KeptForm,
    KnownBrowser,
    LoadStep,
    MailCount,
    ModelVersion,
    OutboxItem,
    Outcome,
    Pair,
    Parcel,
    PasswordLink,
    Player,
    PlayerNote,
    Price,
    RecoveryCode,
    Run,
    Sandbox,
    SearchWord,
    Seat,
    SecondFactor,
    Sheet,
    SignInTries,
    Slot,
    Spending,
    StaffSession,
    Tablet,
    TabletCode,
    Tier,
    TierCharacter,
    Trial,
    TrialCopy,
    User,
)

DAY = dt.date(2026, 3, 2)
MOMENT = dt.datetime(2026, 3, 2, 12, 30, tzinfo=dt.UTC)
UNSAID = ("trials", "squares", "shown", "shown_total")
ROWS: list[tuple[type[Base], dict[str, Any]]] = [
    (Dealer, {"slug": "harbour", "name": "Harbour"}),
    (Tier, {"slug": "heron", "name": "Heron", "instrument": "violin", "holds": "", "grade": 1}),
    (Tier, {"slug": "otter", "name": "Otter", "instrument": "double_bass", "holds": "german", "grade": 1}),
    (TierCharacter, {"tier": "heron", "criterion": "response", "step": 2}),
    (Price, {"tier": "heron", "dealer": "harbour", "price": Decimal(900), "currency": "EUR"}),
    (Copy, {"serial": "VN-1", "tier": "heron"}),
    (BenchReading, {"copy": "VN-1", "on": DAY, "quantity": "mass_g", "value": 60.5}),
    (Event, {"copy": "VN-1", "on": DAY, "event": "moved"}),
    (Player, {"key": "P1"}),
    (Trial, {"key": "T1", "player": 1, "on": DAY, "instrument": "violin"}),
    (Trial, {"key": "T9", "player": 1, "on": DAY, "instrument": "violin"}),
    (Run, {"trial": 1, "position": 1, "copy": "VN-1", "overall": 5}),
    (Outcome, {"trial": 1, "on": DAY, "outcome": "none"}),
    (BowMarks, {"copy": "VN-1", "dealer": "harbour", "year": 2026, "marks": 1, "total": 5} | dict.fromkeys(UNSAID, 0)),
    (
        ModelVersion,
        {"fitted_at": MOMENT, "adopted": True, "data_digest": "x", "code_version": "x", "report": {}, "artifact": b""},
    ),
    (Draft, {"id": "d", "created_at": MOMENT, "updated_at": MOMENT, "answers": {}, "step": "hold"}),
    (Enquiry, {"id": "e", "address": "a", "created_at": MOMENT, "language": "en", "answers": {}, "told": {}}),
    (User, {"email": "ada@harbour.example", "role": "adviser", "dealer": "harbour", "created_at": MOMENT}),
    (PasswordLink, {"digest": "p", "user": 1, "expires_at": MOMENT}),
    (StaffSession, {"digest": "s", "user": 1, "created_at": MOMENT, "seen_at": MOMENT, "expires_at": MOMENT}),
    (KnownBrowser, {"digest": "b", "user": 1, "created_at": MOMENT, "seen_at": MOMENT}),
    (HalfSignIn, {"digest": "h", "user": 1, "expires_at": MOMENT}),
    (SecondFactor, {"user": 1, "secret": "s", "since": MOMENT, "last_step": 0}),
    (RecoveryCode, {"digest": "r", "user": 1}),
    (SignInTries, {"of": "x", "count": 1, "last_at": MOMENT}),
    (AuditEntry, {"at": MOMENT, "user": 1, "dealer": "harbour", "did": "revealed", "about": "trial T1", "detail": {}}),
    (Tablet, {"id": "t", "dealer": "harbour", "name": "One", "digest": "k", "file_key": "f", "enrolled_at": MOMENT}),
    (KeptForm, {"digest": "k", "user": 1, "at": MOMENT, "path": "/desk/compose", "fields": {}}),
    (TabletCode, {"digest": "c", "dealer": "harbour", "name": "One", "made_by": 1, "expires_at": MOMENT}),
    (Contact, {"player": 1, "dealer": "harbour", "mail_consent": False, "created_at": MOMENT}),
    (SearchWord, {"dealer": "harbour", "word": "ahrens", "player": 1}),
    (Player, {"key": "P2"}),
    (PlayerNote, {"dealer": "harbour", "player": 1, "text": "Plays in a quartet.", "at": MOMENT}),
    (JoinedPlayer, {"dealer": "harbour", "player": 2, "whom": 1, "head": 1, "at": MOMENT, "before": {}}),
    (
        Composition,
        {
            "trial": 1,
            "dealer": "harbour",
            "number": 1,
            "answers": {},
            "plan": {},
            "minutes": 45,
            "seed": 1,
            "own_plays": 2,
            "repeat": False,
            "state": "open",
            "created_at": MOMENT,
        },
    ),
    (TrialCopy, {"trial": 1, "copy": "VN-1", "out_from": DAY, "due_back": DAY, "out_at": MOMENT}),
    (Slot, {"trial": 1, "position": 1, "letter": "K", "copy": "VN-1"}),
    (
        Sheet,
        {
            "trial": 1,
            "run": "r",
            "position": 1,
            "letter": "K",
            "rater": "player",
            "revision": 1,
            "ratings": {},
            "received_at": MOMENT,
            "sender": "desk",
            "digest": "d",
            "counts": True,
        },
    ),
    (Seat, {"id": "s", "trial": 1, "rater": "listener", "made_at": MOMENT, "expires_at": MOMENT}),
    (HeadToHead, {"id": "h", "trial": 1, "first": "VN-1", "seed": 1, "started_at": MOMENT}),
    (Pair, {"id": "p", "head_to_head": "h", "number": 1, "preferred": "first", "received_at": MOMENT}),
    (Parcel, {"trial": 1, "address": "At the water 3"}),
    (Door, {"dealer": "harbour", "changed_at": MOMENT}),
    (ApiKey, {"digest": "k", "dealer": "harbour", "kind": "server", "hint": "x7", "made_at": MOMENT}),
    (Calendar, {"dealer": "harbour", "id": "c", "made_at": MOMENT}),
    (
        OutboxItem,
        {
            "channel": "mail",
            "kind": "advice",
            "about": "e",
            "address": "eve@player.example",
            "language": "en",
            "values": {},
            "message_id": "<1@bows.example>",
            "queued_at": MOMENT,
            "due_at": MOMENT,
        },
    ),
    (Sandbox, {"key": "k", "begun_at": MOMENT, "revision": "1", "calls": 1, "content": b"rows"}),
    (ClosedAddress, {"digest": "a", "dealer": "harbour", "state": "bounced", "at": MOMENT}),
    (AddressKey, {"key": "k", "role": "retired", "made_at": MOMENT}),
    (FirstMail, {"mailbox": "m", "cause": "enquiry", "mail": "1", "at": MOMENT}),
    (ConfirmedAddress, {"digest": "a", "at": MOMENT}),
    (MailCount, {"of": "c", "day": DAY, "count": 1}),
    (FollowUp, {"trial": 1, "still_right": True, "at": MOMENT}),
    (Duty, {"name": "sweep", "begun_at": MOMENT, "counts": {}}),
    (LoadStep, {"work": "{}"}),
    (Spending, {"key": "5f", "level": 1.5, "at": 1.7e9}),
]


@pytest.fixture
def filled(any_database: Database) -> Database:
    """One valid row of every table."""
    with any_database.writing() as session:
        for table, values in ROWS:
            session.execute(insert(table), values)
    return any_database


VERSION = next(row for table, row in ROWS if table is ModelVersion)
REFUSED: list[tuple[type[Base], dict[str, Any]]] = [
    (Dealer, {"slug": "harbour"}),
    (Dealer, {"slug": "quay", "carry_cost": -0.1}),
    (Dealer, {"slug": "quay", "carry_cost": float("inf")}),
    (Tier, {"slug": "plover", "grade": 0}),
    (Tier, {"slug": "plover", "holds": "german"}),
    (Tier, {"slug": "plover", "instrument": "double_bass"}),
    (Tier, {"slug": "plover", "price": Decimal(0), "currency": "EUR"}),
    (Tier, {"slug": "plover", "price": Decimal(10)}),
    (Price, {"tier": "otter", "price": Decimal(-1)}),
    (Price, {"tier": "ghost"}),
    (Price, {"tier": "otter", "dealer": "ghost"}),
    (Copy, {"serial": "own"}),
    (Copy, {"serial": "VN-1"}),
    (Copy, {"serial": "VN-2", "status": "lost"}),
    (Copy, {"serial": "VN-2", "hold": Hold.EITHER}),
    (Copy, {"serial": "VN-2", "mass_g": 0.0}),
    (Copy, {"serial": "VN-2", "mass_g": float("inf")}),
    (BenchReading, {"method": "scale", "quantity": "colour"}),
    (BenchReading, {"method": "scale", "value": -1.0}),
    (BenchReading, {"value": 61.0}),
    (Event, {"event": "painted"}),
    (Event, {"note": "again"}),
    (Player, {"key": "P1"}),
    (Trial, {"key": "T1"}),
    (Trial, {"key": "T2", "hold": Hold.GERMAN}),
    (Trial, {"key": "T2", "instrument": Instrument.DOUBLE_BASS}),
    (Trial, {"key": "T2", "player": 99}),
    (Trial, {"key": "T2", "strings": 2}),
    (Trial, {"key": "T2", "wish_mass": 2}),
    (Trial, {"key": "T2", "budget": Decimal(1000)}),
    (Run, {"position": 2, "overall": 0}),
    (Run, {"position": 2, "overall": 8}),
    (Run, {"position": 0}),
    (Run, {"position": 2, "rater": "critic"}),
    (Run, {"position": 2, "carrying": 5}),
    (Run, {"position": 2, "copy": "ghost"}),
    (Run, {}),
    (Outcome, {"outcome": "kept"}),
    (BowMarks, {"year": 2025, "marks": 0}),
    (Outcome, {"outcome": "kept", "copy": "VN-1", "price": Decimal(0), "currency": "EUR"}),
    (Outcome, {"outcome": "kept", "copy": "VN-1", "price": Decimal(900)}),
    (Outcome, {"outcome": "more_asked", "price": Decimal(900), "currency": "EUR"}),
    (Outcome, {"reason": "price"}),
    (TierCharacter, {"tier": "heron", "criterion": "loudness", "step": 1}),
    (TierCharacter, {"tier": "heron", "criterion": "tone", "step": 3}),
    (ModelVersion, {}),
    (Draft, {}),
    (Duty, {}),
    (Enquiry, {"id": "f"}),
    (Enquiry, {"id": "f", "address": "b", "model_version": 99}),
    (User, {}),
    (User, {"email": "Eve@harbour.example"}),
    (User, {"email": "eve@harbour.example", "dealer": None}),
    (JoinedPlayer, {}),
    (JoinedPlayer, {"player": 1}),
    (JoinedPlayer, {"dealer": "nowhere", "player": 1, "head": 2, "whom": 2}),
    (Composition, {}),
    (Composition, {"trial": 2, "state": "lost"}),
    (TrialCopy, {}),
    (TrialCopy, {"trial": 2}),
    (Slot, {"letter": "M"}),
    (Slot, {"position": 2}),
    (Slot, {"position": 2, "letter": ""}),
    (Sheet, {}),
    (Sheet, {"run": "q", "rater": "critic"}),
    (Seat, {"id": "u", "rater": "critic"}),
    (Pair, {"id": "q"}),
    (Door, {}),
    (ApiKey, {"digest": "l", "kind": "master"}),
    (Calendar, {"id": "d"}),
    (Sandbox, {}),
    (Sandbox, {"key": "ghost"}),
    (OutboxItem, {"message_id": "<2@bows.example>"}),
    (OutboxItem, {"about": "f"}),
    (OutboxItem, {"about": "f", "message_id": "<2@bows.example>", "sent_at": MOMENT, "failed_at": MOMENT}),
    (ClosedAddress, {"digest": "b", "state": "lost"}),
    (AddressKey, {"key": "l", "role": "spare"}),
    (AddressKey, {}),
    (FirstMail, {"cause": "news"}),
    (FirstMail, {}),
    (ConfirmedAddress, {}),
    (MailCount, {}),
    (FollowUp, {}),
    (Pair, {"id": "q", "number": 2, "preferred": "both"}),
    (Parcel, {}),
]


@pytest.mark.parametrize(
    ("table", "changes"),
    REFUSED,
    ids=[f"{t.__tablename__}-{'-'.join(c) or 'again'}-{i}" for i, (t, c) in enumerate(REFUSED)],
)
def test_a_row_that_must_not_be_is_refused(filled: Database, table: type[Base], changes: dict[str, Any]) -> None:
    usual = next(values for of, values in ROWS if of is table)

    def write() -> None:
        with filled.writing() as session:
            session.execute(insert(table), usual | changes)

    with pytest.raises(DBAPIError, match=r"(?i)constraint|violates"):
        write()


def test_nan_is_refused_whatever_the_database_makes_of_it(filled: Database) -> None:
    # PostgreSQL holds NaN greater than every number (its manual, 8.1.3); SQLite turns it into NULL.
    def write() -> None:
        with filled.writing() as session:
            session.execute(insert(BenchReading), {**ROWS[5][1], "method": "x", "value": float("nan")})

    with pytest.raises(DBAPIError, match=r"(?i)constraint|violates"):
        write()


def test_every_table_has_its_valid_row_here() -> None:
    assert {table.__tablename__ for table, _ in ROWS} | {"range_state"} == set(Base.metadata.tables)


def test_a_copy_that_came_back_may_go_out_again(filled: Database) -> None:
    with filled.writing() as session:
        session.execute(update(TrialCopy).values(back_at=MOMENT))
        session.execute(insert(TrialCopy), {**next(row for of, row in ROWS if of is TrialCopy), "trial": 2})
    with filled.reading() as session:
        assert len(session.scalars(select(TrialCopy.id)).all()) == 2


def test_many_versions_may_wait_and_one_is_adopted(filled: Database) -> None:
    with filled.writing() as session:
        for _ in range(2):
            session.execute(insert(ModelVersion), {**VERSION, "adopted": False})
    with filled.reading() as session:
        assert sorted(session.scalars(select(ModelVersion.adopted))) == [False, False, True]


def test_money_is_kept_to_the_hundredth_and_not_finer(filled: Database) -> None:
    with filled.writing() as session:
        session.add(Copy(serial="VN-2", tier="heron", insured_value=Decimal("0.10")))
    with filled.reading() as session:
        assert session.scalars(select(Copy.insured_value).where(Copy.serial == "VN-2")).one() == Decimal("0.1")
        assert session.scalar(text("SELECT insured_value FROM copies WHERE serial = 'VN-2'")) == 10
    with filled.writing() as session, pytest.raises(StatementError, match="whole hundredths"):
        session.execute(insert(Copy), {"serial": "VN-3", "tier": "heron", "insured_value": Decimal("0.105")})


def test_a_moment_comes_back_in_utc_whatever_zone_it_had(filled: Database) -> None:
    eastern = dt.datetime(2026, 3, 2, 23, 30, tzinfo=dt.timezone(dt.timedelta(hours=9)))
    with filled.writing() as session:
        session.add(Draft(id="east", created_at=eastern, updated_at=MOMENT, answers={}, step="hold"))
    with filled.reading() as session:
        draft = session.get_one(Draft, "east")
        assert draft.created_at == eastern
        assert draft.created_at.utcoffset() == dt.timedelta(0)
    values = {"id": "x", "created_at": MOMENT.replace(tzinfo=None), "updated_at": MOMENT, "answers": {}, "step": ""}
    with filled.writing() as session, pytest.raises(StatementError, match="without a zone"):
        session.execute(insert(Draft), values)


def test_a_word_comes_back_as_its_member_and_an_unknown_one_is_refused(filled: Database) -> None:
    with filled.reading() as session:
        assert session.scalars(select(Trial.instrument)).first() is Instrument.VIOLIN
    with filled.writing() as session, pytest.raises(StatementError, match="not a valid Instrument"):
        session.execute(insert(Trial), {**ROWS[8][1], "key": "T2", "instrument": "guitar"})
