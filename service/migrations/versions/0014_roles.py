"""Which roles there are is said in one place, the code's table; the database no longer lists them too.

A role that the table does not know may do nothing, so that nothing is opened by what an account's row says.
"""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Let the column hold any role; SQLite takes a new table for that, under the old one's name for those that point to it."""
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint(op.f("ck_users_role"), "users", type_="check")
        return
    # Rows that point to an account are without it for a moment, so that they are looked at when all is in place again.
    op.execute("PRAGMA defer_foreign_keys = ON")
    op.execute("CREATE TABLE users_kept AS SELECT * FROM users")
    op.drop_table("users")
    _users()
    op.execute("INSERT INTO users SELECT * FROM users_kept")
    op.drop_table("users_kept")


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
        sa.CheckConstraint("role <> 'adviser' OR dealer IS NOT NULL", name=op.f("ck_users_adviser_has_dealer")),
        sa.CheckConstraint("email = lower(email)", name=op.f("ck_users_email_lower")),
    )
