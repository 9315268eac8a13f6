"""The record and the mail are found in their order, also by who, what and whom."""

from alembic import op

from service.tables.columns import partly

revision = "0027"
down_revision = "0026"

RECORD = (["at", "id"], ["dealer", "at", "id"], ["did", "at", "id"], ["user", "at", "id"], ["about"])


def upgrade() -> None:
    """Add the indexes, in the place of one that is the beginning of another."""
    op.drop_index("ix_audit_dealer_at", "audit")
    for columns in RECORD:
        op.create_index(f"ix_audit_{'_'.join(columns)}", "audit", columns)
    for end in ("sent", "failed"):
        ended = partly(f"{end}_at IS NOT NULL")
        columns = ["dealer", f"{end}_at", "id"]
        op.create_index(f"ix_outbox_{end}", "outbox", columns, **ended)
