"""What clients of the network spent of their rate limits, shared by all processes."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "spendings",
        sa.Column("key", sa.String(), primary_key=True),
        sa.Column("level", sa.Float(), nullable=False),
        sa.Column("at", sa.Float(), nullable=False),
    )
