"""A real PostgreSQL server on a temporary folder, for as long as the tests run."""

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MISSING = "PostgreSQL's server is missing, and tests need it. Install it (Debian, Ubuntu: apt-get install postgresql)."
USER = "postgres"
OWNER = "house"
"""Who owns the tests' databases, as on the page 'Install': neither a superuser nor able to pass row-level security by."""
ROOM = 6 * 1024**3
"""Bytes for the databases of two runs beside each other, with some to spare."""
FAST = (
    "fsync=off",
    "full_page_writes=off",
    "synchronous_commit=off",
    "shared_buffers=32MB",
    "timezone=Pacific/Auckland",
)
"""What a server may leave out when nobody needs its data tomorrow; the zone, far from UTC, finds forgotten ones."""


@dataclass(frozen=True, slots=True)
class Server:
    """A running server, which lets anybody in who comes from this machine."""

    port: int

    def url(self, name: str) -> str:
        """Return the address of one of its databases, with patience enough for a machine that does much else meanwhile."""
        return self._url(OWNER, name)

    def admin(self) -> str:
        """Return the address by which a superuser makes databases."""
        return self._url(USER, "postgres")

    def _url(self, user: str, name: str) -> str:
        return f"postgresql://{user}@127.0.0.1:{self.port}/{name}?options=-c%20lock_timeout%3D60000%20-c%20statement_timeout%3D60000"

    @classmethod
    @contextmanager
    def started(cls) -> Iterator["Server"]:
        """Start a server, and stop it at the end.

        Raises
        ------
        FileNotFoundError
            There is no server to start; the text says how to get one.
        """
        programs = _programs()
        folder = Path(tempfile.mkdtemp(prefix="bows-postgres-", dir=_in_memory()))
        data, port = folder / "data", _free_port()
        try:
            if os.geteuid() == 0:
                shutil.chown(folder, USER)
            _run([programs / "initdb", "--no-sync", "--auth=trust", f"--username={USER}", "--encoding=UTF8", data])
            options = (*FAST, "listen_addresses=127.0.0.1", f"port={port}", f"unix_socket_directories={folder}")
            with _running([programs / "postgres", "-D", data, *(f"--{option}" for option in options)], folder / "log"):
                _run([programs / "pg_isready", "--quiet", "--host=127.0.0.1", f"--port={port}"], patience=30)
                yield cls._with_owner(port)
        finally:
            shutil.rmtree(folder, ignore_errors=True)

    @classmethod
    def _with_owner(cls, port: int) -> "Server":
        at = ["--host=127.0.0.1", f"--port={port}", f"--username={USER}"]
        statement = f"CREATE ROLE {OWNER} LOGIN; ALTER DATABASE postgres OWNER TO {OWNER}"
        _run([_programs() / "psql", *at, "--quiet", "--no-psqlrc", f"--command={statement}", "postgres"])
        return cls(port)


def _programs() -> Path:
    found = shutil.which("pg_ctl")
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda path: float(path.parts[-3]))
    if found is None and not debian:
        raise FileNotFoundError(MISSING)
    return debian[-1].parent if debian else Path(str(found)).resolve().parent


def _in_memory() -> str | None:
    """Return a folder kept in memory where there is one with room, since a database a test is much to write and to remove."""
    folder = Path("/dev/shm")
    roomy = folder.is_dir() and shutil.disk_usage(folder).free > ROOM
    return str(folder) if roomy else None


def program(name: str) -> Path:
    """Return where one of PostgreSQL's programs lies; raises `FileNotFoundError` where there is none."""
    return _programs() / name


def _run(command: Sequence[str | Path], patience: float = 0) -> None:
    """Run one of PostgreSQL's programs, again and again for as many seconds as ``patience`` until it succeeds."""
    until = time.monotonic() + patience
    while True:
        done = subprocess.run(
            [str(part) for part in command],
            **_as_its_user(),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            check=False,
        )
        if done.returncode == 0:
            return
        if time.monotonic() > until:
            raise RuntimeError(f"{command[0]} failed: {done.stdout}")
        time.sleep(0.05)


@contextmanager
def _running(command: Sequence[str | Path], log: Path) -> Iterator[None]:
    """Run the server, which the kernel ends too if the tests are killed and can no longer do so."""
    guarded = ["setpriv", "--pdeathsig", "QUIT", *(str(part) for part in command)]
    with log.open("wb") as output, subprocess.Popen(guarded, **_as_its_user(), stdout=output, stderr=output) as server:
        try:
            yield
        finally:
            server.send_signal(signal.SIGQUIT)  # PostgreSQL's immediate shutdown
            server.wait(30)


def _as_its_user() -> dict[str, Any]:
    """Return what makes a program run as the system's user for PostgreSQL, whose programs refuse to be root."""
    if os.geteuid() != 0:
        return {"cwd": "/"}
    if USER not in {entry.pw_name for entry in pwd.getpwall()}:
        raise FileNotFoundError(MISSING)
    return {"cwd": "/", "user": USER, "group": pwd.getpwnam(USER).pw_gid, "extra_groups": []}


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
