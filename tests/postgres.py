"""A real PostgreSQL server on a temporary folder, for as long as the tests run."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

MISSING = "PostgreSQL's server is missing, and tests need it. Install it (Debian, Ubuntu: apt-get install postgresql)."
USER = "postgres"
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
        """Return the address of one of its databases."""
        return f"postgresql://{USER}@127.0.0.1:{self.port}/{name}"

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
        folder = Path(tempfile.mkdtemp(prefix="bows-postgres-"))
        data, port = folder / "data", _free_port()
        try:
            if os.geteuid() == 0:
                shutil.chown(folder, USER)
            _run([programs / "initdb", "--no-sync", "--auth=trust", f"--username={USER}", "--encoding=UTF8", data])
            options = " ".join(f"-c {option}" for option in (*FAST, "listen_addresses=127.0.0.1", f"port={port}"))
            log: list[str | Path] = ["--log", folder / "log", "-o", f"{options} -k {folder}"]
            _run([programs / "pg_ctl", "--wait", "--pgdata", data, *log, "start"])
            try:
                yield cls(port)
            finally:
                _run([programs / "pg_ctl", "--pgdata", data, "--mode=immediate", "stop"])
        finally:
            shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path:
    found = shutil.which("pg_ctl")
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin/pg_ctl"), key=lambda path: float(path.parts[-3]))
    if found is None and not debian:
        raise FileNotFoundError(MISSING)
    return debian[-1].parent if debian else Path(str(found)).resolve().parent


def _run(command: Sequence[str | Path]) -> None:
    """Run one of PostgreSQL's programs, which refuse to be root, as the system's user for it."""
    user = USER if os.geteuid() == 0 else None
    if user is not None and user not in {entry.pw_name for entry in pwd.getpwall()}:
        raise FileNotFoundError(MISSING)
    group = pwd.getpwnam(user).pw_gid if user is not None else None
    done = subprocess.run(
        [str(part) for part in command],
        user=user,
        group=group,
        extra_groups=[] if user is not None else None,
        cwd="/",
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    if done.returncode != 0:
        raise RuntimeError(f"{command[0]} failed: {done.stdout}")


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
