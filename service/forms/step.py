"""One step of the form: the strings of a post, read into the same answers that the JSON API takes.

Each step reads its own fields, hands them to `service.forms.check` and maps what is wrong back to the field's name. So page
and API have one set of rules and one set of sentences.
"""

import re
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar

from service.errors import Invalid
from service.forms.reading import check, shown
from service.language import _

Form = Mapping[str, list[str]]
Answers = dict[str, Any]
Errors = dict[str, str]

NOT_SURE = "unsure"
"""The value of a field whose question was answered with 'not sure': the same as not answered."""

_NOTHING = object()
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
        values, errors = _numbers(form, cls.numbers)
        body = _without_empty(cls.body(form, values))
        cleaned, wrong = _checked(body, cls.context())
        for path, sentence in wrong.items():
            errors.setdefault(cls.field_of(path), sentence)
        return _without_empty({key: value for key, value in cleaned.items() if key in cls.keys}), errors

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


def _checked(body: Answers, context: Answers) -> tuple[Answers, Errors]:
    """Check ``body``; wrong answers are taken out, one after the other, until the rest is right."""
    errors: Errors = {}
    while True:
        try:
            check(context | body)
        except Invalid as invalid:
            wrong = {problem.path: problem.message for problem in invalid.problems}
            # Still wrong without its value: a needed part is missing, so what it is a part of cannot be kept either.
            depth = 1 if wrong.keys() <= errors.keys() else None
            if depth and not any(_remove(body, path.split(".")[:depth]) for path in wrong):
                return body, errors
            errors = wrong | errors
            for path in wrong:
                _remove(body, path.split("."))
        else:
            return body, errors


def _remove(body: Answers, parts: list[str]) -> bool:
    """Take the answer at ``parts`` out; of a list as a whole, since its items mean little without each other."""
    *above, last = parts
    holder: Any = body
    for depth, part in enumerate(above):
        holder = holder.get(part)
        if isinstance(holder, list):
            return _remove(body, parts[: depth + 1])
        if not isinstance(holder, dict):
            return False
    return holder.pop(last, _NOTHING) is not _NOTHING
