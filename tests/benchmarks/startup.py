"""What starting costs: commands that compute nothing, the server's first page, a further worker."""

import argparse
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path

import httpx

from service.modelling import fits
from service.settings import Settings
from tests.benchmarks import _goals
from tests.benchmarks._demo import demo_settings, opened

TIMES = 5
"""So often each is begun; the quickest counts, and the most memory."""
WORKERS, REQUESTS = 3, 60
PATIENCE = 60.0
_RUN = """
import runpy, sys, time
sys.argv[0] = "service"
try:
    runpy.run_module("service", run_name="__main__")
except SystemExit as ended:
    status = ended.code
memory = next(line for line in open("/proc/self/status") if line.startswith("VmHWM")).split()[1]
print(time.process_time(), memory, status or 0, file=sys.stderr)
"""
"""Runs a command as `python -m service` does, and then says what it took: CPU seconds since the process began, kilobytes, status."""


def main(argv: Sequence[str]) -> int:
    """Begin everything, and print the figures beside their goals."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks startup", description=__doc__)
    parser.add_argument(
        "--times", type=int, default=TIMES, metavar="N", help=f"how often each is begun (default: {TIMES})"
    )
    times = parser.parse_args(argv).times
    with demo_settings() as settings:
        with opened(settings) as database:
            fits.fit(database)
        found = commands(settings, times)
        found["serve: first page"] = min(first_page(settings) for _ in range(times))
        idle, working = workers(settings)
    found |= {"serve: a further worker, idle": idle, "serve: a further worker, at work": working}
    _goals.tell("startup", found)
    return 0


def commands(settings: Settings, times: int) -> dict[str, float]:
    """Return the CPU seconds and megabytes of each command that computes nothing."""
    found = {}
    for command in _goals.QUIET:
        spent = [
            _begun(settings, [*command.split(), *([f"{settings.data_dir}/copy-{number}"] * (command == "backup"))])
            for number in range(times)
        ]
        found[f"{command}: CPU"] = min(cpu for cpu, _memory in spent)
        found[f"{command}: memory"] = max(memory for _cpu, memory in spent)
    return found


def _begun(settings: Settings, arguments: Sequence[str]) -> tuple[float, float]:
    done = subprocess.run(
        [sys.executable, "-c", _RUN, *arguments],
        capture_output=True,
        text=True,
        env=_surroundings(settings),
        check=True,
    )
    cpu, kilobytes, status = done.stderr.split()[-3:]
    if status != "0":
        raise RuntimeError(f"{' '.join(arguments)}: got status {status}, {done.stdout} {done.stderr}; expected 0")
    return float(cpu), int(kilobytes) / 1024


def _surroundings(settings: Settings) -> Mapping[str, str]:
    return {
        **os.environ,
        "LOG_LEVEL": "warning",
        "DATA_DIR": str(settings.data_dir),
        "DATABASE_URL": settings.database_url.render_as_string(hide_password=False),
    }


@contextmanager
def _serving(settings: Settings, *options: str) -> Iterator[tuple[str, int]]:
    """Give the address of a server just begun, and its process."""
    command = [sys.executable, "-m", "service", "serve", "--port", "0", *options]
    process = subprocess.Popen(command, env=_surroundings(settings), stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None  # a pipe was asked for
        address = re.search(r"http://\S+", process.stdout.readline())
        if address is None:
            raise RuntimeError("serve: got no address, expected one in its first line")
        yield address[0], process.pid
    finally:
        process.terminate()
        process.wait(PATIENCE)


def first_page(settings: Settings) -> float:
    """Return the seconds from the command to the form's first page; the socket listens long before, so that the page is waited for."""
    began = time.perf_counter()
    with _serving(settings) as (address, _pid):
        httpx.get(address, timeout=PATIENCE, trust_env=False).raise_for_status()
        return time.perf_counter() - began


def workers(settings: Settings) -> tuple[float, float]:
    """Return the megabytes that no other process shares of a worker beside others, idle and after requests of the heaviest kinds."""
    with _serving(settings, "--workers", str(WORKERS)) as (address, pid):
        httpx.get(f"{address}health/live", timeout=PATIENCE, trust_env=False).raise_for_status()
        idle = _own_memory(pid)
        for _ in range(REQUESTS):
            # Over a connection of its own each, so that every worker has its share.
            httpx.post(
                f"{address}api/v1/advice", json={"instrument": "violin"}, timeout=PATIENCE, trust_env=False
            ).raise_for_status()
            httpx.get(address, timeout=PATIENCE, trust_env=False).raise_for_status()
        return idle, _own_memory(pid)


def _own_memory(pid: int) -> float:
    """Return the mean of the private megabytes of a process's children (proc(5), smaps_rollup)."""
    children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    private = [
        int(line.split()[1])
        for child in children
        for line in Path(f"/proc/{child}/smaps_rollup").read_text(encoding="ascii").splitlines()
        if line.startswith("Private_")
    ]
    return sum(private) / 1024 / len(children)
