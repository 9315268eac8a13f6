"""`serve` under the same faults: every advice that it answered with 200 has to be in the database."""

import os
import shutil
import signal
import socket
import sqlite3
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import select, update

from service import tables
from service.cli import web_server
from service.settings import Settings
from tests.benchmarks import _faults_world as world
from tests.benchmarks._faults_world import Disk, Kind, PostgresServer, SqliteFile, begin, change, ended, look

POSTS = 40
FREE = (8 << 10, 256 << 10, 2 << 20)


@dataclass
class Serving:
    """A serving process, a copy of this one, and what it acknowledged."""

    child: int
    client: httpx.Client
    acknowledged: list[str] = field(default_factory=list)
    refused: list[httpx.Response] = field(default_factory=list)

    def ask(self) -> bool:
        """Ask for advice and note what was answered; say whether it was given. Raises `httpx.HTTPError` where nobody answers."""
        ident = str(uuid.uuid4())
        reply = self.client.post("/api/v1/advice", json={"instrument": "violin", "id": ident})
        (self.acknowledged if reply.status_code == 200 else self.refused).append(
            ident if reply.status_code == 200 else reply  # type: ignore[arg-type] # one of the two lists
        )
        return reply.status_code == 200


@contextmanager
def serving(url: str, folder: Path) -> Iterator[Serving]:
    """Serve a database until the end, by then maybe killed."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        settings = Settings.from_environment(
            {"DATABASE_URL": url, "DATA_DIR": str(folder), "ADVICE_PER_MINUTE": "0", "COST_PER_MINUTE": "0"}
        )
        child = begin(lambda: web_server.run(settings, listening))
        base = f"http://127.0.0.1:{listening.getsockname()[1]}"
    with httpx.Client(base_url=base, timeout=world.PATIENCE, trust_env=False) as client:
        served = Serving(child, client)
        try:
            until = time.monotonic() + world.PATIENCE
            while time.monotonic() < until:  # its socket listens from the start, and is let go of where it cannot begin
                with suppress(httpx.HTTPError):
                    client.get("/health/live")
                    break
            yield served
        finally:
            with suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            ended(child)


def missing(url: str, served: Serving) -> list[str]:
    """Return what was acknowledged and is not there."""
    there = look(url, lambda s: set(s.scalars(select(tables.Enquiry.id))))
    return [f"{ident} was acknowledged" for ident in served.acknowledged if ident not in there]


def faults(kind: Kind, disk: Disk | None, base: Path, kills: int, told: Callable[[str], Any]) -> Iterator[Any]:
    """Yield what came of each fault."""
    folder = kind.folder / "var" if isinstance(kind, SqliteFile) else base / "data"
    _make(kind, base, folder)
    yield _killed(kind, folder, kills, told(f"{kind.name}, serve, kill -9"))
    if disk is not None:
        yield _disk_full(kind, disk, folder, told(f"{kind.name}, serve, disk full"))
    yield _damaged(kind, folder, told(f"{kind.name}, serve, model damaged"))
    if isinstance(kind, SqliteFile):
        yield _locked(kind, folder, told(f"{kind.name}, serve, locked for 6 s"))
        yield _power(kind, folder, base, told(f"{kind.name}, serve, power loss between syncs"))
    if isinstance(kind, PostgresServer):
        yield _stopped(kind, folder, told(f"{kind.name}, serve, database crashes"))


def _make(kind: Kind, base: Path, folder: Path) -> None:
    from tests import factories  # noqa: PLC0415

    given = factories.write(base / f"{kind.name}-range", factories.history(6, 4))
    url = kind.fresh()
    for arguments in (["migrate"], ["load", str(given)], ["fit"]):
        world.prepare(arguments, url, folder)
    kind.keep("served")


def _finished(told: Any, url: str, served: Serving) -> Any:
    told.done += 1
    told.acknowledged += len(served.acknowledged)
    told.lost += missing(url, served)
    return told


def _shown(told: Any) -> Any:
    told.show()
    return told


def _killed(kind: Kind, folder: Path, kills: int, told: Any) -> Any:
    """Kill it at another moment of its work each time: after some answers and a part of the next one's time."""
    for number in range(kills):
        url = kind.fresh("served")
        with serving(url, folder) as served:
            served.ask()
            begun = time.monotonic()
            served.ask()
            one = time.monotonic() - begun
            child = begin(partial(_kill_after, served.child, one * 4 * (number + 0.5) / kills))
            with suppress(httpx.HTTPError):
                for _ in range(POSTS):
                    served.ask()
            ended(child)
        with serving(url, folder) as again:  # the next one answers
            again.ask()
            served.acknowledged += again.acknowledged
        if not again.acknowledged:
            told.lost.append("the next serve does not answer")
        _finished(told, url, served)
    return _shown(told)


def _kill_after(child: int, seconds: float) -> int:
    time.sleep(seconds)
    os.kill(child, signal.SIGKILL)
    return 0


def _disk_full(kind: Kind, disk: Disk, folder: Path, told: Any) -> Any:
    for free in FREE:
        url = kind.fresh("served")
        with serving(url, folder) as served:
            served.ask()
            with disk.nearly_full(free):
                for _ in range(POSTS):
                    served.ask()
            if not _answers_again(served):
                told.lost.append("it does not answer again once there is room")
            if wrong := {each.status_code for each in served.refused} - {503}:
                told.lost.append(f"answered {wrong} where there was no room")
        _finished(told, url, served)
    return _shown(told)


def _answers_again(served: Serving, seconds: float = 30) -> bool:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        if served.ask():
            return True
        time.sleep(0.2)
    return False


def _damaged(kind: Kind, folder: Path, told: Any) -> Any:
    """Cut the model short: an answer is given all the same, from what stands in for it, and `check` tells."""
    url = kind.fresh("served")
    change(url, lambda s: s.execute(update(tables.ModelVersion).values(artifact=b"PK\x03\x04damaged")))
    with serving(url, folder) as served:
        if not served.ask():
            told.lost.append(f"answered {served.refused[0].status_code}")
    if world.whole(world.command(["check"], url, folder))[0] == 0:
        told.lost.append("check finds it well")
    return _shown(_finished(told, url, served))


def _locked(kind: SqliteFile, folder: Path, told: Any) -> Any:
    url = kind.fresh("served")
    with serving(url, folder) as served, closing(sqlite3.connect(folder / "bows.db", isolation_level=None)) as other:
        served.ask()
        other.execute("BEGIN IMMEDIATE")
        begun = time.monotonic()
        served.ask()
        took = time.monotonic() - begun
        other.execute("ROLLBACK")
        if [each.status_code for each in served.refused] != [503] or "Retry-After" not in served.refused[0].headers:
            told.lost.append(f"answered {served.refused or 200} after {took:.0f} s, expected 503 with Retry-After")
        if not _answers_again(served):
            told.lost.append("it does not answer again")
    return _shown(_finished(told, url, served))


def _stopped(kind: PostgresServer, folder: Path, told: Any) -> Any:
    """Let every process of the server end at once, as where one of them crashes; it begins anew by itself."""
    url = kind.fresh("served")
    with serving(url, folder) as served:
        served.ask()
        for _ in range(3):
            kind.crash()
            for _ in range(5):
                served.ask()
        if not _answers_again(served):
            told.lost.append("it does not answer again")
        if wrong := {each.status_code for each in served.refused} - {503}:
            told.lost.append(f"answered {wrong} meanwhile")
    return _shown(_finished(told, url, served))


def _power(kind: SqliteFile, folder: Path, base: Path, told: Any) -> Any:
    """Copy the files as they lie after each answer, the process being held, and cut off what the log held beyond it."""
    url = kind.fresh("served")
    with serving(url, folder) as served:
        for number in range(POSTS):
            served.ask()
            log = folder / "bows.db-wal"
            synced = log.stat().st_size
            os.kill(served.child, signal.SIGSTOP)
            lost = base / "lost"
            lost.mkdir()
            shutil.copyfile(folder / "bows.db", lost / "bows.db")
            shutil.copyfile(log, lost / "bows.db-wal")
            os.kill(served.child, signal.SIGCONT)
            with (lost / "bows.db-wal").open("r+b") as cut:
                end = cut.seek(0, os.SEEK_END)
                cut.truncate(max(synced, end - number * 1000))
            copy = f"sqlite:///{lost / 'bows.db'}"
            told.done += 1
            told.lost += missing(copy, served)
            if look(copy, lambda s: s.connection().exec_driver_sql("PRAGMA integrity_check").scalar_one()) != "ok":
                told.lost.append("the copy is damaged")
            shutil.rmtree(lost)
    return _shown(_finished(told, url, served))
