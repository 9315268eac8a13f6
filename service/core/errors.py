"""What can go wrong through no fault of the program, each with its words for the person who caused it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import islice
from typing import TypeVar

T = TypeVar("T")
MOST_TOLD = 50
"""Problems of one request: nobody mends more at once, and a refusal stays small."""


class Code(StrEnum):
    """Which kind of refusal it is, for programs: stable and untranslated. `service.core.problems` has the words of each."""

    MALFORMED = "malformed_request"
    KEY_MISSING = "key_missing"
    KEY_UNKNOWN = "key_unknown"
    FORM_EXPIRED = "form_expired"
    SIGN_IN_FIRST = "sign_in_first"
    NOT_ALLOWED = "not_allowed"
    WRONG_ORIGIN = "wrong_origin"
    SECRET_IN_PAGE = "secret_key_in_page"  # noqa: S105 - a name, no secret
    ADVICE_ONLY = "advice_only"
    NOT_FOUND = "not_found"
    WRONG_METHOD = "method_not_allowed"
    TOO_SLOW = "too_slow"
    NOT_POSSIBLE = "not_possible"
    BOWS_TAKEN = "bows_taken"
    ID_TAKEN = "id_taken"
    WRONG_STATE = "wrong_state"
    CONTRADICTS_RECORD = "contradicts_record"
    TEST_KEY_SPENT = "test_key_spent"
    TOO_LARGE = "too_large"
    WRONG_CONTENT = "wrong_content_type"
    WRONG_HOST = "wrong_host"
    INVALID = "invalid_fields"
    TOO_OFTEN = "too_often"
    HEAD_TOO_LARGE = "head_too_large"
    INTERNAL = "internal_error"
    UNAVAILABLE = "unavailable"
    BUSY = "busy"


class FieldCode(StrEnum):
    """What is wrong with one field, for programs: stable and untranslated. `service/docs/api.md` says what each means."""

    MISSING = "missing"
    UNKNOWN_NAME = "unknown_name"
    WRONG_TYPE = "wrong_type"
    NOT_ONE_OF = "not_one_of"
    OUT_OF_RANGE = "out_of_range"
    WRONG_LENGTH = "wrong_length"
    WRONG_FORM = "wrong_form"
    UNREADABLE = "unreadable"
    NOT_HERE = "not_here"
    TAKEN = "taken"
    CONTRADICTS = "contradicts"
    NOT_OPEN = "not_open"
    UNUSABLE = "unusable"


@dataclass(frozen=True, slots=True)
class FieldProblem:
    """One unusable field: ``path`` names it (``tried.0.copy``), ``message`` is a plain sentence with the remedy."""

    path: str
    message: str
    code: FieldCode = FieldCode.UNUSABLE

    def at(self, path: str) -> "FieldProblem":
        """Return the same problem at another path."""
        return replace(self, path=path)


class InvalidInputError(Exception):
    """Input that cannot be used, field by field.

    ``problems``: at least one; `FieldProblem` records or their parts as tuples. The first `MOST_TOLD` are taken, no more is
    asked for.
    """

    def __init__(self, problems: Iterable[FieldProblem | tuple[str, str] | tuple[str, str, FieldCode]]) -> None:
        self.problems: tuple[FieldProblem, ...] = tuple(
            problem if isinstance(problem, FieldProblem) else FieldProblem(*problem)
            for problem in islice(problems, MOST_TOLD)
        )
        super().__init__("; ".join(f"{problem.path}: {problem.message}" for problem in self.problems))


def refuse(problems: Sequence[FieldProblem | tuple[str, str] | tuple[str, str, FieldCode]]) -> None:
    """Raise `InvalidInputError` where there is a problem."""
    if problems:
        raise InvalidInputError(problems)


class ConflictError(Exception):
    """A request that cannot be met as things stand; its text is one plain sentence for the person who asked."""

    def __init__(self, sentence: str = "", code: Code = Code.NOT_POSSIBLE) -> None:
        self.code = code
        super().__init__(sentence)


class NotFoundError(Exception):
    """Nothing of this id is here for the one who asks: unknown, or another dealer's; the two are told apart by nobody."""


def existing(thing: T | None) -> T:
    """Return what was looked for; raises `NotFoundError` where it is None."""
    if thing is None:
        raise NotFoundError
    return thing


class ForbiddenError(Exception):
    """Something that is there, but not for the role of the person who asked; its text is a plain sentence, or empty."""

    def __init__(self, sentence: str = "", code: Code = Code.NOT_ALLOWED) -> None:
        self.code = code
        super().__init__(sentence)
