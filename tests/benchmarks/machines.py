"""Two machines, as two network namespaces, on one PostgreSQL; one is cut off from it: what does each answer, and is all stored?

Needs root and a kernel that lets a namespace be made (`ip netns`). Nothing leaves this machine.
"""

import argparse
import contextlib
import json
import os
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select

from service.core.database import Database
from service.tables import Enquiry
from tests import postgres
from tests.benchmarks._faults_world import prepare
from tests.postgres import Server

SPACES = {"bows-a": 1, "bows-b": 2}
PORT, SECONDS = 8001, 12.0
SEED_DATA = Path(__file__).resolve().parents[2] / "seed_data"
_ASK = """
import httpx, json, sys, time, uuid
client = httpx.Client(base_url="http://127.0.0.1:8001", timeout=60, trust_env=False)
end = time.time() + float(sys.argv[1])
while time.time() < end:
    begun = time.time()
    try:
        status = client.post("/api/v1/advice", json={"instrument": "violin", "id": str(uuid.uuid4())}).status_code
    except httpx.HTTPError as error:
        status = type(error).__name__
        time.sleep(.5)
    print(json.dumps([begun, status, time.time() - begun]), flush=True)
    time.sleep(.1)
"""


def main(argv: Sequence[str]) -> int:
    """Print what both answered before, while one was cut off, and after; return 1 where anything acknowledged is not stored."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks machines", description=__doc__)
    parser.add_argument(
        "--seconds", type=float, default=SECONDS, help=f"of each of the three parts (default: {SECONDS})"
    )
    seconds = parser.parse_args(argv).seconds
    with _spaces(), _reachable() as server, closing(Database(server.url("postgres"))) as database:
        for arguments in (["migrate"], ["load", str(SEED_DATA)]):
            prepare(arguments, server.url("postgres"), Path("/tmp"))
        with contextlib.ExitStack() as until:
            for space in SPACES:
                until.enter_context(_serving(space, server))
            asking = {space: _within(space, "-c", _ASK, str(seconds * 3), stdout=subprocess.PIPE) for space in SPACES}
            time.sleep(seconds)
            moments = [0.0, time.time()]
            _ip("link", "set", "vbows-a", "down")
            time.sleep(seconds)
            moments += [time.time(), float("inf")]
            _ip("link", "set", "vbows-a", "up")
            found = {
                space: [json.loads(line) for line in each.communicate()[0].splitlines()]
                for space, each in asking.items()
            }
        for space, answers in found.items():
            for part, begins, ends in zip(("before", "one cut off", "after"), moments, moments[1:], strict=False):
                now = [each for each in answers if begins <= each[0] < ends]
                statuses = dict(Counter(str(status) for _at, status, _took in now))
                print(f"{space:8} {part:12} {statuses}, the longest {max((took for *_, took in now), default=0):.2f} s")
        acknowledged = sum(status == 200 for answers in found.values() for _at, status, _took in answers)
        with database.reading() as session:
            stored = session.scalars(select(func.count()).select_from(Enquiry)).one()
        print(f"{acknowledged} acknowledged, {stored} stored")
        return int(stored < acknowledged)


def _ip(*arguments: str) -> None:
    subprocess.run(["ip", *arguments], check=True)


@contextmanager
def _spaces() -> Iterator[None]:
    """Make both namespaces, each with a line of its own to this one, for as long as it is needed."""
    try:
        for space, number in SPACES.items():
            _ip("netns", "add", space)
            _ip("link", "add", f"v{space}", "type", "veth", "peer", "name", "line", "netns", space)
            _ip("addr", "add", f"10.77.{number}.1/30", "dev", f"v{space}")
            _ip("link", "set", f"v{space}", "up")
            _ip("-n", space, "addr", "add", f"10.77.{number}.2/30", "dev", "line")
            _ip("-n", space, "link", "set", "line", "up")
            _ip("-n", space, "link", "set", "lo", "up")
        yield
    finally:
        for space in SPACES:
            subprocess.run(["ip", "netns", "del", space], check=False)


@contextmanager
def _reachable() -> Iterator[Server]:
    """Start a server that both namespaces reach."""
    run, running = postgres._run, postgres._running

    def with_lines(command: Sequence[str | Path], patience: float = 0) -> None:
        run(command, patience)
        if Path(command[0]).name == "initdb":
            with (Path(command[-1]) / "pg_hba.conf").open("a", encoding="ascii") as rules:
                rules.write("host all all 10.77.0.0/16 trust\n")

    def everywhere(command: Sequence[str | Path], log: Path) -> Any:
        return running(
            [str(part).replace("addresses=127.0.0.1", "addresses=127.0.0.1,10.77.1.1,10.77.2.1") for part in command],
            log,
        )

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(postgres, "_run", with_lines)
        patch.setattr(postgres, "_running", everywhere)
        with Server.started() as server:
            yield server


def _within(space: str, *arguments: str, **options: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(["ip", "netns", "exec", space, sys.executable, *arguments], text=True, **options)


@contextmanager
def _serving(space: str, server: Server) -> Iterator[None]:
    """Serve in a namespace, from when it answers."""
    url = server.url("postgres").replace("127.0.0.1", f"10.77.{SPACES[space]}.1").partition("?")[0]
    limits = {"ADVICE_PER_MINUTE": "0", "COST_PER_MINUTE": "0", "LOG_LEVEL": "critical", "SECRET_KEY": "x" * 48}
    environ = {**os.environ, **limits, "DATABASE_URL": url}
    process = _within(space, "-m", "service", "serve", "--port", str(PORT), env=environ, stdout=subprocess.PIPE)
    try:
        assert process.stdout is not None  # a pipe was asked for
        process.stdout.readline()
        look = f"import httpx; httpx.post('http://127.0.0.1:{PORT}/api/v1/advice', json={{'instrument': 'violin'}}, timeout=60, trust_env=False)"
        _within(space, "-c", look).wait()
        yield
    finally:
        process.terminate()
        process.wait(30)
