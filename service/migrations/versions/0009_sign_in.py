"""Known browsers, half sign-ins, second factors and tries at an account; whose device a session is on."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables and add the columns."""
    for column in ("browser", "system", "network"):
        op.add_column("staff_sessions", sa.Column(column, sa.String(), nullable=True))
    op.add_column("password_links", sa.Column("asked_at", MOMENT, nullable=True))
    _known_browsers()
    _half_sign_ins()
    _second_factors()
    op.create_table(
        "sign_in_tries",
        sa.Column("of", sa.String(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("last_at", MOMENT, nullable=False),
        sa.PrimaryKeyConstraint("of", name="pk_sign_in_tries"),
    )


def _known_browsers() -> None:
    op.create_table(
        "known_browsers",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("browser", sa.String(), nullable=True),
        sa.Column("system", sa.String(), nullable=True),
        sa.Column("network", sa.String(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_known_browsers_user"),
        sa.PrimaryKeyConstraint("digest", "user", name="pk_known_browsers"),
    )
    op.create_index("ix_known_browsers_user", "known_browsers", ["user"])


def _half_sign_ins() -> None:
    op.create_table(
        "half_sign_ins",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_half_sign_ins_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_half_sign_ins"),
    )


def _second_factors() -> None:
    op.create_table(
        "second_factors",
        sa.Column("user", sa.Integer(), nullable=False),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("since", MOMENT, nullable=False),
        sa.Column("last_step", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_second_factors_user"),
        sa.PrimaryKeyConstraint("user", name="pk_second_factors"),
    )
    op.create_table(
        "recovery_codes",
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("user", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["user"], ["users.id"], name="fk_recovery_codes_user"),
        sa.PrimaryKeyConstraint("digest", name="pk_recovery_codes"),
    )
    op.create_index("ix_recovery_codes_user", "recovery_codes", ["user"])
