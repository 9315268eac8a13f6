"""On which day a bow was sold; of those that were kept on a trial it is known."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"

_KEPT = sa.text(
    """
    UPDATE copies SET sold_on = (
        SELECT max(outcomes.date) FROM outcomes WHERE outcomes.copy = copies.serial AND outcomes.outcome = 'kept'
    ) WHERE status = 'sold'
    """
)


def upgrade() -> None:
    """Add the column, filled in where a trial tells the day."""
    op.add_column("copies", sa.Column("sold_on", sa.Date(), nullable=True))
    op.execute(_KEPT)
