"""The trial while it goes on: composition, copies set aside, blind order, sheets, links, blind pairs."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

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
        sa.Column("player", sa.Integer(), nullable=False),
        sa.Column("dealer", KEY, nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("email", KEY, nullable=True),
        sa.Column("phone", sa.Text(), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.Column("mail_consent", sa.Boolean(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_contacts_dealer"),
        sa.ForeignKeyConstraint(["player"], ["players.id"], name="fk_contacts_player"),
        sa.PrimaryKeyConstraint("player", name="pk_contacts"),
    )
    op.create_index("ix_contacts_dealer", "contacts", ["dealer"])
    op.create_index("ix_contacts_email", "contacts", ["email"])


def _compositions() -> None:
    op.create_table(
        "compositions",
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("dealer", KEY, nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("enquiry", sa.String(), nullable=True),
        sa.Column("previous", sa.Integer(), nullable=True),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("plan", sa.JSON(), nullable=False),
        sa.Column("model_version", sa.Integer(), nullable=True),
        sa.Column("minutes", sa.SmallInteger(), nullable=False),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("own_plays", sa.SmallInteger(), nullable=False),
        sa.Column("repeat", sa.Boolean(), nullable=False),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("created_at", MOMENT, nullable=False),
        sa.Column("made_by", sa.Integer(), nullable=True),
        sa.Column("opened_at", MOMENT, nullable=True),
        sa.Column("closed_at", MOMENT, nullable=True),
        sa.Column("revealed_at", MOMENT, nullable=True),
        sa.Column("revealed_by", sa.Integer(), nullable=True),
        sa.Column("out_from", sa.Date(), nullable=True),
        sa.Column("due_back", sa.Date(), nullable=True),
        sa.Column("country", sa.String(), nullable=True),
        sa.Column("materials_confirmed_at", MOMENT, nullable=True),
        sa.Column("materials_confirmed_by", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.CheckConstraint("state <> 'closed' OR closed_at IS NOT NULL", name=op.f("ck_compositions_closed_at")),
        sa.CheckConstraint("state IN ('planned', 'open', 'closed', 'cancelled')", name=op.f("ck_compositions_state")),
        sa.CheckConstraint(
            "(materials_confirmed_at IS NULL) = (materials_confirmed_by IS NULL)",
            name=op.f("ck_compositions_confirmed_by_someone"),
        ),
        sa.CheckConstraint(
            "(revealed_at IS NULL) = (revealed_by IS NULL)", name=op.f("ck_compositions_revealed_by_someone")
        ),
        sa.CheckConstraint("due_back IS NULL OR due_back >= out_from", name=op.f("ck_compositions_due_back")),
        sa.CheckConstraint("minutes BETWEEN 20 AND 240", name=op.f("ck_compositions_minutes")),
        sa.CheckConstraint("own_plays BETWEEN 0 AND 2", name=op.f("ck_compositions_own_plays")),
        sa.ForeignKeyConstraint(["dealer"], ["dealers.slug"], name="fk_compositions_dealer"),
        sa.ForeignKeyConstraint(["enquiry"], ["enquiries.id"], name="fk_compositions_enquiry"),
        sa.ForeignKeyConstraint(["made_by"], ["users.id"], name="fk_compositions_made_by"),
        sa.ForeignKeyConstraint(["model_version"], ["model_versions.id"], name="fk_compositions_model_version"),
        sa.ForeignKeyConstraint(["previous"], ["trials.id"], name="fk_compositions_previous"),
        sa.ForeignKeyConstraint(["revealed_by"], ["users.id"], name="fk_compositions_revealed_by"),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_compositions_trial"),
        sa.PrimaryKeyConstraint("trial", name="pk_compositions"),
        sa.UniqueConstraint("dealer", "number", name="uq_compositions_dealer_number"),
    )
    op.create_index("ix_compositions_dealer_state", "compositions", ["dealer", "state"])
    op.create_index("ix_compositions_due_back", "compositions", ["due_back"])
    op.create_index("ix_compositions_enquiry", "compositions", ["enquiry"])


def _trial_copies() -> None:
    op.create_table(
        "trial_copies",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("copy", KEY, nullable=False),
        sa.Column("out_from", sa.Date(), nullable=False),
        sa.Column("due_back", sa.Date(), nullable=False),
        sa.Column("out_at", MOMENT, nullable=True),
        sa.Column("back_at", MOMENT, nullable=True),
        sa.Column("condition_out", sa.Text(), nullable=True),
        sa.Column("condition_back", sa.Text(), nullable=True),
        sa.CheckConstraint("back_at IS NULL OR out_at IS NOT NULL", name=op.f("ck_trial_copies_back_after_out")),
        sa.CheckConstraint("due_back >= out_from", name=op.f("ck_trial_copies_due_back")),
        sa.ForeignKeyConstraint(["copy"], ["copies.serial"], name="fk_trial_copies_copy"),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_trial_copies_trial"),
        sa.PrimaryKeyConstraint("id", name="pk_trial_copies"),
        sa.UniqueConstraint("trial", "copy", name="uq_trial_copies_trial_copy"),
    )
    op.create_index("ix_trial_copies_copy", "trial_copies", ["copy"])
    op.create_index(
        "uq_trial_copies_out",
        "trial_copies",
        ["copy"],
        unique=True,
        sqlite_where=sa.text("out_at IS NOT NULL AND back_at IS NULL"),
        postgresql_where=sa.text("out_at IS NOT NULL AND back_at IS NULL"),
    )


def _slots() -> None:
    op.create_table(
        "slots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("letter", KEY, nullable=False),
        sa.Column("copy", KEY, nullable=True),
        sa.CheckConstraint("(letter = '') = (copy IS NULL)", name=op.f("ck_slots_letter_hides_copy")),
        sa.CheckConstraint("position >= 1", name=op.f("ck_slots_position")),
        sa.ForeignKeyConstraint(["copy"], ["copies.serial"], name="fk_slots_copy"),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_slots_trial"),
        sa.PrimaryKeyConstraint("id", name="pk_slots"),
        sa.UniqueConstraint("trial", "position", name="uq_slots_trial_position"),
    )
    op.create_index(
        "uq_slots_letter",
        "slots",
        ["trial", "letter"],
        unique=True,
        sqlite_where=sa.text("letter <> ''"),
        postgresql_where=sa.text("letter <> ''"),
    )


def _sheets() -> None:
    op.create_table(
        "sheets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
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
        sa.CheckConstraint("rater IN ('player', 'listener')", name=op.f("ck_sheets_rater")),
        sa.CheckConstraint("revision >= 1", name=op.f("ck_sheets_revision")),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_sheets_trial"),
        sa.PrimaryKeyConstraint("id", name="pk_sheets"),
        sa.UniqueConstraint("trial", "run", "revision", "digest", name="uq_sheets_trial_run_revision_digest"),
    )
    op.create_index("ix_sheets_trial_position", "sheets", ["trial", "position"])


def _seats() -> None:
    op.create_table(
        "seats",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("rater", sa.String(), nullable=False),
        sa.Column("made_at", MOMENT, nullable=False),
        sa.Column("expires_at", MOMENT, nullable=False),
        sa.Column("closed_at", MOMENT, nullable=True),
        sa.CheckConstraint("rater IN ('player', 'listener')", name=op.f("ck_seats_rater")),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_seats_trial"),
        sa.PrimaryKeyConstraint("id", name="pk_seats"),
    )
    op.create_index("ix_seats_trial", "seats", ["trial"])


def _head_to_heads() -> None:
    op.create_table(
        "head_to_heads",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("trial", sa.Integer(), nullable=False),
        sa.Column("first", KEY, nullable=True),
        sa.Column("second", KEY, nullable=True),
        sa.Column("seed", sa.Integer(), nullable=False),
        sa.Column("started_at", MOMENT, nullable=False),
        sa.Column("started_by", sa.Integer(), nullable=True),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.ForeignKeyConstraint(["first"], ["copies.serial"], name="fk_head_to_heads_first"),
        sa.ForeignKeyConstraint(["second"], ["copies.serial"], name="fk_head_to_heads_second"),
        sa.ForeignKeyConstraint(["started_by"], ["users.id"], name="fk_head_to_heads_started_by"),
        sa.ForeignKeyConstraint(["trial"], ["trials.id"], name="fk_head_to_heads_trial"),
        sa.PrimaryKeyConstraint("id", name="pk_head_to_heads"),
    )
    op.create_index("ix_head_to_heads_trial", "head_to_heads", ["trial"])


def _pairs() -> None:
    op.create_table(
        "pairs",
        sa.Column("id", sa.String(), nullable=False),
        sa.Column("head_to_head", sa.String(), nullable=False),
        sa.Column("number", sa.SmallInteger(), nullable=False),
        sa.Column("preferred", sa.String(), nullable=False),
        sa.Column("rated_at", MOMENT, nullable=True),
        sa.Column("received_at", MOMENT, nullable=False),
        sa.CheckConstraint("preferred IN ('first', 'second')", name=op.f("ck_pairs_preferred")),
        sa.CheckConstraint("number >= 1", name=op.f("ck_pairs_number")),
        sa.ForeignKeyConstraint(["head_to_head"], ["head_to_heads.id"], name="fk_pairs_head_to_head"),
        sa.PrimaryKeyConstraint("id", name="pk_pairs"),
        sa.UniqueConstraint("head_to_head", "number", name="uq_pairs_head_to_head_number"),
    )


def _history() -> None:
    op.add_column("players", sa.Column("in_model", sa.Boolean(), nullable=False, server_default=sa.true()))
    with op.batch_alter_table("enquiries") as enquiries:
        enquiries.add_column(sa.Column("player", sa.Integer(), nullable=True))
        enquiries.add_column(sa.Column("settled_at", MOMENT, nullable=True))
        enquiries.create_foreign_key("fk_enquiries_player", "players", ["player"], ["id"])
        enquiries.create_index("ix_enquiries_player", ["player"])
