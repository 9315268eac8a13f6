"""The eight files: their columns in order, how a cell of each is read, and what makes two rows the same thing."""

from dataclasses import dataclass
from functools import cached_property

from model.domain.vocabulary import (
    CARRYING,
    CRITERIA,
    HIGHEST,
    LOWEST,
    STEPS,
    STROKES,
    Blinding,
    Criterion,
    Hold,
    Instrument,
    OutcomeKind,
    Place,
    Setting,
)
from service import tables
from service.inventory.files import cells
from service.inventory.files.cells import Reader
from service.questionnaire.parsing import is_needed
from service.questionnaire.questions import HISTORY

MOST_RUNS = 1000
"""The highest position in a trial; a slip of the keyboard is more likely above."""
MOST_GRADES = 1000
FEWEST_STRINGS, MOST_STRINGS = 3, 7
LONGEST_STRING_MM = 2000.0


@dataclass(frozen=True, slots=True)
class Column:
    """One column."""

    name: str
    read: Reader
    about: str  # what the column says, for whoever fills it in
    required: bool = False
    verbatim: bool = False  # blanks around the text belong to it
    default: str | None = None  # what an empty cell means


@dataclass(frozen=True)
class FileKind:
    """One of the eight files; ``order``: the columns as they stand in the file."""

    name: str  # the file's name
    about: str  # what one row is
    own: tuple[Column, ...]  # the other columns
    key: tuple[str, ...]  # the columns that make two rows the same thing
    shared: tuple[Column, ...] = ()  # columns that say the same on every row of one group (a trial); read once a group

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
    words = {name: f"the rating of {name.replace('_', ' ')}" for name in tables.RATED} | _RATINGS_IN_WORDS
    return tuple(Column(name, read, words[name], required=name == Criterion.OVERALL) for name in tables.RATED)


_RATINGS_IN_WORDS = {
    Criterion.OVERALL: "the liking of the bow as a whole",
    CARRYING: "a listener's rows only: whether it is heard across the room",
}
_QUANTITIES_IN_WORDS = {
    "mass_g": "the latest mass, in grams",
    "length_mm": "the latest length, in millimetres",
    "balance_mm": "the latest point of balance, in millimetres from the frog's end of the hair",
    "stiffness_n_per_m": "the latest stiffness, in newtons a metre",
    "speed_of_sound_m_s": "the latest speed of sound along the stick, in metres a second",
    "loss_factor": "the latest loss factor, a plain number",
    "swing_inertia_kg_m2": "the latest moment of inertia, in kg m2",
}
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

TIERS = FileKind(
    "tiers.csv",
    "One row for each tier: a grade of the range for one instrument.",
    (
        Column("tier", cells.slug, "the tier's slug, its key in every file", required=True),
        Column("name", cells.label, "the name that players read; empty: the slug"),
        Column("instrument", _INSTRUMENT, "the instrument it is made for", required=True),
        Column("holds", cells.words(*tables.HOLDS[1:3]), "double bass only: the holds it is built for"),
        Column(
            "grade",
            cells.whole(1, MOST_GRADES),
            "its place in the range of its instrument, 1 for the entry",
            required=True,
        ),
        Column("price", cells.money, "what a player pays, tax included"),
        Column("currency", cells.currency, "the price's currency; needed with a price"),
        Column("note", cells.free_text, "the maker’s words on it, which players read beside the advice", verbatim=True),
    ),
    key=("tier",),
)
CHARACTER = FileKind(
    "character.csv",
    "What the maker says of a tier beside what is usual for its grade, criterion by criterion.",
    (
        Column("tier", cells.slug, "a tier of `tiers.csv` or one loaded before", required=True),
        Column("criterion", cells.word(*CRITERIA), "what is spoken of", required=True),
        Column(
            "step",
            cells.whole(STEPS[0], STEPS[-1]),
            "-2 much less, -1 less, 0 as usual, 1 more, 2 much more than is usual for the grade; empty: takes back what was said",
        ),
    ),
    key=("tier", "criterion"),
)
PRICES = FileKind(
    "prices.csv",
    "Where a dealer's price differs from the tier's own.",
    (
        Column("tier", cells.slug, "a tier of `tiers.csv` or one loaded before", required=True),
        Column("dealer", cells.slug, "the dealer's slug; one not yet known is made", required=True),
        Column("price", cells.money, "what a player pays there, tax included", required=True),
        Column("currency", cells.currency, "the price's currency", required=True),
    ),
    key=("tier", "dealer"),
)
COPIES = FileKind(
    "copies.csv",
    "One row for each copy: an individual bow.",
    (
        Column("copy", cells.key, "the serial; never `own`, which stands for a player's own bow", required=True),
        Column("tier", cells.slug, "a tier of `tiers.csv` or one loaded before", required=True),
        Column("hold", cells.word(*tables.HOLDS[1:3]), "double bass only: the hold it is built for, one of its tier's"),
        Column("dealer", cells.slug, "where it is; empty: at the workshop"),
        Column("status", cells.word(*tables.STATUSES), "what can be done with it"),
        Column("materials", cells.free_text, "what it is made of, listed materials by name", verbatim=True),
        Column("insured_value", cells.money, "the value it is insured for"),
        *(Column(name, cells.number(), _QUANTITIES_IN_WORDS[name]) for name in tables.BENCH_COLUMNS),
    ),
    key=("copy",),
)
BENCH = FileKind(
    "bench.csv",
    "One row for each reading at the bench; the latest of each quantity also shows in `copies.csv`.",
    (
        Column("copy", cells.key, "a copy of `copies.csv` or one loaded before", required=True),
        Column("date", cells.day, "the day of the reading, not in the future", required=True),
        Column("quantity", cells.word(*tables.QUANTITIES, also=_BARE), "what was measured", required=True),
        Column("value", cells.number(), "the reading, in the quantity's unit", required=True),
        Column("unit", cells.unit, "the quantity's unit, as a check"),
        Column(
            "method", cells.key, "how it was measured; the same day's readings by two methods are two rows", default=""
        ),
        Column("by", cells.label, "who measured"),
    ),
    key=("copy", "date", "quantity", "method"),
)
EVENTS_FILE = FileKind(
    "events.csv",
    "What happened to a copy. After all but a move its older ratings count less.",
    (
        Column("copy", cells.key, "a copy of `copies.csv` or one loaded before", required=True),
        Column("date", cells.day, "the day it happened, not in the future", required=True),
        Column("event", cells.word(*tables.EVENTS), "what happened", required=True),
        Column("note", cells.free_text, "a note for the workshop", verbatim=True),
    ),
    key=("copy", "date", "event"),
)
_ANSWERS = {
    "instrument": _INSTRUMENT,
    "hold": cells.word(*Hold),
    "strings": cells.whole(FEWEST_STRINGS, MOST_STRINGS),
    "string_length_mm": cells.number(high=LONGEST_STRING_MM),
    "settings": cells.words(*Setting),
    "budget": cells.money,
    "currency": cells.currency,
    "priorities": _PRIORITIES,
    "wish_mass": cells.whole(-1, 1),
    "wish_tone": cells.whole(-1, 1),
}
"""How a cell of an answer is read; what was asked years ago may lie beyond what is asked today."""


def _of_answers() -> tuple[Column, ...]:
    return tuple(
        Column(kept.column, _ANSWERS[kept.column], kept.about, required=is_needed(question.path))
        for question, kept in HISTORY
    )


RUNS = FileKind(
    "runs.csv",
    "One row for each bow played in a trial, by each rater. The columns up to `instrument_used` are the trial's and say the same on each of its rows.",
    shared=(
        Column("trial", cells.key, "the trial's key", required=True),
        Column("player", cells.key, "any key; two trials of one player share it", required=True),
        Column("dealer", cells.slug, "the dealer's slug; one not yet known is made"),
        Column("date", cells.day, "the day of the trial, not in the future", required=True),
        *_of_answers(),
        Column("place", cells.word(*Place), "where the trial was"),
        Column("blinding", cells.word(*Blinding), "handed over unseen, seen with the stamp covered, or openly"),
        Column("instrument_used", cells.word(*tables.INSTRUMENTS_USED), "the player's own instrument or the house's"),
    ),
    own=(
        Column("rater", cells.word(*tables.RATERS), "who rates on this row", default=tables.RATERS[0]),
        Column("position", cells.whole(1, MOST_RUNS), "the place in the order of playing", required=True),
        Column("copy", cells.key, "the serial, or `own` for the player's own bow", required=True),
        *_ratings(),
        Column("clean_strokes", cells.whole(0, STROKES), "playable range: how many of the eight strokes were clean"),
        Column("strokes", cells.strokes, "playable range: each of the eight strokes, in the design's order"),
        Column("note", cells.free_text, "the rater's words", verbatim=True),
    ),
    key=("trial", "position", "rater"),
)
OUTCOMES = FileKind(
    "outcomes.csv",
    "What came of a trial.",
    (
        Column("trial", cells.key, "a trial of `runs.csv` or one loaded before", required=True),
        Column("date", cells.day, "the day it was known, not before the trial and not in the future", required=True),
        Column("outcome", cells.word(*OutcomeKind), "what came of it", required=True),
        Column("copy", cells.key, "the copy kept or returned, one played in the trial"),
        Column("reason", cells.word(*tables.REASONS), "why, where it was said"),
        Column("price", cells.money, "of a bow that was kept: what was paid for it"),
        Column("currency", cells.currency, "the price's currency; needed with a price"),
    ),
    key=("trial", "date", "outcome", "copy"),
)
KINDS = (TIERS, CHARACTER, PRICES, COPIES, BENCH, EVENTS_FILE, RUNS, OUTCOMES)
