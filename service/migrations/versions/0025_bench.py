"""The bench keeps what it reads itself, and no longer only what follows: periods, frequencies, decays, loads, diameters, masses."""

import sqlalchemy as sa
from alembic import op

revision = "0025"
down_revision = "0024"

KEY = sa.String().with_variant(sa.String(collation="C"), "postgresql")
BEFORE = (
    *("mass_g", "length_mm", "balance_mm", "stiffness_n_per_m", "speed_of_sound_m_s", "loss_factor"),
    "swing_inertia_kg_m2",
)
ADDED = (
    *("swing_period_s", "pivot_to_balance_mm", "load_n", "deflection_mm", "span_mm", "stick_mass_g", "stick_length_mm"),
    *("outer_mm", "inner_mm", "longitudinal_hz", "bending_hz", "decay_hz", "decay_60db_s", "log_decrement"),
    *("frog_mass_g", "hair_mass_g", "hair_length_mm"),
)


def upgrade() -> None:
    """Let the column hold the new quantities; SQLite takes a new table for that, which no other points to."""
    _allow(BEFORE + ADDED)


def _allow(quantities: tuple[str, ...]) -> None:
    words = ", ".join(f"'{name}'" for name in quantities)
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint(op.f("ck_bench_readings_quantity"), "bench_readings", type_="check")
        op.create_check_constraint(op.f("ck_bench_readings_quantity"), "bench_readings", f"quantity IN ({words})")
        return
    op.execute("CREATE TABLE bench_readings_kept AS SELECT * FROM bench_readings")
    op.drop_table("bench_readings")
    op.create_table(
        "bench_readings",
        sa.Column("id", sa.Integer(), primary_key=True),
        sa.Column("copy", KEY, sa.ForeignKey("copies.serial"), nullable=False),
        sa.Column("date", sa.Date(), nullable=False),
        sa.Column("quantity", KEY, nullable=False),
        sa.Column("value", sa.Double(), nullable=False),
        sa.Column("method", KEY, nullable=False),
        sa.Column("by", sa.Text(), nullable=True),
        sa.CheckConstraint(f"quantity IN ({words})", name="quantity"),
        sa.CheckConstraint("value > 0 AND value < 1e9", name="value"),
        sa.UniqueConstraint("copy", "date", "quantity", "method", name="uq_bench_readings_copy_date_quantity_method"),
    )
    op.execute("INSERT INTO bench_readings SELECT * FROM bench_readings_kept")
    op.drop_table("bench_readings_kept")
