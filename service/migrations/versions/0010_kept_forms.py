"""Forms of the desk that were sent and not taken, for an hour."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "kept_forms",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=False, index=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False, index=True),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("session", sa.String(), nullable=True),
        sa.Column("fields", sa.JSON(), nullable=True),
        sa.Column("page", sa.LargeBinary(), nullable=True),
        sa.Column("status", sa.SmallInteger(), nullable=True),
    )
