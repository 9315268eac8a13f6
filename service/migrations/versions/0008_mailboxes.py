"""Which mailboxes were confirmed, how many mails went to others, and a key of their own for digests of addresses."""

import datetime as dt
import secrets

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"

MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the column and the tables, and draw the permanent key."""
    op.add_column("outbox", sa.Column("mailbox", sa.String(), nullable=True))
    op.create_index("ix_outbox_mailbox", "outbox", ["mailbox"])
    _address_keys()
    op.create_table(
        "first_mails",
        sa.Column("mailbox", sa.String(), primary_key=True),
        sa.Column("cause", sa.String(), primary_key=True),
        sa.Column("mail", sa.String(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.CheckConstraint("cause IN ('enquiry', 'data')", name="cause"),
    )
    op.create_table(
        "confirmed_addresses",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("at", MOMENT, nullable=False),
    )
    op.create_table(
        "mail_counts",
        sa.Column("of", sa.String(), primary_key=True),
        sa.Column("day", sa.Date(), primary_key=True),
        sa.Column("count", sa.Integer(), nullable=False),
    )


def _address_keys() -> None:
    made = op.create_table(
        "address_keys",
        sa.Column("key", sa.String(), nullable=False),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.CheckConstraint("role IN ('permanent', 'retired')", name="role"),
        sa.PrimaryKeyConstraint("key", name="pk_address_keys"),
    )
    drawn = {"key": secrets.token_hex(32), "role": "permanent", "made_at": dt.datetime.now(dt.UTC)}
    op.bulk_insert(made, [drawn])
