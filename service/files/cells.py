"""One cell at a time: from text to a value and back.

Every reader takes the cell's text, blanks around it removed where they mean nothing, and the file's `Decimals`; it returns
the value as the tables keep it or raises `CellError`. An empty cell never reaches a reader: it is 'not known'.
"""

import datetime as dt
import decimal
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.files.problems import CellError

LONGEST_TEXT = 10_000
LONGEST_KEY = 100
BOUND = 1e9
"""No measure, price or count in these files reaches it."""
FIRST_YEAR = 1900
CANNOT_TELL = "?"

_NUMBER = re.compile(r"[+-]?\d+(?:(?P<mark>[.,])\d+)?(?:[eE][+-]?\d{1,3})?", re.ASCII)
_THOUSANDS = re.compile(r"[+-]?\d{1,3}(?:[.,'’ \u00a0\u202f_]\d{3})+(?:[.,]\d+)?", re.ASCII)
_NOT_FINITE = re.compile(r"[+-]?(nan|inf|infinity|∞|#n/a|#num!|#div/0!)", re.IGNORECASE)
_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_SLUG = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*", re.ASCII)
_CURRENCY = re.compile(r"[A-Z]{3}", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")
_FORMULA = re.compile(r"'*[=+\-@\t]")
_UNIT_SIGNS = str.maketrans({"·": " ", "⋅": " ", "*": " ", "^": None, "²": "2"})
_GUARDED = re.compile(r"'+[=+\-@\t]")


@dataclass(slots=True)
class Decimals:
    """The decimal mark of one file: a point between commas; between semicolons whichever its first number uses."""

    delimiter: str
    mark: str | None = None

    def to_point(self, text: str) -> str:
        """Return the text of a number with a decimal point; raises `CellError` for anything else."""
        match = _NUMBER.fullmatch(text)
        if match is None:
            raise CellError(_why_no_number(text))
        mark = match["mark"]
        if mark is None or mark == self.mark:
            return text.replace(",", ".")
        if self.delimiter == "," and mark == ",":
            raise CellError("a decimal point, as the cells are separated by commas")
        if self.mark is not None:
            word = "point" if self.mark == "." else "comma"
            raise CellError(f"a decimal {word}, as in the cells before: one kind a file, and no thousands marks")
        self.mark = mark
        return text.replace(",", ".")


Reader = Callable[[str, Decimals], object]


def _why_no_number(text: str) -> str:
    if _THOUSANDS.fullmatch(text):
        return "a number without thousands marks, such as 1250.5"
    if _NOT_FINITE.fullmatch(text):
        return "a finite number, or an empty cell where it is not known"
    return "a number, such as 58.4"


def number(low: float = 0.0, high: float = BOUND) -> Reader:
    """Return a reader of numbers above ``low`` and below ``high``."""

    def read(text: str, decimals: Decimals) -> float:
        value = float(decimals.to_point(text))
        if not low < value < high:
            raise CellError(f"a number above {low:g} and below {high:g}")
        return value

    return read


def whole(low: int, high: int) -> Reader:
    """Return a reader of whole numbers from ``low`` to ``high``; ``4.0`` is one, ``4.5`` is not."""

    def read(text: str, decimals: Decimals) -> int:
        value = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else float(decimals.to_point(text))
        if not (low <= value <= high and value == int(value)):
            raise CellError(f"a whole number from {low} to {high}")
        return int(value)

    return read


def rating(low: int, high: int) -> Reader:
    """Return a reader of ratings: a whole number, or ``?`` where the rater could not tell."""
    read_whole = whole(low, high)

    def read(text: str, decimals: Decimals) -> object:
        if text == CANNOT_TELL:
            return text
        try:
            return read_whole(text, decimals)
        except CellError as error:
            raise CellError(f"a whole number from {low} to {high}, ? for 'cannot tell', or nothing") from error

    return read


def money(text: str, decimals: Decimals) -> decimal.Decimal:
    """Read an amount above zero in whole hundredths."""
    value = decimal.Decimal(decimals.to_point(text))
    if not 0 < value < decimal.Decimal(int(BOUND)):
        raise CellError(f"an amount above 0 and below {BOUND:g}")
    if value * 100 != int(value * 100):
        raise CellError("an amount with at most two decimals")
    return value


def currency(text: str, _decimals: Decimals) -> str:
    """Read a currency by the form of ISO 4217's codes; whether such a currency exists is not looked up."""
    if not _CURRENCY.fullmatch(text):
        raise CellError("the three capital letters of a currency (ISO 4217), such as EUR")
    return text


def day(text: str, _decimals: Decimals) -> dt.date:
    """Read a date by ISO 8601."""
    try:
        value = dt.date.fromisoformat(text) if _DATE.fullmatch(text) else None
    except ValueError:
        value = None
    if value is None or value.year < FIRST_YEAR:
        raise CellError("a date as year-month-day (ISO 8601), such as 2026-03-31")
    return value


def slug(text: str, _decimals: Decimals) -> str:
    """Read the key of a tier or dealer."""
    if not _SLUG.fullmatch(text) or len(text) > LONGEST_KEY:
        raise CellError(f"a slug: letters a to z, digits, '-', '_' or '.', at most {LONGEST_KEY}, such as quiet-elm")
    return text


def key(text: str, decimals: Decimals) -> str:
    """Read the key of a copy, trial or player: any text of one line."""
    value = label(text, decimals)
    if len(value) > LONGEST_KEY:
        raise CellError(f"a key of at most {LONGEST_KEY} characters")
    return value


def label(text: str, _decimals: Decimals) -> str:
    """Read text of one line."""
    if "\n" in text or "\r" in text or "\t" in text[1:]:
        raise CellError("text on one line")
    return without_guard(text)


def free_text(text: str, _decimals: Decimals) -> str:
    """Read text of any number of lines."""
    return without_guard(text)


def word(*allowed: str, also: Mapping[str, str] | None = None) -> Reader:
    """Return a reader of one of some words; ``also``: other words for them."""
    known = {**(also or {}), **{str(value): str(value) for value in allowed}}

    def read(text: str, _decimals: Decimals) -> str:
        if text not in known:
            raise CellError(f"one of {', '.join(allowed)}")
        return known[text]

    return read


def unit(text: str, _decimals: Decimals) -> str:
    """Read a unit, its products and powers written in any of the usual ways (kg m2, kg·m², kg*m^2)."""
    return " ".join(text.translate(_UNIT_SIGNS).split())


def words(*allowed: str, most: int | None = None) -> Reader:
    """Return a reader of different words separated by blanks, ``most`` at the most, their order kept."""
    known = frozenset(allowed)
    limit = "" if most is None else f", at most {most}"

    def read(text: str, _decimals: Decimals) -> str:
        found = text.split()
        right = known.issuperset(found) and len(set(found)) == len(found) and (most is None or len(found) <= most)
        if not right:
            raise CellError(f"different words of {', '.join(allowed)}, separated by blanks{limit}")
        return " ".join(found)

    return read


def check_characters(text: str) -> None:
    """Raise `CellError` for what no cell may hold: NUL and other control characters, or more text than is kept."""
    if len(text) > LONGEST_TEXT:
        raise CellError(f"at most {LONGEST_TEXT} characters", got=f"{len(text)} characters")
    if not text.isprintable() and _CONTROL.search(text.replace("\r\n", "\n").replace("\r", "\n")):
        raise CellError("text without control characters such as NUL")


def one_line_ends(text: str) -> str:
    """Return the text with every end of line written as a line feed."""
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def with_guard(text: str) -> str:
    """Return text that a spreadsheet will not take for a formula: guarded by an apostrophe where it could be.

    Text that looks guarded already gets one more, so that reading back always gives what was written.
    """
    return f"'{text}" if _FORMULA.match(text) else text


def without_guard(text: str) -> str:
    """Take off the apostrophe of `with_guard`."""
    return text[1:] if _GUARDED.match(text) else text


def written(value: object) -> str:
    """Return a value as its cell: None empty, numbers in the shortest form that reads back the same, text guarded."""
    if value is None:
        return ""
    if isinstance(value, str):
        return with_guard(one_line_ends(value))
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, decimal.Decimal):
        return format(value.normalize(), "f")
    return str(value)
