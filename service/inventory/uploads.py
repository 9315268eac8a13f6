"""One file that is sent to the desk: read, held to whose rows they are, looked at before it is taken, and then all or nothing."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.errors import ConflictError
from service.core.language import _
from service.core.row_locks import lock_copies
from service.core.scopes import OneDealer, Scope
from service.inventory.files import kinds
from service.inventory.files.cells import written
from service.inventory.files.changes import Plan
from service.inventory.files.file_problems import FileProblem, SheetError, shown
from service.inventory.files.folders import Parsed, StoredRecords
from service.inventory.files.kinds import KINDS, FileKind
from service.inventory.files.loading import Report, prepare
from service.inventory.files.spreadsheets import CsvRow, CsvTable, read_lines, read_text
from service.inventory.files.stored import batched
from service.inventory.files.workbooks import SIGNATURE, kind_named, sheet_of
from service.inventory.files.writing import write

LARGEST = 4 * 1024 * 1024
"""Bytes of a file that is sent."""
MOST_SHOWN = 200
"""Changes that a preview shows one by one; all are counted."""
OF_A_DEALER = (kinds.PRICES.name, kinds.COPIES.name, kinds.BENCH.name, kinds.EVENTS_FILE.name)
"""What whoever is bound to a dealer may load: the range is the maker's, and trials speak of players."""
OF_TRIALS = (kinds.RUNS.name, kinds.OUTCOMES.name)
"""What only whoever runs trials may load: it tells, and its preview shows, what players said."""

RowChange = tuple[int | None, str, bool, tuple[tuple[str, str, str], ...]]
"""One row that is new or changes something: its line, its key, whether it is new, and of each column concerned its name, what
is stored (empty where it is new) and what the file says."""


@dataclass(frozen=True, slots=True)
class LoadPreview:
    """What a file would do. ``mark``: the same for the same effects on the same things stored."""

    report: Report
    changes: tuple[RowChange, ...]
    mark: str


def parse(name: str, data: bytes, chosen: str = "") -> Parsed:
    """Read a file sent, CSV or workbook; ``chosen``: which of the files it is, empty to go by its name."""
    meant = kind_named(chosen or name)
    try:
        if data.startswith(SIGNATURE):
            kind, lines = sheet_of(data, meant)
            return Parsed(Path(), {kind.name: read_lines(kind, lines)})
    except SheetError as error:
        return _unread(name, error.got, error.expected)
    if not data:
        return _unread(name, _("an empty file"), _("a readable file"))
    if meant is None:
        files = ", ".join(kind.name for kind in KINDS)
        return _unread(name, _("the name {name}").format(name=shown(name)), _("one of {words}").format(words=files))
    return Parsed(Path(), {meant.name: read_text(meant, data)})


def _unread(name: str, got: str, expected: str) -> Parsed:
    return Parsed(Path(), missing=FileProblem(name or _("the file"), None, None, got, expected))


def preview(session: Session, scope: Scope, parsed: Parsed, *, replace: bool, trials: bool) -> LoadPreview:
    """Find out what a file would change for whoever has a scope; nothing is written. ``trials``: whether they run trials."""
    return _prepared(session, scope, parsed, replace=replace, trials=trials)[0]


def take(
    session: Session, user: int, scope: Scope, parsed: Parsed, *, replace: bool, trials: bool, seen: str
) -> Report:
    """Take a file in as it was looked at; raises `ConflictError` where its effect is another by now, or anything is wrong with it."""
    # Held before they are read: all columns of the copies that a file speaks of are written back.
    named = parsed.keys(kinds.COPIES, "copy") | parsed.keys(kinds.BENCH, "copy")
    for part in batched(sorted(named)):
        lock_copies(session, part)
    looked, made = _prepared(session, scope, parsed, replace=replace, trials=trials)
    if made is None or looked.report.problems or looked.mark != seen:
        raise ConflictError(
            _("Things have changed since you looked at this. Nothing was loaded; here is what it would do now.")
        )
    write(session, made)
    session.expire_all()
    taken = {name: count.new + count.changed for name, count in looked.report.files.items()}
    audit.record(session, user, audit_events.DATA_LOADED, "files", dealer=scope.slug, **taken)
    return looked.report


def _prepared(
    session: Session, scope: Scope, parsed: Parsed, *, replace: bool, trials: bool
) -> tuple[LoadPreview, Plan | None]:
    if parsed.missing is not None:
        return LoadPreview(Report(parsed.problems, {}, (), (), dry_run=True), (), ""), None
    if not trials:
        # What tells of players is taken out; a file that is refused is not compared with what is stored.
        for name in OF_TRIALS:
            sheet = parsed.sheets.get(name)
            if sheet is not None:
                sheet.rows.clear()
                words = ", ".join(kind.name for kind in offered(scope, trials=False))
                expected = _("one of {words}").format(words=words)
                sheet.complain(None, None, _("a file of trials, which only whoever runs trials may load"), expected)
    guard = _Guard(scope) if isinstance(scope, OneDealer) else None
    report, made = prepare(session, parsed, replace=replace, guard=guard)
    changes = tuple(_changes(made))
    mark = hashlib.sha256(repr((changes, report.problems, made.dealers, made.latest)).encode()).hexdigest()
    return LoadPreview(report, changes[:MOST_SHOWN], mark), made


def _changes(made: Plan) -> Iterator[RowChange]:
    for changed in made.files.values():
        kind = changed.sheet.kind
        for row in changed.new:
            cells = ((name, "", written(row.get(name))) for name in kind.order if row.get(name) is not None)
            yield row.line, _key(kind, row.get), True, tuple(cells)
        for (line, old), new in zip(changed.was, changed.changed, strict=True):
            differ = ((name, written(old[name]), written(new[name])) for name in kind.order if old[name] != new[name])
            yield line, _key(kind, new.get), False, tuple(differ)
    for values in made.trials:
        yield None, str(values["trial"]), False, (("trial", "", _("its answers")),)


def _key(kind: FileKind, get: Callable[[str], object]) -> str:
    return ", ".join(written(get(name)) for name in kind.key if get(name) is not None)


class _Guard:
    """Refuses whoever is bound to a dealer the rows that are not that dealer's, in words that tell nothing of others'."""

    def __init__(self, scope: OneDealer) -> None:
        self.scope = scope

    def __call__(self, parsed: Parsed, known: StoredRecords) -> None:
        """Take the rows out that are refused, each with its problem, and what is stored of others."""
        theirs = {serial for serial, copy in known.copies.items() if not self.scope.covers(copy["dealer"])}
        for sheet in list(parsed.sheets.values()):
            if not (sheet.present or sheet.problems):
                continue  # it was not sent
            if sheet.kind.name not in OF_A_DEALER:
                sheet.rows.clear()
                expected = _("one of {words}").format(words=", ".join(OF_A_DEALER))
                sheet.complain(None, None, _("a file that is not one dealer’s"), expected)
                continue
            sheet.rows[:] = [row for row in sheet.rows if self._may(sheet, row, theirs, known)]
        for serial in theirs:
            del known.copies[serial]

    def _may(self, sheet: CsvTable, row: CsvRow, theirs: set[str], known: StoredRecords) -> bool:
        serial, dealer = row.get("copy"), row.get("dealer")
        if sheet.kind is kinds.COPIES and serial in theirs:
            expected = _("a serial that is not taken, or one of your own bows")
            sheet.complain(row.line, "copy", shown(serial), expected)
            return False
        if sheet.kind in (kinds.BENCH, kinds.EVENTS_FILE):
            if serial in known.copies and serial not in theirs:
                return True
            expected = _("a {column} of {file} or one loaded before").format(column="copy", file=kinds.COPIES.name)
            sheet.complain(row.line, "copy", shown(serial), expected)
            return False
        says = "dealer" in sheet.present or serial not in known.copies
        if says and dealer != self.scope.slug:
            expected = _("{dealer}, your own dealer").format(dealer=self.scope.slug)
            sheet.complain(row.line, "dealer", shown(dealer), expected)
            return False
        return True


def offered(scope: Scope, *, trials: bool) -> tuple[FileKind, ...]:
    """Return the files that whoever has a scope may load; ``trials``: whether they run trials."""
    theirs = (kind for kind in KINDS if not isinstance(scope, OneDealer) or kind.name in OF_A_DEALER)
    return tuple(kind for kind in theirs if trials or kind.name not in OF_TRIALS)
