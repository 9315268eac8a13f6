"""Lists page by page by the values of the last row seen (a keyset), not by counting rows off.

So a page costs the same wherever it stands, and what is added meanwhile moves nothing: each row there was is met once.
"""

import base64
import datetime as dt
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Generic, TypeVar

from sqlalchemy import ColumnElement, and_, literal, or_, true
from sqlalchemy.orm import InstrumentedAttribute

from service.core import times
from service.core.errors import NotFoundError

T = TypeVar("T")
S = TypeVar("S")
A_PAGE = 50
"""So many rows a page shows."""
_LONGEST = 600
"""Characters of a mark: a key and a moment are far shorter."""


@dataclass(frozen=True, slots=True)
class ListWanted:
    """What a list is narrowed to, and in which order it is wanted; ``since``, ``until``: days of the shop, both within."""

    by: Mapping[str, str] = field(default_factory=dict)  # by a filter's name what was asked for, what was not left out
    since: dt.date | None = None
    until: dt.date | None = None
    oldest: bool = False  # in the other order
    most: int = A_PAGE  # so many rows at once

    def value(self, name: str) -> str:
        """Return what was asked for by a filter, empty for nothing."""
        return self.by.get(name, "")

    def within(self, moment: InstrumentedAttribute[dt.datetime]) -> Iterator[ColumnElement[bool]]:
        """Give the conditions that a moment lies within the days."""
        if self.since:
            yield moment >= times.begins(self.since)
        if self.until:
            yield moment < times.begins(self.until + dt.timedelta(days=1))

    def ordered(self, order: Sequence[ColumnElement[Any] | InstrumentedAttribute[Any]]) -> list[Any]:
        """Return by what the rows are put in order: what rises, the oldest first, falls otherwise."""
        return [column if self.oldest else column.desc() for column in order]


ALL = ListWanted()
"""Nothing left out, the newest first."""


@dataclass(frozen=True, slots=True)
class Leaf(Generic[T]):
    """One page of a list."""

    rows: tuple[T, ...]
    count: int  # how many rows the whole list has
    after: str  # the mark to ask for the next page with, empty on the last

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


@dataclass(frozen=True, slots=True)
class Batch(Generic[T]):
    """Rows of a list that a program reads to its end and later on: ``last`` marks its last row, empty for none; ``more``: there are more."""

    rows: tuple[T, ...]
    last: str
    more: bool

    def of(self, rows: Iterable[S]) -> "Batch[S]":
        """Return the same batch with its rows read in full."""
        return Batch(tuple(rows), self.last, self.more)


def batch(found: Sequence[T], mark: Callable[[T], Sequence[object]]) -> Batch[T]:
    """Return a batch of a page's rows, from one row more where there is one; ``mark``: a row's values in the list's order."""
    rows = tuple(found[:A_PAGE])
    return Batch(rows, written(*mark(rows[-1])) if rows else "", len(found) > A_PAGE)


def written(*values: object) -> str:
    """Return a mark as it stands in an address."""
    plain = [value.isoformat() if isinstance(value, dt.date) else value for value in values]
    return base64.urlsafe_b64encode(json.dumps(plain, separators=(",", ":")).encode()).decode().rstrip("=")


def read(mark: str, *kinds: type) -> tuple[Any, ...] | None:
    """Return a mark's values, None for the first page; raises `NotFoundError` for what is no mark of this list.

    ``kinds``: of each value, a vocabulary among them.
    """
    if not mark:
        return None
    if len(mark) > _LONGEST:
        raise NotFoundError
    try:
        plain = json.loads(base64.urlsafe_b64decode(mark.encode("ascii") + b"=" * (-len(mark) % 4)))
        if type(plain) is not list:
            raise NotFoundError
        return tuple(_READ.get(kind, kind)(value) for kind, value in zip(kinds, plain, strict=True))
    except (ValueError, OverflowError, RecursionError):
        raise NotFoundError from None


# What both databases can compare with, of just the kind that `written` leaves in JSON; ValueError or OverflowError for the rest.


def _text(value: object) -> str:
    if type(value) is not str or "\0" in value:
        raise ValueError
    value.encode()  # half a character is none (RFC 8259, 8.2)
    return value


def _number(value: object) -> int:
    if type(value) is not int or abs(value) >= 2**31:
        raise ValueError
    return value


def _day(value: object) -> dt.date:
    return dt.date.fromisoformat(_text(value))


def _moment(value: object) -> dt.datetime:
    moment = dt.datetime.fromisoformat(_text(value))
    if moment.tzinfo is None:
        raise ValueError
    return moment.astimezone(dt.UTC)


_READ: dict[type, Callable[[object], Any]] = {str: _text, int: _number, dt.date: _day, dt.datetime: _moment}


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
    is_further = first > value if rising else first < value
    if not further:
        return is_further
    # Written so, and not as a row of values, because the first part finds its place in an index everywhere.
    return and_(
        first >= value if rising else first <= value, or_(is_further, beyond(further, values[1:], rising=rising))
    )
