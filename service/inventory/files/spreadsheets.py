"""One file: from bytes to rows of values, every cell that cannot be read named."""

import codecs
import csv
import io
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from service.core.language import N_, _
from service.inventory.files import cells
from service.inventory.files.cells import Decimals
from service.inventory.files.file_problems import CellError, FileProblem, SheetError, shown
from service.inventory.files.kinds import Column, FileKind

LARGEST_FILE = 64 * 1024 * 1024
"""Bytes; about half a million runs."""
UTF8_REMEDY = N_("UTF-8; in the spreadsheet, save as 'CSV UTF-8'")


@dataclass(slots=True)
class CsvRow:
    """One row: ``values`` of its own columns, ``shared`` those of its group, by column; None is 'not known'."""

    line: int
    values: dict[str, object]
    shared: dict[str, object]

    def get(self, column: str) -> object:
        """Return the value of any column, None where it is empty or absent."""
        return self.values[column] if column in self.values else self.shared.get(column)


@dataclass(slots=True)
class CsvTable:
    """What one file holds.

    ``rows``: the rows that could be read, in order; of rows that say the same, the first. ``bad_keys``: values of the first key
    column in rows that could not be read, so that nothing else complains of them.
    """

    kind: FileKind  # which of the eight it is
    present: frozenset[str] = frozenset()  # the columns it has
    rows: list[CsvRow] = field(default_factory=list)
    problems: list[FileProblem] = field(default_factory=list)  # what could not be
    bad_keys: set[str] = field(default_factory=set)

    def present_in_order(self) -> Iterator[str]:
        """Yield the columns it has, in the order of its kind."""
        return (name for name in self.kind.order if name in self.present)

    def complain(self, line: int | None, column: str | None, got: str, expected: str) -> None:
        """Note a problem of this file."""
        self.problems.append(FileProblem(self.kind.name, line, column, got, expected))


def read_sheet(kind: FileKind, path: Path) -> CsvTable:
    """Read a file; whatever is wrong with it stands in the result's ``problems``."""
    return _read(kind, partial(_file, path))


def read_text(kind: FileKind, data: bytes) -> CsvTable:
    """Read the bytes of a CSV file."""
    return _read(kind, partial(_from_bytes, data))


def read_lines(kind: FileKind, lines: Iterable[tuple[int, list[str]]]) -> CsvTable:
    """Read lines of cells, each with its number, the header first; a `SheetError` of their source stands in the result's ``problems`` too."""
    return _read(kind, lambda: (iter(lines), ";"))


Lines = Iterator[tuple[int, list[str]]]


def _read(kind: FileKind, opened: Callable[[], tuple[Lines, str]]) -> CsvTable:
    sheet = CsvTable(kind)
    try:
        lines, delimiter = opened()
        header = _header(kind, next(lines, None))
        sheet.present = frozenset(header)
        _read_rows(sheet, header, lines, Decimals(delimiter))
    except SheetError as error:
        sheet.complain(error.line, None, error.got, error.expected)
    return sheet


def _from_bytes(data: bytes) -> tuple[Lines, str]:
    text = _text(data)
    header = re.split(r"[\r\n]", text, maxsplit=1)[0]
    delimiter = ";" if ";" in header and "," not in header else ","
    return _lines(text, delimiter), delimiter


def _file(path: Path) -> tuple[Lines, str]:
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            expected = _("at most {most} bytes: split it, and load the parts in turn").format(most=LARGEST_FILE)
            raise SheetError(_("a file of {size} bytes").format(size=size), expected)
        data = path.read_bytes()
    except OSError as error:
        got = _("a file that cannot be read ({why})").format(why=error.strerror)
        raise SheetError(got, _("a readable file")) from error
    return _from_bytes(data)


def _text(data: bytes) -> str:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        raise SheetError(_("text in UTF-16"), _(UTF8_REMEDY), 1)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        got = _("text that is not UTF-8 (byte {byte})").format(byte=f"0x{data[error.start]:02x}")
        raise SheetError(got, _(UTF8_REMEDY), line) from error


def _lines(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Yield the line on which each row begins and its cells; rows without any content are passed over."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    begins = 1
    try:
        for row in reader:
            if any(map(str.strip, row)):
                yield begins, row
            begins = reader.line_num + 1
    except csv.Error as error:
        expected = _("text in double quotes closed again, quotes inside it doubled, at most {most} characters a cell")
        got = _("a row that cannot be taken apart ({why})").format(why=error)
        raise SheetError(got, expected.format(most=cells.LONGEST_TEXT), begins) from error


def _header(kind: FileKind, first: tuple[int, list[str]] | None) -> list[str]:
    if first is None:
        expected = _("a header line: {columns}").format(columns=",".join(kind.order))
        raise SheetError(_("an empty file"), expected, 1)
    header = [name.strip() for name in first[1]]
    unknown = [name for name in header if name not in kind.order]
    if unknown:
        names = ", ".join(shown(name) for name in unknown)
        expected = _("only these columns: {columns}").format(columns=", ".join(kind.order))
        raise SheetError(_("the unknown column {names}").format(names=names), expected, first[0])
    double = sorted({name for name in header if header.count(name) > 1})
    if double:
        got = _("the column {names} more than once").format(names=", ".join(double))
        raise SheetError(got, _("each column once"), first[0])
    missing = [name for name in kind.required if name not in header]
    if missing:
        expected = _("the columns {names}").format(names=", ".join(kind.required))
        raise SheetError(_("no column {names}").format(names=", ".join(missing)), expected, first[0])
    return header


def _read_rows(sheet: CsvTable, header: list[str], lines: Iterator[tuple[int, list[str]]], decimals: Decimals) -> None:
    kind, width = sheet.kind, len(header)
    place = {name: index for index, name in enumerate(header)}
    own = [(column, place[column.name]) for column in kind.own if column.name in place]
    shared = [(column, place[column.name]) for column in kind.shared if column.name in place]
    groups: dict[tuple[str, ...], dict[str, object]] = {}
    seen: dict[tuple[object, ...], CsvRow] = {}
    for line, row in lines:
        if len(row) != width:
            got = _("{count} cells").format(count=len(row))
            sheet.complain(line, None, got, _("{count}, as in the header").format(count=width))
            _remember_bad(sheet, row, place)
            continue
        problems_before = len(sheet.problems)
        values = _read_cells(sheet, line, row, own, decimals)
        group = _read_group(sheet, line, row, shared, groups, decimals)
        if len(sheet.problems) > problems_before:
            _remember_bad(sheet, row, place)
        else:
            _keep(sheet, CsvRow(line, values, group), seen)


def _read_group(
    sheet: CsvTable,
    line: int,
    row: list[str],
    columns: list[tuple[Column, int]],
    groups: dict[tuple[str, ...], dict[str, object]],
    decimals: Decimals,
) -> dict[str, object]:
    texts = tuple([row[index] for _, index in columns])
    group = groups.get(texts)
    if group is None:
        problems_before = len(sheet.problems)
        group = _read_cells(sheet, line, row, columns, decimals)
        if len(sheet.problems) == problems_before:
            groups[texts] = group
    return group


def _read_cells(
    sheet: CsvTable, line: int, row: list[str], columns: list[tuple[Column, int]], decimals: Decimals
) -> dict[str, object]:
    values: dict[str, object] = {}
    for column, index in columns:
        text = row[index]
        if not text or not (stripped := text.strip()):
            values[column.name] = column.default
            if column.required:
                sheet.complain(line, column.name, _("an empty cell"), _("a value: this column is required"))
            continue
        try:
            cells.check_characters(text)
            values[column.name] = column.read(cells.one_line_ends(text) if column.verbatim else stripped, decimals)
        except CellError as error:
            sheet.complain(line, column.name, error.got or shown(text), error.expected)
    return values


def _remember_bad(sheet: CsvTable, row: list[str], place: dict[str, int]) -> None:
    index = place[sheet.kind.key[0]]
    if index < len(row):
        sheet.bad_keys.add(row[index].strip())


def _keep(sheet: CsvTable, row: CsvRow, seen: dict[tuple[object, ...], CsvRow]) -> None:
    """Keep a row unless it was there already; the same key with another content is a problem."""
    key = tuple([row.get(name) for name in sheet.kind.key])
    earlier = seen.setdefault(key, row)
    if earlier is row:
        sheet.rows.append(row)
        return
    column = next((name for name in sheet.present_in_order() if row.get(name) != earlier.get(name)), None)
    if column is not None:
        expected = _("{earlier} as on line {line}, which has the same {names}: each once in a file")
        values = {"earlier": shown(earlier.get(column)), "line": earlier.line, "names": ", ".join(sheet.kind.key)}
        sheet.complain(row.line, column, shown(row.get(column)), expected.format(**values))
