"""A large folder taken in step by step, so that nobody waits for it: all of it, or nothing, whenever its process is killed.

What the folder changes is found out without any lock and laid aside (`LoadStep`), where it counts for nothing. One short
transaction writes the range and settles it; from then on all of it will be there. The steps, each a short transaction with
whole trials, are written by this process or, where it is killed, by whoever comes next: `serve` within a minute, or the next
`load`. A fit waits for the end.
"""

import datetime as dt
import json
import threading
import time
from collections.abc import Callable, Collection, Iterable, Iterator
from decimal import Decimal
from itertools import islice
from typing import Any

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.bench import records
from service.core import audit, audit_events, files_coming
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.moments import now
from service.core.one_at_a_time import alone
from service.inventory.files import kinds, writing
from service.inventory.files.changes import Plan
from service.inventory.files.folders import Parsed
from service.inventory.files.loading import Report, load, prepare
from service.inventory.files.stored import Values, rows
from service.tables import BenchReading, Duty, Event, LoadStep
from service.trials import bow_marks

SMALL = 2_000
"""A folder of so many rows is taken in by one transaction."""
TRIALS, ROWS, BOWS, PLAYED = 100, 1_000, 200, 10
"""So many of them make a step; of bows played few, since all that they were ever marked is read."""
REST = 0.1
"""Seconds at least between two steps, in which whoever waits gets in: SQLite has them look every tenth of a second."""
ALREADY = "Another load is going on. Nothing was changed; begin again when it is done."
CHANGED = "Somebody else changed the same things meanwhile; nothing was changed here. Try again."


def take_in(database: Database, parsed: Parsed, *, replace: bool = False) -> Report:
    """Take in a folder, all or nothing; `ConflictError`: another load goes on, or somebody else changed the same meanwhile."""
    with alone(database, "loading") as free:
        if not free:
            raise ConflictError(ALREADY)
        _finish(database)
        if sum(len(sheet.rows) for sheet in parsed.sheets.values()) <= SMALL:
            with database.writing() as session:
                report = load(session, parsed, replace=replace)
                if not report.problems:
                    _record(session, report)
            return report
        with database.reading() as session:
            report, made = prepare(session, parsed, replace=replace, dry_run=False)
        if not report.problems:
            try:
                _lay_aside(database, _steps(made))
                with database.writing() as session:
                    _settle(session, made, report)
            except BaseException:
                _clear(database)
                raise
            _finish(database)
        return report


def finish(database: Database, end: threading.Event | None = None) -> None:
    """Bring to its end what a killed load has left, unless one is at it; ``end`` stops between two steps."""
    with database.reading() as session:
        if not files_coming.under_way(session) and session.scalar(select(func.min(LoadStep.id))) is None:
            return
    with alone(database, "loading") as free:
        if free:
            _finish(database, end)


def _record(session: Session, report: Report) -> None:
    taken = {name: count.new + count.changed for name, count in report.files.items()}
    audit.record(session, None, audit_events.DATA_LOADED, "files", dealer=None, **taken)


# Found out and laid aside


def _steps(plan: Plan) -> Iterator[Values]:
    """Yield what is to be written once the range is there, a step at a time."""
    trials = list(writing.trials_of(plan))
    played = {run["copy"] for trial in trials for run in trial["runs"] if run["copy"] is not None}
    yield from _in_parts("readings", writing.readings_of(plan), ROWS)
    yield from _in_parts("events", writing.events_of(plan), ROWS)
    yield from _in_parts("measured", sorted(writing.measured(plan)), BOWS)
    yield from _in_parts("trials", trials, TRIALS)
    yield {"sales": True}
    yield from _in_parts("played", sorted(played), PLAYED)


def _in_parts(name: str, items: Iterable[Any], most: int) -> Iterator[Values]:
    remaining = iter(items)
    while part := list(islice(remaining, most)):
        yield {name: part}


def _lay_aside(database: Database, steps: Iterable[Values]) -> None:
    for step in steps:
        begun = time.monotonic()
        with database.writing() as session:
            session.add(LoadStep(work=json.dumps(step, default=_in_json)))
        _rest(begun)


def _settle(session: Session, plan: Plan, report: Report) -> None:
    """Write the range, and that the rest will follow; `ConflictError` where what is written over has been changed meanwhile."""
    for name, changes in plan.files.items():
        kind, was = changes.sheet.kind, [values for _line, values in changes.was]
        if name not in (kinds.RUNS.name, kinds.OUTCOMES.name):  # whose next revisions stand beside what came meanwhile
            _unchanged(session, kind, was)
    _unchanged(session, kinds.COPIES, plan.showed.values())
    writing.write_range(session, plan)
    session.merge(Duty(name=files_coming.LOAD, begun_at=now(), ended_at=None, counts={}))
    _record(session, report)


def _unchanged(session: Session, kind: kinds.FileKind, was: Collection[Values]) -> None:
    def key(values: Values) -> tuple[object, ...]:
        return tuple(values[name] for name in kind.key)

    stored = {key(values): values for values in rows(session, kind, {values[kind.key[0]] for values in was})}
    if any(stored.get(key(values)) != values for values in was):
        raise ConflictError(CHANGED)


def _in_json(value: object) -> dict[str, str]:
    """Return what stands in JSON for a day or an amount; `_from_json` reads it."""
    return {"day": value.isoformat()} if isinstance(value, dt.date) else {"amount": str(value)}


def _from_json(value: Values) -> Any:
    if value.keys() == {"day"}:
        return dt.date.fromisoformat(value["day"])
    return Decimal(value["amount"]) if value.keys() == {"amount"} else value


# Written


def _finish(database: Database, end: threading.Event | None = None) -> None:
    """Write what is settled, and clear what is not."""
    with database.reading() as session:
        settled = files_coming.under_way(session)
    if not settled:
        _clear(database)
        return
    while not (end is not None and end.is_set()):
        begun = time.monotonic()
        with database.writing() as session:
            step = session.scalars(select(LoadStep).order_by(LoadStep.id).limit(1)).one_or_none()
            if step is None:
                session.get_one(Duty, files_coming.LOAD).ended_at = now()
                return
            ((name, items),) = json.loads(step.work, object_hook=_from_json).items()
            _WRITE[name](session, items)
            session.execute(delete(LoadStep).where(LoadStep.id == step.id))
        _rest(begun)


def _clear(database: Database) -> None:
    """Take away what was laid aside and never settled, a step at a time: the pages of what goes are overwritten."""
    with database.reading() as session:
        left = session.scalars(select(LoadStep.id)).all()
    for number in left:
        with database.writing() as session:
            session.execute(delete(LoadStep).where(LoadStep.id == number))


def _rest(begun: float) -> None:
    time.sleep(max(REST, time.monotonic() - begun))


_WRITE: dict[str, Callable[[Session, Any], object]] = {
    "readings": lambda session, items: writing.add_new(session, BenchReading, items),
    "events": lambda session, items: writing.add_new(session, Event, items),
    "measured": records.fill_columns,
    "trials": writing.write_trials,
    "sales": lambda session, _all: writing.date_sales(session),
    "played": bow_marks.of_bows,
}
