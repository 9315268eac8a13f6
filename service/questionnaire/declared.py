"""How a question is declared, beside its type: `Asked` stands among a field's annotations, and what form and summary need is read from there."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final, get_args

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from model.domain.vocabulary import Instrument
from service.questionnaire.field_types import rule
from service.web.page_data import Option

MISSING: Final = object()
"""The answer that was not given: not the same as null where that is an answer."""


class Kind(StrEnum):
    """How a question is put: one choice, any number of them, a number or a text to type, a box to tick, or none of these.

    What is `OWN` is read and drawn by its step; what is `PART` has no control, and is told as a whole.
    """

    CHOICE = "choice"
    MANY = "many"
    NUMBER = "number"
    TEXT = "text"
    EMAIL = "email"
    TEL = "tel"
    BOX = "box"
    OWN = "own"
    PART = "part"


def as_it_is(answer: Any) -> Any:
    """Return an answer as it was given."""
    return answer


@dataclass(frozen=True, slots=True, eq=False)
class Kept:
    """A column of the history that holds an answer or a part of it, by the name that it has in table and file alike.

    ``about``: what the column says, for whoever fills it in.
    ``value``: from the answer, None included, to what the column holds.
    """

    column: str
    about: str
    value: Callable[[Any], Any] = as_it_is


@dataclass(frozen=True, slots=True, eq=False)
class Asked:
    """How a question is put and its answer told.

    ``step``, ``field``: the form's page, and the name of its field.
    ``name``: the question in a word or two. ``ask``, ``why``: the question itself, and why it is asked.
    ``options``: what may be chosen, by what was chosen before. ``first_choice``: words where a choice is missing. ``unsure``: 'not
        sure' is offered.
    ``is_number``: what is chosen is a number. ``upper``: a text is taken in capital letters.
    ``drawn``: by the one template for all questions of a step; else the step's own draws it.
    ``only``: the instruments it is asked of; none: of all. ``not_asked``: the words that refuse an answer given for another one
        all the same; empty: it is taken and says nothing. ``at_dealer``: asked only where the form is a dealer's.
    ``line``: the line of the summary that it stands in, empty for none; ``silent`` where that line is left out while it is
        empty.
    ``say``: the answer in words. ``none``: the words for null. ``brief``: the words in the one line above the shortlist.
    ``adviser``: what it is called where it is said that the advice does not depend on it; empty where it may.
    ``kept``: the columns of the history that hold the answer, once a trial is made of it.
    """

    step: str
    kind: Kind
    field: str = ""
    name: str = ""
    ask: str = ""
    why: str = ""
    options: Callable[[str], tuple[Option, ...]] | None = None
    first_choice: str = ""
    unsure: bool = True
    is_number: bool = False
    upper: bool = False
    shape: str = "compact"
    unit: str = ""
    autocomplete: str = "off"
    drawn: bool = True
    only: tuple[Instrument, ...] = ()
    not_asked: str = ""
    at_dealer: bool = False
    line: str = ""
    silent: bool = False
    say: Callable[[Any], str] | None = None
    none: str = ""
    brief: Callable[[Any], str] | None = None
    adviser: str = ""
    kept: tuple[Kept, ...] = ()


@dataclass(frozen=True, slots=True)
class Declared:
    """A question and where its answer stands in the API's body."""

    path: tuple[str, ...]
    asked: Asked

    @property
    def key(self) -> str:
        """The top-level answer that it is, or is part of."""
        return self.path[0]

    @property
    def code(self) -> str:
        """What the answer is called where it is said what it did."""
        return "_".join(self.path)

    @property
    def has_control(self) -> bool:
        """Say whether one control of the form is the question, read as all of its kind are."""
        return self.asked.kind not in (Kind.OWN, Kind.PART)

    def value(self, body: Mapping[str, Any]) -> Any:
        """Return the answer in the API's body, `MISSING` where there is none."""
        found: Any = body
        for part in self.path:
            if not isinstance(found, Mapping) or part not in found:
                return MISSING
            found = found[part]
        return found

    def given(self, answers: BaseModel) -> Any:
        """Return the answer in a body that was checked."""
        found: Any = answers
        for part in self.path:
            found = getattr(found, part)
        return found

    def asked_of(self, instrument: Instrument | None) -> bool:
        """Say whether it is asked of whoever plays an instrument."""
        return not self.asked.only or instrument in self.asked.only


def within(model: type[BaseModel], above: tuple[str, ...] = ()) -> Iterator[Declared]:
    """Give every question that is declared in a body, in order."""
    for name, info in model.model_fields.items():
        path = (*above, info.alias or name)
        yield from (Declared(path, each) for each in info.metadata if isinstance(each, Asked))
        inner = model_in(info.annotation)
        if inner is not None:
            yield from within(inner, path)


def refused_for(model: type[BaseModel], field: str, instrument: Instrument | None) -> str:
    """Return the words that refuse an answer for an instrument of which it is not asked; empty where it is taken."""
    for each in model.model_fields[field].metadata:
        if isinstance(each, Asked) and each.only and instrument is not None and instrument not in each.only:
            return each.not_asked
    return ""


def instrument_rules(model: type[BaseModel]) -> list[dict[str, Any]]:
    """Return what `refused_for` refuses in JSON Schema's words."""
    refused: dict[tuple[Instrument, ...], list[str]] = {}
    for name, info in fields_of(model).items():
        for each in info.metadata:
            if isinstance(each, Asked) and each.not_asked:
                refused.setdefault(each.only, []).append(name)
    return [
        rule({"instrument": {"enum": list(only)}}, {}, {"properties": {name: {"type": "null"} for name in names}})
        for only, names in refused.items()
    ]


def model_in(annotation: Any) -> type[BaseModel] | None:
    """Return the model that a field's annotation holds, on its own, as an option or as a tuple's items."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((model for model in map(model_in, get_args(annotation)) if model), None)


def fields_of(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """Return the fields of a body by the names that JSON has."""
    return {info.alias or name: info for name, info in model.model_fields.items()}
