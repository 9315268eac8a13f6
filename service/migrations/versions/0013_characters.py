"""What makers say of their tiers, criterion by criterion."""

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")


def upgrade() -> None:
    """Add the table; nothing was said of any tier before."""
    op.create_table(
        "tier_characters",
        sa.Column("tier", KEY, sa.ForeignKey("tiers.slug"), primary_key=True),
        sa.Column("criterion", KEY, primary_key=True),
        sa.Column("step", sa.SmallInteger(), nullable=True),
        sa.CheckConstraint(
            "criterion IN ('overall', 'response', 'clarity', 'dynamic_range', 'steadiness', 'off_string', 'ease', 'tone')",
            name="criterion",
        ),
        sa.CheckConstraint("step BETWEEN -2 AND 2", name="step"),
    )
