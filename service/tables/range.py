"""The range: dealers, tiers, prices, copies, and what was measured and done on them."""

import datetime as dt
import decimal
from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, Integer, SmallInteger, String, Text, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from model.domain.vocabulary import CRITERIA, STEPS, Hold, Instrument
from service.tables.base import (
    BENCH_COLUMNS,
    EVENTS,
    HOLDS,
    INSTRUMENTS,
    QUANTITIES,
    STATUSES,
    Base,
    above_zero,
    measured,
    one_of,
)
from service.tables.columns import Key, Money, Number, Word
from service.tables.folding import plain


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
        one_of("instrument", INSTRUMENTS),
        one_of("holds", HOLDS),
        CheckConstraint("(instrument = 'double_bass') = (holds <> '')", name="holds_for_double_bass"),
        CheckConstraint("grade >= 1", name="grade"),
        above_zero("price"),
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


class TierCharacter(Base):
    """What the maker says of a tier on one criterion: a step from -2, much less than is usual for its grade, to 2; None: nothing."""

    __tablename__ = "tier_characters"
    __table_args__ = (
        one_of("criterion", tuple(CRITERIA)),
        CheckConstraint(f"step BETWEEN {STEPS[0]} AND {STEPS[-1]}", name="step"),
    )

    tier: Mapped[str] = mapped_column(Key, ForeignKey("tiers.slug"), primary_key=True)
    criterion: Mapped[str] = mapped_column(Key, primary_key=True)
    step: Mapped[int | None] = mapped_column(SmallInteger)


class Price(Base):
    """What a tier costs at one dealer, where that differs from the tier's own price."""

    __tablename__ = "prices"
    __table_args__ = (above_zero("price"),)

    tier: Mapped[str] = mapped_column(Key, ForeignKey("tiers.slug"), primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, ForeignKey("dealers.slug"), primary_key=True)
    price: Mapped[decimal.Decimal] = mapped_column(Money)
    currency: Mapped[str] = mapped_column(String)


def _plain(context: Any) -> str:
    return plain(context.get_current_parameters()["serial"])


class Copy(Base):
    """One individual bow. ``dealer`` None: at the workshop; ``status`` None: not known; ``sold_on``: of a sold one, where known.

    ``plain``: its serial as it is looked for, `folding.plain`. ``measured``: what readings tell of its traits, name -> what the
    column showed, and their mean and standard deviation, which stand for it in the model as long as the column shows that.
    """

    __tablename__ = "copies"
    __table_args__ = (
        one_of("hold", HOLDS[1:3]),
        one_of("status", STATUSES),
        CheckConstraint("serial <> 'own'", name="not_own"),
        CheckConstraint("insured_value >= 0", name="insured_value"),
        *(measured(column) for column in BENCH_COLUMNS),
        Index(None, "tier"),
        Index(None, "dealer", "tier", "status"),
    )

    serial: Mapped[str] = mapped_column(Key, primary_key=True)
    plain: Mapped[str] = mapped_column(Key, nullable=True, index=True, default=_plain)
    tier: Mapped[str] = mapped_column(Key, ForeignKey("tiers.slug"))
    hold: Mapped[Hold | None] = mapped_column(Word(Hold))
    dealer: Mapped[str | None] = mapped_column(Key, ForeignKey("dealers.slug"))
    status: Mapped[str | None] = mapped_column(String)
    sold_on: Mapped[dt.date | None]
    materials: Mapped[str | None] = mapped_column(Text)
    insured_value: Mapped[decimal.Decimal | None] = mapped_column(Money)
    mass_g: Mapped[float | None] = mapped_column(Number)
    length_mm: Mapped[float | None] = mapped_column(Number)
    balance_mm: Mapped[float | None] = mapped_column(Number)
    stiffness_n_per_m: Mapped[float | None] = mapped_column(Number)
    speed_of_sound_m_s: Mapped[float | None] = mapped_column(Number)
    loss_factor: Mapped[float | None] = mapped_column(Number)
    swing_inertia_kg_m2: Mapped[float | None] = mapped_column(Number)
    measured: Mapped[dict[str, list[float]] | None] = mapped_column(JSON(none_as_null=True))


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
        one_of("quantity", tuple(QUANTITIES)),
        measured("value"),
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
    __table_args__ = (UniqueConstraint("copy", "date", "event"), one_of("event", EVENTS))

    id: Mapped[int] = mapped_column(primary_key=True)
    copy: Mapped[str] = mapped_column(Key, ForeignKey("copies.serial"))
    on: Mapped[dt.date] = mapped_column("date")
    event: Mapped[str] = mapped_column(Key)
    note: Mapped[str | None] = mapped_column(Text)


RANGE = (Dealer, Tier, TierCharacter, Price, Copy, Event)
"""What `RangeState` watches over."""
