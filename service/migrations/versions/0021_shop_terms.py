"""On which terms a shop lends bows, takes them back, and rehairs them."""

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"


def upgrade() -> None:
    """Add the columns; nothing of it was kept before."""
    for name in ("loan_terms", "return_terms", "hair_terms"):
        op.add_column("doors", sa.Column(name, sa.Text(), nullable=True))
