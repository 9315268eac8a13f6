"""The keys that sign links and forms, where they are kept in a file: one a line, the newest first, for its owner's eyes only.

The first signs; all are accepted. A key is told by its fingerprint, from which it cannot be had back.
"""

import fcntl
import hashlib
import hmac
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from service.core.errors import ConflictError

SHORTEST_SECRET = 32
"""Characters; 32 hexadecimal digits are 128 bits (ASVS 5.0, 11.2.3)."""
NAME = "secret.key"


def fingerprint(key: str) -> str:
    """Return what a key is told by: 48 bits of a keyed digest, which tell nothing of it."""
    return hmac.new(key.encode(), b"fingerprint", hashlib.sha256).hexdigest()[:12]


def kept(folder: Path) -> tuple[str, ...]:
    """Return a folder's keys, newest first, one made where there is none; raises `ConflictError` for an unusable file or short key."""
    path = folder / NAME
    try:
        if not path.exists():
            folder.mkdir(parents=True, exist_ok=True)
            _write_once(path, secrets.token_hex(32))
        keys = tuple(path.read_text(encoding="ascii").split())
    except (OSError, UnicodeDecodeError) as error:
        raise ConflictError(f"The key in {path} cannot be read or made: {error}.") from None
    if not keys or any(len(key) < SHORTEST_SECRET for key in keys):
        raise ConflictError(f"The key in {path} is too short; delete the file to have a new one made.")
    return keys


def add(folder: Path) -> str:
    """Put a new key before those kept in a folder and return its fingerprint; from then on it is the one that signs."""
    with _one_at_a_time(folder):
        new = secrets.token_hex(32)
        _replace(folder / NAME, (new, *kept(folder)))
    return fingerprint(new)


def take_out(folder: Path, key: str) -> None:
    """Take a key out of those kept in a folder; nothing is changed where it is not among them, or is the only one."""
    with _one_at_a_time(folder):
        left = tuple(each for each in kept(folder) if each != key)
        if left:
            _replace(folder / NAME, left)


@contextmanager
def _one_at_a_time(folder: Path) -> Iterator[None]:
    folder.mkdir(parents=True, exist_ok=True)
    opened = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(opened, fcntl.LOCK_EX)
        yield
    finally:
        os.close(opened)


def _replace(path: Path, keys: tuple[str, ...]) -> None:
    temporary = _written(path, "\n".join(keys))
    try:
        temporary.replace(path)
    except OSError:
        temporary.unlink(missing_ok=True)
        raise


def _write_once(path: Path, text: str) -> None:
    """Write a file, whole or not at all; of several processes the first one wins."""
    temporary = _written(path, text)
    try:
        with suppress(FileExistsError):
            path.hardlink_to(temporary)
    finally:
        temporary.unlink()


def _written(path: Path, text: str) -> Path:
    """Write a text on the disk under a name of its own beside ``path``, for its owner only, and return that."""
    temporary = path.with_name(f"{path.name}.{secrets.token_hex(8)}")
    with os.fdopen(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="ascii") as file:
        file.write(text + "\n")
        file.flush()
        os.fsync(file.fileno())
    return temporary
