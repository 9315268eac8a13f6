"""Forms of the desk that were sent and not taken, for an hour."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "kept_forms",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("session", sa.String(), nullable=True),
        sa.Column("fields", sa.JSON(), nullable=True),
        sa.Column("page", sa.LargeBinary(), nullable=True),
        sa.Column("status", sa.SmallInteger(), nullable=True),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_kept_forms_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_kept_forms"),
    )
    op.create_index("ix_kept_forms_user", "kept_forms", ["user"])
    op.create_index("ix_kept_forms_at", "kept_forms", ["at"])
