"""What a walk-in may be asked besides instrument, budget and time: the questions of the form, all of them skippable."""

from collections.abc import Mapping
from typing import Any

from model.domain.vocabulary import LEADING, Criterion, Instrument
from service.core.errors import InvalidInputError
from service.core.language import _
from service.questionnaire import asking, choices
from service.questionnaire.forms import FormStep, OwnBowStep, WishesStep, WorkStep
from service.questionnaire.step_fields import Form
from service.web.page_data import Option

STEPS: tuple[type[FormStep], ...] = (OwnBowStep, WishesStep, WorkStep)
_FIELDS = {step: {*step.fields.values(), *(choices.RANKS if step is WishesStep else ())} for step in STEPS}
NAMES = frozenset[str]().union(*_FIELDS.values())
"""The names of the fields."""


def answered(fields: Form, body: Mapping[str, Any]) -> dict[str, Any]:
    """Return answers with what was asked besides; of a step that was not asked they stay as they are.

    Raises `InvalidInputError`: by the name of the field.
    """
    told, wrong = dict(body), dict[str, str]()
    for step in STEPS:
        if _FIELDS[step] & fields.keys():
            found = step.read(fields, told)
            told = step.put(told, found.answers)
            wrong |= found.errors
    if wrong:
        raise InvalidInputError((field, asking.fault(field, sentence)) for field, sentence in wrong.items())
    return told


def filled(answers: Mapping[str, Any]) -> dict[str, list[str]]:
    """Return the fields as answers have them."""
    return {name: values for step in STEPS for name, values in step.fill(dict(answers)).items() if any(values)}


def asked(fields: Form, instrument: Instrument | None) -> dict[str, Any]:
    """Return by name what the page asks besides; ``opened``: the steps of which something is answered."""
    typed = {name: list(values) for name, values in fields.items()}
    questions = {step.name: asking.of_step(step.name, typed, instrument, at_dealer=True) for step in STEPS}
    marked = {criterion: field for field, criterion in OwnBowStep.ratings.items()}
    lead = LEADING[instrument or Instrument.VIOLIN]
    more = dict.fromkeys([*lead, *(c for c in map(Criterion, marked) if any(fields.get(marked[c], ())))])
    more.pop(Criterion.OVERALL, None)
    return {
        "own_bow": questions[OwnBowStep.name],
        "overall": choices.scale(Criterion.OVERALL, marked[Criterion.OVERALL]),
        "marks": [Option(marked[c], asking.name_of(marked[c])) for c in more],
        "of_mark": {marked[c]: choices.marks(c) for c in more},
        "ranks": [Option(field, _(name)) for field, name in choices.RANKS.items()],
        "criteria": (choices.unsure(), *choices.criteria()),
        "wishes": questions[WishesStep.name],
        "work": questions[WorkStep.name],
        "opened": {step.name for step in STEPS if any(any(fields.get(name, ())) for name in _FIELDS[step])},
    }
