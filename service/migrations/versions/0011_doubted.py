"""Which enquiries, drafts and contacts were written while the clock stood before the last sign of work."""

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"


def upgrade() -> None:
    """Add the mark; what is there already has none."""
    for table in ("enquiries", "drafts", "contacts"):
        op.add_column(table, sa.Column("doubted", sa.Boolean(), nullable=False, server_default=sa.false()))
