"""The commands that take in files and write them: load, dump."""

import argparse
import sys
from pathlib import Path

from service.cli import storing
from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.core import audit_events, files_coming
from service.inventory import files
from service.settings import Settings


def add_to(commands: Commands) -> None:
    """Add the commands of this module."""
    taking = add(commands, "load", load, "python -m service load my_range --dry-run")
    taking.add_argument("folder", type=Path, metavar="FOLDER", help="where the files are")
    taking.add_argument("--dry-run", action="store_true", help="only say what would change")
    taking.add_argument(
        "--replace",
        action="store_true",
        help="let runs and outcomes that differ from the stored ones count in their place",
    )
    giving = add(commands, "dump", dump, "python -m service dump my_range")
    giving.add_argument("folder", type=Path, metavar="FOLDER", help="where to write them; made if need be")


def load(asked: argparse.Namespace, settings: Settings) -> int:
    """Take in a folder; every bad row is printed before it is refused."""
    with opened(settings) as database:
        parsed = files.read_folder(asked.folder)
        if asked.dry_run:
            with database.reading() as session:
                report = files.load(session, parsed, replace=asked.replace, dry_run=True)
        else:
            report = files.take_in(database, parsed, replace=asked.replace)
    for problem in report.problems:
        print(problem)
    if report.problems:
        rows = "1 thing is" if len(report.problems) == 1 else f"{len(report.problems)} things are"
        sys.stderr.write(f"Nothing was changed: {rows} wrong with the files.\n")
        return 1
    _print_report(report)
    return 0


def _print_report(report: files.Report) -> None:
    for name, count in report.files.items():
        print(f"{name}: {count.new} new, {count.changed} changed, {count.same} as stored")
    would = "would be made" if report.dry_run else "made"
    for slug in report.dealers:
        print(f"dealer {slug}: {would}")
    for note in report.notes:
        print(note)
    if report.dry_run:
        print("Nothing was changed: this was a dry run.")


def dump(asked: argparse.Namespace, settings: Settings) -> int:
    """Write range and history as files."""
    with opened(settings) as database:
        files.finish(database)
        with database.reading() as session:
            files_coming.wait_for(session)
            counts = files.dump(session, asked.folder)
        storing.note(database, audit_events.DATA_DUMPED, "files", **counts)
    for name, count in counts.items():
        print(f"{name}: {count} {'row' if count == 1 else 'rows'}")
    return 0
