"""The trial while it goes on: composition, copies set aside, blind order, sheets, links, blind pairs."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import partly

revision = "0003"
down_revision = "0002"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    """Make the tables, each after those it points to."""
    _history()
    _contacts()
    _compositions()
    _trial_copies()
    _slots()
    _sheets()
    _seats()
    _head_to_heads()
    _pairs()


def _contacts() -> None:
    op.create_table(
        "contacts",
        sa.Column("player", sa.Integer(), sa.ForeignKey("players.id"), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False, index=True),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("email", KEY, nullable=True, index=True),
        sa.Column("phone", sa.Text(), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.Column("mail_consent", sa.Boolean(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
    )


def _compositions() -> None:
    op.create_table(
        "compositions",
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("enquiry", sa.String(), sa.ForeignKey("enquiries.id"), nullable=True, index=True),
        sa.Column("previous", sa.Integer(), sa.ForeignKey("trials.id"), nullable=True),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("model_version", sa.Integer(), sa.ForeignKey("model_versions.id"), nullable=True),
        sa.Column("minutes", sa.SmallInteger(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("own_plays", sa.SmallInteger(), nullable=False),
        sa.Column("repeat", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("made_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("opened_at", MOMENT, nullable=True),
        sa.Column("closed_at", MOMENT, nullable=True),
        sa.Column("revealed_at", MOMENT, nullable=True),
        sa.Column("revealed_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("out_from", sa.Date(), nullable=True),
        sa.Column("due_back", sa.Date(), nullable=True, index=True),
        sa.Column("country", sa.String(), nullable=True),
        sa.Column("materials_confirmed_at", MOMENT, nullable=True),
        sa.Column("materials_confirmed_by", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.CheckConstraint("state <> 'closed' OR closed_at IS NOT NULL", name="closed_at"),
        sa.CheckConstraint("state IN ('planned', 'open', 'closed', 'cancelled')", name="state"),
        sa.CheckConstraint(
            "(materials_confirmed_at IS NULL) = (materials_confirmed_by IS NULL)", name="confirmed_by_someone"
        ),
        sa.CheckConstraint("(revealed_at IS NULL) = (revealed_by IS NULL)", name="revealed_by_someone"),
        sa.CheckConstraint("due_back IS NULL OR due_back >= out_from", name="due_back"),
        sa.CheckConstraint("minutes BETWEEN 20 AND 240", name="minutes"),
        sa.CheckConstraint("own_plays BETWEEN 0 AND 2", name="own_plays"),
        sa.UniqueConstraint("dealer", "number", name="uq_compositions_dealer_number"),
    )
    op.create_index("ix_compositions_dealer_state", "compositions", ["dealer", "state"])


def _trial_copies() -> None:
    op.create_table(
        "trial_copies",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=False, index=True),
        sa.Column("out_from", sa.Date(), nullable=False),
        sa.Column("due_back", sa.Date(), nullable=False),
        sa.Column("out_at", MOMENT, nullable=True),
        sa.Column("back_at", MOMENT, nullable=True),
        sa.Column("condition_out", sa.Text(), nullable=True),
        sa.Column("condition_back", sa.Text(), nullable=True),
        sa.CheckConstraint("back_at IS NULL OR out_at IS NOT NULL", name="back_after_out"),
        sa.CheckConstraint("due_back >= out_from", name="due_back"),
        sa.UniqueConstraint("trial", "copy", name="uq_trial_copies_trial_copy"),
    )
    op.create_index(
        "uq_trial_copies_out", "trial_copies", ["copy"], unique=True, **partly("out_at IS NOT NULL AND back_at IS NULL")
    )


def _slots() -> None:
    op.create_table(
        "slots",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("letter", KEY, nullable=False),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=True),
        sa.CheckConstraint("(letter = '') = (copy IS NULL)", name="letter_hides_copy"),
        sa.CheckConstraint("position >= 1", name="position"),
        sa.UniqueConstraint("trial", "position", name="uq_slots_trial_position"),
    )
    op.create_index("uq_slots_letter", "slots", ["trial", "letter"], unique=True, **partly("letter <> ''"))


def _sheets() -> None:
    op.create_table(
        "sheets",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False),
        sa.Column("run", KEY, nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("letter", KEY, nullable=False),
        sa.Column("rater", sa.String(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("ratings", sa.JSON(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("rated_at", MOMENT, nullable=True),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.Column("sender", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("flags", sa.String(), nullable=False),
        sa.Column("counts", sa.Boolean(), nullable=False),
        sa.CheckConstraint("rater IN ('player', 'listener')", name="rater"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        sa.UniqueConstraint("trial", "run", "revision", "digest", name="uq_sheets_trial_run_revision_digest"),
    )
    op.create_index("ix_sheets_trial_position", "sheets", ["trial", "position"])


def _seats() -> None:
    op.create_table(
        "seats",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False, index=True),
        sa.Column("rater", sa.String(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("closed_at", MOMENT, nullable=True),
        sa.CheckConstraint("rater IN ('player', 'listener')", name="rater"),
    )


def _head_to_heads() -> None:
    op.create_table(
        "head_to_heads",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False, index=True),
        sa.Column("first", KEY, sa.ForeignKey("copies.serial"), nullable=True),
        sa.Column("second", KEY, sa.ForeignKey("copies.serial"), nullable=True),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("started_by", sa.Integer(), sa.ForeignKey("users.id"), nullable=True),
        sa.Column("ended_at", MOMENT, nullable=True),
    )


def _pairs() -> None:
    op.create_table(
        "pairs",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("head_to_head", sa.String(), sa.ForeignKey("head_to_heads.id"), nullable=False),
        sa.Column("number", sa.SmallInteger(), nullable=False),
        sa.Column("preferred", sa.String(), nullable=False),
        sa.Column("rated_at", MOMENT, nullable=True),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.CheckConstraint("preferred IN ('first', 'second')", name="preferred"),
        sa.CheckConstraint("number >= 1", name="number"),
        sa.UniqueConstraint("head_to_head", "number", name="uq_pairs_head_to_head_number"),
    )


def _history() -> None:
    op.add_column("players", sa.Column("in_model", sa.Boolean(), nullable=False, server_default=sa.true()))
    with op.batch_alter_table("enquiries") as enquiries:
        enquiries.add_column(sa.Column("player", sa.Integer(), nullable=True))
        enquiries.add_column(sa.Column("settled_at", MOMENT, nullable=True))
        enquiries.create_foreign_key("fk_enquiries_player", "players", ["player"], ["id"])
        enquiries.create_index("ix_enquiries_player", ["player"])
