"""Known browsers, half sign-ins, second factors and tries at an account; whose device a session is on."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"

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
        sa.Column("of", sa.String(), primary_key=True),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("last_at", MOMENT, nullable=False),
    )


def _known_browsers() -> None:
    op.create_table(
        "known_browsers",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), primary_key=True, index=True),
        sa.Column("browser", sa.String(), nullable=True),
        sa.Column("system", sa.String(), nullable=True),
        sa.Column("network", sa.String(), nullable=True),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("seen_at", MOMENT, nullable=False),
    )


def _half_sign_ins() -> None:
    op.create_table(
        "half_sign_ins",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
    )


def _second_factors() -> None:
    op.create_table(
        "second_factors",
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), primary_key=True),
        sa.Column("secret", sa.String(), nullable=False),
        sa.Column("since", MOMENT, nullable=False),
        sa.Column("last_step", sa.Integer(), nullable=False),
    )
    op.create_table(
        "recovery_codes",
        sa.Column("digest", sa.String(), primary_key=True),
        sa.Column("user", sa.Integer(), sa.ForeignKey("users.id"), nullable=False, index=True),
    )
