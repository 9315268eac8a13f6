"""The doors: how a dealer's website, mailbox and own system reach the service, and what goes out to whom."""

import datetime as dt
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from service.tables.base import ADDRESS_KEYS, ADDRESS_STATES, CHANNELS, KEY_KINDS, MAIL_CAUSES, Base, one_of
from service.tables.columns import Key, Moment, partly

_WAITING = partly("sent_at IS NULL AND failed_at IS NULL")

KEEP_MONTHS = 24
"""For how many months after the last contact a person's data is kept where a dealer says nothing else."""


class Door(Base):
    """How one dealer's door is set up.

    ``origins``: where the form may be embedded, separated by blanks. ``webhook_number``: counts the secrets made for the
    address of the dealer's own system; none is stored; ``webhook_renewed_at``: when the last took the place of one. ``keep_months``: how long a person's data is kept after the last contact.
    ``zone``: the shop's time zone (IANA); None: its country's. ``address``, ``opening``: lines; ``map``: a link. ``loan_terms``, ``return_terms``, ``hair_terms``: plain text, as the shop's own terms say.
    """

    __tablename__ = "doors"
    __table_args__ = (
        sa.CheckConstraint("(logo IS NULL) = (logo_type IS NULL)", name="logo_has_type"),
        sa.CheckConstraint("keep_months BETWEEN 1 AND 120", name="keep_months"),
    )

    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), primary_key=True)
    origins: Mapped[str] = mapped_column(sa.Text, default="")
    action_colour: Mapped[str | None] = mapped_column(sa.String)
    point_colour: Mapped[str | None] = mapped_column(sa.String)
    logo: Mapped[bytes | None] = mapped_column(sa.LargeBinary)
    logo_type: Mapped[str | None] = mapped_column(sa.String)
    notify: Mapped[str | None] = mapped_column(sa.Text)
    booking: Mapped[str | None] = mapped_column(sa.Text)
    webhook: Mapped[str | None] = mapped_column(sa.Text)
    webhook_number: Mapped[int] = mapped_column(sa.Integer, default=1)
    webhook_renewed_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    keep_months: Mapped[int] = mapped_column(sa.SmallInteger, default=KEEP_MONTHS)
    zone: Mapped[str | None] = mapped_column(sa.String)
    address: Mapped[str | None] = mapped_column(sa.Text)
    opening: Mapped[str | None] = mapped_column(sa.Text)
    phone: Mapped[str | None] = mapped_column(sa.Text)
    map: Mapped[str | None] = mapped_column(sa.Text)
    loan_terms: Mapped[str | None] = mapped_column(sa.Text)
    return_terms: Mapped[str | None] = mapped_column(sa.Text)
    hair_terms: Mapped[str | None] = mapped_column(sa.Text)
    changed_at: Mapped[dt.datetime] = mapped_column(Moment)


class Calendar(Base):
    """Where a dealer's calendar is read: ``id``, random, which a signed address holds. Without a row it is read nowhere."""

    __tablename__ = "calendars"

    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), primary_key=True)
    id: Mapped[str] = mapped_column(sa.String, unique=True)
    made_at: Mapped[dt.datetime] = mapped_column(Moment)
    made_by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))


class ApiKey(Base):
    """A key of one dealer's website (public, for advice only) or own server (secret; ``test``: for its sandbox alone); ``digest`` is its SHA-256."""

    __tablename__ = "api_keys"
    __table_args__ = (one_of("kind", KEY_KINDS),)

    digest: Mapped[str] = mapped_column(sa.String, primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), index=True)
    kind: Mapped[str] = mapped_column(sa.String)
    hint: Mapped[str] = mapped_column(sa.String)
    note: Mapped[str | None] = mapped_column(sa.Text)
    made_at: Mapped[dt.datetime] = mapped_column(Moment)
    made_by: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    used_on: Mapped[dt.date | None] = mapped_column()
    revoked_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class Sandbox(Base):
    """What the calls with one test key made, beside everything real: rows as compressed bytes of an SQLite file, read by nothing else."""

    __tablename__ = "sandboxes"
    __table_args__ = (sa.CheckConstraint("calls >= 0", name="calls"),)

    key: Mapped[str] = mapped_column(sa.ForeignKey("api_keys.digest"), primary_key=True)
    begun_at: Mapped[dt.datetime] = mapped_column(Moment)
    revision: Mapped[str] = mapped_column(sa.String)  # of the tables that the rows are of
    calls: Mapped[int] = mapped_column(sa.Integer)  # how many changed it
    content: Mapped[bytes] = mapped_column(sa.LargeBinary)


class OutboxItem(Base):
    """Something on its way out: a mail or a message to a dealer's system. It waits while neither sent nor given up.

    ``kind`` and ``about`` are one of a kind: the same mail about the same thing is never queued twice. ``leased_until``: a
    sender has taken it until then. ``message_id`` is fixed when queued, so that a repeat is known as one. ``mailbox``: keyed
    digest of what all spellings of a mail's address have in common.
    """

    __tablename__ = "outbox"
    __table_args__ = (
        one_of("channel", CHANNELS),
        sa.UniqueConstraint("kind", "about"),
        sa.CheckConstraint("attempts >= 0", name="attempts"),
        sa.CheckConstraint("sent_at IS NULL OR failed_at IS NULL", name="one_end"),
        sa.Index("ix_outbox_waiting", "due_at", **_WAITING),
        sa.Index(None, "dealer", "queued_at"),
        *(
            sa.Index(f"ix_outbox_{end}", "dealer", f"{end}_at", "id", **ended)
            for end in ("sent", "failed")
            for ended in (partly(f"{end}_at IS NOT NULL"),)
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    channel: Mapped[str] = mapped_column(sa.String)
    kind: Mapped[str] = mapped_column(Key)
    about: Mapped[str] = mapped_column(Key)
    dealer: Mapped[str | None] = mapped_column(Key, sa.ForeignKey("dealers.slug"))
    player: Mapped[int | None] = mapped_column(sa.ForeignKey("players.id"), index=True)
    enquiry: Mapped[str | None] = mapped_column(sa.ForeignKey("enquiries.id"), index=True)
    address: Mapped[str] = mapped_column(sa.Text)
    mailbox: Mapped[str | None] = mapped_column(sa.String, index=True)
    language: Mapped[str] = mapped_column(sa.String)
    values: Mapped[dict[str, Any]] = mapped_column(sa.JSON)
    message_id: Mapped[str] = mapped_column(sa.String, unique=True)
    queued_at: Mapped[dt.datetime] = mapped_column(Moment)
    due_at: Mapped[dt.datetime] = mapped_column(Moment)
    leased_until: Mapped[dt.datetime | None] = mapped_column(Moment)
    attempts: Mapped[int] = mapped_column(sa.Integer, default=0)
    last_error: Mapped[str | None] = mapped_column(sa.Text)
    sent_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    failed_at: Mapped[dt.datetime | None] = mapped_column(Moment)


class ClosedAddress(Base):
    """An address to which no more mail goes; ``digest`` is a keyed digest of it, so that erasure leaves no address behind."""

    __tablename__ = "closed_addresses"
    __table_args__ = (one_of("state", ADDRESS_STATES),)

    digest: Mapped[str] = mapped_column(sa.String, primary_key=True)
    dealer: Mapped[str] = mapped_column(Key, sa.ForeignKey("dealers.slug"), primary_key=True)
    state: Mapped[str] = mapped_column(sa.String)
    at: Mapped[dt.datetime] = mapped_column(Moment)


class AddressKey(Base):
    """What digests of addresses are made with: the permanent key, of which there is one, never changes.

    SECRET_KEYs that were retired are kept beside it: earlier versions digested closed addresses with them.
    """

    __tablename__ = "address_keys"
    __table_args__ = (one_of("role", ADDRESS_KEYS),)

    key: Mapped[str] = mapped_column(sa.String, primary_key=True)
    role: Mapped[str] = mapped_column(sa.String)
    made_at: Mapped[dt.datetime] = mapped_column(Moment)


class FirstMail(Base):
    """The one mail that goes to a mailbox before its reader has confirmed it; ``mail`` is the left half of its Message-ID."""

    __tablename__ = "first_mails"
    __table_args__ = (one_of("cause", MAIL_CAUSES),)

    mailbox: Mapped[str] = mapped_column(sa.String, primary_key=True)
    cause: Mapped[str] = mapped_column(sa.String, primary_key=True)
    mail: Mapped[str] = mapped_column(sa.String)
    at: Mapped[dt.datetime] = mapped_column(Moment)


class ConfirmedAddress(Base):
    """An address, as a keyed digest, whose reader confirmed it with a button behind a link in a mail."""

    __tablename__ = "confirmed_addresses"

    digest: Mapped[str] = mapped_column(sa.String, primary_key=True)
    at: Mapped[dt.datetime] = mapped_column(Moment)


class MailCount(Base):
    """How many mails to addresses that nobody has confirmed one dealer or client caused on a day; ``of`` is a keyed digest."""

    __tablename__ = "mail_counts"

    of: Mapped[str] = mapped_column(sa.String, primary_key=True)
    day: Mapped[dt.date] = mapped_column(primary_key=True)
    count: Mapped[int] = mapped_column(sa.Integer)


class FollowUp(Base):
    """What a player answered, weeks later, to whether the bow is still the right one."""

    __tablename__ = "follow_ups"

    trial: Mapped[int] = mapped_column(sa.ForeignKey("trials.id"), primary_key=True)
    still_right: Mapped[bool] = mapped_column(sa.Boolean)
    at: Mapped[dt.datetime] = mapped_column(Moment)


class Duty(Base):
    """What the service does by itself once a day: when it did so last, and how much that was. One row a duty."""

    __tablename__ = "duties"

    name: Mapped[str] = mapped_column(sa.String, primary_key=True)
    begun_at: Mapped[dt.datetime] = mapped_column(Moment)
    ended_at: Mapped[dt.datetime | None] = mapped_column(Moment)
    counts: Mapped[dict[str, Any]] = mapped_column(sa.JSON, default=dict)


class LoadStep(Base):
    """A part of a large load that is still to be written, as JSON (`service.inventory.files.step_by_step`); `Duty` says whether it will be."""

    __tablename__ = "load_steps"

    id: Mapped[int] = mapped_column(primary_key=True)
    work: Mapped[str] = mapped_column(sa.Text)


class Spending(Base):
    """What a client, by keyed digest, spent of one rate limit: ``level`` seconds at ``at``, in seconds since 1970, until it is over."""

    __tablename__ = "spendings"

    key: Mapped[str] = mapped_column(sa.String, primary_key=True)
    level: Mapped[float] = mapped_column(sa.Float)
    at: Mapped[float] = mapped_column(sa.Float)
