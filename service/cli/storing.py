"""The commands that keep the data: migrate, load, dump, backup, restore."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from service import migrations
from service.cli.command_line import add
from service.cli.common import opened
from service.core import audit, audit_events
from service.core.audit_events import AuditEvent
from service.core.database import Database
from service.inventory import files
from service.operations import backups
from service.settings import Settings

if TYPE_CHECKING:
    from service.cli.command_line import Commands

LONGEST_NAME = 120
"""Characters of a file's name that are put on record."""


def add_to(commands: "Commands") -> None:
    """Add the commands of this module."""
    add(commands, "migrate", migrate, "python -m service migrate")
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
    saving = add(commands, "backup", backup, "python -m service backup monday.backup")
    saving.add_argument("file", type=Path, metavar="FILE", help="the file to write; an earlier backup is replaced")
    back = add(commands, "restore", restore, "python -m service restore monday.backup --force")
    back.add_argument("file", type=Path, metavar="FILE", help="a file that backup wrote")
    back.add_argument("--force", action="store_true", help="overwrite the database there is")


def migrate(_asked: argparse.Namespace, settings: Settings) -> int:
    """Bring the database to this version's tables."""
    with opened(settings, current=False) as database:
        changed = migrations.upgrade(database)
    print("The database is now at this version." if changed else "The database is at this version already.")
    return 0


def load(asked: argparse.Namespace, settings: Settings) -> int:
    """Take in a folder; every bad row is printed before it is refused."""
    with opened(settings) as database:
        parsed = files.read_folder(asked.folder)
        with database.reading() if asked.dry_run else database.writing() as session:
            report = files.load(session, parsed, replace=asked.replace, dry_run=asked.dry_run)
            if not (report.problems or report.dry_run):
                taken = {name: count.new + count.changed for name, count in report.files.items()}
                audit.record(session, None, audit_events.DATA_LOADED, "files", dealer=None, **taken)
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
        with database.reading() as session:
            counts = files.dump(session, asked.folder)
        _note(database, audit_events.DATA_DUMPED, "files", **counts)
    for name, count in counts.items():
        print(f"{name}: {count} {'row' if count == 1 else 'rows'}")
    return 0


def backup(asked: argparse.Namespace, settings: Settings) -> int:
    """Write a consistent copy of everything."""
    with opened(settings) as database:
        size = backups.backup(database, asked.file)
        _note(database, audit_events.BACKED_UP, f"backup {asked.file.name[:LONGEST_NAME]}")
    print(f"{asked.file}: {size} bytes")
    return 0


def restore(asked: argparse.Namespace, settings: Settings) -> int:
    """Put a backup in place of the database."""
    with opened(settings, current=False) as database:
        migrated = backups.restore(database, asked.file, force=asked.force)
    with opened(settings) as database:
        _note(database, audit_events.RESTORED, f"backup {asked.file.name[:LONGEST_NAME]}")
    print(f"Restored from {asked.file}{', and brought to this version' if migrated else ''}.")
    print(
        "All staff sign in anew. Accounts, tablets and keys are as in the backup: end those again that were ended since."
    )
    return 0


def _note(database: Database, did: AuditEvent, about: str, **detail: object) -> None:
    """Put on record what was done to files; where they lie is the operator's own business."""
    with database.writing() as session:
        audit.record(session, None, did, about, dealer=None, **detail)
