"""Who may: staff, their sessions, tablets, and what was done by whom."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

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
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("email", KEY, nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("role", sa.String(), nullable=False),
        sa.Column("dealer", KEY, nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.Column("password", sa.String(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("disabled_at", MOMENT, nullable=True),
        sa.CheckConstraint("role <> 'adviser' OR dealer IS NOT NULL", name=op.f("ck_users_adviser_has_dealer")),
        sa.CheckConstraint("role IN ('adviser', 'workshop', 'owner')", name=op.f("ck_users_role")),
        sa.CheckConstraint("email = lower(email)", name=op.f("ck_users_email_lower")),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_users_dealer"),
        sa.PrimaryKeyConstraint("id", name="pk_users"),
        sa.UniqueConstraint("email", name="uq_users_email"),
    )


def _password_links() -> None:
    op.create_table(
        "password_links",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("used_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_password_links_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_password_links"),
    )


def _staff_sessions() -> None:
    op.create_table(
        "staff_sessions",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("dealer", KEY, nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_staff_sessions_dealer"),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_staff_sessions_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_staff_sessions"),
    )
    op.create_index("ix_staff_sessions_expires_at", "staff_sessions", ["expires_at"])
    op.create_index("ix_staff_sessions_user", "staff_sessions", ["user"])


def _audit() -> None:
    op.create_table(
        "audit",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("user", sa.Integer(), nullable=True),
        sa.Column("dealer", KEY, nullable=True),
        sa.Column("did", sa.String(), nullable=False),
        sa.Column("about", KEY, nullable=False),
        sa.Column("detail", sa.JSON(), nullable=False),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_audit_dealer"),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_audit_user"),
        sa.PrimaryKeyConstraint("id", name="pk_audit"),
    )
    op.create_index("ix_audit_dealer_at", "audit", ["dealer", "at"])


def _tablets() -> None:
    op.create_table(
        "tablets",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("dealer", KEY, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("file_key", sa.String(), nullable=False),
        sa.Column("enrolled_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=True),
        sa.Column("revoked_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_tablets_dealer"),
        sa.PrimaryKeyConstraint("id", name="pk_tablets"),
        sa.UniqueConstraint("digest", name="uq_tablets_digest"),
    )
    op.create_index("ix_tablets_dealer", "tablets", ["dealer"])


def _tablet_codes() -> None:
    op.create_table(
        "tablet_codes",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("dealer", KEY, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("used_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_tablet_codes_dealer"),
        sa.ForeignKeyConstraint(["made_by"], ["users.id"], name="fk_tablet_codes_made_by"),
        sa.PrimaryKeyConstraint("digest", name="pk_tablet_codes"),
    )
