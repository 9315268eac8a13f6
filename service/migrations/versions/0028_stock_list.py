"""The bows of a dealer are counted by tier without being read."""

from alembic import op

revision = "0028"
down_revision = "0027"


def upgrade() -> None:
    """Put an index that tells tier and status in the place of the one that tells the dealer alone."""
    op.drop_index("ix_copies_dealer", "copies")
    op.create_index("ix_copies_dealer_tier_status", "copies", ["dealer", "tier", "status"])
