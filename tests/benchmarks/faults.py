"""Commands and `serve` killed, out of disk, locked out, stopped or cut off the power: is what was acknowledged there, all or nothing?

Kills are SIGKILL to a running process, evenly spaced over the time that it takes. The disk is a small tmpfs, filled up but for a
few kilobytes. A wrong clock and a mail server that hangs are tests (`test_wrong_clock.py`, `test_mail_sending.py`).
"""

import argparse
import datetime as dt
import logging
import os
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from sqlalchemy import func, select, text
from sqlalchemy.orm import Session

from service import tables
from service.core.database import Database
from service.inventory import files
from service.migrations import State
from service.modelling import fit_runs, versions
from tests import factories, postgres, released
from tests.benchmarks import _faults_serve as serving
from tests.benchmarks import _goals
from tests.benchmarks._faults_world import (
    Counts,
    Disk,
    Kind,
    PostgresServer,
    SqliteFile,
    change,
    command,
    counts,
    killed,
    look,
    prepare,
    stands,
    whole,
)
from tests.postgres import Server
from tests.service.operations.test_one_dealer import filled

FREE = (8 << 10, 64 << 10, 256 << 10, 1 << 20, 4 << 20)
"""Bytes that are left of a disk that runs full."""
OLD = "0.0.9"


@dataclass
class Told:
    """What came of one command under one fault."""

    what: str
    done: int = 0
    acknowledged: int = 0
    lost: list[str] = field(default_factory=list)

    def show(self) -> None:
        """Print it."""
        said = "" if not self.lost else f": {'; '.join(sorted(set(self.lost)))}"
        print(
            f"{self.what:44} {self.done:5} times  {self.acknowledged:5} acknowledged  lost or halved {len(self.lost)}{said}",
            flush=True,
        )


@dataclass(frozen=True)
class Case:
    """A command, the database that it begins with, and what may be found after it was broken off."""

    name: str
    arguments: tuple[str, ...]
    template: str | None
    wrong: Callable[[str, bool], str | None]  # the address, and whether it was acknowledged; what is wrong, if anything
    then: Callable[[str], None] | None = None  # what time does before the next one


def main(argv: Sequence[str]) -> int:
    """Run them and return 1 where anything was lost or half done."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks faults", description=__doc__)
    parser.add_argument("--kills", type=int, default=200, help="of each command on each database (default: 200)")
    parser.add_argument("--only", help="commands whose name this is (default: all)")
    asked = parser.parse_args(argv)
    logging.disable(logging.CRITICAL)
    found: dict[str, list[Told]] = {}
    with tempfile.TemporaryDirectory(prefix="bows-faults-") as folder:
        base = Path(folder)
        base.chmod(0o755)
        for kind, disk in _kinds(base):
            told = list(_commands(kind, disk, base, asked))
            found["SQLite" if isinstance(kind, SqliteFile) else "PostgreSQL"] = told
            if asked.only in (None, "serve"):
                told += serving.faults(kind, disk, base, asked.kills, Told)
    lost = {name: sum(len(each.lost) for each in told) for name, told in found.items()}
    print(f"{sum(each.done for told in found.values() for each in told)} faults")
    _goals.tell("faults", {f"{name}: lost or halved": float(count) for name, count in lost.items()})
    return int(any(lost.values()))


def _kinds(base: Path) -> Iterator[tuple[Kind, Disk | None]]:
    """Yield each kind of database, on a small disk of its own where this process may make one."""
    for name, megabytes in (("sqlite", 48), ("postgresql", 400)):
        with _disk(base / name, megabytes) as disk:
            if name == "sqlite":
                yield SqliteFile(base / name), disk
                continue
            with _server_in(base / name) as server:
                yield PostgresServer(server), disk


@contextmanager
def _disk(folder: Path, megabytes: int) -> Iterator[Disk | None]:
    if os.geteuid() != 0:
        folder.mkdir()
        print("not root: no disk runs full")
        yield None
        return
    disk = Disk(folder, megabytes)
    try:
        yield disk
    finally:
        disk.close()


@contextmanager
def _server_in(folder: Path) -> Iterator[Server]:
    """Start a server that leaves nothing out, as one that is in use, on the small disk."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(postgres, "_in_memory", lambda: str(folder))
        patch.setattr(postgres, "FAST", ("shared_buffers=32MB",))
        with Server.started() as server:
            yield server


def _commands(kind: Kind, disk: Disk | None, base: Path, asked: argparse.Namespace) -> Iterator[Told]:
    for case in _cases(kind, base):
        if asked.only not in (None, case.name):
            continue
        told = Told(f"{kind.name}, {case.name}, kill -9")
        _work, seconds = _tried(kind, base, case, None)
        for number in range(asked.kills):
            _note(told, kind, base, case, seconds * (number + 0.5) / asked.kills)
        told.show()
        yield told
        if disk is None:
            continue
        told = Told(f"{kind.name}, {case.name}, disk full")
        for free in FREE:
            url = kind.fresh(case.template)
            with disk.nearly_full(free):
                status, _seconds = whole(command(case.arguments, url, _data(kind, base)))
            _judge(told, case, url, status, kind, base)
        told.show()
        yield told


def _data(kind: Kind, base: Path) -> Path:
    """Return where the service keeps its own files: on the small disk where the database is one of them."""
    return kind.folder / "var" if isinstance(kind, SqliteFile) else base / "data"


def _tried(kind: Kind, base: Path, case: Case, after: float | None) -> tuple[int | None, float]:
    url = kind.fresh(case.template)
    work = command(case.arguments, url, _data(kind, base))
    return whole(work) if after is None else (killed(work, after), after)


def _note(told: Told, kind: Kind, base: Path, case: Case, after: float) -> None:
    url = kind.fresh(case.template)
    status = killed(command(case.arguments, url, _data(kind, base)), after)
    _judge(told, case, url, status, kind, base)


def _judge(told: Told, case: Case, url: str, status: int | None, kind: Kind, base: Path) -> None:
    """Look at what is there, and whether the same command then goes through."""
    told.done += 1
    told.acknowledged += status == 0
    wrong = case.wrong(url, status == 0)
    if wrong is None and status != 0:
        if case.then is not None:
            case.then(url)
        again, _seconds = whole(command(case.arguments, url, _data(kind, base)))
        wrong = case.wrong(url, True) if again == 0 else f"the next one ended with {again}"
    if wrong is not None:
        told.lost.append(wrong)


def _finished(url: str) -> Counts:
    """Write what a killed load has settled to its end, as `serve` does within a minute; return what is there."""
    database = Database(url)
    files.finish(database)
    database.close()
    return counts(url)


def _cases(kind: Kind, base: Path) -> list[Case]:
    """Make the templates and return the commands to be broken off."""
    data, given = _data(kind, base), factories.write(base / f"{kind.name}-given", factories.history(40, 6))
    (path,) = (each for each in released.stored() if each.name.startswith(f"{OLD}.{kind.name}"))
    old = Database(kind.fresh())
    released.put_back(path, old)
    old.close()
    kind.keep("old")
    before = counts(kind.fresh("old"))
    url = kind.fresh()
    prepare(["migrate"], url, data)
    kind.keep("empty")
    prepare(["load", str(given)], url, data)
    kind.keep("loaded")
    loaded = counts(url)
    large = factories.write(base / f"{kind.name}-large", factories.history(600, 6))
    prepare(["load", str(large)], kind.fresh("empty"), data)
    all_runs = counts(kind.url)["runs"]
    other = Database(kind.fresh("empty"))
    filled(other, second=True)
    other.close()
    if kind.name == "postgresql":  # the numbers that were given by hand are passed over
        change(kind.url, lambda s: s.execute(text("SELECT setval(pg_get_serial_sequence('audit', 'id'), 100000)")))
    backup = base / f"{kind.name}.backup"
    prepare(["backup", str(backup)], kind.url, data)
    prepare(["restore", str(backup), "--force"], kind.fresh("loaded"), data)
    restored = counts(kind.url)

    def migrating(url: str, acknowledged: bool) -> str | None:
        now = counts(url)
        state = stands(url)
        kept = {name: now.get(name) for name in before} == before
        expected = (State.CURRENT,) if acknowledged else (State.CURRENT, State.OLDER)
        return None if kept and state in expected else f"{state}, rows kept: {kept}"

    def loading(url: str, acknowledged: bool) -> str | None:
        now = _finished(url)
        whole = now["runs"] == all_runs or (now["runs"] == 0 and not acknowledged)
        return None if whole and now["load_steps"] == 0 else f"{now['runs']} runs, {now['load_steps']} steps left"

    def restoring(url: str, acknowledged: bool) -> str | None:
        now, expected = counts(url), restored
        if not acknowledged:  # that it was done is on record once it is
            now, expected = now | {"audit": 0}, expected | {"audit": 0}
        as_before = now == loaded | {"audit": 0} and not acknowledged
        return None if now == expected or as_before else _differs(now, expected)

    def fitting(url: str, acknowledged: bool) -> str | None:
        made = look(url, lambda s: s.scalar(select(func.count()).select_from(tables.ModelVersion)))
        if made:
            look(url, versions.check)  # raises for one that is not whole
        return None if made or not acknowledged else "no version"

    return [
        Case("migrate", ("migrate",), "old", migrating),
        Case("load", ("load", str(large)), "empty", loading),
        Case("restore", ("restore", str(backup), "--force"), "loaded", restoring),
        Case("fit", ("fit",), "loaded", fitting, _a_minute_later),
    ]


def _a_minute_later(url: str) -> None:
    """Let the fit that was killed have said nothing for a minute: then another may begin."""

    def age(session: Session) -> None:
        row = session.get(tables.Duty, fit_runs.FIT)
        if row is not None:
            row.counts = row.counts | {"seen": (dt.datetime.now(dt.UTC) - 2 * fit_runs.STALE).isoformat()}

    change(url, age)


def _differs(now: Counts, expected: Counts) -> str:
    return "rows of " + ", ".join(name for name in expected if now.get(name) != expected[name])
