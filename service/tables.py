"""Every table. What must hold for all rows is said here as a constraint, so that the database refuses what breaks it.

Lists of words (settings, priorities, criteria that could not be told) are text separated by single blanks. Every accepted
revision of a run and of an outcome is kept; the highest counts.
"""

import datetime as dt
import decimal
from typing import Any

from sqlalchemy import (
    JSON,
    CheckConstraint,
    ColumnElement,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    String,
    Text,
    UniqueConstraint,
    exists,
    func,
    text,
)
from sqlalchemy.orm import DeclarativeBase, Mapped, aliased, mapped_column

from model.vocabulary import (
    CARRYING,
    CRITERIA,
    HIGHEST,
    LOWEST,
    Blinding,
    EventKind,
    Hold,
    Instrument,
    OutcomeKind,
    Place,
)
from service.columns import Key, Moment, Money, Number, Word

RATED = (*(str(criterion) for criterion in CRITERIA), CARRYING)
"""The rating columns of a run, in order; the last is a listener's only."""
QUANTITIES = {
    "mass_g": "g",
    "length_mm": "mm",
    "balance_mm": "mm",
    "stiffness_n_per_m": "N/m",
    "speed_of_sound_m_s": "m/s",
    "loss_factor": "1",
    "swing_inertia_kg_m2": "kg m2",
}
"""What the bench measures on a copy, with its unit; a copy's column of the same name shows the latest reading."""
BENCH_COLUMNS = tuple(QUANTITIES)
INSTRUMENTS = tuple(Instrument)
HOLDS = ("", "german", "french", "german french")
"""For which holds a tier may be built, as text."""
HOLDS_PLAYED = tuple(Hold)
STATUSES = ("in_stock", "reserved", "on_trial", "in_transit", "in_repair", "sold", "withdrawn")
EVENTS = tuple(EventKind)
RATERS = ("player", "listener")
INSTRUMENTS_USED = ("own", "house")
REASONS = ("price", "sound", "handling", "undecided", "other")


class Base(DeclarativeBase):
    """All tables, their constraints named by one convention so that a migration can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


def _one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)


def _above_zero(column: str) -> CheckConstraint:
    return CheckConstraint(f"{column} > 0", name=column)


def _measured(column: str) -> CheckConstraint:
    # The upper bound keeps out NaN and infinity too, which PostgreSQL puts above every number.
    return CheckConstraint(f"{column} > 0 AND {column} < 1e9", name=column)


def _rating(name: str) -> CheckConstraint:
    return CheckConstraint(f"{name} BETWEEN {LOWEST} AND {HIGHEST}", name=name)


class Dealer(Base):
    """A shop that lends bows. ``carry_cost``: what carrying one more bow to a trial costs, in points of liking."""

    __tablename__ = "dealers"
    __table_args__ = (CheckConstraint("carry_cost >= 0 AND carry_cost < 1e9", name="carry_cost"),)

    slug: Mapped[str] = mapped_column(Key, primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    currency: Mapped[str | None] = mapped_column(String)
    language: Mapped[str | None] = mapped_column(String)
    country: Mapped[str | None] = mapped_column(String)
    carry_cost: Mapped[float | None] = mapped_column(Number)


class Tier(Base):
    """A grade of the range for one instrument. ``holds``: '', 'german', 'french' or 'german french'."""

    __tablename__ = "tiers"
    __table_args__ = (
        _one_of("instrument", INSTRUMENTS),
        _one_of("holds", HOLDS),
        CheckConstraint("(instrument = 'double_bass') = (holds <> '')", name="holds_for_double_bass"),
        CheckConstraint("grade >= 1", name="grade"),
        _above_zero("price"),
        CheckConstraint("price IS NULL OR currency IS NOT NULL", name="price_has_currency"),
    )

    slug: Mapped[str] = mapped_column(Key, primary_key=True)
    name: Mapped[str] = mapped_column(Text)
    instrument: Mapped[Instrument] = mapped_column(Word(Instrument))
    holds: Mapped[str] = mapped_column(String, default="")
    grade: Mapped[int] = mapped_column(Integer)
    price: Mapped[decimal.Decimal | None] = mapped_column(Money)
    currency: Mapped[str | None] = mapped_column(String)
    note: Mapped[str | None] = mapped_column(Text)


class Price(Base):
    """What a tier costs at one dealer, where that differs from the tier's own price."""

    __tablename__ = "prices"
    __table_args__ = (_above_zero("price"),)

    tier: Mapped[str] = mapped_column(Key, ForeignKey("tiers.slug"), primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, ForeignKey("dealers.slug"), primary_key=True)
    price: Mapped[decimal.Decimal] = mapped_column(Money)
    currency: Mapped[str] = mapped_column(String)


class Copy(Base):
    """One individual bow. ``dealer`` None: at the workshop; ``status`` None: not known."""

    __tablename__ = "copies"
    __table_args__ = (
        _one_of("hold", HOLDS[1:3]),
        _one_of("status", STATUSES),
        CheckConstraint("serial <> 'own'", name="not_own"),
        CheckConstraint("insured_value >= 0", name="insured_value"),
        *(_measured(column) for column in BENCH_COLUMNS),
        Index(None, "tier"),
        Index(None, "dealer"),
    )

    serial: Mapped[str] = mapped_column(Key, primary_key=True)
    tier: Mapped[str] = mapped_column(Key, ForeignKey("tiers.slug"))
    hold: Mapped[Hold | None] = mapped_column(Word(Hold))
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    status: Mapped[str | None] = mapped_column(String)
    materials: Mapped[str | None] = mapped_column(Text)
    insured_value: Mapped[decimal.Decimal | None] = mapped_column(Money)
    mass_g: Mapped[float | None] = mapped_column(Number)
    length_mm: Mapped[float | None] = mapped_column(Number)
    balance_mm: Mapped[float | None] = mapped_column(Number)
    stiffness_n_per_m: Mapped[float | None] = mapped_column(Number)
    speed_of_sound_m_s: Mapped[float | None] = mapped_column(Number)
    loss_factor: Mapped[float | None] = mapped_column(Number)
    swing_inertia_kg_m2: Mapped[float | None] = mapped_column(Number)


class RangeState(Base):
    """One row with a random word that is drawn anew with every change of the range, so that a process sees one."""

    __tablename__ = "range_state"
    __table_args__ = (CheckConstraint("id = 1", name="one_row"),)

    id: Mapped[int] = mapped_column(SmallInteger, primary_key=True, autoincrement=False)
    mark: Mapped[str] = mapped_column(String)


class BenchReading(Base):
    """One measurement of one quantity on one copy, in the quantity's unit; the latest of a quantity stands in the copy's own row too."""

    __tablename__ = "bench_readings"
    __table_args__ = (
        UniqueConstraint("copy", "date", "quantity", "method"),
        _one_of("quantity", tuple(QUANTITIES)),
        _measured("value"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    copy: Mapped[str] = mapped_column(Key, ForeignKey("copies.serial"))
    on: Mapped[dt.date] = mapped_column("date")
    quantity: Mapped[str] = mapped_column(Key)
    value: Mapped[float] = mapped_column(Number)
    method: Mapped[str] = mapped_column(Key, default="")
    by: Mapped[str | None] = mapped_column(Text)


class Event(Base):
    """What was done to a copy on a day."""

    __tablename__ = "events"
    __table_args__ = (UniqueConstraint("copy", "date", "event"), _one_of("event", EVENTS))

    id: Mapped[int] = mapped_column(primary_key=True)
    copy: Mapped[str] = mapped_column(Key, ForeignKey("copies.serial"))
    on: Mapped[dt.date] = mapped_column("date")
    event: Mapped[str] = mapped_column(Key)
    note: Mapped[str | None] = mapped_column(Text)


class Player(Base):
    """A player, known by a key only."""

    __tablename__ = "players"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(Key, unique=True)


class Trial(Base):
    """One player, one instrument, one occasion, with what the questionnaire said. None: not known."""

    __tablename__ = "trials"
    __table_args__ = (
        _one_of("instrument", INSTRUMENTS),
        _one_of("hold", HOLDS_PLAYED),
        CheckConstraint("(instrument = 'double_bass') = (hold IS NOT NULL)", name="hold_for_double_bass"),
        CheckConstraint("strings BETWEEN 3 AND 7", name="strings"),
        _measured("string_length_mm"),
        _above_zero("budget"),
        CheckConstraint("budget IS NULL OR currency IS NOT NULL", name="budget_has_currency"),
        CheckConstraint("wish_mass BETWEEN -1 AND 1", name="wish_mass"),
        CheckConstraint("wish_tone BETWEEN -1 AND 1", name="wish_tone"),
        _one_of("place", tuple(Place)),
        _one_of("blinding", tuple(Blinding)),
        _one_of("instrument_used", INSTRUMENTS_USED),
        Index(None, "player"),
        Index(None, "dealer"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(Key, unique=True)
    player: Mapped[int] = mapped_column(ForeignKey("players.id"))
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    on: Mapped[dt.date] = mapped_column("date")
    instrument: Mapped[Instrument] = mapped_column(Word(Instrument))
    hold: Mapped[Hold | None] = mapped_column(Word(Hold))
    strings: Mapped[int | None] = mapped_column(SmallInteger)
    string_length_mm: Mapped[float | None] = mapped_column(Number)
    settings: Mapped[str] = mapped_column(String, default="")
    budget: Mapped[decimal.Decimal | None] = mapped_column(Money)
    currency: Mapped[str | None] = mapped_column(String)
    priorities: Mapped[str] = mapped_column(String, default="")
    wish_mass: Mapped[int | None] = mapped_column(SmallInteger)
    wish_tone: Mapped[int | None] = mapped_column(SmallInteger)
    place: Mapped[Place | None] = mapped_column(Word(Place))
    blinding: Mapped[Blinding | None] = mapped_column(Word(Blinding))
    instrument_used: Mapped[str | None] = mapped_column(String)


class Run(Base):
    """One bow played once, as one rater rated it. ``copy`` None: the own bow.

    A rating is 1 to 7; None was not asked, or, where its name stands in ``cannot_tell``, could not be told.
    """

    __tablename__ = "runs"
    __table_args__ = (
        UniqueConstraint("trial", "position", "rater", "revision"),
        CheckConstraint("position >= 1", name="position"),
        CheckConstraint("revision >= 1", name="revision"),
        _one_of("rater", RATERS),
        *(_rating(name) for name in RATED),
        CheckConstraint("carrying IS NULL OR rater = 'listener'", name="carrying_by_listener"),
        Index(None, "copy"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(ForeignKey("trials.id"))
    position: Mapped[int] = mapped_column(SmallInteger)
    rater: Mapped[str] = mapped_column(Key, default="player")
    revision: Mapped[int] = mapped_column(Integer, default=1)
    copy: Mapped[str | None] = mapped_column(Key, ForeignKey("copies.serial"))
    overall: Mapped[int | None] = mapped_column(SmallInteger)
    response: Mapped[int | None] = mapped_column(SmallInteger)
    clarity: Mapped[int | None] = mapped_column(SmallInteger)
    dynamic_range: Mapped[int | None] = mapped_column(SmallInteger)
    steadiness: Mapped[int | None] = mapped_column(SmallInteger)
    off_string: Mapped[int | None] = mapped_column(SmallInteger)
    ease: Mapped[int | None] = mapped_column(SmallInteger)
    tone: Mapped[int | None] = mapped_column(SmallInteger)
    carrying: Mapped[int | None] = mapped_column(SmallInteger)
    cannot_tell: Mapped[str] = mapped_column(String, default="")
    note: Mapped[str | None] = mapped_column(Text)
    rated_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class Outcome(Base):
    """What came of a trial."""

    __tablename__ = "outcomes"
    __table_args__ = (
        UniqueConstraint("trial", "date", "outcome", "copy", "revision"),
        # NULLs differ from each other in the constraint above, so outcomes without a copy need their own.
        Index(
            "uq_outcomes_without_copy",
            "trial",
            "date",
            "outcome",
            "revision",
            unique=True,
            sqlite_where=text("copy IS NULL"),
            postgresql_where=text("copy IS NULL"),
        ),
        CheckConstraint("revision >= 1", name="revision"),
        _one_of("outcome", tuple(OutcomeKind)),
        _one_of("reason", REASONS),
        CheckConstraint("outcome NOT IN ('kept', 'returned') OR copy IS NOT NULL", name="kept_names_copy"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(ForeignKey("trials.id"))
    on: Mapped[dt.date] = mapped_column("date")
    outcome: Mapped[OutcomeKind] = mapped_column(Word(OutcomeKind))
    copy: Mapped[str | None] = mapped_column(Key, ForeignKey("copies.serial"))
    reason: Mapped[str | None] = mapped_column(String)
    revision: Mapped[int] = mapped_column(Integer, default=1)


class ModelVersion(Base):
    """A fitted model: what it was fitted from, by which code, how well it does, and itself. At most one is adopted."""

    __tablename__ = "model_versions"
    __table_args__ = (
        Index(
            "uq_model_versions_adopted",
            "adopted",
            unique=True,
            sqlite_where=text("adopted"),
            postgresql_where=text("adopted"),
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    fitted_at: Mapped[dt.datetime] = mapped_column(Moment)
    adopted: Mapped[bool] = mapped_column(default=False)
    data_digest: Mapped[str] = mapped_column(String)
    code_version: Mapped[str] = mapped_column(String)
    report: Mapped[dict[str, Any]] = mapped_column(JSON)
    artifact: Mapped[bytes] = mapped_column(LargeBinary)


class Enquiry(Base):
    """One player's answers and the advice given. ``address`` is the unguessable part of its link; ``id`` the client's."""

    __tablename__ = "enquiries"

    id: Mapped[str] = mapped_column(String, primary_key=True)
    address: Mapped[str] = mapped_column(String, unique=True)
    created_at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"), index=True)
    language: Mapped[str] = mapped_column(String)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON)
    contact: Mapped[dict[str, Any] | None] = mapped_column(JSON(none_as_null=True))
    advice: Mapped[dict[str, Any]] = mapped_column(JSON)
    model_version: Mapped[int | None] = mapped_column(ForeignKey("model_versions.id"))


class Draft(Base):
    """A questionnaire being filled in; ``id`` is the unguessable part of its link."""

    __tablename__ = "drafts"

    id: Mapped[str] = mapped_column(String, primary_key=True)
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    updated_at: Mapped[dt.datetime] = mapped_column(Moment, index=True)
    answers: Mapped[dict[str, Any]] = mapped_column(JSON)
    step: Mapped[str] = mapped_column(String)


def newest_run() -> ColumnElement[bool]:
    """Return the condition that a run is of the highest revision of its sheet."""
    later = aliased(Run)
    return ~exists().where(
        later.trial == Run.trial,
        later.position == Run.position,
        later.rater == Run.rater,
        later.revision > Run.revision,
    )


def newest_outcome() -> ColumnElement[bool]:
    """Return the condition that an outcome is of the highest revision."""
    later = aliased(Outcome)
    return ~exists().where(
        later.trial == Outcome.trial,
        later.on == Outcome.on,
        later.outcome == Outcome.outcome,
        func.coalesce(later.copy, "") == func.coalesce(Outcome.copy, ""),
        later.revision > Outcome.revision,
    )


RANGE = (Dealer, Tier, Price, Copy, Event)
"""What `RangeState` watches over."""
