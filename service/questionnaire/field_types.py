"""What the fields of bodies are made of: numbers, texts and days as they are taken, and how a refusal is worded."""

import datetime as dt
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Annotated, Any
from uuid import UUID

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetJsonSchemaHandler,
    Strict,
    StrictStr,
    WithJsonSchema,
)
from pydantic_core import CoreSchema, PydanticCustomError

from model.domain.vocabulary import Criterion
from service.core.countries import COUNTRIES, is_country
from service.core.errors import FieldCode
from service.core.language import N_


def refusal(sentence: str, code: FieldCode = FieldCode.CONTRADICTS) -> PydanticCustomError:
    """Return an error whose ``sentence`` (marked for translation) reaches the reader as it stands, and whose code a program."""
    # Sentences travel as data: a literal template is what the type of the constructor asks for.
    return PydanticCustomError("sentence", "{sentence}", {"sentence": sentence, "code": code})


def _whole(value: Any) -> Any:
    """Take 5.0 for 5: JSON knows one kind of number."""
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _plain(text: str) -> str:
    """Refuse control characters, line breaks included, and marks that turn the direction of writing."""
    if any(unicodedata.category(letter) in {"Cc", "Cs"} or letter in "\u2028\u2029\u202d\u202e" for letter in text):
        raise refusal(
            N_("Got control characters or line breaks; expected plain text on one line."), FieldCode.WRONG_FORM
        )
    return text.strip()


def _country(code: str) -> str:
    if not is_country(code):
        wrong = N_("‘UK’ is no country’s code; expected GB for the United Kingdom (ISO 3166).")
        none = N_("There is no country with these letters; expected two capitals, as DE (ISO 3166).")
        raise refusal(wrong if code == "UK" else none, FieldCode.NOT_ONE_OF)
    return code


@dataclass(frozen=True, slots=True, eq=False)
class SchemaWords:
    """What the description of a value says besides, in JSON Schema's words, so that it says what is taken and no more."""

    words: Mapping[str, Any]

    def __get_pydantic_json_schema__(self, core: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """Add the words."""
        return {**handler(core), **self.words}


def written_as(pattern: str) -> Callable[[Any], Any]:
    """Return a check that refuses what is no text of a pattern: the parsers of days and ids take numbers and short forms too."""
    written = re.compile(pattern)

    def check(value: Any) -> Any:
        if isinstance(value, dt.date | dt.time | UUID) or (isinstance(value, str) and written.search(value)):
            return value
        raise ValueError(pattern)

    return check


CONTROLS = r"\u0000-\u001f\u007f-\u009f\u2028\u2029\u202d\u202e"
"""What `_plain` refuses, as a range of a regular expression (ECMA-262)."""
_UUID = r"^[0-9a-fA-F]{8}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{4}-[0-9a-fA-F]{12}$"
_HOUR = r"^([01][0-9]|2[0-3]):[0-5][0-9]$"
_DAY = r"^20[0-9]{2}-[0-9]{2}-[0-9]{2}$"
Whole = Annotated[int, Strict(), BeforeValidator(_whole)]
Id = Annotated[UUID, BeforeValidator(written_as(_UUID)), SchemaWords({"pattern": _UUID})]
Day = Annotated[dt.date, BeforeValidator(written_as(_DAY)), SchemaWords({"pattern": _DAY})]
"""A day from 2000 to 2099: what lies further off is a slip, and dates are reckoned with."""
Hour = Annotated[dt.time, BeforeValidator(written_as(_HOUR)), WithJsonSchema({"type": "string", "pattern": _HOUR})]
"""An hour and minute as a clock on the wall shows them."""
Number = Annotated[float, Strict(), Field(allow_inf_nan=False)]
Rating = Annotated[Whole, Field(ge=1, le=7, description=N_("a whole number from 1 to 7"))]
Ratings = dict[Criterion, Rating]
Line = Annotated[StrictStr, AfterValidator(_plain), SchemaWords({"pattern": f"^[^{CONTROLS}]*$"})]
Filled = Annotated[
    StrictStr, AfterValidator(_plain), SchemaWords({"pattern": rf"^[^{CONTROLS}]*[^\s{CONTROLS}][^{CONTROLS}]*$"})
]
"""The same, where blanks alone are no answer: with ``min_length=1``."""
Country = Annotated[StrictStr, AfterValidator(_country), SchemaWords({"enum": COUNTRIES})]
"""Two capital letters (ISO 3166-1)."""
Wish = Annotated[Whole, Field(ge=-1, le=1)]

_PART = rf"@\s,;:<>()\[\]\\\"{CONTROLS}"
EMAIL = re.compile(rf"[^{_PART}]{{1,64}}@[^{_PART}]+\.[^{_PART}.]{{2,63}}")
"""A plausible address: one @, a dot in the domain, nothing that could start another header (RFC 5321, 4.1.2 and
4.5.3.1 for the lengths; letters beyond ASCII as RFC 6531 allows). Whether it exists only a mail can tell."""


class Body(BaseModel):
    """Refuses fields it does not know and leaves what it holds unchanged."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def rule(
    test: Mapping[str, Any], then: Mapping[str, Any], otherwise: Mapping[str, Any] | bool = True
) -> dict[str, Any]:
    """Return a rule between fields in JSON Schema's words; ``test`` holds of fields that are there."""
    condition = {"properties": dict(test), "required": list(test)}
    return {"if": condition, "then": dict(then)} | ({"else": otherwise} if otherwise is not True else {})


GIVEN: dict[str, Any] = {"not": {"type": "null"}}
"""There, and no null."""
