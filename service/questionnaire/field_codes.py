"""From what the validation found wrong with a value to the stable code that programs read."""

from types import MappingProxyType
from typing import Final

from pydantic_core import ErrorDetails

from service.core.errors import FieldCode

_OF: Final = MappingProxyType(
    {
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
)


def code_of(detail: ErrorDetails) -> FieldCode:
    """Return the code of one error of a validation; an own refusal brings its own along."""
    kind = detail["type"]
    if kind == "sentence":
        return FieldCode(detail["ctx"]["code"])
    if detail["loc"] and detail["loc"][-1] == "[key]":
        return FieldCode.UNKNOWN_NAME
    usual = FieldCode.WRONG_TYPE if kind.endswith("_type") else FieldCode.WRONG_FORM
    return _OF.get(kind, usual)
