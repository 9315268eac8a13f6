"""A folder of files, read; and the part of the database that it speaks of."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.core.language import _
from service.inventory.files import kinds
from service.inventory.files.file_problems import FileProblem
from service.inventory.files.kinds import KINDS, FileKind
from service.inventory.files.spreadsheets import CsvRow, CsvTable, read_sheet
from service.inventory.files.stored import Values, rows
from service.tables import Dealer


@dataclass
class Parsed:
    """What a folder holds, as far as it can be told without the database; of a file that is not there an empty sheet."""

    folder: Path
    sheets: dict[str, CsvTable] = field(default_factory=dict)
    unread: tuple[str, ...] = ()  # CSV files that are none of the eight
    missing: FileProblem | None = None  # a problem of the folder itself

    def sheet(self, kind: FileKind) -> CsvTable:
        """Return a file's sheet, empty where the file is not there."""
        return self.sheets.setdefault(kind.name, CsvTable(kind))

    @property
    def problems(self) -> tuple[FileProblem, ...]:
        """Every problem found so far, by file and line."""
        if self.missing is not None:
            return (self.missing,)
        found = (problem for kind in KINDS for problem in self.sheet(kind).problems)
        order = {kind.name: index for index, kind in enumerate(KINDS)}
        return tuple(sorted(found, key=lambda problem: (order[problem.file], problem.line or 0)))

    def keys(self, kind: FileKind, column: str) -> set[str]:
        """Return the different values of a column of keys."""
        return {str(value) for row in self.sheet(kind).rows if (value := row.get(column)) is not None}


def read_folder(folder: Path) -> Parsed:
    """Read the files of a folder that are there, every bad row named in ``problems``."""
    parsed = Parsed(folder)
    names = [kind.name for kind in KINDS]
    if not folder.is_dir():
        parsed.missing = FileProblem(str(folder), None, None, _("no such folder"), _("a folder of CSV files"))
        return parsed
    present = [kind for kind in KINDS if (folder / kind.name).exists()]
    parsed.unread = tuple(sorted(path.name for path in folder.glob("*.csv") if path.name not in names))
    if not present:
        others = _("none of the files (but {others})").format(others=", ".join(parsed.unread))
        expected = _("at least one of {files}").format(files=", ".join(names))
        got = others if parsed.unread else _("none of the files")
        parsed.missing = FileProblem(str(folder), None, None, got, expected)
    for kind in present:
        parsed.sheets[kind.name] = read_sheet(kind, folder / kind.name)
    return parsed


@dataclass(frozen=True)
class StoredRecords:
    """What is stored of the things a folder speaks of, each by the key of its file.

    ``tiers``, ``copies``: all of them; by slug and serial. ``character``, ``prices``, ``readings``, ``events``, ``outcomes``:
    those of the tiers, copies and trials the folder speaks of.
    """

    tiers: dict[str, Values]
    copies: dict[str, Values]
    character: dict[tuple[object, ...], Values]
    prices: dict[tuple[object, ...], Values]
    readings: dict[tuple[object, ...], Values]
    events: dict[tuple[object, ...], Values]
    runs: dict[tuple[object, ...], Values]  # the stored sheets of the folder's trials, by (trial, position, rater)
    outcomes: dict[tuple[object, ...], Values]
    dealers: dict[str, str | None]  # slug -> currency

    @cached_property
    def trials(self) -> dict[str, Values]:
        """One stored run of each of the folder's trials, for what is the same on all of them."""
        return {values["trial"]: values for values in self.runs.values()}


def read_known(session: Session, parsed: Parsed) -> StoredRecords:
    """Read what the database knows of the things a folder speaks of, in a few bulk queries."""
    trials = parsed.keys(kinds.RUNS, "trial") | parsed.keys(kinds.OUTCOMES, "trial")
    measured = parsed.keys(kinds.BENCH, "copy") | parsed.keys(kinds.COPIES, "copy")
    return StoredRecords(
        tiers={values["tier"]: values for values in rows(session, kinds.TIERS)},
        copies={values["copy"]: values for values in rows(session, kinds.COPIES)},
        character=_by_key(session, kinds.CHARACTER, parsed.keys(kinds.CHARACTER, "tier")),
        prices=_by_key(session, kinds.PRICES, parsed.keys(kinds.PRICES, "tier")),
        readings=_by_key(session, kinds.BENCH, measured),
        events=_by_key(session, kinds.EVENTS_FILE, parsed.keys(kinds.EVENTS_FILE, "copy")),
        runs=_by_key(session, kinds.RUNS, trials),
        outcomes=_by_key(session, kinds.OUTCOMES, parsed.keys(kinds.OUTCOMES, "trial")),
        dealers=dict(session.execute(select(Dealer.slug, Dealer.currency)).all()),
    )


def _by_key(session: Session, kind: FileKind, only: set[str]) -> dict[tuple[object, ...], Values]:
    return {tuple([values[name] for name in kind.key]): values for values in rows(session, kind, only)}


_DEFAULTS = {"rater": "player", "method": ""}
"""What an absent column of a key means."""


def key_of(kind: FileKind, row: CsvRow) -> tuple[object, ...]:
    """Return a row's key as the stored rows have it."""
    return tuple([row.get(name) or _DEFAULTS.get(name) for name in kind.key])


def merged(sheet: CsvTable, row: CsvRow, stored: Values | None) -> Values:
    """Return a row's values over the stored ones: an absent column says nothing, an empty cell says 'not known'."""
    values: Values = dict(stored) if stored is not None else dict.fromkeys(sheet.kind.order)
    values |= {name: row.get(name) for name in sheet.present}
    for name in {"rater", "method"} & values.keys():
        values[name] = values[name] or _DEFAULTS[name]
    if sheet.kind is kinds.TIERS and values["name"] is None:
        values["name"] = stored["name"] if stored is not None else values["tier"]
    return values


def laid_over(sheet: CsvTable, stored: Mapping[str, Values]) -> dict[str, Values]:
    """Return the rows of a file whose key is one column, each over its stored values, by that key."""
    keys = ((str(row.get(sheet.kind.key[0])), row) for row in sheet.rows)
    return {key: merged(sheet, row, stored.get(key)) for key, row in keys}
