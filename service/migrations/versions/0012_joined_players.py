"""Which players are one person, as a dealer's staff found."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key

revision = "0012"
down_revision = "0011"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "joined_players",
        sa.Column("dealer", Key, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("player", sa.Integer(), sa.ForeignKey("players.id"), primary_key=True),
        sa.Column("whom", sa.Integer(), sa.ForeignKey("players.id"), nullable=False),
        sa.Column("head", sa.Integer(), sa.ForeignKey("players.id"), nullable=False, index=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.CheckConstraint("player <> head AND player <> whom", name="apart"),
    )
