"""What was really paid for a bow that was kept, and a note on what came of a trial."""

from alembic import op

revision = "0032"
down_revision = "0031"


def upgrade() -> None:
    """Add what is empty for the outcomes there are; SQLite takes a constraint with a new column only."""
    for column in (
        "price BIGINT CONSTRAINT ck_outcomes_price CHECK (price > 0)",
        "currency VARCHAR CONSTRAINT ck_outcomes_price_has_currency CHECK ((price IS NULL) = (currency IS NULL))",
        "note TEXT CONSTRAINT ck_outcomes_price_of_kept CHECK (price IS NULL OR outcome = 'kept')",
    ):
        op.execute(f"ALTER TABLE outcomes ADD COLUMN {column}")
