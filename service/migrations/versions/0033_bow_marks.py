"""Each bow's marks added up by year, and in a trial what came of it last, so that no page goes through all trials for them."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import Key

revision = "0033"
down_revision = "0032"
branch_labels = None
depends_on = None

_SUMS = ("trials", "marks", "total", "squares", "shown", "shown_total")
_FILL = """
    INSERT INTO bow_marks (copy, dealer, year, trials, marks, total, squares, shown, shown_total)
    SELECT copy, dealer, YEAR_OF, COUNT(DISTINCT CASE WHEN counts = 1 THEN trial END),
        SUM(counts), SUM(counts * overall), SUM(counts * overall * overall), SUM(shows), SUM(shows * overall)
    FROM (
        SELECT r.copy, COALESCE(t.dealer, '') AS dealer, t.date, t.id AS trial, r.overall,
            CASE WHEN (c.trial IS NULL OR c.state = 'closed') AND p.in_model THEN 1 ELSE 0 END AS counts,
            CASE WHEN c.trial IS NULL OR c.revealed_at IS NOT NULL THEN 1 ELSE 0 END AS shows
        FROM runs r JOIN trials t ON t.id = r.trial JOIN players p ON p.id = t.player
            LEFT JOIN compositions c ON c.trial = t.id
        WHERE r.copy IS NOT NULL AND r.rater = 'player' AND r.overall IS NOT NULL
            AND NOT EXISTS (SELECT 1 FROM runs l WHERE l.trial = r.trial AND l.position = r.position
                AND l.rater = r.rater AND l.revision > r.revision)
    ) given
    WHERE counts + shows > 0
    GROUP BY copy, dealer, YEAR_OF
"""
_YEAR = {"sqlite": "CAST(strftime('%Y', date) AS INTEGER)", "postgresql": "CAST(EXTRACT(year FROM date) AS INTEGER)"}


def upgrade() -> None:
    """Add table and column, filled in from what is there."""
    op.create_table(
        "bow_marks",
        sa.Column("copy", Key, nullable=False),
        sa.Column("dealer", Key, nullable=False),
        sa.Column("year", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in _SUMS),
        sa.CheckConstraint("marks > 0 OR shown > 0", name="marks"),
        sa.ForeignKeyConstraint(["copy"], ["copies.serial"], op.f("fk_bow_marks_copy"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("copy", "dealer", "year", name=op.f("pk_bow_marks")),
    )
    op.create_index("ix_bow_marks_dealer", "bow_marks", ["dealer"])
    op.execute(_FILL.replace("YEAR_OF", _YEAR[op.get_bind().dialect.name]))
    op.execute(
        "ALTER TABLE trials ADD COLUMN came VARCHAR"
        " CONSTRAINT ck_trials_came CHECK (came IN ('kept', 'more_asked', 'none', 'returned'))"
    )
    op.execute("""
        UPDATE trials SET came = (SELECT o.outcome FROM outcomes o WHERE o.trial = trials.id
            ORDER BY o.date DESC, (o.outcome = 'returned') DESC, o.id DESC LIMIT 1)
        WHERE id IN (SELECT trial FROM outcomes)
    """)
    op.create_index("ix_trials_dealer_came_date_id", "trials", ["dealer", "came", "date", "id"])
