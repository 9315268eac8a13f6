"""The playable range: how the strokes of a sheet were marked, and how many of a run's eight were clean."""

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"


def upgrade() -> None:
    """Add the columns, empty for what there is."""
    op.add_column("sheets", sa.Column("strokes", sa.String(), nullable=True))
    op.add_column("runs", sa.Column("strokes", sa.String(), nullable=True))
    # With its check in the statement: SQLite adds a check to no column that is there already.
    check = "CONSTRAINT ck_runs_clean_strokes CHECK (clean_strokes BETWEEN 0 AND 8)"
    op.execute(f"ALTER TABLE runs ADD COLUMN clean_strokes SMALLINT {check}")
