"""One step of the form: the strings of a post, read into the same answers that the JSON API takes.

Each step reads its own fields, hands them to `service.questionnaire.forms.check` and maps what is wrong back to the field's name. So page
and API have one set of rules and one set of sentences.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Any, ClassVar

from service.core.errors import FieldProblem, Invalid
from service.core.language import _
from service.questionnaire.parsing import check, is_needed, shown
from service.questionnaire.questions import Questionnaire

Form = Mapping[str, list[str]]
Answers = dict[str, Any]
Errors = dict[str, str]


@dataclass(frozen=True, slots=True)
class Reading:
    """What a post says.

    Attributes
    ----------
    answers : the usable ones, as part of the API's body.
    errors : one sentence by field for what cannot be used.
    whole : the questionnaire that was checked, None where something of it cannot be used.
    elsewhere : paths of answers beside that cannot be used.
    """

    answers: Answers
    errors: Errors = dataclass_field(default_factory=dict)
    whole: Questionnaire | None = None
    elsewhere: tuple[str, ...] = ()


NOT_SURE = "unsure"
"""The value of a field whose question was answered with 'not sure': the same as not answered."""

_SPACED = re.compile(r"\d{1,3}(?:[ \u00a0\u2009\u202f'’]\d{3})+(?:[.,]\d{1,2})?", re.ASCII)
_BOTH_MARKS = re.compile(r"\d{1,3}(?:,\d{3})+\.\d{1,2}|\d{1,3}(?:\.\d{3})+,\d{1,2}", re.ASCII)
_AMBIGUOUS = re.compile(r"\d{1,3}(?:[.,]\d{3})+", re.ASCII)
_PLAIN = re.compile(r"[+-]?\d{1,12}(?:[.,]\d{1,6})?", re.ASCII)


def number(text: str) -> float | int:
    """Read a number as people write it; raises ``ValueError`` with a sentence.

    Point and comma are both taken for the decimal mark. One of them before three digits could mean either (2,600), so it is
    asked again rather than guessed; a space or an apostrophe between thousands has one meaning only, as have both marks.
    """
    text = text.strip()
    if _AMBIGUOUS.fullmatch(text):
        digits = re.sub(r"[.,]", "", text)
        raise ValueError(
            _("Got {text}, which can be read in two ways; expected {digits} without a mark for thousands.").format(
                text=shown(text), digits=digits
            )
        )
    if _SPACED.fullmatch(text):
        text = re.sub(r"[ \u00a0\u2009\u202f'’]", "", text)
    if _BOTH_MARKS.fullmatch(text):
        text = re.sub(r"[.,](?=.*[.,])", "", text)
    if not _PLAIN.fullmatch(text):
        raise ValueError(_("Got {text}; expected a number in digits.").format(text=shown(text)))
    value = float(text.replace(",", "."))
    return int(value) if value.is_integer() else value


def first(form: Form, field: str) -> str:
    """Return the field's first value without blanks around it; empty where it was not answered or 'not sure'."""
    value = next(iter(form.get(field, ())), "").strip()
    return "" if value == NOT_SURE else value


class Step:
    """One step of the form.

    Attributes
    ----------
    name : the step's name in the form's address.
    keys : the top-level answers that belong to it.
    fields : path of an answer -> name of its form field, for the sentences.
    most_fields : so many fields are kept; no answer needs more.
    """

    name: ClassVar[str]
    keys: ClassVar[tuple[str, ...]]
    fields: ClassVar[Mapping[str, str]] = {}
    numbers: ClassVar[tuple[str, ...]] = ()
    most_fields: ClassVar[int] = 60

    @classmethod
    def parse(cls, form: Form) -> tuple[Answers, Errors]:
        """Read a post: the usable answers as part of the API's body, and one sentence for each unusable field."""
        found = cls.read(form)
        return found.answers, found.errors

    @classmethod
    def read(cls, form: Form, beside: Answers | None = None) -> Reading:
        """Read a post with one check of it; ``beside``: the answers of the other steps, None: of none.

        What is wrong is named at the step's own fields; where answers beside are, that is told by their paths in ``elsewhere``.
        """
        values, errors = _numbers(form, cls.numbers)
        body = _without_empty(cls.body(form, values))
        whole, problems = _checked(body, cls.context() if beside is None else without(beside, cls.keys))
        elsewhere = []
        for problem in problems:
            if problem.path.partition(".")[0] in cls.keys:
                errors.setdefault(cls.field_of(problem.path), problem.message)
            else:
                elsewhere.append(problem.path)
        cleaned = _without_empty({key: value for key, value in body.items() if key in cls.keys})
        return Reading(cleaned, errors, whole, tuple(elsewhere))

    @classmethod
    def put(cls, answers: Answers, cleaned: Answers) -> Answers:
        """Return ``answers`` with this step's part replaced by ``cleaned``; what is no longer answered is gone."""
        return {key: value for key, value in answers.items() if key not in cls.keys} | cleaned

    @classmethod
    def fill(cls, answers: Answers) -> dict[str, list[str]]:
        """Return the step's form fields as they were answered: the inverse of `parse`."""
        raise NotImplementedError

    @classmethod
    def body(cls, form: Form, values: Mapping[str, float | int]) -> Answers:
        """Return the candidate body of a post; empty values are dropped afterwards."""
        raise NotImplementedError

    @classmethod
    def context(cls) -> Answers:
        """Return what must stand beside the body so that it can be checked."""
        return {"instrument": "violin"}

    @classmethod
    def field_of(cls, path: str) -> str:
        """Return the form field that an answer's path came from."""
        parts = path.split(".")
        paths = [".".join(parts[:length]) for length in range(len(parts), 0, -1)]
        return next((cls.fields[known] for known in paths if known in cls.fields), path)


def _numbers(form: Form, fields: Iterable[str]) -> tuple[dict[str, float | int], Errors]:
    values: dict[str, float | int] = {}
    errors: Errors = {}
    for field in fields:
        text = first(form, field)
        if text:
            try:
                values[field] = number(text)
            except ValueError as error:
                errors[field] = str(error)
    return values, errors


def _without_empty(body: Answers) -> Answers:
    """Drop what was not answered, at every depth."""
    kept: Answers = {}
    for key, value in body.items():
        tidy = _without_empty(value) if isinstance(value, dict) else value
        if tidy not in ("", None, [], {}):
            kept[key] = tidy
    return kept


def without(answers: Answers, keys: Iterable[str]) -> Answers:
    """Return answers but those of some keys."""
    return {key: value for key, value in answers.items() if key not in keys}


def _checked(body: Answers, beside: Answers) -> tuple[Questionnaire | None, tuple[FieldProblem, ...]]:
    """Check ``body`` once, and take out of it what cannot be used."""
    try:
        return check(beside | body), ()
    except Invalid as invalid:
        for problem in invalid.problems:
            _take_out(body, problem.path.split("."))
        return None, invalid.problems


def _take_out(body: Answers, parts: list[str]) -> None:
    """Take the answer at ``parts`` out, and what cannot be without it; of a list the whole, since its items mean little alone."""
    *above, last = parts
    holder: Any = body
    for depth, part in enumerate(above):
        holder = holder.get(part)
        if isinstance(holder, list):
            _take_out(body, parts[: depth + 1])
            return
        if not isinstance(holder, dict):
            return
    holder.pop(last, None)
    if above and is_needed(parts):
        _take_out(body, above)
