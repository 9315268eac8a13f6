"""The words of the form's questions: what may be chosen, what each choice is called, what a step is called.

Texts stand in tables as English source and are translated where a page is made.
"""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from model.domain.vocabulary import CRITERIA, LEADING, SCALES, BowKind, Criterion, Hold, Instrument, Place, Setting
from service.core import formats
from service.core.language import N_, _, ngettext
from service.web.page_data import Option


@dataclass(frozen=True, slots=True)
class ScaleWords:
    """The words of one row of seven steps; ``field`` is the name it is sent under."""

    field: str
    legend: str
    low: str
    high: str

    def step(self, number: int) -> str:
        """Name one step for those who cannot see the row: the ends in words, the others by number."""
        words = {1: self.low, 7: self.high}.get(number)
        return f"{number}, {words}" if words else _("{number} of 7").format(number=number)


INSTRUMENTS = {
    Instrument.VIOLIN: N_("Violin"),
    Instrument.VIOLA: N_("Viola"),
    Instrument.CELLO: N_("Cello"),
    Instrument.DOUBLE_BASS: N_("Double bass"),
}
HOLDS = {
    Hold.GERMAN: (N_("German"), N_("underhand grip")),
    Hold.FRENCH: (N_("French"), N_("overhand grip")),
    Hold.EITHER: (N_("Either, or not sure"), N_("bows for both are considered")),
}
SETTINGS = {
    Setting.ORCHESTRA: N_("Orchestra"),
    Setting.THEATRE: N_("Theatre and opera"),
    Setting.CHAMBER: N_("Chamber music"),
    Setting.SOLO: N_("Solo"),
    Setting.EARLY_MUSIC: N_("Early music"),
    Setting.JAZZ: N_("Jazz"),
    Setting.FOLK: N_("Folk"),
    Setting.STUDY: N_("I am a student"),
    Setting.TEACHING: N_("I teach"),
}
KINDS = {
    BowKind.WOOD: N_("Wood"),
    BowKind.CARBON: N_("Carbon"),
    BowKind.HYBRID: N_("Wood and carbon"),
    BowKind.OTHER: N_("Something else"),
}
PLACES = {
    Place.SHOP: (N_("In the shop"), N_("with an adviser at hand")),
    Place.POST: (N_("By post"), N_("bows are sent to you")),
}
MASS = {"-1": N_("Lighter"), "0": N_("No matter"), "1": N_("Heavier")}
TONE = {"-1": N_("Warmer"), "0": N_("No matter"), "1": N_("Brighter")}
STRETCHES = (0, 5, 10, 20)
"""Per cent above the budget that are offered; another number that was given before is offered too."""
MINUTES = (20, 40, 60, 75)
"""Minutes that are offered; rest after forty, never over an hour and a quarter (common practice, no source)."""

RANKS = {"priority_1": N_("First"), "priority_2": N_("Second"), "priority_3": N_("Third")}
"""The fields of the ranked priorities, and what each is called."""
STEP_WORDS = {
    "instrument": (N_("Your instrument"), N_("instrument")),
    "work": (N_("What you play"), N_("what you play")),
    "own-bow": (N_("The bow you play now"), N_("your own bow")),
    "wishes": (N_("What matters to you"), N_("what matters")),
    "budget": (N_("Budget and trial"), N_("budget and trial")),
    "tried": (N_("Bows you have played here"), N_("bows you have played here")),
    "contact": (N_("Check, and hear back if you like"), N_("contact")),
}
"""By step: its page's heading, and its name within a sentence."""
SECONDS_LEFT = {"instrument": 180, "work": 160, "own-bow": 140, "wishes": 90, "budget": 60, "contact": 30}
"""About how long it takes from this step to the end, by our own estimate."""

NOT_SURE = "unsure"
"""The value of a field whose question was answered with 'not sure': the same as not answered."""
NO_BOW, HAS_BOW = "none", "yes"
"""Values of the field ``own_bow``, beside ``NOT_SURE``: 'I have none' and 'yes'."""

CHOOSE = N_("Choose one of the answers.")


def unsure() -> Option:
    """Return the choice that is always valid."""
    return Option("", _("not sure"))


def table(words: Mapping[Any, str] | Mapping[Any, tuple[str, str]]) -> Callable[[str], tuple[Option, ...]]:
    """Return what gives the choices of a table of words, or of words and hints."""

    def options(_chosen: str) -> tuple[Option, ...]:
        labelled = ((value, (label, "") if isinstance(label, str) else label) for value, label in words.items())
        return tuple(Option(str(value), _(label), _(hint) if hint else "") for value, (label, hint) in labelled)

    return options


def criteria() -> tuple[Option, ...]:
    """Return what may be a priority: every criterion but the liking as a whole, each with its better end."""
    chosen = (criterion for criterion in CRITERIA if criterion is not Criterion.OVERALL)
    return tuple(Option(str(item), formats.labelled(_(SCALES[item].name), _(SCALES[item].high))) for item in chosen)


def marks(criterion: Criterion) -> tuple[Option, ...]:
    """Return the seven steps of a criterion as choices, both ends in words, and the one that is always valid."""
    ends = {1: _(SCALES[criterion].low), 7: _(SCALES[criterion].high)}
    steps = (Option(str(n), f"{n}, {ends[n]}" if n in ends else str(n)) for n in range(1, 8))
    return (unsure(), *steps)


def leading(instrument: Instrument, fields: dict[Criterion, str]) -> tuple[ScaleWords, ...]:
    """Return the rows asked about the own bow: as a whole first, then what leads for the instrument."""
    return tuple(scale(item, fields[item]) for item in (Criterion.OVERALL, *LEADING[instrument]))


def scale(criterion: Criterion, field: str) -> ScaleWords:
    """Return the row of seven steps that asks for a mark on a criterion."""
    words = SCALES[criterion]
    legend = _(words.question)
    if criterion is not Criterion.OVERALL:
        legend = _("{name}: {question}").format(name=_(words.name), question=formats.within(legend))
    return ScaleWords(field, legend, _(words.low), _(words.high))


def offered(numbers: Iterable[int], chosen: str, words: str) -> tuple[Option, ...]:
    """Return numbers as choices, with one that was given before among them; ``words`` holds ``{number}``."""
    values = [str(number) for number in numbers]
    if chosen and chosen not in values:
        values.append(chosen)
    return tuple(Option(value, words.format(number=value)) for value in values)


def stretches(chosen: str) -> tuple[Option, ...]:
    """Return how far the budget may be stretched."""
    choices = offered(STRETCHES, chosen, _("by {number} %").replace(" %", "\u00a0%"))
    return (Option("0", _("not at all")), *choices[1:])


def strings(_chosen: str) -> tuple[Option, ...]:
    """Return the numbers of strings."""
    return offered((3, 4, 5, 6), "", "{number}")


def minutes(chosen: str) -> tuple[Option, ...]:
    """Return how much time there may be."""
    return offered(MINUTES, chosen, _("about {number} minutes").replace("} ", "}\u00a0"))


def has_a_bow(_chosen: str) -> tuple[Option, ...]:
    """Return what may be said of whether there is an own bow."""
    return (Option(HAS_BOW, _("Yes")), Option(NO_BOW, _("I have none")), Option(NOT_SURE, _("not sure")))


def time_left(step: str) -> str:
    """Say about how long the rest takes."""
    count = round(SECONDS_LEFT[step] / 60)
    if SECONDS_LEFT[step] < 60:
        return _("less than a minute left")
    number = formats.counted(count)
    return ngettext("about {number} minute left", "about {number} minutes left", count).format(number=number)
