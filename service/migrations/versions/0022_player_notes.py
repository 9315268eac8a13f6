"""One note on a player, by a dealer's staff."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "player_notes",
        sa.Column("dealer", Key, nullable=False),
        sa.Column("player", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_player_notes_dealer"),
        sa.ForeignKeyConstraint(["player"], ["players.id"], name="fk_player_notes_player"),
        sa.PrimaryKeyConstraint("dealer", "player", name="pk_player_notes"),
    )
