"""Parcels with an address and a number of their own, several sittings under the same letters, and how often a day was changed."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import partly

revision = "0024"
down_revision = "0023"

_LETTERED = partly("letter <> ''")


def upgrade() -> None:
    """Add what is empty for the trials there are: each had one sitting, and its day was told as it stands."""
    op.add_column("compositions", sa.Column("sequence", sa.Integer(), nullable=False, server_default="0"))
    op.add_column("slots", sa.Column("sitting", sa.SmallInteger(), nullable=False, server_default="1"))
    op.add_column("slots", sa.Column("date", sa.Date(), nullable=True))
    op.drop_index("uq_slots_letter", "slots")
    op.create_index("uq_slots_letter", "slots", ["trial", "sitting", "letter"], unique=True, **_LETTERED)
    op.create_table(
        "parcels",
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), primary_key=True),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("carrier", sa.Text(), nullable=True),
        sa.Column("number", sa.Text(), nullable=True),
        sa.Column("arrived_at", sa.DateTime(timezone=True), nullable=True),
    )
