"""Lists are found in their order, and what waits without going through all that is done."""

from alembic import op

from service.tables.columns import partly

revision = "0026"
down_revision = "0025"


def upgrade() -> None:
    """Put indexes that hold the order in the place of those that do not, and add those of what waits."""
    for table, columns in (("enquiries", ["dealer", "created_at", "id"]), ("trials", ["dealer", "date", "id"])):
        op.drop_index(f"ix_{table}_dealer", table)
        op.create_index(f"ix_{table}_{'_'.join(columns)}", table, columns)
    waits = partly("settled_at IS NULL")
    op.create_index("ix_enquiries_unsettled", "enquiries", ["dealer", "created_at", "id"], **waits)
    op.create_index("ix_outcomes_copy", "outcomes", ["copy"])
