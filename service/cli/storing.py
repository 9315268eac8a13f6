"""The commands that keep the data whole: migrate, backup, restore."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from service import migrations
from service.cli.command_line import add
from service.cli.common import opened
from service.core import audit, audit_events
from service.core.audit_events import AuditEvent
from service.core.database import Database
from service.operations import backups
from service.settings import Settings

if TYPE_CHECKING:
    from service.cli.command_line import Commands

LONGEST_NAME = 120
"""Characters of a file's name that are put on record."""


def add_to(commands: "Commands") -> None:
    """Add the commands of this module."""
    add(commands, "migrate", migrate, "python -m service migrate")
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


def backup(asked: argparse.Namespace, settings: Settings) -> int:
    """Write a consistent copy of everything."""
    with opened(settings) as database:
        size = backups.backup(database, asked.file)
        note(database, audit_events.BACKED_UP, f"backup {asked.file.name[:LONGEST_NAME]}")
    print(f"{asked.file}: {size} bytes")
    return 0


def restore(asked: argparse.Namespace, settings: Settings) -> int:
    """Put a backup in place of the database."""
    with opened(settings, current=False) as database:
        migrated = backups.restore(database, asked.file, force=asked.force)
    with opened(settings) as database:
        note(database, audit_events.RESTORED, f"backup {asked.file.name[:LONGEST_NAME]}")
    print(f"Restored from {asked.file}{', and brought to this version' if migrated else ''}.")
    print(
        "All staff sign in anew. Accounts, tablets and keys are as in the backup: end those again that were ended since."
    )
    return 0


def note(database: Database, did: AuditEvent, about: str, **detail: object) -> None:
    """Put on record what was done to files; where they lie is the operator's own business."""
    with database.writing() as session:
        audit.record(session, None, did, about, dealer=None, **detail)
