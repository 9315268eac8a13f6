"""What a folder would change: each row new, the same as stored, changed, or in conflict with what is stored."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain

from service.bench import bench_limits
from service.core.language import _
from service.inventory.files import kinds
from service.inventory.files.file_problems import shown
from service.inventory.files.folders import Parsed, StoredRecords, key_of, laid_over, merged
from service.inventory.files.kinds import FileKind
from service.inventory.files.spreadsheets import CsvRow, CsvTable
from service.inventory.files.stored import Values
from service.tables import BENCH_COLUMNS

UPDATED = (kinds.TIERS.name, kinds.CHARACTER.name, kinds.PRICES.name, kinds.COPIES.name)
"""Files whose rows say how things stand now; the rows of the others say what happened, and stay."""


@dataclass
class Changes:
    """What one file changes; ``changed``: rows to stand in place of the stored ones, with all columns of their kind."""

    sheet: CsvTable
    new: list[CsvRow] = field(default_factory=list)  # rows to be added
    changed: list[Values] = field(default_factory=list)
    was: list[tuple[int, Values]] = field(default_factory=list)  # of each changed row its line and what is stored
    same: int = 0  # how many rows change nothing

    def added(self) -> Iterator[Values]:
        """Yield the new rows, each with all columns of its kind."""
        return (merged(self.sheet, row, None) for row in self.new)

    def all(self) -> Iterator[Values]:
        """Yield the new and the changed rows."""
        return chain(self.added(), self.changed)


@dataclass
class Plan:
    """What a folder changes; ``latest``: (serial, bench column) -> the latest reading, where neither the stored copy nor its new row shows it."""

    files: dict[str, Changes] = field(default_factory=dict)  # the changes of each file
    trials: list[Values] = field(default_factory=list)  # trials whose answers change, as one of their rows each
    latest: dict[tuple[str, str], float] = field(default_factory=dict)
    showed: dict[str, Values] = field(default_factory=dict)  # by serial the stored copies of which `latest` speaks
    dealers: dict[str, str | None] = field(default_factory=dict)  # dealers to be made, slug -> currency
    notes: list[str] = field(default_factory=list)  # what was understood otherwise than it stands in a file


def plan(parsed: Parsed, known: StoredRecords, *, replace: bool) -> Plan:
    """Compare a folder with what is stored; conflicts stand in the sheets' ``problems`` unless ``replace`` is set."""
    latest = _latest_readings(parsed, known)
    made = Plan(dealers=_new_dealers(parsed, known), notes=_show_latest(parsed, latest))
    copies = known.copies | laid_over(parsed.sheet(kinds.COPIES), known.copies)
    made.latest = {
        (serial, column): value
        for (serial, column), value in latest.items()
        if serial in copies and copies[serial][column] != value
    }
    made.showed = {serial: known.copies[serial] for serial, _column in made.latest if serial in known.copies}
    for kind, stored in _stored(known):
        made.files[kind.name] = _compare(parsed.sheet(kind), stored, replace=replace)
    made.notes += _unusual(made.files[kinds.BENCH.name]) + _contradictory(made.files[kinds.BENCH.name])
    made.trials = _changed_trials(parsed.sheet(kinds.RUNS), known, replace=replace)
    return made


def _stored(known: StoredRecords) -> list[tuple[FileKind, Mapping[tuple[object, ...], Values]]]:
    return [
        (kinds.TIERS, {(slug,): values for slug, values in known.tiers.items()}),
        (kinds.CHARACTER, known.character),
        (kinds.PRICES, known.prices),
        (kinds.COPIES, {(serial,): values for serial, values in known.copies.items()}),
        (kinds.BENCH, known.readings),
        (kinds.EVENTS_FILE, known.events),
        (kinds.RUNS, known.runs),
        (kinds.OUTCOMES, known.outcomes),
    ]


def _compare(sheet: CsvTable, stored: Mapping[tuple[object, ...], Values], *, replace: bool) -> Changes:
    changes = Changes(sheet)
    compared = [column.name for column in sheet.kind.own if column.name in sheet.present]
    for row in sheet.rows:
        old = stored.get(key_of(sheet.kind, row))
        if old is None:
            changes.new.append(row)
            continue
        values = merged(sheet, row, old)
        column = next((name for name in compared if values[name] != old[name]), None)
        if column is None:
            changes.same += 1
        elif replace or sheet.kind.name in UPDATED:
            changes.changed.append(values)
            changes.was.append((row.line, old))
        else:
            _conflict(sheet, row, column, old[column])
    return changes


def _conflict(sheet: CsvTable, row: CsvRow, column: str, stored: object) -> None:
    expected = _("{stored} as stored, or the option --replace to let the new row count")
    sheet.complain(row.line, column, shown(row.get(column)), expected.format(stored=shown(stored)))


def _changed_trials(sheet: CsvTable, known: StoredRecords, *, replace: bool) -> list[Values]:
    """Find stored trials whose answers differ on a row of the file; each is told, or given, once."""
    found: list[Values] = []
    compared = [column.name for column in sheet.kind.shared if column.name in sheet.present]
    for row in {row.shared["trial"]: row for row in reversed(sheet.rows)}.values():
        old = known.trials.get(str(row.shared["trial"]))
        column = None if old is None else next((name for name in compared if row.shared[name] != old[name]), None)
        if old is not None and column is not None:
            if replace:
                found.append(merged(sheet, row, old))
            else:
                _conflict(sheet, row, column, old[column])
    return found


def _latest_readings(parsed: Parsed, known: StoredRecords) -> dict[tuple[str, str], float]:
    """Find what every quantity that a copy's row shows has to be, of the copies concerned: the latest reading of the bench.

    Of one day's the one kept last (`bench.records`); those of a file, whose rows say no order, are kept by method. Where a file
    brings nothing later than is known, a stored copy shows it already, or what follows from later readings of other quantities.
    """
    sheet = parsed.sheet(kinds.BENCH)
    rows = sorted((merged(sheet, row, None) for row in sheet.rows), key=lambda reading: str(reading["method"]))
    in_order = dict(sorted(known.readings.items(), key=lambda each: each[1]["kept"]))
    before = _newest(in_order.values())
    after = _newest((in_order | {tuple(row[name] for name in kinds.BENCH.key): row for row in rows}).values())
    found = {}
    for (serial, column), reading in after.items():
        shown_now, was = known.copies.get(serial, {}).get(column), before.get((serial, column), {})
        is_known = all(was.get(name) == reading[name] for name in ("date", "method", "value"))
        found[serial, column] = shown_now if is_known and shown_now is not None else reading["value"]
    return found


def _newest(readings: Iterable[Values]) -> dict[tuple[str, str], Values]:
    """Return by copy and quantity the latest of readings that come in the order they were kept in."""
    in_order = sorted(readings, key=lambda reading: reading["date"])
    return {(each["copy"], each["quantity"]): each for each in in_order if each["quantity"] in BENCH_COLUMNS}


def _show_latest(parsed: Parsed, latest: Mapping[tuple[str, str], float]) -> list[str]:
    """Put the latest reading into the row of its copy, and say where the row had another value."""
    sheet = parsed.sheet(kinds.COPIES)
    lines = {str(row.get("copy")): row for row in sheet.rows}
    notes = []
    for (serial, column), value in latest.items():
        row = lines.get(serial)
        if row is None or column not in sheet.present or row.values[column] == value:
            continue
        if row.values[column] is not None:
            note = _("{file}, line {line}, {column}: got {got}, kept {kept}, the latest reading of the bench")
            where = {"file": sheet.kind.name, "line": row.line, "column": column}
            notes.append(note.format(got=row.values[column], kept=value, **where))
        row.values[column] = value
    return notes


def _unusual(readings: Changes) -> list[str]:
    """Say which new readings are unusual; they are kept as they stand."""
    return [
        f"{kinds.BENCH.name}, line {row.line}, value: got {row.get('value')}, kept; {said}"
        for row in readings.new
        if (said := bench_limits.unusual(str(row.get("quantity")), row.get("value"))) is not None
    ]


def _contradictory(readings: Changes) -> list[str]:
    """Say which new readings of one bow on one day cannot be of it together; they are kept as they stand."""
    from service.bench import entry  # noqa: PLC0415 - numerics, which only new readings should wait for

    by_bow: dict[tuple[object, object], dict[str, list[CsvRow]]] = defaultdict(lambda: defaultdict(list))
    for row in readings.new:
        if isinstance(row.get("value"), float):
            by_bow[row.get("copy"), row.get("date")][str(row.get("quantity"))].append(row)
    return [
        f"{kinds.BENCH.name}, line {rows[name][-1].line}, value: got {rows[name][-1].get('value')}, kept; {sentence}"
        for rows in by_bow.values()
        for name, sentence in entry.contradictions(
            {of: [float(str(each.get("value"))) for each in each_of] for of, each_of in rows.items()}
        )
    ]


def _new_dealers(parsed: Parsed, known: StoredRecords) -> dict[str, str | None]:
    """Find the dealers to be made, each with the one currency of its prices or, without prices, of its trials."""
    prices, runs = parsed.sheet(kinds.PRICES), parsed.sheet(kinds.RUNS)
    slugs = [
        str(row.get("dealer"))
        for sheet in (prices, parsed.sheet(kinds.COPIES), runs)
        for row in sheet.rows
        if row.get("dealer") is not None
    ]
    found: dict[str, str | None] = dict.fromkeys(slug for slug in slugs if slug not in known.dealers)
    for sheet in (prices, runs):
        first = {slug: currency for slug, currency in found.items() if currency is not None}
        for row in sheet.rows:
            slug, currency = str(row.get("dealer")), row.get("currency")
            if slug not in found or currency is None or slug in first:
                continue
            if found[slug] not in (None, currency):
                expected = _("{currency}, the currency of the rows before of the new dealer {dealer}")
                expected = expected.format(currency=found[slug], dealer=slug)
                sheet.complain(row.line, "currency", shown(currency), expected)
            found[slug] = found[slug] or str(currency)
    return found
