"""Test keys of the API, and the sandbox that each has."""

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)
KINDS = "kind IN ('website', 'server', 'test')"


def upgrade() -> None:
    """Let a key be a test key; SQLite takes a new table for that. Nothing pointed to keys so far."""
    if op.get_bind().dialect.name == "sqlite":
        op.rename_table("api_keys", "api_keys_kept")
        op.drop_index("ix_api_keys_dealer", "api_keys_kept")
        _api_keys()
        op.execute("INSERT INTO api_keys SELECT * FROM api_keys_kept")
        op.drop_table("api_keys_kept")
    else:
        op.drop_constraint(op.f("ck_api_keys_kind"), "api_keys", type_="check")
        op.create_check_constraint(op.f("ck_api_keys_kind"), "api_keys", KINDS)
    op.create_table(
        "sandboxes",
        sa.Column("key", sa.String(), sa.ForeignKey("api_keys.digest"), primary_key=True),
        sa.Column("begun_at", MOMENT, nullable=False),
        sa.Column("revision", sa.String(), nullable=False),
        sa.Column("calls", sa.Integer(), nullable=False),
        sa.Column("content", sa.LargeBinary(), nullable=False),
        sa.CheckConstraint("calls >= 0", name="calls"),
    )


def _api_keys() -> None:
    op.create_table(
        "api_keys",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False, index=True),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("hint", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("made_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("used_on", sa.Date(), nullable=True),
        sa.Column("revoked_at", MOMENT, nullable=True),
        sa.CheckConstraint(KINDS, name="kind"),
    )
