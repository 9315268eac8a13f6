"""Where a shop is, when it is open, and how it is reached."""

import sqlalchemy as sa
from alembic import op

revision = "0020"
down_revision = "0019"


def upgrade() -> None:
    """Add the columns; nothing of it was kept before."""
    for name in ("address", "opening", "phone", "map"):
        op.add_column("doors", sa.Column(name, sa.Text(), nullable=True))
