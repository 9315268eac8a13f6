"""The history: players by key, trials with their runs, outcomes. Every accepted revision is kept; the highest counts."""

import datetime as dt
import decimal
from collections.abc import Collection
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, Mapper, aliased, mapped_column

from model.domain.vocabulary import Blinding, Hold, Instrument, OutcomeKind, Place
from service.tables import base
from service.tables.columns import Key, Moment, Money, Number, Word, partly


class Player(base.Base):
    """A player, known by a key only.

    ``in_model``: whether a fit may read this player's ratings. ``asked_at``: when the player said so or said no; None: was
    never asked, as in a trial read from a file.
    """

    __tablename__ = "players"

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(Key, unique=True)
    in_model: Mapped[bool] = mapped_column(sa.Boolean, default=True, server_default=sa.true())
    asked_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class Trial(base.Base):
    """One player, one instrument, one occasion, with what the questionnaire said. None: not known.

    ``came``: the outcome that was told last, written with the outcomes so that lists find trials by it.
    """

    __tablename__ = "trials"
    __table_args__ = (
        base.one_of("instrument", base.INSTRUMENTS),
        base.one_of("hold", base.HOLDS_PLAYED),
        sa.CheckConstraint("(instrument = 'double_bass') = (hold IS NOT NULL)", name="hold_for_double_bass"),
        sa.CheckConstraint("strings BETWEEN 3 AND 7", name="strings"),
        base.measured("string_length_mm"),
        base.above_zero("budget"),
        sa.CheckConstraint("budget IS NULL OR currency IS NOT NULL", name="budget_has_currency"),
        sa.CheckConstraint("wish_mass BETWEEN -1 AND 1", name="wish_mass"),
        sa.CheckConstraint("wish_tone BETWEEN -1 AND 1", name="wish_tone"),
        base.one_of("place", tuple(Place)),
        base.one_of("blinding", tuple(Blinding)),
        base.one_of("instrument_used", base.INSTRUMENTS_USED),
        base.one_of("came", tuple(OutcomeKind)),
        sa.Index(None, "player", "dealer"),
        sa.Index(None, "dealer", "player"),
        sa.Index(None, "dealer", "date", "id"),
        sa.Index(None, "dealer", "came", "date", "id"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    key: Mapped[str] = mapped_column(Key, unique=True)
    player: Mapped[int] = mapped_column(sa.ForeignKey("players.id"))
    dealer: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("dealers.slug"))
    on: Mapped[dt.date] = mapped_column("date")
    instrument: Mapped[Instrument] = mapped_column(Word(Instrument))
    hold: Mapped[Hold | None] = mapped_column(Word(Hold))
    strings: Mapped[int | None] = mapped_column(sa.SmallInteger)
    string_length_mm: Mapped[float | None] = mapped_column(Number)
    settings: Mapped[str] = mapped_column(sa.String, default="")
    budget: Mapped[decimal.Decimal | None] = mapped_column(Money)
    currency: Mapped[str | None] = mapped_column(sa.String)
    priorities: Mapped[str] = mapped_column(sa.String, default="")
    wish_mass: Mapped[int | None] = mapped_column(sa.SmallInteger)
    wish_tone: Mapped[int | None] = mapped_column(sa.SmallInteger)
    place: Mapped[Place | None] = mapped_column(Word(Place))
    blinding: Mapped[Blinding | None] = mapped_column(Word(Blinding))
    instrument_used: Mapped[str | None] = mapped_column(sa.String)
    came: Mapped[OutcomeKind | None] = mapped_column(Word(OutcomeKind))


class Run(base.Base):
    """One bow played once, as one rater rated it. ``copy`` None: the own bow.

    A rating is 1 to 7; None was not asked, or, where its name stands in ``cannot_tell``, could not be told. ``strokes``: the
    playable range as `model.bench.playable_range.as_text` writes it; ``clean_strokes``: how many of all eight were clean.
    """

    __tablename__ = "runs"
    __table_args__ = (
        sa.UniqueConstraint("trial", "position", "rater", "revision"),
        sa.CheckConstraint("position >= 1", name="position"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        base.one_of("rater", base.RATERS),
        *(base.rating(name) for name in base.RATED),
        sa.CheckConstraint("carrying IS NULL OR rater = 'listener'", name="carrying_by_listener"),
        sa.CheckConstraint("clean_strokes BETWEEN 0 AND 8", name="clean_strokes"),
        sa.Index(None, "copy"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"))
    position: Mapped[int] = mapped_column(sa.SmallInteger)
    rater: Mapped[str] = mapped_column(Key, default="player")
    revision: Mapped[int] = mapped_column(sa.Integer, default=1)
    copy: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    overall: Mapped[int | None] = mapped_column(sa.SmallInteger)
    response: Mapped[int | None] = mapped_column(sa.SmallInteger)
    clarity: Mapped[int | None] = mapped_column(sa.SmallInteger)
    dynamic_range: Mapped[int | None] = mapped_column(sa.SmallInteger)
    steadiness: Mapped[int | None] = mapped_column(sa.SmallInteger)
    off_string: Mapped[int | None] = mapped_column(sa.SmallInteger)
    ease: Mapped[int | None] = mapped_column(sa.SmallInteger)
    tone: Mapped[int | None] = mapped_column(sa.SmallInteger)
    carrying: Mapped[int | None] = mapped_column(sa.SmallInteger)
    cannot_tell: Mapped[str] = mapped_column(sa.String, default="")
    clean_strokes: Mapped[int | None] = mapped_column(sa.SmallInteger)
    strokes: Mapped[str | None] = mapped_column(sa.String)
    note: Mapped[str | None] = mapped_column(sa.Text)
    rated_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class Outcome(base.Base):
    """What came of a trial. ``price``: what was paid for the bow kept, None where it is not known."""

    __tablename__ = "outcomes"
    __table_args__ = (
        sa.UniqueConstraint("trial", "date", "outcome", "copy", "revision"),
        # NULLs differ from each other in the constraint above, so outcomes without a copy need their own.
        sa.Index(
            "uq_outcomes_without_copy", "trial", "date", "outcome", "revision", unique=True, **partly("copy IS NULL")
        ),
        sa.Index(None, "copy"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        base.one_of("outcome", tuple(OutcomeKind)),
        base.one_of("reason", base.REASONS),
        sa.CheckConstraint("outcome NOT IN ('kept', 'returned') OR copy IS NOT NULL", name="kept_names_copy"),
        base.above_zero("price"),
        sa.CheckConstraint("(price IS NULL) = (currency IS NULL)", name="price_has_currency"),
        sa.CheckConstraint("price IS NULL OR outcome = 'kept'", name="price_of_kept"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"))
    on: Mapped[dt.date] = mapped_column("date")
    outcome: Mapped[OutcomeKind] = mapped_column(Word(OutcomeKind))
    copy: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    reason: Mapped[str | None] = mapped_column(sa.String)
    price: Mapped[decimal.Decimal | None] = mapped_column(Money)
    currency: Mapped[str | None] = mapped_column(sa.String)
    note: Mapped[str | None] = mapped_column(sa.Text)
    revision: Mapped[int] = mapped_column(sa.Integer, default=1)


class BowMarks(base.Base):
    """What players' marks of a bow add up to in a year, at a dealer or, ``dealer`` empty, in files of nobody's (`service.trials.bow_marks`).

    ``trials``, ``marks``, ``total``, ``squares``: of trials that are over and players who may help. ``shown``, ``shown_total``: of
    trials whose letters are revealed.
    """

    __tablename__ = "bow_marks"
    __table_args__ = (sa.CheckConstraint("marks > 0 OR shown > 0", name="marks"), sa.Index(None, "dealer"))

    copy: Mapped[str] = mapped_column(Key, sa.ForeignKey("copies.serial", ondelete="CASCADE"), primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, primary_key=True)
    year: Mapped[int] = mapped_column(sa.Integer, primary_key=True)
    trials: Mapped[int] = mapped_column(sa.Integer)
    marks: Mapped[int] = mapped_column(sa.Integer)
    total: Mapped[int] = mapped_column(sa.Integer)
    squares: Mapped[int] = mapped_column(sa.Integer)
    shown: Mapped[int] = mapped_column(sa.Integer)
    shown_total: Mapped[int] = mapped_column(sa.Integer)


def newest_run() -> sa.ColumnElement[bool]:
    """Return the condition that a run is of the highest revision of its sheet."""
    later = aliased(Run)
    same = (getattr(later, name) == getattr(Run, name) for name in ("trial", "position", "rater"))
    return ~sa.exists().where(*same, later.revision > Run.revision)


def newest_outcome() -> sa.ColumnElement[bool]:
    """Return the condition that an outcome is of the highest revision."""
    later = aliased(Outcome)
    same = (getattr(later, name) == getattr(Outcome, name) for name in ("trial", "on", "outcome"))
    same_copy = sa.func.coalesce(later.copy, "") == sa.func.coalesce(Outcome.copy, "")
    return ~sa.exists().where(*same, same_copy, later.revision > Outcome.revision)


def outcome_order() -> tuple[sa.SQLColumnExpression[Any], ...]:
    """Return the order in which outcomes followed each other: by day, on one day a bow is kept before it is brought back.

    A later revision of the one before does not come after what followed it.
    """
    return Outcome.on, Outcome.outcome == OutcomeKind.RETURNED, Outcome.id


def write_what_came(connection: sa.Connection, trials: Collection[int]) -> None:
    """Write into trials what was told last of each."""
    newest_first = (column.desc() for column in outcome_order())
    told = sa.select(Outcome.outcome).where(Outcome.trial == Trial.id).order_by(*newest_first)
    came = told.limit(1).correlate(Trial).scalar_subquery()
    connection.execute(sa.update(Trial).where(Trial.id.in_(trials)).values(came=came))


@sa.event.listens_for(Outcome, "after_insert")
@sa.event.listens_for(Outcome, "after_delete")
def _write(_mapper: Mapper[Any], connection: sa.Connection, row: Outcome) -> None:
    write_what_came(connection, [row.trial])
