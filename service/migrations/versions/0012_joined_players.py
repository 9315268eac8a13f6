"""Which players are one person, as a dealer's staff found."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "joined_players",
        sa.Column("dealer", Key, nullable=False),
        sa.Column("player", sa.Integer(), nullable=False),
        sa.Column("whom", sa.Integer(), nullable=False),
        sa.Column("head", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Integer(), nullable=True),
        sa.Column("before", sa.JSON(), nullable=False),
        sa.CheckConstraint("player <> head AND player <> whom", name="apart"),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_joined_players_dealer"),
        sa.ForeignKeyConstraint(["player"], ["players.id"], name="fk_joined_players_player"),
        sa.ForeignKeyConstraint(["whom"], ["players.id"], name="fk_joined_players_whom"),
        sa.ForeignKeyConstraint(["head"], ["players.id"], name="fk_joined_players_head"),
        sa.ForeignKeyConstraint(["by"], ["users.id"], name="fk_joined_players_by"),
        sa.PrimaryKeyConstraint("dealer", "player", name="pk_joined_players"),
    )
    op.create_index("ix_joined_players_head", "joined_players", ["head"])
