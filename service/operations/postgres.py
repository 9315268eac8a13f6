"""PostgreSQL's own programs, `pg_dump` and `pg_restore`, for backups."""

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Collection, Sequence
from pathlib import Path

from sqlalchemy.engine import URL

from service.core.dealer_wall import OPENLY
from service.core.errors import ConflictError
from service.tables import Base

ARCHIVE_HEADER = b"PGDMP"
"""The first bytes of an archive of `pg_dump` in its custom format (PostgreSQL's source, pg_backup_archiver.c)."""
_VERSION = re.compile(r"^COPY .*alembic_version \(version_num\) FROM stdin;\n(?P<version>\S+)\n", re.MULTILINE)


def dump(url: URL, file: Path) -> None:
    """Write an archive of the database; raises `ConflictError` where `pg_dump` is missing or fails."""
    # Without the option it refuses tables whose owner stands before the wall; with it all is shown to who says `OPENLY`.
    options = ["--format=custom", "--no-owner", "--no-privileges", "--enable-row-security", f"--file={file}"]
    _run(url, "pg_dump", options)


def load(url: URL, file: Path, without: Collection[str]) -> None:
    """Put an archive in the database's place in one transaction, but no row of some tables; `ConflictError`, nothing changed, where that fails."""
    options = ["--single-transaction", "--exit-on-error", "--clean", "--if-exists", "--no-owner", "--no-privileges"]
    left_out = re.compile(rf" TABLE DATA \S+ ({'|'.join(without)}) ")
    listed = _run(None, "pg_restore", ["--list", str(file)]).splitlines(keepends=True)
    with tempfile.NamedTemporaryFile("w", encoding="utf-8") as entries:
        entries.writelines(line for line in listed if not left_out.search(line))
        entries.flush()
        _run(url, "pg_restore", [*options, f"--use-list={entries.name}", f"--dbname={url.database}", str(file)])


def read_whole(file: Path) -> None:
    """Read an archive to its end; raises `ConflictError` where it is damaged."""
    _run(None, "pg_restore", [f"--file={os.devnull}", str(file)])


def is_ours(file: Path) -> bool:
    """Say whether an archive holds this service's tables."""
    listed = _run(None, "pg_restore", ["--list", str(file)])
    return all(re.search(rf" TABLE \S+ {name} ", listed) for name in ("alembic_version", *Base.metadata.tables))


def version_of(file: Path) -> str:
    """Return the revision of the tables in an archive; raises `ConflictError` where it cannot be read."""
    written = _run(None, "pg_restore", ["--data-only", "--table=alembic_version", "--file=-", str(file)])
    found = _VERSION.search(written)
    if found is None:
        raise ConflictError(f"{file} is damaged: it does not say of which version its tables are.")
    return found["version"]


def _run(url: URL | None, program: str, options: Sequence[str]) -> str:
    path = shutil.which(program)
    if path is None:
        raise ConflictError(f"{program} is not installed; backups of PostgreSQL need its client programs.")
    done = subprocess.run(  # noqa: S603 - a fixed program; no shell, and no option comes from a player
        [path, *options], env=os.environ | _connection(url), capture_output=True, text=True, check=False
    )
    if done.returncode != 0:
        lines = done.stderr.strip().splitlines() or ["no reason given"]
        raise ConflictError(f"{program} failed, nothing was changed: {lines[0]}")
    return done.stdout


def _connection(url: URL | None) -> dict[str, str]:
    """Return the address as the environment of libpq: a password on a command line could be seen by everybody."""
    if url is None:
        return {}
    given = {
        "PGHOST": url.host or url.query.get("host"),
        "PGPORT": url.port or url.query.get("port"),
        "PGUSER": url.username,
        "PGPASSWORD": url.password,
        "PGDATABASE": url.database,
        "PGSSLMODE": url.query.get("sslmode"),
        "PGSSLROOTCERT": url.query.get("sslrootcert"),
        "PGOPTIONS": OPENLY,
    }
    return {name: str(value) for name, value in given.items() if value}
