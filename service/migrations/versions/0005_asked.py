"""Whether a player was asked if the ratings may help others, and what the service does by itself once a day."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Add the column and the table."""
    op.add_column("players", sa.Column("asked_at", MOMENT, nullable=True))
    op.create_table(
        "duties",
        sa.Column("name", sa.String(), primary_key=True),
        sa.Column("begun_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("counts", sa.JSON(), nullable=False),
    )
