"""What a large load has still to write."""

import sqlalchemy as sa
from alembic import op

revision = "0035"
down_revision = "0034"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table, empty."""
    op.create_table(
        "load_steps",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("work", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_load_steps")),
    )
