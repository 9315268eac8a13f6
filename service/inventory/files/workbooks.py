"""A workbook (.xlsx, ISO/IEC 29500) that holds one of the files as a sheet, read row by row and no further than a file may go."""

import datetime as dt
import io
import warnings
import zipfile
import zlib
from collections.abc import Iterator
from typing import Any
from xml.etree.ElementTree import ParseError

from service.core.language import _
from service.inventory.files.file_problems import SheetError, shown
from service.inventory.files.kinds import KINDS, FileKind

SIGNATURE = b"PK\x03\x04"
"""How every zip archive begins that holds something."""
LARGEST_UNPACKED = 32 * 1024 * 1024
"""Bytes of all that is in it: a bomb unpacks to a thousand times its size."""
MOST_ROWS, MOST_COLUMNS = 50_000, 60
_UNREADABLE: tuple[type[Exception], ...] = (
    *(zipfile.BadZipFile, ParseError, KeyError, ValueError, TypeError, OSError),
    *(AttributeError, IndexError, EOFError, RuntimeError, zlib.error),
)
"""What the packages raise for bytes that are no workbook, or a damaged or encrypted one."""


def kind_named(name: str) -> FileKind | None:
    """Return which of the files a name means: 'copies', 'Copies.csv', 'copies (2).xlsx'; None for no one."""
    stem = name.strip().lower()
    return next((kind for kind in KINDS if stem.startswith(kind.name.removesuffix(".csv"))), None)


def sheet_of(data: bytes, meant: FileKind | None) -> tuple[FileKind, Iterator[tuple[int, list[str]]]]:
    """Return which file a workbook holds, ``meant`` where its sheets do not say, and its lines of cells; raises `SheetError`."""
    # That is for no workbook or one too large, two such sheets, merged cells, and formulas without a value.
    _check_size(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and pictures, which are not read
            values, formulas = (_opened(data, data_only=only) for only in (True, False))
    except _UNREADABLE as error:
        raise _no_workbook() from error
    names = [sheet.title for sheet in values.worksheets]
    found = [(kind, name) for name in names if (kind := kind_named(name))]
    if len(found) > 1:
        got = _("the sheets {names}").format(names=", ".join(shown(name) for _kind, name in found))
        raise SheetError(got, _("one sheet with one of the files; load them one after the other"))
    if not found and (meant is None or len(names) != 1):
        got = _("the sheets {names}").format(names=", ".join(map(shown, names)))
        raise SheetError(got, _("one sheet that is called as its file: {files}").format(files=_names()))
    kind, name = found[0] if found else (meant or KINDS[0], names[0])
    _check_merged(data, values[name])
    return kind, _lines(values[name], formulas[name])


def _names() -> str:
    return ", ".join(kind.name.removesuffix(".csv") for kind in KINDS)


def _opened(data: bytes, *, data_only: bool) -> Any:
    import openpyxl  # noqa: PLC0415 - slow to load, and few files are workbooks
    from openpyxl.utils.exceptions import InvalidFileException  # noqa: PLC0415

    try:
        return openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=data_only, keep_links=False)
    except InvalidFileException as error:
        raise ValueError(error) from error


def _no_workbook() -> SheetError:
    return SheetError(
        _("a file that is no workbook"), _("a workbook saved as .xlsx, without a password, or a CSV file")
    )


def _check_size(data: bytes) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            size = sum(entry.file_size for entry in archive.infolist())
    except _UNREADABLE as error:
        raise _no_workbook() from error
    if size > LARGEST_UNPACKED:
        expected = _("at most {most} bytes: split it, and load the parts in turn").format(most=LARGEST_UNPACKED)
        raise SheetError(_("a workbook that unpacks to {size} bytes").format(size=size), expected)


def _check_merged(data: bytes, sheet: Any) -> None:
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            merged = b"<mergeCell " in archive.read(sheet._worksheet_path)  # noqa: SLF001 - told nowhere else to who reads row by row
    except _UNREADABLE as error:
        raise _no_workbook() from error
    if merged:
        raise SheetError(_("merged cells"), _("each cell by itself: undo the merging in the spreadsheet"))


def _lines(values: Any, formulas: Any) -> Iterator[tuple[int, list[str]]]:
    """Yield the number of each row with content and its cells as text, as many as the header has; raises `SheetError`."""
    for sheet in (values, formulas):
        sheet.reset_dimensions()  # what it says of its own size is not believed
    limits = {"max_row": MOST_ROWS + 1, "max_col": MOST_COLUMNS}
    width = 0
    try:
        for number, (row, asked) in enumerate(
            zip(values.iter_rows(**limits), formulas.iter_rows(**limits), strict=True), 1
        ):
            if number > MOST_ROWS:
                raise SheetError(_("more than {most} rows").format(most=MOST_ROWS), _("fewer: load the parts in turn"))
            cells = [_text(cell, formula) for cell, formula in zip(row, asked, strict=True)]
            while cells and not cells[-1].strip():
                cells.pop()
            if cells:
                width = width or len(cells)
                yield number, cells + [""] * (width - len(cells))
    except _UNREADABLE as error:
        if isinstance(error, SheetError):
            raise
        raise _no_workbook() from error


def _text(cell: Any, formula: Any) -> str:
    """Return a cell as it would stand in a CSV file: a date by ISO 8601, a number in its shortest form."""
    value = cell.value
    if value is None and formula.data_type == "f":
        got = _("a formula without its value, in cell {cell}").format(cell=formula.coordinate)
        raise SheetError(got, _("values: open and save it in the spreadsheet, or paste the cells as values"))
    if isinstance(value, dt.datetime) and value.time() == dt.time():
        return value.date().isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return "" if value is None else str(value)
