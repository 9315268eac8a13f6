"""Lists page by page by the values of the last row seen (a keyset), not by counting rows off.

So a page costs the same wherever it stands, and what is added meanwhile moves nothing: each row there was is met once.
"""

import base64
import datetime as dt
import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from sqlalchemy import ColumnElement, and_, literal, or_, true
from sqlalchemy.orm import InstrumentedAttribute

from service.errors import NotHere

T = TypeVar("T")
S = TypeVar("S")
A_PAGE = 50
"""So many rows a page shows."""
_LONGEST = 600
"""Characters of a mark: a key and a moment are far shorter."""
_READ: dict[type, Callable[[Any], Any]] = {
    str: str,
    int: int,
    dt.date: dt.date.fromisoformat,
    dt.datetime: dt.datetime.fromisoformat,
}


@dataclass(frozen=True, slots=True)
class Leaf(Generic[T]):
    """One page of a list.

    Attributes
    ----------
    count : how many rows the whole list has. after : the mark to ask for the next page with, empty on the last.
    """

    rows: tuple[T, ...]
    count: int
    after: str

    def each(self, words: Callable[[T], S]) -> tuple[S, ...]:
        """Return each row in words."""
        return tuple(map(words, self.rows))

    def of(self, rows: Iterable[S]) -> "Leaf[S]":
        """Return the same page with its rows read in full."""
        return Leaf(tuple(rows), self.count, self.after)


def leaf(found: Sequence[T], count: int, mark: Callable[[T], Sequence[object]], most: int = A_PAGE) -> Leaf[T]:
    """Return a page of ``most`` rows, from one row more where there is one; ``mark``: a row's values in the list's order."""
    rows = tuple(found[:most])
    return Leaf(rows, count, written(*mark(rows[-1])) if len(found) > most else "")


def written(*values: object) -> str:
    """Return a mark as it stands in an address."""
    plain = [value.isoformat() if isinstance(value, dt.date) else value for value in values]
    return base64.urlsafe_b64encode(json.dumps(plain, separators=(",", ":")).encode()).decode().rstrip("=")


def read(mark: str, *kinds: type) -> tuple[Any, ...] | None:
    """Return a mark's values, None for the first page; raises `NotHere` for what is no mark of this list."""
    if not mark:
        return None
    if len(mark) > _LONGEST:
        raise NotHere
    try:
        plain = json.loads(base64.urlsafe_b64decode(mark.encode("ascii") + b"=" * (-len(mark) % 4)))
        values = tuple(_READ[kind](value) for kind, value in zip(kinds, plain, strict=True))
    except (ValueError, TypeError, UnicodeError, RecursionError):
        raise NotHere from None
    if not all(map(_is_sound, values)):
        raise NotHere
    return values


def _is_sound(value: object) -> bool:
    """Say whether both databases can compare with a value."""
    if isinstance(value, int):
        return abs(value) < 2**31
    return not (isinstance(value, str) and "\0" in value) and not (
        isinstance(value, dt.datetime) and value.tzinfo is None
    )


def beyond(
    columns: Sequence[ColumnElement[Any] | InstrumentedAttribute[Any]],
    values: Sequence[object] | None,
    *,
    rising: bool = False,
) -> ColumnElement[bool]:
    """Return the condition that a row comes after the one with these values, None: any; all columns fall, or rise."""
    if values is None:
        return true()
    first, *further = columns
    value = literal(values[0], first.type)
    next_ = first > value if rising else first < value
    if not further:
        return next_
    # Written so, and not as a row of values, because the first part finds its place in an index everywhere.
    return and_(first >= value if rising else first <= value, or_(next_, beyond(further, values[1:], rising=rising)))
