"""A rating sheet, field by field: the body of ``PUT /api/v1/trials/{id}/runs/{run_id}``; and one pair of a head-to-head.

What is well formed is taken, whatever the state of the trial; what is not gets one sentence a field.
"""

import hashlib
import json
import re
import unicodedata
from datetime import UTC, datetime
from functools import partial
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StrictBool,
    StrictStr,
    ValidationError,
    ValidationInfo,
    field_validator,
)
from pydantic_core import ErrorDetails

from model.bench import playable_range
from model.domain.vocabulary import CARRYING, CRITERIA
from service.core.errors import FieldCode, FieldProblem, InvalidInputError
from service.core.language import N_, _
from service.questionnaire.field_types import Body, Filled, Line, Rating, SchemaWords, Whole, refusal, rule, written_as
from service.questionnaire.lengths import require_bounded
from service.questionnaire.parsing import code_of, shown

CANNOT_TELL = "cannot_tell"
LARGEST_REVISION = 1_000_000_000
EARLIEST, LATEST = 1900, 9000
"""Years: a tablet whose battery ran flat may well believe in 1970, and its sheet is good all the same."""

_RATED: tuple[str, ...] = (*(str(criterion) for criterion in CRITERIA), CARRYING)


def _printable(text: str) -> str:
    """Turn control characters other than line breaks into blanks: a note is kept, whatever a keyboard puts into it."""
    kept = (letter if letter == "\n" or unicodedata.category(letter) not in {"Cc", "Cs"} else " " for letter in text)
    return "".join(kept).strip()


def _storable(moment: datetime) -> datetime:
    if not EARLIEST <= moment.year < LATEST:
        raise refusal(
            N_("Expected a moment of this time, as 2026-03-02T12:30:00Z (ISO 8601, with its zone)."),
            FieldCode.OUT_OF_RANGE,
        )
    return moment


_MOMENT = (
    r"^(19[0-9]{2}|[2-8][0-9]{3})-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])"
    r"T([01][0-9]|2[0-3]):[0-5][0-9](:[0-5][0-9]([.][0-9]{1,9})?)?(Z|[+-]([01][0-9]|2[0-3]):[0-5][0-9])$"
)
Moment = Annotated[
    AwareDatetime,
    BeforeValidator(written_as(_MOMENT)),
    AfterValidator(_storable),
    SchemaWords({"pattern": _MOMENT}),
    Field(description=N_("a moment with its zone, as 2026-03-02T12:30:00Z (ISO 8601)")),
]
RUN_ID = re.compile(r"[A-Za-z0-9_-]{8,64}")
RunId = Annotated[str, Field(pattern=f"^{RUN_ID.pattern}$")]


class SheetIn(Body):
    """One bow as one rater rated it; ``letter`` is empty for the own bow. ``sent_at``: the device's clock when it was sent.

    ``model_consent``: whether the player, asked beside this sheet, lets the ratings help to advise others.
    """

    model_config = ConfigDict(
        json_schema_extra={
            "examples": [
                {
                    "revision": 1,
                    "position": 1,
                    "letter": "K",
                    "rater": "player",
                    "ratings": {"overall": 6, "response": 5, "clarity": "cannot_tell"},
                    "rated_at": "2026-11-30T12:30:00Z",
                }
            ],
            "allOf": [
                rule({"rater": {"const": "player"}}, {"properties": {"ratings": {"properties": {CARRYING: False}}}}),
                rule({"rater": {"const": "listener"}}, {"properties": {"strokes": {"type": "null"}}}),
            ],
        }
    )

    revision: Annotated[
        Whole, Field(ge=1, le=LARGEST_REVISION, description=N_("a whole number from 1, one more for every change"))
    ]
    position: Annotated[Whole, Field(ge=1, le=1000, description=N_("the place in the order, a whole number from 1"))]
    letter: Annotated[
        Line, Field(max_length=8, description=N_("the bow's letter, a short text; empty for the own bow"))
    ]
    rater: Annotated[Literal["player", "listener"], Field(description=N_("player or listener"))]
    ratings: Annotated[
        dict[StrictStr, Rating | Literal["cannot_tell"]],
        SchemaWords({"propertyNames": {"enum": list(_RATED)}}),
        Field(description=N_("an object of criteria, each with a whole number from 1 to 7 or cannot_tell")),
    ]
    strokes: Annotated[
        list[Literal["clean", "noisy", "broken"] | None] | None,
        Field(
            max_length=playable_range.STROKES,
            description=N_(
                "a list of at most eight strokes, each clean, noisy, broken or null where it was not played"
            ),
        ),
    ] = None
    note: Annotated[StrictStr | None, AfterValidator(lambda text: _printable(text) or None if text else None)] = Field(
        default=None, max_length=2000, description=N_("a text of at most 2000 characters, or null")
    )
    rated_at: Moment
    sent_at: Moment | None = None
    model_consent: Annotated[
        StrictBool | None,
        Field(description=N_("true or false, as the player said; left out where the player was not asked")),
    ] = None

    @field_validator("ratings")
    @classmethod
    def _known(cls, ratings: dict[str, Any], info: ValidationInfo) -> dict[str, Any]:
        unknown = [name for name in ratings if name not in _RATED]
        if unknown:
            raise refusal(
                N_("There is no such criterion; expected some of the names that the trial gave."),
                FieldCode.UNKNOWN_NAME,
            )
        if CARRYING in ratings and info.data.get("rater") == "player":
            raise refusal(N_("Got carrying from the player; only a listener across the room can rate it."))
        return ratings

    @field_validator("strokes")
    @classmethod
    def _players(cls, strokes: list[str | None] | None, info: ValidationInfo) -> list[str | None] | None:
        if strokes is not None and info.data.get("rater") == "listener":
            raise refusal(N_("Got strokes from a listener; only the player can mark them."))
        return strokes

    @property
    def kept_strokes(self) -> str | None:
        """The strokes as they are kept, None where none was played."""
        marks = playable_range.MARKS
        return playable_range.as_text([None if each is None else marks.index(each) for each in self.strokes or ()])

    def digest(self) -> str:
        """Return the SHA-256 of what was rated; when it was sent is no part of it, so that sending again is no other sheet."""
        told = self.model_dump(mode="json", exclude={"sent_at", "rated_at", "model_consent"})
        if not told["strokes"]:
            del told["strokes"]  # a sheet of a screen that knows of none is the same sheet
        told["rated_at"] = self.rated_at.astimezone(UTC).isoformat()
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()


class PairIn(Body):
    """One blind pair: whether the bow played first or the one played second was preferred."""

    head_to_head: Annotated[Filled, Field(min_length=1, max_length=64, description=N_("the head-to-head's id"))]
    number: Annotated[Whole, Field(ge=1, le=1000, description=N_("the pair's number, a whole number from 1"))]
    preferred: Annotated[Literal["first", "second"], Field(description=N_("first or second"))]
    rated_at: Moment
    sent_at: Moment | None = None


class CodeIn(Body):
    """The code by which a tablet is enrolled."""

    code: Annotated[StrictStr, Field(min_length=1, max_length=60, description=N_("the code that the desk shows"))]


Form = TypeVar("Form", SheetIn, PairIn, CodeIn)


def read(form: type[Form], body: bytes) -> Form:
    """Return the form in a JSON body; raises `InvalidInputError` with every problem by path."""
    require_bounded(body)
    try:
        return form.model_validate_json(body)
    except ValidationError as error:
        raise InvalidInputError(_problems(form, error)) from None


def check(form: type[Form], fields: object) -> Form:
    """Return the form in a JSON value already read; raises `InvalidInputError` as `read` does."""
    try:
        return form.model_validate(fields)
    except ValidationError as error:
        raise InvalidInputError(_problems(form, error)) from None


check_sheet, check_pair = partial(check, SheetIn), partial(check, PairIn)


def _problems(form: type[BaseModel], error: ValidationError) -> list[FieldProblem]:
    found: dict[str, FieldProblem] = {}
    for detail in error.errors(include_url=False):
        path = ".".join(map(str, _place(detail)))
        found.setdefault(path, FieldProblem(path, _sentence(form, detail), code_of(detail)))
    return list(found.values())


def _place(detail: ErrorDetails) -> tuple[int | str, ...]:
    """Return the field's path; a union's own names of its members are none of a reader's business."""
    return tuple(shown(part).strip('"') if isinstance(part, str) else part for part in detail["loc"][:2])


def _sentence(form: type[BaseModel], detail: ErrorDetails) -> str:
    kind, loc = detail["type"], detail["loc"]
    if kind == "sentence":
        return _(str(detail["ctx"]["sentence"]))
    if kind == "json_invalid":
        return _("This is not JSON: {reason}.").format(reason=detail["ctx"]["error"])
    if not loc:
        return _("Got {value}; expected an object with the sheet's fields.").format(value=shown(detail["input"]))
    if kind == "extra_forbidden":
        return _("There is no field of this name; expected one of {names}.").format(names=", ".join(form.model_fields))
    expected = _expected(form, loc)
    if kind == "missing":
        return _("This is needed: {expected}.").format(expected=expected)
    return _("Got {value}; expected {expected}.").format(value=shown(detail["input"]), expected=expected)


def _expected(form: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    if len(loc) > 1 and loc[0] == "ratings":
        return _("a whole number from 1 to 7, or cannot_tell")
    if len(loc) > 1 and loc[0] == "strokes":
        return _("clean, noisy, broken or null")
    field = form.model_fields[str(loc[0])]
    return _(field.description) if field.description else ""
