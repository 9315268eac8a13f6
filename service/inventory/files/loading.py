"""A folder of files into the database: all of it, or, with every bad row named, nothing."""

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy.orm import Session

from service.core import dealer_wall
from service.core.language import _
from service.inventory.files.changes import Plan, plan
from service.inventory.files.checks import Check
from service.inventory.files.file_problems import FileProblem
from service.inventory.files.folders import Parsed, StoredRecords, read_folder, read_known
from service.inventory.files.writing import write


@dataclass(frozen=True, slots=True)
class Count:
    """How many rows of one file are new, stand in place of others, or change nothing."""

    new: int
    changed: int
    same: int


@dataclass(frozen=True, slots=True)
class Report:
    """What came of loading a folder."""

    problems: tuple[FileProblem, ...]  # why nothing was changed; empty where all was taken in
    files: dict[str, Count]  # the counts of each file that was there
    dealers: tuple[str, ...]  # slugs of the dealers made
    notes: tuple[str, ...]  # what was understood otherwise than it stands in a file, and files that were passed over
    dry_run: bool  # True where all of this was only found out, not done


def load(
    session: Session,
    folder: Path | Parsed,
    *,
    replace: bool = False,
    dry_run: bool = False,
    today: dt.date | None = None,
) -> Report:
    """Take in the files of a folder, all or nothing.

    The same row again changes nothing; a changed tier, what is said of it, a changed copy or price is updated. A run or an outcome that differs from the
    stored one is a problem, or with ``replace`` becomes its next revision; a differing reading or event is a problem, or
    with ``replace`` corrected.

    ``folder``: a folder, or one read before: so that a large one keeps nobody waiting while it is read. ``today``: the day by
    which dates are in the future; by default the day in UTC. One day more is allowed, for the east.
    """
    parsed = folder if isinstance(folder, Parsed) else read_folder(folder)
    if parsed.missing is not None:
        return Report(parsed.problems, {}, (), (), dry_run)
    report, made = prepare(session, parsed, replace=replace, dry_run=dry_run, today=today)
    if not (report.problems or dry_run):
        write(session, made)
    return report


def prepare(
    session: Session,
    parsed: Parsed,
    *,
    replace: bool = False,
    dry_run: bool = True,
    today: dt.date | None = None,
    guard: Callable[[Parsed, StoredRecords], None] | None = None,
) -> tuple[Report, Plan]:
    """Find out what a folder would change, and write nothing; ``guard`` refuses rows that are not the loader's before they are compared."""
    with dealer_wall.lifted(session):  # keys are everybody's; whose rows they may be is the guard's to say
        known = read_known(session, parsed)
    if guard is not None:
        guard(parsed, known)
    today = today or dt.datetime.now(dt.UTC).date()
    Check(parsed, known, today + dt.timedelta(days=1)).run()
    made = plan(parsed, known, replace=replace)
    changed = {name: changes for name, changes in made.files.items() if parsed.sheets[name].present}
    counts = {name: Count(len(c.new), len(c.changed), c.same) for name, c in changed.items()}
    not_read = _("{file}: not read, it is none of the files that load takes")
    passed_over = [not_read.format(file=name) for name in parsed.unread]
    return Report(parsed.problems, counts, tuple(sorted(made.dealers)), (*made.notes, *passed_over), dry_run), made
