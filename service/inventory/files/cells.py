"""One cell at a time: from text to a value and back.

Every reader takes the cell's text, blanks around it removed where they mean nothing, and the file's `Decimals`. It returns
the value as the tables keep it or raises `CellError`. It also says in words what such a cell holds, which is what the page of
the files' columns shows. An empty cell never reaches a reader: it is 'not known'.
"""

import datetime as dt
import decimal
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from service.core.language import N_, _
from service.core.spreadsheet_cells import with_guard, without_guard
from service.inventory.files.file_problems import CellError, FileWords

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
_UNIT_SIGNS = str.maketrans({"·": " ", "⋅": " ", "*": " ", "^": None, "²": "2"})
_OF_CURRENCY = FileWords(N_("the three capital letters of a currency (ISO 4217), such as EUR"))
_OF_DAY = FileWords(N_("a date as year-month-day (ISO 8601), such as 2026-03-31"))
_OF_SLUG = FileWords(
    N_("a slug: letters a to z, digits, '-', '_' or '.', at most {most}, such as quiet-elm"), most=LONGEST_KEY
)


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
            raise CellError(_("a decimal point, as the cells are separated by commas"))
        if self.mark is not None:
            point = _("a decimal point, as in the cells before: one kind a file, and no thousands marks")
            comma = _("a decimal comma, as in the cells before: one kind a file, and no thousands marks")
            raise CellError(point if self.mark == "." else comma)
        self.mark = mark
        return text.replace(",", ".")


@dataclass(frozen=True, slots=True)
class Reader:
    """How the cells of a column are read."""

    convert: Callable[[str, Decimals], object]  # from text to the value that the tables keep; raises `CellError`
    holds: FileWords  # what a cell holds, in words

    def __call__(self, text: str, decimals: Decimals) -> object:
        """Return the value of a cell's text; raises `CellError`."""
        return self.convert(text, decimals)


def _holding(holds: FileWords) -> Callable[[Callable[[str, Decimals], object]], Reader]:
    """Return the decorator that makes a reader of a function, with the words for what its cells hold."""
    return lambda convert: Reader(convert, holds)


def _why_no_number(text: str) -> str:
    if _THOUSANDS.fullmatch(text):
        return _("a number without thousands marks, such as 1250.5")
    if _NOT_FINITE.fullmatch(text):
        return _("a finite number, or an empty cell where it is not known")
    return _("a number, such as 58.4")


def number(low: float = 0.0, high: float = BOUND) -> Reader:
    """Return a reader of numbers above ``low`` and below ``high``."""
    holds = FileWords(N_("a number above {low} and below {high}"), low=f"{low:g}", high=f"{high:g}")

    def read(text: str, decimals: Decimals) -> float:
        value = float(decimals.to_point(text))
        if not low < value < high:
            raise CellError(holds)
        return value

    return Reader(read, holds)


def whole(low: int, high: int) -> Reader:
    """Return a reader of whole numbers from ``low`` to ``high``; ``4.0`` is one, ``4.5`` is not."""
    holds = FileWords(N_("a whole number from {low} to {high}"), low=low, high=high)

    def read(text: str, decimals: Decimals) -> int:
        value = int(text) if text.isascii() and text.isdigit() and len(text) < 10 else float(decimals.to_point(text))
        if not (low <= value <= high and value == int(value)):
            raise CellError(holds)
        return int(value)

    return Reader(read, holds)


def rating(low: int, high: int) -> Reader:
    """Return a reader of ratings: a whole number, or ``?`` where the rater could not tell."""
    read_whole = whole(low, high)
    text = N_("a whole number from {low} to {high}, {unsure} for 'cannot tell', or nothing")
    holds = FileWords(text, low=low, high=high, unsure=CANNOT_TELL)

    def read(text: str, decimals: Decimals) -> object:
        if text == CANNOT_TELL:
            return text
        try:
            return read_whole(text, decimals)
        except CellError as error:
            raise CellError(holds) from error

    return Reader(read, holds)


@_holding(
    FileWords(
        N_(
            "eight marks, with blanks between or as one word, such as 00201000: 0 clean, 1 noisy, 2 broken, ? not played"
        )
    )
)
def strokes(text: str, _decimals: Decimals) -> str | None:
    """Return the marks of eight strokes as the tables keep them."""
    from model.bench import playable_range  # noqa: PLC0415 - numerics, which a file without strokes should not wait for

    try:
        return playable_range.as_text(playable_range.from_text(text))
    except ValueError as error:
        raise CellError(strokes.holds) from error


@_holding(FileWords(N_("an amount above 0 with at most two decimals, such as 2450 or 1250.5")))
def money(text: str, decimals: Decimals) -> decimal.Decimal:
    """Read an amount above zero in whole hundredths."""
    value = decimal.Decimal(decimals.to_point(text))
    if value <= 0:
        raise CellError(_("an amount above 0"))
    if value >= decimal.Decimal(int(BOUND)):
        raise CellError(FileWords(N_("an amount below {high}"), high=f"{BOUND:,.0f}".replace(",", "\u202f")))
    if value * 100 != int(value * 100):
        raise CellError(_("an amount with at most two decimals"))
    return value


@_holding(_OF_CURRENCY)
def currency(text: str, _decimals: Decimals) -> str:
    """Read a currency by the form of ISO 4217's codes; whether such a currency exists is not looked up."""
    if not _CURRENCY.fullmatch(text):
        raise CellError(_OF_CURRENCY)
    return text


@_holding(_OF_DAY)
def day(text: str, _decimals: Decimals) -> dt.date:
    """Read a date by ISO 8601."""
    try:
        value = dt.date.fromisoformat(text) if _DATE.fullmatch(text) else None
    except ValueError:
        value = None
    if value is None or value.year < FIRST_YEAR:
        raise CellError(_OF_DAY)
    return value


@_holding(_OF_SLUG)
def slug(text: str, _decimals: Decimals) -> str:
    """Read the key of a tier or dealer."""
    if not _SLUG.fullmatch(text) or len(text) > LONGEST_KEY:
        raise CellError(_OF_SLUG)
    return text


@_holding(FileWords(N_("a key: any text on one line, at most {most} characters"), most=LONGEST_KEY))
def key(text: str, _decimals: Decimals) -> str:
    """Read the key of a copy, trial or player: any text of one line."""
    value = _one_line(text)
    if len(value) > LONGEST_KEY:
        raise CellError(FileWords(N_("a key of at most {most} characters"), most=LONGEST_KEY))
    return value


@_holding(FileWords(N_("text on one line")))
def label(text: str, _decimals: Decimals) -> str:
    """Read text of one line."""
    return _one_line(text)


def _one_line(text: str) -> str:
    if "\n" in text or "\r" in text or "\t" in text[1:]:
        raise CellError(_("text on one line"))
    return without_guard(text)


@_holding(FileWords(N_("text of any number of lines, at most {most} characters"), most=LONGEST_TEXT))
def free_text(text: str, _decimals: Decimals) -> str:
    """Read text of any number of lines."""
    return without_guard(text)


def word(*allowed: str, also: Mapping[str, str] | None = None) -> Reader:
    """Return a reader of one of some words; ``also``: other words for them."""
    known = {**(also or {}), **{str(value): str(value) for value in allowed}}
    holds = FileWords(N_("one of {words}"), words=", ".join(allowed))

    def read(text: str, _decimals: Decimals) -> str:
        if text not in known:
            raise CellError(holds)
        return known[text]

    return Reader(read, holds)


@_holding(FileWords(N_("a unit; its products and powers in any usual way (kg m2, kg·m², kg*m^2)")))
def unit(text: str, _decimals: Decimals) -> str:
    """Read a unit, its products and powers written in any of the usual ways (kg m2, kg·m², kg*m^2)."""
    return " ".join(text.translate(_UNIT_SIGNS).split())


def words(*allowed: str, most: int | None = None) -> Reader:
    """Return a reader of different words separated by blanks, ``most`` at the most, their order kept."""
    known = frozenset(allowed)
    any_number = N_("different words of {words}, separated by blanks")
    some = N_("different words of {words}, separated by blanks, at most {most}")
    holds = FileWords(any_number if most is None else some, words=", ".join(allowed), most=most)

    def read(text: str, _decimals: Decimals) -> str:
        found = text.split()
        right = known.issuperset(found) and len(set(found)) == len(found) and (most is None or len(found) <= most)
        if not right:
            raise CellError(holds)
        return " ".join(found)

    return Reader(read, holds)


def check_characters(text: str) -> None:
    """Raise `CellError` for what no cell may hold: NUL and other control characters, or more text than is kept."""
    if len(text) > LONGEST_TEXT:
        raise CellError(
            FileWords(N_("at most {most} characters"), most=LONGEST_TEXT),
            got=_("{count} characters").format(count=len(text)),
        )
    if not text.isprintable() and _CONTROL.search(text.replace("\r\n", "\n").replace("\r", "\n")):
        raise CellError(_("text without control characters such as NUL"))


def one_line_ends(text: str) -> str:
    """Return the text with every end of line written as a line feed."""
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


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


def unguarded(value: object) -> str:
    """Return a value as a form shows it, which no spreadsheet opens."""
    return value if isinstance(value, str) else written(value)
