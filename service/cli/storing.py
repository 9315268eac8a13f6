"""The commands that keep the data whole: migrate, backup, restore."""

import argparse
from pathlib import Path

from sqlalchemy import select

from service import migrations
from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.core import audit, audit_events
from service.core.audit_events import AuditEvent
from service.core.database import Database
from service.operations import backups, sealing
from service.operations.sealing import Seal
from service.settings import Settings
from service.tables import BENCH_COLUMNS, BenchReading, Copy

LONGEST_NAME = 120
"""Characters of a file's name that are put on record."""


def add_to(commands: Commands) -> None:
    """Add the commands of this module."""
    add(commands, "migrate", migrate, "python -m service migrate")
    saving = add(commands, "backup", backup, "python -m service backup monday.backup")
    saving.add_argument("file", type=Path, metavar="FILE", help="the file to write; an earlier backup is replaced")
    saving.add_argument("--portable", action="store_true", help="one that goes back into SQLite and PostgreSQL alike")
    saving.add_argument("--dealer", metavar="D", help="what is this dealer's alone, and the range; it is portable")
    saving.add_argument(
        "--new-key",
        action="store_true",
        help="write no backup, but a new private key for closed ones; print its public one",
    )
    back = add(commands, "restore", restore, "python -m service restore monday.backup --force")
    back.add_argument("file", type=Path, metavar="FILE", help="a file that backup wrote")
    back.add_argument("--force", action="store_true", help="overwrite the database there is")
    back.add_argument("--check", action="store_true", help="prove that the file can be restored, and change nothing")
    back.add_argument(
        "--identity", type=Path, metavar="KEY", help="the file of the private key that opens a closed backup"
    )


def migrate(_asked: argparse.Namespace, settings: Settings) -> int:
    """Bring the database to this version's tables."""
    with opened(settings, current=False) as database:
        changed = migrations.upgrade(database)
        _made_whole(database)
    print("The database is now at this version." if changed else "The database is at this version already.")
    return 0


def _made_whole(database: Database) -> None:
    """Write how sure a bow's values are where an older version measured it: readings taken again, or that another value follows from."""
    more = BenchReading.method.like("%#%") | BenchReading.quantity.not_in(BENCH_COLUMNS)
    of_old = select(BenchReading.copy).join(Copy).where(Copy.measured.is_(None), more).distinct()
    with database.writing() as session:
        if serials := list(session.scalars(of_old)):
            from service.bench import records  # noqa: PLC0415 - numerics, which a database without readings should not wait for

            records.fill_sureness(session, serials)


def backup(asked: argparse.Namespace, settings: Settings) -> int:
    """Write a consistent copy of everything, or a key for closed ones."""
    if asked.new_key:
        public = sealing.make_key(asked.file)
        print(f"{asked.file} is the private key: keep it where the backups are not, and let nobody else read it.")
        print(f"BACKUP_PUBLIC_KEY={public}")
        return 0
    seal = _seal(settings)
    with opened(settings) as database:
        size = backups.backup(database, asked.file, portable=asked.portable, seal=seal, dealer=asked.dealer)
        note(database, audit_events.BACKED_UP, f"backup {asked.file.name[:LONGEST_NAME]}", of=asked.dealer or "all")
    print(f"{asked.file}: {size} bytes{', closed' if seal.closes else ''}")
    return 0


def restore(asked: argparse.Namespace, settings: Settings) -> int:
    """Put a backup in place of the database, or prove that it could be."""
    seal = _seal(settings, asked.identity)
    if asked.check:
        return _proved(asked.file, seal)
    with opened(settings, current=False) as database:
        migrated = backups.restore(database, asked.file, force=asked.force, seal=seal)
    with opened(settings) as database:
        _made_whole(database)
        note(database, audit_events.RESTORED, f"backup {asked.file.name[:LONGEST_NAME]}")
    print(f"Restored from {asked.file}{', and brought to this version' if migrated else ''}.")
    print(
        "All staff sign in anew. Accounts, tablets and keys are as in the backup: end those again that were ended since."
    )
    return 0


def _seal(settings: Settings, identity: Path | None = None) -> Seal:
    secret = settings.backup_passphrase
    return Seal(settings.backup_public_key, secret.get_secret_value() if secret else None, identity)


def _proved(file: Path, seal: Seal) -> int:
    proof = backups.prove(file, seal)
    taken = f", taken {proof.taken}" if proof.taken else ""
    print(f"{file} can be restored: of version {proof.version}{taken}.")
    if proof.rows is None:
        print("It was read to its end by PostgreSQL's own program; only a restore into an empty database shows more.")
    else:
        print(f"It was brought back aside: {proof.tables} tables, {proof.rows} rows, each referring to what is there.")
    if proof.is_older:
        print("It is of an older version, and a restore brings it to this one.")
    if proof.model:
        print(f"Its model: {proof.model}")
    return 0


def note(database: Database, did: AuditEvent, about: str, **detail: object) -> None:
    """Put on record what was done to files; where they lie is the operator's own business."""
    with database.writing() as session:
        audit.record(session, None, did, about, dealer=None, **detail)
