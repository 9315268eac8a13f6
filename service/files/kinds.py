"""The eight files: their columns in order, how a cell of each is read, and what makes two rows the same thing."""

from dataclasses import dataclass
from functools import cached_property

from model.domain.vocabulary import (
    CRITERIA,
    HIGHEST,
    LOWEST,
    STEPS,
    Blinding,
    Criterion,
    Hold,
    Instrument,
    OutcomeKind,
    Place,
    Setting,
)
from service.files import cells
from service.files.cells import Reader
from service.tables import (
    BENCH_COLUMNS,
    EVENTS,
    HOLDS,
    INSTRUMENTS_USED,
    QUANTITIES,
    RATED,
    RATERS,
    REASONS,
    STATUSES,
)

MOST_RUNS = 1000
"""The highest position in a trial; a slip of the keyboard is more likely above."""
MOST_GRADES = 1000
FEWEST_STRINGS, MOST_STRINGS = 3, 7
LONGEST_STRING_MM = 2000.0


@dataclass(frozen=True, slots=True)
class Column:
    """One column. ``verbatim``: blanks around the text belong to it; ``default``: what an empty cell means."""

    name: str
    read: Reader
    required: bool = False
    verbatim: bool = False
    default: str | None = None


@dataclass(frozen=True)
class Kind:
    """One of the eight files.

    Attributes
    ----------
    name : the file's name.
    shared : columns that say the same on every row of one group (a trial); read once a group.
    own : the other columns.
    order : the columns as they stand in the file.
    key : the columns that make two rows the same thing.
    """

    name: str
    own: tuple[Column, ...]
    key: tuple[str, ...]
    shared: tuple[Column, ...] = ()

    @cached_property
    def order(self) -> tuple[str, ...]:
        """Names of all columns, in the file's order."""
        return tuple(column.name for column in self.shared + self.own)

    @cached_property
    def required(self) -> tuple[str, ...]:
        """Names of the columns that every file of this kind has and every row fills."""
        return tuple(column.name for column in self.shared + self.own if column.required)


def _ratings() -> tuple[Column, ...]:
    read = cells.rating(LOWEST, HIGHEST)
    return tuple(Column(name, read, required=name == Criterion.OVERALL) for name in RATED)


_SUFFIXES = {
    "mass_g": "_g",
    "length_mm": "_mm",
    "balance_mm": "_mm",
    "stiffness_n_per_m": "_n_per_m",
    "speed_of_sound_m_s": "_m_s",
    "swing_inertia_kg_m2": "_kg_m2",
}
_INSTRUMENT = cells.word(*Instrument)
_BARE = {name.removesuffix(suffix): name for name, suffix in _SUFFIXES.items()}
"""A quantity's name without its unit, which has a column of its own."""
_PRIORITIES = cells.words(*(c for c in CRITERIA if c is not Criterion.OVERALL), most=3)

TIERS = Kind(
    "tiers.csv",
    (
        Column("tier", cells.slug, required=True),
        Column("name", cells.label),
        Column("instrument", _INSTRUMENT, required=True),
        Column("holds", cells.words(*HOLDS[1:3])),
        Column("grade", cells.whole(1, MOST_GRADES), required=True),
        Column("price", cells.money),
        Column("currency", cells.currency),
        Column("note", cells.free_text, verbatim=True),
    ),
    key=("tier",),
)
CHARACTER = Kind(
    "character.csv",
    (
        Column("tier", cells.slug, required=True),
        Column("criterion", cells.word(*CRITERIA), required=True),
        Column("step", cells.whole(STEPS[0], STEPS[-1])),
    ),
    key=("tier", "criterion"),
)
PRICES = Kind(
    "prices.csv",
    (
        Column("tier", cells.slug, required=True),
        Column("dealer", cells.slug, required=True),
        Column("price", cells.money, required=True),
        Column("currency", cells.currency, required=True),
    ),
    key=("tier", "dealer"),
)
COPIES = Kind(
    "copies.csv",
    (
        Column("copy", cells.key, required=True),
        Column("tier", cells.slug, required=True),
        Column("hold", cells.word(*HOLDS[1:3])),
        Column("dealer", cells.slug),
        Column("status", cells.word(*STATUSES)),
        Column("materials", cells.free_text, verbatim=True),
        Column("insured_value", cells.money),
        *(Column(name, cells.number()) for name in BENCH_COLUMNS),
    ),
    key=("copy",),
)
BENCH = Kind(
    "bench.csv",
    (
        Column("copy", cells.key, required=True),
        Column("date", cells.day, required=True),
        Column("quantity", cells.word(*QUANTITIES, also=_BARE), required=True),
        Column("value", cells.number(), required=True),
        Column("unit", cells.unit),
        Column("method", cells.key, default=""),
        Column("by", cells.label),
    ),
    key=("copy", "date", "quantity", "method"),
)
EVENTS_FILE = Kind(
    "events.csv",
    (
        Column("copy", cells.key, required=True),
        Column("date", cells.day, required=True),
        Column("event", cells.word(*EVENTS), required=True),
        Column("note", cells.free_text, verbatim=True),
    ),
    key=("copy", "date", "event"),
)
RUNS = Kind(
    "runs.csv",
    shared=(
        Column("trial", cells.key, required=True),
        Column("player", cells.key, required=True),
        Column("dealer", cells.slug),
        Column("date", cells.day, required=True),
        Column("instrument", _INSTRUMENT, required=True),
        Column("hold", cells.word(*Hold)),
        Column("strings", cells.whole(FEWEST_STRINGS, MOST_STRINGS)),
        Column("string_length_mm", cells.number(high=LONGEST_STRING_MM)),
        Column("settings", cells.words(*Setting)),
        Column("budget", cells.money),
        Column("currency", cells.currency),
        Column("priorities", _PRIORITIES),
        Column("wish_mass", cells.whole(-1, 1)),
        Column("wish_tone", cells.whole(-1, 1)),
        Column("place", cells.word(*Place)),
        Column("blinding", cells.word(*Blinding)),
        Column("instrument_used", cells.word(*INSTRUMENTS_USED)),
    ),
    own=(
        Column("rater", cells.word(*RATERS), default=RATERS[0]),
        Column("position", cells.whole(1, MOST_RUNS), required=True),
        Column("copy", cells.key, required=True),
        *_ratings(),
        Column("note", cells.free_text, verbatim=True),
    ),
    key=("trial", "position", "rater"),
)
OUTCOMES = Kind(
    "outcomes.csv",
    (
        Column("trial", cells.key, required=True),
        Column("date", cells.day, required=True),
        Column("outcome", cells.word(*OutcomeKind), required=True),
        Column("copy", cells.key),
        Column("reason", cells.word(*REASONS)),
    ),
    key=("trial", "date", "outcome", "copy"),
)
KINDS = (TIERS, CHARACTER, PRICES, COPIES, BENCH, EVENTS_FILE, RUNS, OUTCOMES)
