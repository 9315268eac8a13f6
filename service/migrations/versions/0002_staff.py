"""Who may: staff, their sessions, tablets, and what was done by whom."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables, each after those it points to."""
    _users()
    _password_links()
    _staff_sessions()
    _audit()
    _tablets()
    _tablet_codes()


def _users() -> None:
    op.create_table(
        "users",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("email", KEY, nullable=False, unique=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.Column("password", sa.String(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("disabled_at", MOMENT, nullable=True),
        sa.CheckConstraint("role <> 'adviser' OR dealer IS NOT NULL", name="adviser_has_dealer"),
        sa.CheckConstraint("role IN ('adviser', 'workshop', 'owner')", name="role"),
        sa.CheckConstraint("email = lower(email)", name="email_lower"),
    )


def _password_links() -> None:
    op.create_table(
        "password_links",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("used_at", MOMENT, nullable=True),
    )


def _staff_sessions() -> None:
    op.create_table(
        "staff_sessions",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=False, index=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False, index=True),
    )


def _audit() -> None:
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True),
        sa.Column("did", sa.String(), nullable=False),
        sa.Column("about", KEY, nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
    )
    op.create_index("ix_audit_dealer_at", "audit", ["dealer", "at"])


def _tablets() -> None:
    op.create_table(
        "tablets",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False, index=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False, unique=True),
        sa.Column("file_key", sa.String(), nullable=False),
        sa.Column("enrolled_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=True),
        sa.Column("revoked_at", MOMENT, nullable=True),
    )


def _tablet_codes() -> None:
    op.create_table(
        "tablet_codes",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("used_at", MOMENT, nullable=True),
    )
