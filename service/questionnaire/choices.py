"""The words of the form's questions: what may be chosen, what each choice is called, what a step is called.

Texts stand in tables as English source and are translated where a page is made.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from model.domain.vocabulary import CRITERIA, LEADING, SCALES, BowKind, Criterion, Hold, Instrument, Place, Setting
from service.core import formats
from service.core.language import N_, _, ngettext
from service.questionnaire import tried_fields
from service.questionnaire.forms import OwnBowStep
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


@dataclass(frozen=True, slots=True)
class Asked:
    """One criterion that may be marked besides: its field, its name, and its seven steps."""

    field: str
    label: str
    options: tuple[Option, ...]


@dataclass(frozen=True, slots=True)
class TriedBow:
    """One row of a bow played already: the field of its serial, its mark as a whole, and what else may be marked.

    ``opened``: some of that is marked, so it is shown.
    """

    number: int
    legend: str
    copy: str
    overall: ScaleWords
    more: tuple[Asked, ...]
    opened: bool


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

FIRST_CHOICES = {
    "instrument": str(Instrument.VIOLIN),
    "hold": str(Hold.GERMAN),
    "strings": "3",
    "settings": str(Setting.ORCHESTRA),
    "own_bow": "yes",
    "own_kind": str(BowKind.WOOD),
    "wish_mass": "-1",
    "wish_tone": "-1",
    "stretch_percent": "0",
    "minutes": str(MINUTES[0]),
    "place": str(Place.SHOP),
}
"""By field with several choices: the value of the first, to which a reader is sent who has to mend the answer."""

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


CHOOSE = N_("Choose one of the answers.")
CHOOSE_ONE = {
    "instrument": N_("Choose the instrument that you play."),
    "hold": N_("Choose a hold; ‘either, or not sure’ will do."),
}
"""What is said where a choice is missing; elsewhere only a changed page can send what is not offered."""
NAMES = {
    "instrument": N_("Instrument"),
    "hold": N_("Hold"),
    "strings": N_("Strings"),
    "string_length_mm": N_("String length"),
    "settings": N_("What you play"),
    "own_bow": N_("Own bow"),
    "own_kind": N_("Its stick"),
    "own_mass_g": N_("Its weight"),
    "priority_1": N_("First"),
    "priority_2": N_("Second"),
    "priority_3": N_("Third"),
    "wish_mass": N_("Lighter or heavier"),
    "wish_tone": N_("Warmer or brighter"),
    "amount": N_("Budget"),
    "currency": N_("Currency"),
    "stretch_percent": N_("Above the budget"),
    "minutes": N_("Time"),
    "place": N_("Place"),
    "name": N_("Name"),
    "email": N_("E-mail"),
    "phone": N_("Telephone"),
    "consent_advice": N_("Consent"),
    "consent_mail": N_("Consent"),
    "consent_model": N_("Consent"),
} | {field: SCALES[Criterion(criterion)].name for field, criterion in OwnBowStep.ratings.items()}
"""Every field's short name, for the summary of what is wrong."""


def name_of(field: str) -> str:
    """Return a field's short name."""
    row = tried_fields.parts(field)
    if row is not None:
        return _("Bow {number}").format(number=row[0])
    return _(NAMES[field]) if field in NAMES else field


def fault(field: str, sentence: str) -> str:
    """Return what is said of a fault on the page: choices are not named by the words that programs use for them."""
    if field in FIRST_CHOICES or field in OwnBowStep.ratings:
        return _(CHOOSE_ONE.get(field, CHOOSE))
    return sentence


def anchor(field: str) -> str:
    """Return the id of the control that a fault of a field leads to."""
    row = tried_fields.parts(field)
    is_scale = field in OwnBowStep.ratings or (row is not None and row[1] == Criterion.OVERALL)
    first = "1" if is_scale else FIRST_CHOICES.get(field)
    return f"{field}-{first}" if first else field


def unsure() -> Option:
    """Return the choice that is always valid."""
    return Option("", _("not sure"))


def plain(
    table: dict[str, str] | dict[Instrument, str] | dict[Setting, str] | dict[BowKind, str],
) -> tuple[Option, ...]:
    """Return the choices of a table of words."""
    return tuple(Option(str(value), _(label)) for value, label in table.items())


def with_hints(table: dict[Hold, tuple[str, str]] | dict[Place, tuple[str, str]]) -> tuple[Option, ...]:
    """Return the choices of a table of words and hints."""
    return tuple(Option(str(value), _(label), _(hint)) for value, (label, hint) in table.items())


def criteria() -> tuple[Option, ...]:
    """Return what may be a priority: every criterion but the liking as a whole, each with its better end."""
    chosen = (criterion for criterion in CRITERIA if criterion is not Criterion.OVERALL)
    return tuple(Option(str(item), formats.labelled(_(SCALES[item].name), _(SCALES[item].high))) for item in chosen)


def tried_bow(row: int, instrument: Instrument, fields: Mapping[str, Iterable[str]]) -> TriedBow:
    """Return a row of a bow played already; besides the mark as a whole what leads for the instrument, and what is marked."""
    marked = [c for c in CRITERIA if any(fields.get(tried_fields.field(row, c), ())) and c is not Criterion.OVERALL]
    more = dict.fromkeys([*LEADING[instrument], *marked])
    return TriedBow(
        number=row,
        legend=_("Bow {number}").format(number=row),
        copy=tried_fields.field(row, "copy"),
        overall=_scale(Criterion.OVERALL, tried_fields.field(row, Criterion.OVERALL)),
        more=tuple(Asked(tried_fields.field(row, c), _(SCALES[c].name), marks(c)) for c in more),
        opened=bool(marked),
    )


def marks(criterion: Criterion) -> tuple[Option, ...]:
    """Return the seven steps of a criterion as choices, both ends in words, and the one that is always valid."""
    ends = {1: _(SCALES[criterion].low), 7: _(SCALES[criterion].high)}
    steps = (Option(str(n), f"{n}, {ends[n]}" if n in ends else str(n)) for n in range(1, 8))
    return (unsure(), *steps)


def leading(instrument: Instrument, fields: dict[Criterion, str]) -> tuple[ScaleWords, ...]:
    """Return the rows asked about the own bow: as a whole first, then what leads for the instrument."""
    return tuple(_scale(item, fields[item]) for item in (Criterion.OVERALL, *LEADING[instrument]))


def _scale(criterion: Criterion, field: str) -> ScaleWords:
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
    return (Option("0", _("not at all")), *choices[1:], unsure())


def strings() -> tuple[Option, ...]:
    """Return the numbers of strings."""
    return (*offered((3, 4, 5, 6), "", "{number}"), unsure())


def minutes(chosen: str) -> tuple[Option, ...]:
    """Return how much time there may be."""
    return (*offered(MINUTES, chosen, _("about {number} minutes")), unsure())


def time_left(step: str) -> str:
    """Say about how long the rest takes."""
    count = round(SECONDS_LEFT[step] / 60)
    if SECONDS_LEFT[step] < 60:
        return _("less than a minute left")
    number = formats.counted(count)
    return ngettext("about {number} minute left", "about {number} minutes left", count).format(number=number)
