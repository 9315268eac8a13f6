"""From JSON to a questionnaire, or to one plain sentence for every mistake: what was got, what would be right."""

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, from_json

from model.domain.vocabulary import CRITERIA
from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.core.language import N_, _
from service.questionnaire.declared import fields_of, model_in
from service.questionnaire.lengths import require_bounded
from service.questionnaire.questions import Questionnaire

F = TypeVar("F", bound=BaseModel)
SHOWN = 60
"""So much of a wrong value is shown, in characters; the rest is cut."""

_PLACE = re.compile(r" at line (\d+) column (\d+)$")

_REASONS = {
    "EOF while parsing a value": N_("the text ends where a value was expected"),
    "EOF while parsing an object": N_("the text ends inside an object"),
    "EOF while parsing a list": N_("the text ends inside a list"),
    "EOF while parsing a string": N_("the text ends inside a string"),
    "recursion limit exceeded": N_("too many brackets inside each other"),
}
"""The parser's reasons in plainer words."""

_ITEMS = {
    "tried": N_("an object with copy and ratings"),
    "ratings": N_("a whole number from 1 to 7"),
    "settings": N_("one of orchestra, theatre, chamber, solo, early_music, jazz, folk, study, teaching"),
    "copies": N_("the serial of a bow"),
    "priorities": N_("one of response, clarity, dynamic_range, steadiness, off_string, ease, tone"),
}
"""What would be right for one item of a list or mapping, by the field that holds it."""


def read(body: bytes) -> Questionnaire:
    """Return the questionnaire in a JSON ``body``; raises `InvalidInputError` with every problem by path."""
    return read_as(Questionnaire, body)


def read_as(form: type[F], body: bytes) -> F:
    """Return the form in a JSON ``body``; raises `InvalidInputError` with the problems by path, lengths before contents."""
    require_bounded(body)
    try:
        return form.model_validate_json(body)
    except ValidationError as error:
        if not _is_utf8(body):
            sentence = _("This is not UTF-8 text; expected JSON in UTF-8.")
            raise InvalidInputError([FieldProblem("", sentence, FieldCode.UNREADABLE)]) from None
        raise InvalidInputError(_problems(error, form)) from None


def language_of(body: bytes) -> str | None:
    """Return the language that a JSON ``body`` asks for, be the rest right or wrong; None where it asks for none; raises `InvalidInputError` for one too large."""
    require_bounded(body)
    try:
        told = from_json(body, cache_strings=False)
    except ValueError:
        return None
    asked = told.get("language") if isinstance(told, dict) else None
    return asked if isinstance(asked, str) else None


def _is_utf8(body: bytes) -> bool:
    try:
        body.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def check(answers: object) -> Questionnaire:
    """Return the questionnaire in ``answers``, a JSON value already read; raises `InvalidInputError` as `read` does."""
    return check_as(Questionnaire, answers)


def check_as(form: type[F], value: object) -> F:
    """Return the form in ``value``, a JSON value already read, with a sentence for every mistake as `InvalidInputError`."""
    try:
        return form.model_validate(value)
    except ValidationError as error:
        raise InvalidInputError(_problems(error, form)) from None


def shown(value: object) -> str:
    """Return a wrong value as JSON would write it, cut to a length that a sentence can carry."""
    if isinstance(value, dict | BaseModel):
        return _("an object")
    if isinstance(value, list | tuple):
        return _("a list of {count}").format(count=len(value)) if value else _("an empty list")
    text = json.dumps(value, ensure_ascii=False, default=str)
    text = text.encode("utf-8", "backslashreplace").decode()
    return text if len(text) <= SHOWN else text[: SHOWN - 1] + "…"


def _problems(error: ValidationError, form: type[BaseModel] = Questionnaire) -> Iterator[FieldProblem]:
    seen = set()
    for detail in error.errors(include_url=False):
        loc = tuple(part for part in detail["loc"] if part != "[key]")
        path = ".".join(shown(part).strip('"') for part in loc)
        if path not in seen:
            seen.add(path)
            yield FieldProblem(path, _sentence(detail, loc, form), code_of(detail))


def _sentence(detail: ErrorDetails, loc: tuple[int | str, ...], form: type[BaseModel]) -> str:
    kind = detail["type"]
    if kind == "sentence":
        return _(str(detail["ctx"]["sentence"]))
    if kind == "json_invalid":
        return _malformed(str(detail["ctx"]["error"]))
    if not loc:
        return _("Got {value}; expected an object with the answers.").format(value=shown(detail["input"]))
    return _unknown_name(detail, loc, form) or _unfit_value(detail, loc, form)


def _unknown_name(detail: ErrorDetails, loc: tuple[int | str, ...], form: type[BaseModel]) -> str | None:
    if detail["type"] == "extra_forbidden":
        holder = _holder(loc, form)
        return _("There is no field of this name; expected one of {names}.").format(
            names=", ".join(list(fields_of(holder)) if holder else [])
        )
    if detail["loc"][-1] == "[key]":
        return _("There is no criterion of this name; expected one of {names}.").format(names=", ".join(CRITERIA))
    return None


def _unfit_value(detail: ErrorDetails, loc: tuple[int | str, ...], form: type[BaseModel]) -> str:
    expected = _(_expected(loc, form))
    if detail["type"] == "missing":
        return _("This is needed: {expected}.").format(expected=expected)
    return _("Got {value}; expected {expected}.").format(value=shown(detail["input"]), expected=expected)


def _malformed(reason: str) -> str:
    place = _PLACE.search(reason)
    if place is None:
        return _("This is not JSON: {reason}.").format(reason=reason)
    reason = _(_REASONS.get(reason[: place.start()], reason[: place.start()]))
    return _("This is not JSON: line {line}, column {column}: {reason}.").format(
        line=place[1], column=place[2], reason=reason
    )


def _holder(loc: tuple[int | str, ...], form: type[BaseModel]) -> type[BaseModel] | None:
    """Return the model that holds the last part of ``loc``; None where that part is an item of a list or a mapping."""
    model: type[BaseModel] | None = form
    for part in loc[:-1]:
        if model is not None and isinstance(part, str):
            model = model_in(fields_of(model)[part].annotation)
    return model


def _expected(loc: tuple[int | str, ...], form: type[BaseModel]) -> str:
    """Return the description of the field at ``loc``, or of one item of the field before it."""
    holder, name = _holder(loc, form), loc[-1]
    if holder is not None and isinstance(name, str):
        return fields_of(holder)[name].description or ""
    return _ITEMS[str(loc[-2])]


def is_needed(parts: Sequence[str], form: type[BaseModel] = Questionnaire) -> bool:
    """Say whether the field at a path, given by its parts, must be there for its holder to be right."""
    holder = _holder(tuple(parts), form)
    field = fields_of(holder).get(parts[-1]) if holder else None
    return field is not None and field.is_required()


_CODES: Mapping[str, FieldCode] = {
    "missing": FieldCode.MISSING,
    "json_invalid": FieldCode.UNREADABLE,
    "extra_forbidden": FieldCode.UNKNOWN_NAME,
    "enum": FieldCode.NOT_ONE_OF,
    "literal_error": FieldCode.NOT_ONE_OF,
    "greater_than": FieldCode.OUT_OF_RANGE,
    "greater_than_equal": FieldCode.OUT_OF_RANGE,
    "less_than": FieldCode.OUT_OF_RANGE,
    "less_than_equal": FieldCode.OUT_OF_RANGE,
    "finite_number": FieldCode.OUT_OF_RANGE,
    "too_short": FieldCode.WRONG_LENGTH,
    "too_long": FieldCode.WRONG_LENGTH,
    "string_too_short": FieldCode.WRONG_LENGTH,
    "string_too_long": FieldCode.WRONG_LENGTH,
}
"""What programs read, by what the validation found wrong; what is not here is a wrong type or form."""


def code_of(detail: ErrorDetails) -> FieldCode:
    """Return the code of one error of a validation; an own refusal brings its own along."""
    kind = detail["type"]
    if kind == "sentence":
        return FieldCode(detail["ctx"]["code"])
    if detail["loc"] and detail["loc"][-1] == "[key]":
        return FieldCode.UNKNOWN_NAME
    usual = FieldCode.WRONG_TYPE if kind.endswith("_type") else FieldCode.WRONG_FORM
    return _CODES.get(kind, usual)
