"""When the secret of a dealer's messages was renewed: the one before signs beside it for some days."""

import sqlalchemy as sa
from alembic import op

revision = "0015"
down_revision = "0014"


def upgrade() -> None:
    """Add the moment; secrets renewed before were replaced at once and stay so."""
    op.add_column("doors", sa.Column("webhook_renewed_at", sa.DateTime(timezone=True), nullable=True))
