"""A trial from its composition to its end: which copies, in which blind order, on whose screen, with which sheets.

The history (`service.tables.history`) is what a fit reads; here is what a trial needs while it goes on. A trial read from a
file has no row here. Every sheet is kept as it came; those that count are runs of the history too.
"""

import datetime as dt
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from service.tables.base import RATERS, STATES, Base, one_of
from service.tables.columns import Key, Moment, partly

_LETTERED = partly("letter <> ''")
_OUT = partly("out_at IS NOT NULL AND back_at IS NULL")


class Contact(Base):
    """Who a player is to one dealer; kept apart from the history, which knows a key only. ``doubted`` as for enquiries."""

    __tablename__ = "contacts"
    __table_args__ = (sa.Index(None, "dealer", "player"),)

    player: Mapped[int] = mapped_column(sa.ForeignKey("players.id"), primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"))
    name: Mapped[str | None] = mapped_column(sa.Text)
    email: Mapped[str | None] = mapped_column(Key, index=True)
    phone: Mapped[str | None] = mapped_column(sa.Text)
    language: Mapped[str | None] = mapped_column(sa.String)
    mail_consent: Mapped[bool] = mapped_column(sa.Boolean, default=False)
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    doubted: Mapped[bool] = mapped_column(sa.Boolean, default=False, server_default=sa.false())


class JoinedPlayer(Base):
    """A player whom a dealer's staff found to be the same person as another, ``whom``.

    ``before``: what each had said of helping others, where the joining changed it, so that it can be undone.
    """

    __tablename__ = "joined_players"
    __table_args__ = (sa.CheckConstraint("player <> head AND player <> whom", name="apart"), sa.Index(None, "head"))

    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), primary_key=True)
    player: Mapped[int] = mapped_column(sa.ForeignKey("players.id"), primary_key=True)
    whom: Mapped[int] = mapped_column(sa.ForeignKey("players.id"))
    head: Mapped[int] = mapped_column(
        sa.ForeignKey("players.id")
    )  # who stands for all of them, and is joined to nobody
    at: Mapped[dt.datetime] = mapped_column(Moment)
    by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    before: Mapped[dict[str, Any]] = mapped_column(sa.JSON)


class PlayerNote(Base):
    """What a dealer's staff noted of a player: one text, changed in place."""

    __tablename__ = "player_notes"

    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), primary_key=True)
    player: Mapped[int] = mapped_column(sa.ForeignKey("players.id"), primary_key=True)
    text: Mapped[str] = mapped_column(sa.Text)
    at: Mapped[dt.datetime] = mapped_column(Moment)


class Composition(Base):
    """How a trial was composed and where it stands.

    ``answers``: the questionnaire's body without the contact. ``number`` counts the dealer's trials, from 1: the order of bows
    is rotated by it. ``sequence``: how often its days were changed, as calendars count it.
    """

    __tablename__ = "compositions"
    __table_args__ = (
        one_of("state", STATES),
        sa.UniqueConstraint("dealer", "number"),
        sa.CheckConstraint("minutes BETWEEN 20 AND 240", name="minutes"),
        sa.CheckConstraint("own_plays BETWEEN 0 AND 2", name="own_plays"),
        sa.CheckConstraint("due_back IS NULL OR due_back >= out_from", name="due_back"),
        sa.CheckConstraint("state <> 'closed' OR closed_at IS NOT NULL", name="closed_at"),
        sa.CheckConstraint("(revealed_at IS NULL) = (revealed_by IS NULL)", name="revealed_by_someone"),
        sa.CheckConstraint(
            "(materials_confirmed_at IS NULL) = (materials_confirmed_by IS NULL)", name="confirmed_by_someone"
        ),
        sa.Index(None, "dealer", "state"),
    )

    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"), primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"))
    number: Mapped[int] = mapped_column(sa.Integer)
    enquiry: Mapped[str | None] = mapped_column(sa.ForeignKey("enquiries.id"), index=True)
    previous: Mapped[int | None] = mapped_column(sa.ForeignKey("trials.id"))
    answers: Mapped[dict[str, Any]] = mapped_column(sa.JSON)
    plan: Mapped[dict[str, Any]] = mapped_column(sa.JSON)  # chance and gain as they were promised
    model_version: Mapped[int | None] = mapped_column(sa.ForeignKey("model_versions.id"))
    minutes: Mapped[int] = mapped_column(sa.SmallInteger)
    seed: Mapped[int] = mapped_column(sa.Integer)
    own_plays: Mapped[int] = mapped_column(sa.SmallInteger)
    repeat: Mapped[bool] = mapped_column(sa.Boolean)
    state: Mapped[str] = mapped_column(sa.String, default="planned")
    created_at: Mapped[dt.datetime] = mapped_column(Moment)
    made_by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    opened_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    closed_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    revealed_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    revealed_by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    out_from: Mapped[dt.date | None] = mapped_column()
    due_back: Mapped[dt.date | None] = mapped_column(index=True)
    hour: Mapped[dt.time | None] = mapped_column()  # when it begins, as the shop's clock shows it
    sequence: Mapped[int] = mapped_column(sa.Integer, default=0, server_default="0")
    country: Mapped[str | None] = mapped_column(sa.String)  # where the parcel goes, for a trial by post
    materials_confirmed_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    materials_confirmed_by: Mapped[str | None] = mapped_column(sa.Text)
    note: Mapped[str | None] = mapped_column(sa.Text)


class TrialCopy(Base):
    """A copy set aside for a trial from one day to another, and when it was out. A copy is out on one trial at a time."""

    __tablename__ = "trial_copies"
    __table_args__ = (
        sa.UniqueConstraint("trial", "copy"),
        sa.CheckConstraint("due_back >= out_from", name="due_back"),
        sa.CheckConstraint("back_at IS NULL OR out_at IS NOT NULL", name="back_after_out"),
        sa.Index("uq_trial_copies_out", "copy", unique=True, **_OUT),
        sa.Index(None, "copy"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"))
    copy: Mapped[str] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    out_from: Mapped[dt.date] = mapped_column()
    due_back: Mapped[dt.date] = mapped_column()
    out_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    back_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    condition_out: Mapped[str | None] = mapped_column(sa.Text)
    condition_back: Mapped[str | None] = mapped_column(sa.Text)


class Slot(Base):
    """One place in the blind order: the letter on the screen and the copy behind it; None and no letter is the own bow.

    ``sitting`` counts from 1: the bows of a later one bear the same letters at further places. ``on``: its day; None: the trial's.
    """

    __tablename__ = "slots"
    __table_args__ = (
        sa.UniqueConstraint("trial", "position"),
        sa.CheckConstraint("position >= 1", name="position"),
        sa.CheckConstraint("(letter = '') = (copy IS NULL)", name="letter_hides_copy"),
        sa.Index("uq_slots_letter", "trial", "sitting", "letter", unique=True, **_LETTERED),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"))
    position: Mapped[int] = mapped_column(sa.SmallInteger)
    letter: Mapped[str] = mapped_column(Key)
    copy: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    sitting: Mapped[int] = mapped_column(sa.SmallInteger, default=1, server_default="1")
    on: Mapped[dt.date | None] = mapped_column("date")


class Parcel(Base):
    """Where the parcel of one trial goes, and by whom; what was told of it alone, so that no trial after it is sent there."""

    __tablename__ = "parcels"

    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"), primary_key=True)
    address: Mapped[str | None] = mapped_column(sa.Text)
    carrier: Mapped[str | None] = mapped_column(sa.Text)
    number: Mapped[str | None] = mapped_column(
        sa.Text
    )  # the carrier's of the parcel, or an address where it is followed
    arrived_at: Mapped[dt.datetime | None] = mapped_column(Moment)  # when it was said to be there


class Sheet(Base):
    """A rating sheet exactly as it came; ``run`` is the sender's own id of it, ``flags`` say what is odd, ``counts`` whether a fit reads it."""

    __tablename__ = "sheets"
    __table_args__ = (
        one_of("rater", RATERS),
        sa.UniqueConstraint("trial", "run", "revision", "digest"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        sa.Index(None, "trial", "position"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"))
    run: Mapped[str] = mapped_column(Key)
    position: Mapped[int] = mapped_column(sa.SmallInteger)
    letter: Mapped[str] = mapped_column(Key)
    rater: Mapped[str] = mapped_column(sa.String)
    revision: Mapped[int] = mapped_column(sa.Integer)
    ratings: Mapped[dict[str, Any]] = mapped_column(sa.JSON)
    strokes: Mapped[str | None] = mapped_column(sa.String)
    note: Mapped[str | None] = mapped_column(sa.Text)
    rated_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    received_at: Mapped[dt.datetime] = mapped_column(Moment)
    sender: Mapped[str] = mapped_column(sa.String)
    digest: Mapped[str] = mapped_column(sa.String)
    flags: Mapped[str] = mapped_column(sa.String, default="")
    counts: Mapped[bool] = mapped_column(sa.Boolean)


class Seat(Base):
    """A link to one trial's sheets for one rater: the player at home, or the listener across the room."""

    __tablename__ = "seats"
    __table_args__ = (one_of("rater", RATERS),)

    id: Mapped[str] = mapped_column(sa.String, primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"), index=True)
    rater: Mapped[str] = mapped_column(sa.String)
    made_at: Mapped[dt.datetime] = mapped_column(Moment)
    expires_at: Mapped[dt.datetime] = mapped_column(Moment)
    closed_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class HeadToHead(Base):
    """Blind pairs of the last two bows of a trial; ``second`` or ``first`` None: the own bow."""

    __tablename__ = "head_to_heads"

    id: Mapped[str] = mapped_column(sa.String, primary_key=True)
    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"), index=True)
    first: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    second: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("copies.serial"))
    seed: Mapped[int] = mapped_column(sa.Integer)
    started_at: Mapped[dt.datetime] = mapped_column(Moment)
    started_by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    ended_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class Pair(Base):
    """One blind pair: which of the two was preferred. ``id`` is the sender's own, so that a repeat is one pair."""

    __tablename__ = "pairs"
    __table_args__ = (
        one_of("preferred", ("first", "second")),
        sa.UniqueConstraint("head_to_head", "number"),
        sa.CheckConstraint("number >= 1", name="number"),
    )

    id: Mapped[str] = mapped_column(sa.String, primary_key=True)
    head_to_head: Mapped[str] = mapped_column(sa.ForeignKey("head_to_heads.id"))
    number: Mapped[int] = mapped_column(sa.SmallInteger)
    preferred: Mapped[str] = mapped_column(sa.String)
    rated_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    received_at: Mapped[dt.datetime] = mapped_column(Moment)
