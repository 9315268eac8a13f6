"""How a declared question stands on a page: its words in the reader's language, its choices, what is said of a fault and where it leads."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from model.domain.vocabulary import CRITERIA, LEADING, SCALES, Criterion, Instrument
from service.core.language import _
from service.questionnaire import choices, tried_fields
from service.questionnaire.choices import ScaleWords
from service.questionnaire.declared import Declared, Kind
from service.questionnaire.questions import QUESTIONS
from service.questionnaire.steps import OwnBowStep
from service.web.page_data import Option

_SHAPES = {Kind.NUMBER: "decimal", Kind.EMAIL: "email", Kind.TEL: "tel"}
"""The keyboard that a phone shows for what is typed (HTML, 6.8.7)."""


@dataclass(frozen=True, slots=True)
class Question:
    """One question as a page draws it.

    ``inside``: the part of the page that is shown for some answers only: ``bass``, ``bow``, or empty for what always is.
    """

    field: str
    legend: str
    why: str
    kind: str
    options: tuple[Option, ...]
    shape: str
    unit: str
    inputmode: str
    autocomplete: str
    inside: str


@dataclass(frozen=True, slots=True)
class AlsoMarked:
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
    more: tuple[AlsoMarked, ...]
    opened: bool


def of_step(
    step: str, typed: Mapping[str, list[str]], instrument: Instrument | None, *, at_dealer: bool
) -> tuple[Question, ...]:
    """Return the questions of a step that are drawn one like the other; ``typed``: what stands in its fields.

    The double bass's own are among those of the instrument's step whatever is played: a page shows them once it is chosen.
    """
    return tuple(
        question(each, typed)
        for each in QUESTIONS
        if each.asked.step == step
        and each.asked.drawn
        and each.asked.kind is not Kind.PART
        and (at_dealer or not each.asked.at_dealer)
        and (_inside(each) == "bass" or each.asked_of(instrument))
    )


def question(of: Declared, typed: Mapping[str, list[str]]) -> Question:
    """Return one question in the reader's language."""
    asked = of.asked
    options = asked.options(next(iter(typed.get(asked.field, ())), "")) if asked.options else ()
    return Question(
        field=asked.field,
        legend=_(asked.ask),
        why=_(asked.why) if asked.why else "",
        kind=str(asked.kind),
        options=(*options, choices.unsure()) if asked.kind is Kind.CHOICE and asked.unsure else options,
        shape=asked.shape,
        unit=asked.unit,
        inputmode=_SHAPES.get(asked.kind, ""),
        autocomplete=asked.autocomplete,
        inside=_inside(of),
    )


def _inside(of: Declared) -> str:
    if of.asked.step == "instrument" and of.asked.only:
        return "bass"
    return "bow" if of.key == "own_bow" and len(of.path) > 1 else ""


_BY_FIELD = {each.asked.field: each for each in QUESTIONS if each.asked.field}


def name_of(field: str) -> str:
    """Return a field's short name."""
    row = tried_fields.parts(field)
    if row is not None:
        return _("Bow {number}").format(number=row[0])
    if field in OwnBowStep.ratings:
        return _(SCALES[Criterion(OwnBowStep.ratings[field])].name)
    if field in choices.RANKS:
        return _(choices.RANKS[field])
    declared = _BY_FIELD.get(field)
    return _(declared.asked.name) if declared else field


def _first_choice(field: str) -> str | None:
    """Return the value of the first of a field's choices, to which a reader is sent who has to mend the answer."""
    declared = _BY_FIELD.get(field)
    return declared.asked.options("")[0].value if declared and declared.asked.options else None


def fault(field: str, sentence: str) -> str:
    """Return what is said of a fault on the page: choices are not named by the words that programs use for them."""
    if field not in OwnBowStep.ratings and _first_choice(field) is None:
        return sentence
    declared = _BY_FIELD.get(field)
    return _(declared.asked.first_choice if declared and declared.asked.first_choice else choices.CHOOSE)


def anchor(field: str) -> str:
    """Return the id of the control that a fault of a field leads to."""
    row = tried_fields.parts(field)
    is_scale = field in OwnBowStep.ratings or (row is not None and row[1] == Criterion.OVERALL)
    first = "1" if is_scale else _first_choice(field)
    return f"{field}-{first}" if first else field


def tried_bow(row: int, instrument: Instrument, fields: Mapping[str, Iterable[str]]) -> TriedBow:
    """Return a row of a bow played already; besides the mark as a whole what leads for the instrument, and what is marked."""
    marked = [c for c in CRITERIA if any(fields.get(tried_fields.field(row, c), ())) and c is not Criterion.OVERALL]
    more = dict.fromkeys([*LEADING[instrument], *marked])
    return TriedBow(
        number=row,
        legend=_("Bow {number}").format(number=row),
        copy=tried_fields.field(row, "copy"),
        overall=choices.scale(Criterion.OVERALL, tried_fields.field(row, Criterion.OVERALL)),
        more=tuple(AlsoMarked(tried_fields.field(row, c), _(SCALES[c].name), choices.marks(c)) for c in more),
        opened=bool(marked),
    )
