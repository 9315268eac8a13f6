"""The first tables: dealers, the range, its copies and their records, players, trials, models, enquiries."""

import sqlalchemy as sa
from alembic import op

from service.tables.columns import partly

revision = "0001"
down_revision = None

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")


def upgrade() -> None:
    """Make all tables, each after those it points to."""
    _dealers()
    _tiers()
    _prices()
    _copies()
    _range_state()
    _bench_readings()
    _events()
    _players()
    _trials()
    _runs()
    _outcomes()
    _model_versions()
    _enquiries()
    _drafts()


def _dealers() -> None:
    op.create_table(
        "dealers",
        sa.Column("slug", KEY, primary_key=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("language", sa.String(), nullable=True),
        sa.Column("country", sa.String(), nullable=True),
        sa.Column("carry_cost", sa.Double(), nullable=True),
        sa.CheckConstraint("carry_cost >= 0 AND carry_cost < 1e9", name="carry_cost"),
    )


def _tiers() -> None:
    op.create_table(
        "tiers",
        sa.Column("slug", KEY, primary_key=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("holds", sa.String(), nullable=False),
        sa.Column("grade", sa.Integer(), nullable=False),
        sa.Column("price", sa.BigInteger(), nullable=True),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.CheckConstraint("(instrument = 'double_bass') = (holds <> '')", name="holds_for_double_bass"),
        sa.CheckConstraint("holds IN ('', 'german', 'french', 'german french')", name="holds"),
        sa.CheckConstraint("instrument IN ('violin', 'viola', 'cello', 'double_bass')", name="instrument"),
        sa.CheckConstraint("grade >= 1", name="grade"),
        sa.CheckConstraint("price > 0", name="price"),
        sa.CheckConstraint("price IS NULL OR currency IS NOT NULL", name="price_has_currency"),
    )


def _prices() -> None:
    op.create_table(
        "prices",
        sa.Column("tier", KEY, sa.ForeignKey("tiers.slug"), primary_key=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), primary_key=True),
        sa.Column("price", sa.BigInteger(), nullable=False),
        sa.Column("currency", sa.String(), nullable=False),
        sa.CheckConstraint("price > 0", name="price"),
    )


def _copies() -> None:
    op.create_table(
        "copies",
        sa.Column("serial", KEY, primary_key=True),
        sa.Column("tier", KEY, sa.ForeignKey("tiers.slug"), nullable=False, index=True),
        sa.Column("hold", sa.String(), nullable=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True, index=True),
        sa.Column("status", sa.String(), nullable=True),
        sa.Column("materials", sa.Text(), nullable=True),
        sa.Column("insured_value", sa.BigInteger(), nullable=True),
        sa.Column("mass_g", sa.Double(), nullable=True),
        sa.Column("length_mm", sa.Double(), nullable=True),
        sa.Column("balance_mm", sa.Double(), nullable=True),
        sa.Column("stiffness_n_per_m", sa.Double(), nullable=True),
        sa.Column("speed_of_sound_m_s", sa.Double(), nullable=True),
        sa.Column("loss_factor", sa.Double(), nullable=True),
        sa.Column("swing_inertia_kg_m2", sa.Double(), nullable=True),
        sa.CheckConstraint("hold IN ('german', 'french')", name="hold"),
        sa.CheckConstraint("serial <> 'own'", name="not_own"),
        sa.CheckConstraint(
            "status IN ('in_stock', 'reserved', 'on_trial', 'in_transit', 'in_repair', 'sold', 'withdrawn')",
            name="status",
        ),
        sa.CheckConstraint("balance_mm > 0 AND balance_mm < 1e9", name="balance_mm"),
        sa.CheckConstraint("insured_value >= 0", name="insured_value"),
        sa.CheckConstraint("length_mm > 0 AND length_mm < 1e9", name="length_mm"),
        sa.CheckConstraint("loss_factor > 0 AND loss_factor < 1e9", name="loss_factor"),
        sa.CheckConstraint("mass_g > 0 AND mass_g < 1e9", name="mass_g"),
        sa.CheckConstraint("speed_of_sound_m_s > 0 AND speed_of_sound_m_s < 1e9", name="speed_of_sound_m_s"),
        sa.CheckConstraint("stiffness_n_per_m > 0 AND stiffness_n_per_m < 1e9", name="stiffness_n_per_m"),
        sa.CheckConstraint("swing_inertia_kg_m2 > 0 AND swing_inertia_kg_m2 < 1e9", name="swing_inertia_kg_m2"),
    )


def _range_state() -> None:
    op.create_table(
        "range_state",
        sa.Column("id", sa.SmallInteger(), autoincrement=False, primary_key=True),
        sa.Column("mark", sa.String(), nullable=False),
        sa.CheckConstraint("id = 1", name="one_row"),
    )
    op.execute("INSERT INTO range_state (id, mark) VALUES (1, '')")


def _bench_readings() -> None:
    op.create_table(
        "bench_readings",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("quantity", KEY, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("method", KEY, nullable=False),
        sa.Column("by", sa.Text(), nullable=True),
        sa.CheckConstraint(
            "quantity IN ('mass_g', 'length_mm', 'balance_mm', 'stiffness_n_per_m', 'speed_of_sound_m_s', 'loss_factor', 'swing_inertia_kg_m2')",
            name="quantity",
        ),
        sa.CheckConstraint("value > 0 AND value < 1e9", name="value"),
        sa.UniqueConstraint("copy", "date", "quantity", "method", name="uq_bench_readings_copy_date_quantity_method"),
    )


def _events() -> None:
    op.create_table(
        "events",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("event", KEY, nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.CheckConstraint("event IN ('rehaired', 'recambered', 'repaired', 'moved')", name="event"),
        sa.UniqueConstraint("copy", "date", "event", name="uq_events_copy_date_event"),
    )


def _players() -> None:
    op.create_table(
        "players", sa.Column("id", sa.Integer(), primary_key=True), sa.Column("key", KEY, nullable=False, unique=True)
    )


def _trials() -> None:
    op.create_table(
        "trials",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("key", KEY, nullable=False, unique=True),
        sa.Column("player", sa.Integer(), sa.ForeignKey("players.id"), nullable=False, index=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True, index=True),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("instrument", sa.String(), nullable=False),
        sa.Column("hold", sa.String(), nullable=True),
        sa.Column("strings", sa.SmallInteger(), nullable=True),
        sa.Column("string_length_mm", sa.Double(), nullable=True),
        sa.Column("settings", sa.String(), nullable=False),
        sa.Column("budget", sa.BigInteger(), nullable=True),
        sa.Column("currency", sa.String(), nullable=True),
        sa.Column("priorities", sa.String(), nullable=False),
        sa.Column("wish_mass", sa.SmallInteger(), nullable=True),
        sa.Column("wish_tone", sa.SmallInteger(), nullable=True),
        sa.Column("place", sa.String(), nullable=True),
        sa.Column("blinding", sa.String(), nullable=True),
        sa.Column("instrument_used", sa.String(), nullable=True),
        sa.CheckConstraint("(instrument = 'double_bass') = (hold IS NOT NULL)", name="hold_for_double_bass"),
        sa.CheckConstraint("blinding IN ('blind', 'masked', 'open')", name="blinding"),
        sa.CheckConstraint("hold IN ('german', 'french', 'either')", name="hold"),
        sa.CheckConstraint("instrument IN ('violin', 'viola', 'cello', 'double_bass')", name="instrument"),
        sa.CheckConstraint("instrument_used IN ('own', 'house')", name="instrument_used"),
        sa.CheckConstraint("place IN ('shop', 'post')", name="place"),
        sa.CheckConstraint("budget > 0", name="budget"),
        sa.CheckConstraint("budget IS NULL OR currency IS NOT NULL", name="budget_has_currency"),
        sa.CheckConstraint("string_length_mm > 0 AND string_length_mm < 1e9", name="string_length_mm"),
        sa.CheckConstraint("strings BETWEEN 3 AND 7", name="strings"),
        sa.CheckConstraint("wish_mass BETWEEN -1 AND 1", name="wish_mass"),
        sa.CheckConstraint("wish_tone BETWEEN -1 AND 1", name="wish_tone"),
    )


def _runs() -> None:
    op.create_table(
        "runs",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False),
        sa.Column("position", sa.SmallInteger(), nullable=False),
        sa.Column("rater", KEY, nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=True, index=True),
        sa.Column("overall", sa.SmallInteger(), nullable=True),
        sa.Column("response", sa.SmallInteger(), nullable=True),
        sa.Column("clarity", sa.SmallInteger(), nullable=True),
        sa.Column("dynamic_range", sa.SmallInteger(), nullable=True),
        sa.Column("steadiness", sa.SmallInteger(), nullable=True),
        sa.Column("off_string", sa.SmallInteger(), nullable=True),
        sa.Column("ease", sa.SmallInteger(), nullable=True),
        sa.Column("tone", sa.SmallInteger(), nullable=True),
        sa.Column("carrying", sa.SmallInteger(), nullable=True),
        sa.Column("cannot_tell", sa.String(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("rated_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("carrying IS NULL OR rater = 'listener'", name="carrying_by_listener"),
        sa.CheckConstraint("rater IN ('player', 'listener')", name="rater"),
        sa.CheckConstraint("carrying BETWEEN 1 AND 7", name="carrying"),
        sa.CheckConstraint("clarity BETWEEN 1 AND 7", name="clarity"),
        sa.CheckConstraint("dynamic_range BETWEEN 1 AND 7", name="dynamic_range"),
        sa.CheckConstraint("ease BETWEEN 1 AND 7", name="ease"),
        sa.CheckConstraint("off_string BETWEEN 1 AND 7", name="off_string"),
        sa.CheckConstraint("overall BETWEEN 1 AND 7", name="overall"),
        sa.CheckConstraint("position >= 1", name="position"),
        sa.CheckConstraint("response BETWEEN 1 AND 7", name="response"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        sa.CheckConstraint("steadiness BETWEEN 1 AND 7", name="steadiness"),
        sa.CheckConstraint("tone BETWEEN 1 AND 7", name="tone"),
        sa.UniqueConstraint("trial", "position", "rater", "revision", name="uq_runs_trial_position_rater_revision"),
    )


def _outcomes() -> None:
    op.create_table(
        "outcomes",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("trial", sa.Integer(), sa.ForeignKey("trials.id"), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("outcome", sa.String(), nullable=False),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=True),
        sa.Column("reason", sa.String(), nullable=True),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.CheckConstraint("outcome IN ('kept', 'more_asked', 'none', 'returned')", name="outcome"),
        sa.CheckConstraint("outcome NOT IN ('kept', 'returned') OR copy IS NOT NULL", name="kept_names_copy"),
        sa.CheckConstraint("reason IN ('price', 'sound', 'handling', 'undecided', 'other')", name="reason"),
        sa.CheckConstraint("revision >= 1", name="revision"),
        sa.UniqueConstraint(
            "trial", "date", "outcome", "copy", "revision", name="uq_outcomes_trial_date_outcome_copy_revision"
        ),
    )
    op.create_index(
        "uq_outcomes_without_copy",
        "outcomes",
        ["trial", "date", "outcome", "revision"],
        unique=True,
        **partly("copy IS NULL"),
    )


def _model_versions() -> None:
    op.create_table(
        "model_versions",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("fitted_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("adopted", sa.Boolean(), nullable=False),
        sa.Column("data_digest", sa.String(), nullable=False),
        sa.Column("code_version", sa.String(), nullable=False),
        sa.Column("report", sa.JSON(), nullable=False),
        sa.Column("artifact", sa.LargeBinary(), nullable=False),
    )
    op.create_index("uq_model_versions_adopted", "model_versions", ["adopted"], unique=True, **partly("adopted"))


def _enquiries() -> None:
    op.create_table(
        "enquiries",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("address", sa.String(), nullable=False, unique=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False, index=True),
        sa.Column("dealer", KEY, sa.ForeignKey("dealers.slug"), nullable=True, index=True),
        sa.Column("language", sa.String(), nullable=False),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("contact", sa.JSON(), nullable=True),
        sa.Column("advice", sa.JSON(), nullable=False),
        sa.Column("model_version", sa.Integer(), sa.ForeignKey("model_versions.id"), nullable=True),
    )


def _drafts() -> None:
    op.create_table(
        "drafts",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("created_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("updated_at", sa.DateTime(timezone=True), nullable=False, index=True),
        sa.Column("answers", sa.JSON(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
    )
