"""Databases to be spoiled, on a disk of their own, and commands that are ended in the middle."""

import contextlib
import io
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import text
from sqlalchemy.exc import DBAPIError

from service import cli, migrations
from service.core.database import Database, writing_engine
from service.migrations import State
from tests import postgres, released
from tests.postgres import OWNER, Server

PATIENCE = 120.0
"""Seconds after which what was begun is broken."""
Counts = dict[str, int]


class Disk:
    """A small file system in memory, to be filled up; needs root."""

    def __init__(self, folder: Path, megabytes: int) -> None:
        self.folder = folder
        folder.mkdir()
        self._mount(["mount", "-t", "tmpfs", "-o", f"size={megabytes}m,mode=755", "tmpfs", str(folder)])

    @contextmanager
    def nearly_full(self, free: int) -> Iterator[None]:
        """Leave so many bytes meanwhile."""
        ballast = self.folder / "ballast"
        os.sync()
        there = os.statvfs(self.folder)
        with ballast.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, max(there.f_bavail * there.f_frsize - free, 1))
        try:
            yield
        finally:
            ballast.unlink()

    def close(self) -> None:
        """Give it back."""
        self._mount(["umount", "--lazy", str(self.folder)])

    @staticmethod
    def _mount(command: Sequence[str]) -> None:
        subprocess.run(command, check=True)


class Kind:
    """One kind of database: a fresh one from a template as often as it is asked for."""

    name: str
    url: str

    def fresh(self, template: str | None = None) -> str:
        """Put a template, or an empty database, in the place of the one that there is, and return its address."""
        raise NotImplementedError

    def keep(self, template: str) -> None:
        """Keep the database as it is, as a template."""
        raise NotImplementedError


@dataclass
class SqliteFile(Kind):
    """A file in a folder."""

    folder: Path
    name: str = "sqlite"

    def __post_init__(self) -> None:
        self.url = f"sqlite:///{self.folder / 'var' / 'bows.db'}"

    def fresh(self, template: str | None = None) -> str:
        """Put a copy there; nothing is left of the one before."""
        shutil.rmtree(self.folder / "var", ignore_errors=True)
        (self.folder / "var").mkdir()
        if template is not None:
            shutil.copyfile(self.folder / template, self.folder / "var" / "bows.db")
        return self.url

    def keep(self, template: str) -> None:
        """Copy it, its log brought in."""
        database = Database(self.url)
        database.empty_log()
        database.close()
        shutil.copyfile(self.folder / "var" / "bows.db", self.folder / template)


@dataclass
class PostgresServer(Kind):
    """A database of a running server."""

    server: Server
    name: str = "postgresql"

    def __post_init__(self) -> None:
        self.url = self.server.url("spoiled")

    def fresh(self, template: str | None = None) -> str:
        """Make it anew; whoever is still connected is thrown out."""
        self._do(f"CREATE DATABASE spoiled OWNER {OWNER} TEMPLATE {template or 'template1'}", first="spoiled")
        return self.url

    def keep(self, template: str) -> None:
        """Make a template of it."""
        self._do(f"CREATE DATABASE {template} OWNER {OWNER} TEMPLATE spoiled", first=template)

    def crash(self) -> None:
        """Kill one of its processes: it ends all others, and begins anew with what is on the disk."""
        admin = Database(self.server.admin())
        with admin.reading() as session, contextlib.suppress(DBAPIError):
            os.kill(session.scalars(text("SELECT pg_backend_pid()")).one(), signal.SIGKILL)
            session.execute(text("SELECT 1"))
        admin.close()

    def _do(self, statement: str, first: str) -> None:
        admin = Database(self.server.admin())
        try:
            with writing_engine(admin).connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
                connection.execute(text(f"DROP DATABASE IF EXISTS {first} WITH (FORCE)"))
                connection.execute(text(statement))
        finally:
            admin.close()


def begin(work: Callable[[], int]) -> int:
    """Do something in a copy of this process, the head of a group of its own, and return its number; what it says is let go of."""
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    os.setsid()
    with Path(os.devnull).open("w", encoding="utf-8") as nowhere:
        os.dup2(nowhere.fileno(), 1)
        os.dup2(nowhere.fileno(), 2)
    status = 70
    with contextlib.suppress(BaseException):
        status = work()
    os._exit(status)


def ended(child: int, within: float = PATIENCE) -> int | None:
    """Wait for its end and its children's; return its exit status, None where it had none: it was killed."""
    until = time.monotonic() + within
    status = None
    while True:
        found, how = os.waitpid(child, os.WNOHANG)
        if found:
            status = os.WEXITSTATUS(how) if os.WIFEXITED(how) else None
            break
        if time.monotonic() > until:
            os.killpg(child, signal.SIGKILL)
        time.sleep(0.002)
    # A program that it had begun, as pg_restore, is not killed with it, and may still be at work.
    while time.monotonic() < until:
        try:
            os.killpg(child, 0)
        except ProcessLookupError:
            return status
        time.sleep(0.005)
    raise RuntimeError("what a killed command had begun goes on and on")


def command(arguments: Sequence[str], url: str, folder: Path) -> Callable[[], int]:
    """Return what runs a command of the service on a database."""
    environ = {"DATABASE_URL": url, "DATA_DIR": str(folder), "PATH": _with_programs()}

    def run() -> int:
        os.environ["PATH"] = environ["PATH"]
        with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
            return cli.main(list(arguments), environ)

    return run


def whole(work: Callable[[], int]) -> tuple[int | None, float]:
    """Let something run to its end; return its exit status and the seconds it took."""
    begun = time.monotonic()
    status = ended(begin(work))
    return status, time.monotonic() - begun


def prepare(arguments: Sequence[str], url: str, folder: Path) -> None:
    """Run a command that has to succeed; raises `RuntimeError` with what it said where it does not."""
    environ = {**os.environ, "DATABASE_URL": url, "DATA_DIR": str(folder), "PATH": _with_programs()}
    done = subprocess.run(
        [sys.executable, "-m", "service", *arguments], env=environ, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise RuntimeError(f"{arguments}: {done.stdout}{done.stderr}")


def killed(work: Callable[[], int], after: float) -> int | None:
    """Begin something and kill it (SIGKILL) after some seconds; return its exit status where it was done by then."""
    child = begin(work)
    time.sleep(after)
    os.kill(child, signal.SIGKILL)
    return ended(child)


def counts(url: str) -> Counts:
    """Return how many rows each table holds, of whatever version they are; nothing where there are none."""
    database = Database(url)
    try:
        if database.file is not None and not database.file.exists():
            return {}
        return released.counts(database)
    finally:
        database.close()


def stands(url: str) -> State:
    """Return how the tables stand to this version."""
    database = Database(url)
    try:
        return migrations.state(database)
    finally:
        database.close()


def look(url: str, at: Callable[[Any], Any]) -> Any:
    """Return what a function reads in a session."""
    database = Database(url)
    try:
        with database.reading() as session:
            return at(session)
    finally:
        database.close()


def change(url: str, by: Callable[[Any], Any]) -> None:
    """Let a function write in a session."""
    database = Database(url)
    try:
        with database.writing() as session:
            by(session)
    finally:
        database.close()


def _with_programs() -> str:
    return f"{postgres.program('pg_dump').parent}:{os.environ['PATH']}"
