"""The words of the trade: instruments, holds, settings and what a run is rated on.

Every text here is English source text, shown to readers through the service's translations. The enumerations' values are
the words of the files and of the JSON API.
"""

from dataclasses import dataclass
from enum import StrEnum


class Instrument(StrEnum):
    """The four instruments of the range."""

    VIOLIN = "violin"
    VIOLA = "viola"
    CELLO = "cello"
    DOUBLE_BASS = "double_bass"


class Hold(StrEnum):
    """How a double-bass bow is held; a copy is built for one of the two. ``EITHER`` stands in answers only."""

    GERMAN = "german"
    FRENCH = "french"
    EITHER = "either"


class Setting(StrEnum):
    """Where and what the player plays; several may hold."""

    ORCHESTRA = "orchestra"
    THEATRE = "theatre"
    CHAMBER = "chamber"
    SOLO = "solo"
    EARLY_MUSIC = "early_music"
    JAZZ = "jazz"
    FOLK = "folk"
    STUDY = "study"
    TEACHING = "teaching"


class Criterion(StrEnum):
    """What a run is rated on, 1 to 7, ``OVERALL`` first. The order is that of every array over criteria."""

    OVERALL = "overall"
    RESPONSE = "response"
    CLARITY = "clarity"
    DYNAMIC_RANGE = "dynamic_range"
    STEADINESS = "steadiness"
    OFF_STRING = "off_string"
    EASE = "ease"
    TONE = "tone"


class BowKind(StrEnum):
    """What the player's own bow is made of."""

    WOOD = "wood"
    CARBON = "carbon"
    HYBRID = "hybrid"
    OTHER = "other"
    UNKNOWN = "unknown"


class Place(StrEnum):
    """Where the trial happens."""

    SHOP = "shop"
    POST = "post"


class Blinding(StrEnum):
    """Handed over unseen, seen but with its stamp covered, or open."""

    BLIND = "blind"
    MASKED = "masked"
    OPEN = "open"


class OutcomeKind(StrEnum):
    """What came of a trial."""

    KEPT = "kept"
    MORE_ASKED = "more_asked"
    NONE = "none"
    RETURNED = "returned"


class EventKind(StrEnum):
    """What happened to a copy; after all but a move its older ratings count less."""

    REHAIRED = "rehaired"
    RECAMBERED = "recambered"
    REPAIRED = "repaired"
    MOVED = "moved"


class Role(StrEnum):
    """A tier's place in the shortlist; the last three are the steps of a ladder, where no budget was given."""

    BEST_FIT = "best_fit"
    BEST_VALUE = "best_value"
    STEP_UP = "step_up"
    CONTRAST = "contrast"
    ENTRY = "entry"
    SENSIBLE = "sensible"
    MOST_LIKED = "most_liked"


class Basis(StrEnum):
    """What an answer rests on: trials of this instrument, or, with fewer than 20 of them, mostly the prior."""

    TRIALS = "trials"
    PRIOR = "prior"


CRITERIA: tuple[Criterion, ...] = tuple(Criterion)
CRITERION_INDEX: dict[Criterion, int] = {criterion: index for index, criterion in enumerate(CRITERIA)}
OVERALL = CRITERION_INDEX[Criterion.OVERALL]
"""The place of the overall rating among the criteria."""
LOWEST, HIGHEST = 1, 7
"""The ends of every rating."""
PLAYABLE_RANGE = "playable_range"
"""An optional criterion of its own that is counted, not rated: how many of `STROKES` designed strokes were clean."""
STROKES = 8
POINTS_A_STROKE = (HIGHEST - LOWEST) / STROKES
"""A count n stands on the ratings' scale as 1 + 6 n / 8: no clean stroke is the lowest mark, eight are the highest."""
STEPS = (-2, -1, 0, 1, 2)
"""What a maker says of a tier on a criterion: much less, less, as usual, more, much more than is usual for its grade."""

OWN = "own"
"""The label under which the player's own bow stands among the copies of a trial."""

CARRYING = "carrying"
"""Rated by a listener only: is it heard across the room."""

LEADING: dict[Instrument, tuple[Criterion, ...]] = {
    Instrument.VIOLIN: (Criterion.TONE, Criterion.CLARITY, Criterion.RESPONSE, Criterion.OFF_STRING),
    Instrument.VIOLA: (Criterion.TONE, Criterion.RESPONSE, Criterion.DYNAMIC_RANGE, Criterion.CLARITY),
    Instrument.CELLO: (Criterion.RESPONSE, Criterion.DYNAMIC_RANGE, Criterion.TONE, Criterion.STEADINESS),
    Instrument.DOUBLE_BASS: (Criterion.RESPONSE, Criterion.CLARITY, Criterion.DYNAMIC_RANGE, Criterion.STEADINESS),
}
"""The criteria asked first, most important first (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Scale:
    """The words of one criterion: its name, the question asked, and both ends of the seven steps."""

    name: str
    question: str
    low: str
    high: str


SCALES: dict[Criterion, Scale] = {
    Criterion.OVERALL: Scale("Overall", "As a whole, how do you like it?", "not for me", "the one I want"),
    Criterion.RESPONSE: Scale(
        "Response", "How does a soft note begin?", "late, with a scratch", "at once, on every string"
    ),
    Criterion.CLARITY: Scale("Clarity", "How much bow noise is in the tone?", "mostly noise", "all tone"),
    Criterion.DYNAMIC_RANGE: Scale(
        "Dynamic range", "How far is it from the softest to the fullest clean sound?", "one loudness", "whisper to full"
    ),
    Criterion.STEADINESS: Scale(
        "Steadiness", "Does a long stroke stay on the string?", "trembles and bounces", "calm to the tip"
    ),
    Criterion.OFF_STRING: Scale(
        "Off the string", "How do spiccato and sautillé come?", "I have to force them", "the bow bounces by itself"
    ),
    Criterion.EASE: Scale(
        "Ease", "How much work is it for arm and hand, over an hour?", "tiring", "I forget that I hold it"
    ),
    Criterion.TONE: Scale("Tone", "Is it the colour you want?", "not my sound", "exactly my sound"),
}
