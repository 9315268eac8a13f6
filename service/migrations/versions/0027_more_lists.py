"""The record and the mail are found in their order, also by who, what and whom."""

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None

RECORD = (["at", "id"], ["dealer", "at", "id"], ["did", "at", "id"], ["user", "at", "id"], ["about"])


def upgrade() -> None:
    """Add the indexes, in the place of one that is the beginning of another."""
    op.drop_index("ix_audit_dealer_at", "audit")
    for columns in RECORD:
        op.create_index(f"ix_audit_{'_'.join(columns)}", "audit", columns)
    for end in ("sent", "failed"):
        ended = sa.text(f"{end}_at IS NOT NULL")
        columns = ["dealer", f"{end}_at", "id"]
        op.create_index(f"ix_outbox_{end}", "outbox", columns, sqlite_where=ended, postgresql_where=ended)


def downgrade() -> None:
    """Put the one back."""
    for end in ("sent", "failed"):
        op.drop_index(f"ix_outbox_{end}", "outbox")
    for columns in RECORD:
        op.drop_index(f"ix_audit_{'_'.join(columns)}", "audit")
    op.create_index("ix_audit_dealer_at", "audit", ["dealer", "at"])
