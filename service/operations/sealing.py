"""Backups that nobody else reads: closed in the open format 'age' (age-encryption.org/v1), by its library.

With a public key the machine that writes backups cannot read them; the private one lies elsewhere. A passphrase opens what
it closed. Other programs that know the format open both.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from service.core import unfinished
from service.core.errors import ConflictError

HEADER = b"age-encryption.org/v1\n"
"""The first line of every closed file (C2SP, 'The age file encryption format')."""


@dataclass(frozen=True, slots=True)
class Seal:
    """What closes backups and opens them. ``passphrase``: closes where there is no recipient, and opens what it closed."""

    recipient: str | None = None  # the public key, `age1…`; None: nothing is closed for a key
    passphrase: str | None = field(default=None, repr=False)
    identity: Path | None = None  # the file of the private key, which opens what was closed for its public one

    @property
    def closes(self) -> bool:
        """Say whether backups are closed at all."""
        return self.recipient is not None or self.passphrase is not None

    def close(self, file: Path) -> None:
        """Close a file for the recipient or by the passphrase, in place; leave it as it is where there is neither."""
        if not self.closes:
            return
        import pyrage  # noqa: PLC0415 - two megabytes, which only closed backups need

        closed = file.with_name("closed")
        if self.recipient is not None:
            closed.touch(mode=0o600)
            pyrage.encrypt_file(str(file), str(closed), [pyrage.x25519.Recipient.from_str(self.recipient)])
        elif self.passphrase is not None:
            closed.write_bytes(pyrage.passphrase.encrypt(file.read_bytes(), self.passphrase))
        closed.chmod(0o600)
        closed.replace(file)

    def open(self, file: Path, into: Path) -> None:
        """Write what a closed file holds; raises `ConflictError` where nothing opens it, or it is damaged."""
        import pyrage  # noqa: PLC0415

        if self.identity is None and self.passphrase is None:
            raise ConflictError(
                f"{file} is closed; give its private key with --identity FILE, or the passphrase as BACKUP_PASSPHRASE."
            )
        try:
            if self.identity is not None:
                pyrage.decrypt_file(str(file), str(into), [private(self.identity)])
            elif self.passphrase is not None:
                into.write_bytes(pyrage.passphrase.decrypt(file.read_bytes(), self.passphrase))
        except (pyrage.DecryptError, OSError) as error:
            given = "BACKUP_PASSPHRASE" if self.identity is None else f"the key in {self.identity}"
            raise ConflictError(f"{file} cannot be opened with {given}, or is damaged: {error}.") from None


def private(file: Path) -> "pyrage.x25519.Identity":  # type: ignore[name-defined]  # noqa: F821 - loaded where it is used
    """Read a private key from the last line of its file; raises `ConflictError` where there is none."""
    import pyrage  # noqa: PLC0415

    try:
        lines = [line for line in file.read_text(encoding="ascii").splitlines() if line and not line.startswith("#")]
        return pyrage.x25519.Identity.from_str(lines[-1])
    except OSError as error:
        raise ConflictError(f"{file} cannot be read: {error.strerror}.") from None
    except (IndexError, UnicodeDecodeError, pyrage.IdentityError):
        raise ConflictError(
            f"{file} holds no private key; expected a line that begins with AGE-SECRET-KEY-1."
        ) from None


def is_public_key(text: str) -> bool:
    """Say whether a text is a public key for which a backup can be closed."""
    import pyrage  # noqa: PLC0415

    try:
        pyrage.x25519.Recipient.from_str(text)
    except pyrage.RecipientError:
        return False
    return True


def make_key(file: Path) -> str:
    """Write a new private key for its owner's eyes only, and return the public one; raises `ConflictError` where a file is there."""
    import pyrage  # noqa: PLC0415

    key = pyrage.x25519.Identity.generate()
    public = str(key.to_public())
    try:
        with open(os.open(file, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600), "w", encoding="ascii") as opened:  # noqa: PTH123 - with its rights
            opened.write(f"# public key: {public}\n{key}\n")
    except FileExistsError:
        raise ConflictError(
            f"{file} is there already; a key that may have closed backups is not overwritten."
        ) from None
    except OSError as error:
        raise ConflictError(f"{file} cannot be written: {error.strerror}.") from None
    return public


@contextmanager
def opened(file: Path, seal: Seal, workplace: Path) -> Iterator[Path]:
    """Give a backup as it was before it was closed: itself, or an opened copy beside ``workplace``, which goes at the end."""
    if not is_closed(file):
        yield file
        return
    with unfinished.beside(workplace) as copy:
        plain = copy.with_name(file.name)
        seal.open(file, plain)
        yield plain


def is_closed(file: Path) -> bool:
    """Say whether a file is closed, by its head; raises `ConflictError` where it cannot be read."""
    try:
        with file.open("rb") as head:
            return head.read(len(HEADER)) == HEADER
    except OSError as error:
        raise ConflictError(f"{file} cannot be read: {error.strerror}.") from None
