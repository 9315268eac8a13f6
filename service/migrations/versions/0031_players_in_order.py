"""Players are found by their last trial without going through all."""

from alembic import op

revision = "0031"
down_revision = "0030"

PLACES = (
    ("trials", ["player"], [["player", "dealer"], ["dealer", "player"]]),
    ("contacts", ["dealer"], [["dealer", "player"]]),
)


def upgrade() -> None:
    """Put indexes that tell both in the place of those that tell one."""
    for table, old, new in PLACES:
        op.drop_index(f"ix_{table}_{'_'.join(old)}", table)
        for columns in new:
            op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)
