"""Where a dealer's calendar is read."""

import sqlalchemy as sa
from alembic import op

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")


def upgrade() -> None:
    """Add the table; no calendar has an address before."""
    op.create_table(
        "calendars",
        sa.Column("dealer", KEY, nullable=False),
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_calendars_dealer"),
        sa.ForeignKeyConstraint(["made_by"], ["users.id"], name="fk_calendars_made_by"),
        sa.PrimaryKeyConstraint("dealer", name="pk_calendars"),
        sa.UniqueConstraint("id", name="uq_calendars_id"),
    )
