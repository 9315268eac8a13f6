"""What a fit with its check-up takes: the demo's, and a share of a network of 50 dealers with 60,000 trials, beside the goals."""

import argparse
import json
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from model.evaluation import TrialHistory
from model.preference import PreferenceModel
from service.modelling import fits, model_records
from tests.benchmarks import _goals
from tests.benchmarks._demo import demo_settings, opened
from tests.benchmarks._figures import table
from tests.benchmarks._network import network

GIGABYTES, SECONDS = 2.0, 1_800.0
"""Goals of the whole network: peak memory of one process, and CPU of all together (15 minutes on two cores)."""


def read(share: float | None) -> TrialHistory:
    """Return the demo's history, or such a share of the network's."""
    with demo_settings() as settings, opened(settings) as database, database.reading() as session:
        demo = TrialHistory(
            model_records.read_range(session),
            model_records.read_trials(session),
            model_records.read_events(session),
            model_records.read_outcomes(session),
            model_records.read_offers(session),
        )
    return demo if share is None else network(demo, share)


def measure(share: float | None, alone: bool) -> dict[str, Any]:
    """Fit once in this process, or fit and check up as the service does; CPU of all processes, wall, peak memory of one."""
    past = read(share)
    began, wall = _cpu(), time.monotonic()
    if alone:
        past.fitted(PreferenceModel)
    else:
        fits._computed(fits._Read(past, "", None, {}), None)
    who = (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)
    return {
        "trials": len(past.trials),
        "runs": sum(len(trial.runs) for trial in past.trials),
        "copies": len(past.range.copies),
        "cpu": _cpu() - began,
        "wall": time.monotonic() - wall,
        "gigabytes": max(resource.getrusage(of).ru_maxrss for of in who) / 1e6,
    }


def _cpu() -> float:
    used = [resource.getrusage(of) for of in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(of.ru_utime + of.ru_stime for of in used)


def _apart(*options: str) -> dict[str, Any]:
    """Measure in a process of its own, so that memory and time are its own and its children's."""
    command = [sys.executable, "-m", "tests.benchmarks", "fitsize", "--measure", *options]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2])
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def _row(what: str, found: dict[str, Any], cpu: float | None, gigabytes: float | None) -> list[str]:
    sizes = [f"{found[name]:,}" for name in ("trials", "runs", "copies")]
    return [
        *(what, *sizes, f"{found['cpu']:.1f}", "" if cpu is None else f"{cpu:.1f}", f"{found['wall']:.1f}"),
        *(f"{found['gigabytes']:.2f}", "" if gigabytes is None else f"{gigabytes:.1f}"),
    ]


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks fitsize", description=__doc__)
    parser.add_argument("--share", type=float, default=0.1, help="how much of the network, up to 1 (default: a tenth)")
    parser.add_argument("--alone", action="store_true", help="of the network one fit alone, without the check-up")
    parser.add_argument("--demo", action="store_true", help="the demo alone")
    parser.add_argument("--measure", action="store_true", help=argparse.SUPPRESS)
    given = parser.parse_args(argv)
    if given.measure:
        print(json.dumps(measure(None if given.demo else given.share, given.alone)))
        return 0
    demo = [_apart("--demo", "--alone"), _apart("--demo")]
    rows = [_row("demo, a fit", demo[0], None, None), _row("demo, with check-up", demo[1], None, None)]
    told = {"demo, a fit: CPU": demo[0]["cpu"], "demo, with check-up: CPU": demo[1]["cpu"]}
    if not given.demo:
        share = given.share
        found = _apart("--share", str(share), *(["--alone"] if given.alone else []))
        what = f"{share:g} of the network, {'a fit' if given.alone else 'with check-up'}"
        rows.append(_row(what, found, None if given.alone else SECONDS * share, GIGABYTES))
        if not given.alone:
            told["network, with check-up: CPU, times the whole"] = found["cpu"] / share
            told["network, with check-up: memory of a process"] = found["gigabytes"]
    head = ["", "trials", "runs", "copies", "CPU s", "goal", "wall s", "GB a process", "goal"]
    print(table(head, rows))
    print(
        "CPU is that of all processes; a share's goal is that share of the whole one's, its memory's the whole one's."
    )
    _goals.tell("fitsize", told)
    return 0
