"""The kinds of column that SQLite and PostgreSQL do not have alike."""

import datetime as dt
import decimal
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy import BigInteger, ColumnElement, DateTime, Dialect, Double, String, TypeDecorator, and_, text
from sqlalchemy.orm import InstrumentedAttribute

W = TypeVar("W", bound=StrEnum)
CENTS = decimal.Decimal(100)

# Sorted and compared byte by byte on both databases, so that an order never depends on a machine's language.
Key = String().with_variant(String(collation="C"), "postgresql")
Number: Double[float] = Double()
_LAST = "\U0010ffff"


def begins(column: ColumnElement[str] | InstrumentedAttribute[str], text: str) -> ColumnElement[bool]:
    """Return the condition that a `Key` begins with a text: a stretch of its index, and no pattern that signs could steer."""
    return and_(column >= text, column < text + _LAST)


def partly(where: str) -> dict[str, Any]:
    """Return what lets an index hold the rows alone for which a condition holds."""
    return {"sqlite_where": text(where), "postgresql_where": text(where)}


class Money(TypeDecorator[decimal.Decimal]):
    """An amount of a currency, exact to the hundredth, kept as whole hundredths (SQLite has no decimal type)."""

    impl = BigInteger
    cache_ok = True

    def process_bind_param(self, value: decimal.Decimal | None, dialect: Dialect) -> int | None:  # noqa: ARG002
        """Turn an amount into hundredths; raises ``ValueError`` for a finer one."""
        if value is None:
            return None
        hundredths = value * CENTS
        if hundredths != int(hundredths):
            msg = f"amount: got {value}, expected whole hundredths"
            raise ValueError(msg)
        return int(hundredths)

    def process_result_value(self, value: int | None, dialect: Dialect) -> decimal.Decimal | None:  # noqa: ARG002
        """Turn hundredths into an amount."""
        return None if value is None else decimal.Decimal(value) / CENTS


class Moment(TypeDecorator[dt.datetime]):
    """A moment in UTC; SQLite keeps no zone, so it is taken off on the way in and put back on the way out."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:  # noqa: ARG002
        """Turn an aware moment into UTC; raises ``ValueError`` for one without a zone."""
        if value is None:
            return None
        if value.tzinfo is None:
            msg = f"moment: got {value} without a zone, expected UTC"
            raise ValueError(msg)
        return value.astimezone(dt.UTC)

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:  # noqa: ARG002
        """Give the moment back, aware, in UTC."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


def in_json(at: dt.datetime) -> str:
    """Return a moment as it is written in JSON, to the second."""
    return at.astimezone(dt.UTC).replace(microsecond=0).isoformat().replace("+00:00", "Z")


class Word(TypeDecorator[W]):
    """A word of one vocabulary, kept as text and given back as its member."""

    impl = String
    cache_ok = True

    def __init__(self, vocabulary: type[W]) -> None:
        super().__init__()
        self.vocabulary = vocabulary

    def process_bind_param(self, value: W | str | None, dialect: Dialect) -> str | None:  # noqa: ARG002
        """Turn a member into its text; raises ``ValueError`` for a word of no member."""
        return None if value is None else self.vocabulary(value).value

    def process_result_value(self, value: str | None, dialect: Dialect) -> W | None:  # noqa: ARG002
        """Turn the text into its member."""
        return None if value is None else self.vocabulary(value)
