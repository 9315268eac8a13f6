"""How sure a bow's bench values are, and what is measured beside those that have a column."""

import sqlalchemy as sa
from alembic import op

revision = "0030"
down_revision = "0029"


def upgrade() -> None:
    """Add the column, empty: until a bow is measured again its values are as sure as is usual."""
    op.add_column("copies", sa.Column("measured", sa.JSON(none_as_null=True), nullable=True))
