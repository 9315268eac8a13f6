"""One note on a player, by a dealer's staff."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key

revision = "0022"
down_revision = "0021"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "player_notes",
        sa.Column("dealer", Key, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("player", sa.Integer(), sa.ForeignKey("players.id"), primary_key=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
    )
