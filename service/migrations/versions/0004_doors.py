"""The doors: how a dealer's website, mailbox and own system are reached, and what goes out."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import partly

revision = "0004"
down_revision = "0003"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables, each after those it points to."""
    _doors()
    _api_keys()
    _outbox()
    _closed_addresses()
    _follow_ups()


def _doors() -> None:
    op.create_table(
        "doors",
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("origins", sa.Text(), nullable=False),
        sa.Column("action_colour", sa.String(), nullable=True),
        sa.Column("point_colour", sa.String(), nullable=True),
        sa.Column("logo", sa.LargeBinary(), nullable=True),
        sa.Column("logo_type", sa.String(), nullable=True),
        sa.Column("notify", sa.Text(), nullable=True),
        sa.Column("booking", sa.Text(), nullable=True),
        sa.Column("webhook", sa.Text(), nullable=True),
        sa.Column("webhook_number", sa.Integer(), nullable=False),
        sa.Column("keep_months", sa.SmallInteger(), nullable=False),
        sa.Column("changed_at", MOMENT, nullable=False),
        sa.CheckConstraint("(logo IS NULL) = (logo_type IS NULL)", name="logo_has_type"),
        sa.CheckConstraint("keep_months BETWEEN 1 AND 120", name="keep_months"),
    )


def _api_keys() -> None:
    op.create_table(
        "api_keys",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False, index=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("hint", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("made_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("used_on", sa.Date(), nullable=True),
        sa.Column("revoked_at", MOMENT, nullable=True),
        sa.CheckConstraint("kind IN ('website', 'server')", name="kind"),
    )


def _outbox() -> None:
    op.create_table(
        "outbox",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("channel", sa.String(), nullable=False),
        sa.Column("kind", KEY, nullable=False),
        sa.Column("about", KEY, nullable=False),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True),
        sa.Column("player", sa.Integer(), sa.ForeignKey("players.id"), nullable=True, index=True),
        sa.Column("enquiry", sa.String(), sa.ForeignKey("enquiries.id"), nullable=True, index=True),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("values", sa.JSON(), nullable=False),
        sa.Column("message_id", sa.String(), nullable=False, unique=True),
        sa.Column("queued_at", MOMENT, nullable=False),
        sa.Column("due_at", MOMENT, nullable=False),
        sa.Column("leased_until", MOMENT, nullable=True),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("last_error", sa.Text(), nullable=True),
        sa.Column("sent_at", MOMENT, nullable=True),
        sa.Column("failed_at", MOMENT, nullable=True),
        sa.CheckConstraint("channel IN ('mail', 'webhook')", name="channel"),
        sa.CheckConstraint("attempts >= 0", name="attempts"),
        sa.CheckConstraint("sent_at IS NULL OR failed_at IS NULL", name="one_end"),
        sa.UniqueConstraint("kind", "about", name="uq_outbox_kind_about"),
    )
    op.create_index("ix_outbox_dealer_queued_at", "outbox", ["dealer", "queued_at"])
    op.create_index("ix_outbox_waiting", "outbox", ["due_at"], **partly("sent_at IS NULL AND failed_at IS NULL"))


def _closed_addresses() -> None:
    op.create_table(
        "closed_addresses",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.CheckConstraint("state IN ('unsubscribed', 'bounced')", name="state"),
    )


def _follow_ups() -> None:
    op.create_table(
        "follow_ups",
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), primary_key=True),
        sa.Column("still_right", sa.Boolean(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
    )
