"""Where a dealer's calendar is read."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")


def upgrade() -> None:
    """Add the table; no calendar has an address before."""
    op.create_table(
        "calendars",
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("id", sa.String(), nullable=False, unique=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
    )
