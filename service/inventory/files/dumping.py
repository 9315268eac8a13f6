"""Range and history out of the database as the eight files."""

import csv
import os
import secrets
from pathlib import Path

from sqlalchemy.orm import Session

from service.inventory.files.cells import written
from service.inventory.files.kinds import KINDS, FileKind
from service.inventory.files.stored import rows


def dump(session: Session, folder: Path) -> dict[str, int]:
    """Write the eight files into a folder, made if need be; return how many rows each holds; raises ``OSError``."""
    # Every file is written beside its place and renamed into it, so that none is ever half there. They hold what
    # players said of bows: folder and files are for their owner's eyes only (0700, 0600), whatever the umask; a
    # folder that was there stays as it is.
    if not folder.exists():
        folder.mkdir(parents=True, mode=0o700)
        folder.chmod(0o700)
    return {kind.name: _dump_kind(session, kind, folder) for kind in KINDS}


def _dump_kind(session: Session, kind: FileKind, folder: Path) -> int:
    temporary = folder / f".{kind.name}.{secrets.token_hex(4)}"
    count = 0
    try:
        handle = os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(kind.order)
            for row in rows(session, kind):
                writer.writerow([written(row[name]) for name in kind.order])
                count += 1
        temporary.replace(folder / kind.name)
    finally:
        temporary.unlink(missing_ok=True)
    return count
