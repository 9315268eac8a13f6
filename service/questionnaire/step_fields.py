"""One step of the form: the strings of a post, read into the same answers that the JSON API takes.

Each step reads its own fields, hands them to `service.questionnaire.forms.check` and maps what is wrong back to the field's name. So page
and API have one set of rules and one set of sentences.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from dataclasses import field as dataclass_field
from typing import Any, ClassVar

from service.core.errors import FieldProblem, InvalidInputError
from service.core.language import _
from service.questionnaire.choices import NOT_SURE
from service.questionnaire.declared import MISSING, Declared, Kind
from service.questionnaire.parsing import check, is_needed, shown
from service.questionnaire.questions import QUESTIONS, Questionnaire

Form = Mapping[str, list[str]]
Answers = dict[str, Any]
Errors = dict[str, str]
Numbers = Mapping[str, float | int]
TICKED = "yes"
"""The value of a box that is ticked."""


@dataclass(frozen=True, slots=True)
class Reading:
    """What a post says.

    ``answers``: the usable ones, as part of the API's body.
    ``errors``: one sentence by field for what cannot be used.
    ``whole``: the questionnaire that was checked, None where something of it cannot be used.
    ``elsewhere``: paths of answers beside that cannot be used.
    """

    answers: Answers
    errors: Errors = dataclass_field(default_factory=dict)
    whole: Questionnaire | None = None
    elsewhere: tuple[str, ...] = ()


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
                text=_quoted(text), digits=digits
            )
        )
    if _SPACED.fullmatch(text):
        text = re.sub(r"[ \u00a0\u2009\u202f'’]", "", text)
    if _BOTH_MARKS.fullmatch(text):
        text = re.sub(r"[.,](?=.*[.,])", "", text)
    if not _PLAIN.fullmatch(text):
        raise ValueError(_("Got {text}; expected a number in digits.").format(text=_quoted(text)))
    value = float(text.replace(",", "."))
    return int(value) if value.is_integer() else value


def _quoted(text: str) -> str:
    """Return what was typed as the reader's language quotes it."""
    return _("“{text}”").format(text=shown(text).removeprefix('"').removesuffix('"'))


def first(form: Form, field: str) -> str:
    """Return the field's first value without blanks around it; empty where it was not answered or 'not sure'."""
    value = next(iter(form.get(field, ())), "").strip()
    return "" if value == NOT_SURE else value


class FormStep:
    """One step of the form: the questions that are declared for it, read and filled in one like the other.

    ``name``: the step's name in the form's address.
    ``questions``: those that are declared for it, and ``keys`` the top-level answers that they are, or are part of.
    ``fields``: path of an answer -> name of its form field, for the sentences.
    ``most_fields``: so many fields are kept; no answer needs more.
    """

    name: ClassVar[str]
    questions: ClassVar[tuple[Declared, ...]]
    keys: ClassVar[tuple[str, ...]]
    fields: ClassVar[Mapping[str, str]]
    beside: ClassVar[Mapping[str, str]] = {}
    """What is told at another field: path of an answer -> that field."""
    most_fields: ClassVar[int] = 60

    def __init_subclass__(cls) -> None:
        """Find what is declared for the step."""
        cls.questions = tuple(each for each in QUESTIONS if each.asked.step == cls.name)
        cls.keys = tuple(dict.fromkeys(each.key for each in cls.questions))
        own = {".".join(each.path): each.asked.field for each in cls.questions if each.asked.field}
        cls.fields = {**own, **cls.beside}

    @classmethod
    def numbers(cls) -> tuple[str, ...]:
        """Return the fields that hold numbers."""
        return tuple(each.asked.field for each in cls.questions if _is_number(each))

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
        values, errors = _numbers(form, cls.numbers())
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
        return {each.asked.field: _texts(each.value(answers)) for each in cls.questions if each.has_control}

    @classmethod
    def body(cls, form: Form, values: Numbers) -> Answers:
        """Return the candidate body of a post; empty values are dropped afterwards."""
        body: Answers = {}
        for each in cls.questions:
            if each.has_control:
                put(body, each.path, _said(each, form, values))
        return body

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


def put(body: Answers, path: tuple[str, ...], value: Any) -> None:
    """Put an answer where it stands in the API's body."""
    for part in path[:-1]:
        body = body.setdefault(part, {})
    body[path[-1]] = value


def _is_number(of: Declared) -> bool:
    return of.asked.kind is Kind.NUMBER or of.asked.is_number


def _said(of: Declared, form: Form, values: Numbers) -> Any:
    field = of.asked.field
    if _is_number(of):
        return values.get(field)
    if of.asked.kind is Kind.MANY:
        return [value for value in form.get(field, ()) if value not in {"", NOT_SURE}]
    if of.asked.kind is Kind.BOX:
        return bool(first(form, field))
    return first(form, field).upper() if of.asked.upper else first(form, field)


def _texts(value: Any) -> list[str]:
    """Return an answer as the values of its field."""
    if isinstance(value, list | tuple):
        return [str(item) for item in value]
    if value is MISSING or value is None or value is False:
        return []
    if value is True:
        return [TICKED]
    return [f"{value:.12g}" if isinstance(value, float) else str(value)]


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
    except InvalidInputError as invalid:
        for problem in invalid.problems:
            _take_out(body, problem.path.split("."))
        return None, invalid.problems


def _take_out(body: Answers, parts: list[str]) -> None:
    """Take the answer at ``parts`` out, and what cannot be without it; of a list the whole, since its items mean little alone."""
    *parents, last = parts
    holder: Any = body
    for depth, part in enumerate(parents):
        holder = holder.get(part)
        if isinstance(holder, list):
            _take_out(body, parts[: depth + 1])
            return
        if not isinstance(holder, dict):
            return
    holder.pop(last, None)
    if parents and is_needed(parts):
        _take_out(body, parents)
