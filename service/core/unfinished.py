"""Files on their way: written in a folder beside the one they replace, and renamed into place once they are whole.

The folder has a plain name that says what it is, 'bows.db.unfinished-3f2a91c0', and is locked for as long as somebody writes in
it. A process that is killed leaves it, with all that SQLite writes beside a database; whoever comes next clears what is locked
by nobody.
"""

import fcntl
import os
import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

_MARK = "unfinished"


@contextmanager
def beside(file: Path) -> Iterator[Path]:
    """Give a name in a new folder beside a file, for its owner only, removed at the end, as is what killed processes left beside the file."""
    file.parent.mkdir(parents=True, exist_ok=True)
    clear(file)
    folder = file.with_name(f"{file.name}.{_MARK}-{secrets.token_hex(4)}")
    folder.mkdir(mode=0o700)
    lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        new = folder / file.name
        os.close(os.open(new, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
        yield new
    finally:
        shutil.rmtree(folder)
        os.close(lock)


def put_in_place(new: Path, file: Path) -> None:
    """Rename a finished file over another, and make sure that both the content and the name survive a power cut."""
    with new.open("rb") as opened:
        os.fsync(opened.fileno())
    new.replace(file)
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def left(file: Path) -> list[Path]:
    """Return what killed processes have left beside a file: copies of it that nobody works on."""
    if not file.parent.is_dir():
        return []
    name = re.escape(file.name)
    ours = re.compile(rf"{name}\.{_MARK}-[0-9a-f]{{8}}")
    # Before there were folders, the copies had hidden names.
    earlier = re.compile(rf"\.{name}\.[0-9a-f]{{8}}(?:-journal|-wal|-shm|\.lock)?")
    found = sorted(path for path in file.parent.iterdir() if ours.fullmatch(path.name) or earlier.fullmatch(path.name))
    return [path for path in found if not (path.is_dir() and _is_worked_on(path))]


def clear(file: Path) -> list[Path]:
    """Remove what killed processes have left beside a file, and return what it was."""
    gone = left(file)
    for path in gone:
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
    return gone


def _is_worked_on(folder: Path) -> bool:
    try:
        lock = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    except FileNotFoundError:
        return True  # it is done by now
    try:
        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(lock)
    return False
