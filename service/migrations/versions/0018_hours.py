"""The hour at which a trial begins, and the time zone of the shop's clock."""

import sqlalchemy as sa
from alembic import op

revision = "0018"
down_revision = "0017"


def upgrade() -> None:
    """Add the columns; no hour was asked for before."""
    op.add_column("compositions", sa.Column("hour", sa.Time(), nullable=True))
    op.add_column("doors", sa.Column("zone", sa.String(), nullable=True))
