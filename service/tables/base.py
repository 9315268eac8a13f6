"""What all tables share: their base, the checks that recur, and the lists of words that columns are made of."""

from sqlalchemy import CheckConstraint, MetaData
from sqlalchemy.orm import DeclarativeBase

from model.domain.vocabulary import CARRYING, CRITERIA, HIGHEST, LOWEST, EventKind, Hold, Instrument

RATED = (*(str(criterion) for criterion in CRITERIA), CARRYING)
"""The rating columns of a run, in order; the last is a listener's only."""
QUANTITIES = {
    "mass_g": "g",
    "length_mm": "mm",
    "balance_mm": "mm",
    "stiffness_n_per_m": "N/m",
    "speed_of_sound_m_s": "m/s",
    "loss_factor": "1",
    "swing_inertia_kg_m2": "kg m2",
    "swing_period_s": "s",
    "pivot_to_balance_mm": "mm",
    "load_n": "N",
    "deflection_mm": "mm",
    "span_mm": "mm",
    "stick_mass_g": "g",
    "stick_length_mm": "mm",
    "outer_mm": "mm",
    "inner_mm": "mm",
    "longitudinal_hz": "Hz",
    "bending_hz": "Hz",
    "decay_hz": "Hz",
    "decay_60db_s": "s",
    "log_decrement": "1",
    "frog_mass_g": "g",
    "hair_mass_g": "g",
    "hair_length_mm": "mm",
}
"""What the bench measures on a copy, with its unit."""
BENCH_COLUMNS = tuple(QUANTITIES)[:7]
"""Those of which a copy's column of the same name shows the latest reading, or what follows from the readings."""
INSTRUMENTS = tuple(Instrument)
HOLDS = ("", "german", "french", "german french")
"""For which holds a tier may be built, as text."""
HOLDS_PLAYED = tuple(Hold)
STATUSES = ("in_stock", "reserved", "on_trial", "in_transit", "in_repair", "sold", "withdrawn")
EVENTS = tuple(EventKind)
RATERS = ("player", "listener")
INSTRUMENTS_USED = ("own", "house")
STATES = ("planned", "open", "closed", "cancelled")
"""Where a trial stands: composed; being played, the copies out; over, the copies back; given up."""
CHANNELS = ("mail", "webhook")
KEY_KINDS = ("website", "server", "test")
ADDRESS_STATES = ("unsubscribed", "bounced")
ADDRESS_KEYS = ("permanent", "retired")
MAIL_CAUSES = ("enquiry", "data")
"""Why a mail goes out that anybody could have asked for: with any address typed into a form."""
REASONS = ("price", "sound", "handling", "undecided", "other")


class Base(DeclarativeBase):
    """All tables, their constraints named by one convention so that a migration can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


def one_of(column: str, words: tuple[str, ...]) -> CheckConstraint:
    """Return the check that a column holds one of the words."""
    listed = ", ".join(f"'{word}'" for word in words)
    return CheckConstraint(f"{column} IN ({listed})", name=column)


def above_zero(column: str) -> CheckConstraint:
    """Return the check that a column is above zero."""
    return CheckConstraint(f"{column} > 0", name=column)


def measured(column: str) -> CheckConstraint:
    """Return the check that a column is a finite number above zero."""
    # The upper bound keeps out NaN and infinity too, which PostgreSQL puts above every number.
    return CheckConstraint(f"{column} > 0 AND {column} < 1e9", name=column)


def rating(name: str) -> CheckConstraint:
    """Return the check that a column is a rating."""
    return CheckConstraint(f"{name} BETWEEN {LOWEST} AND {HIGHEST}", name=name)
