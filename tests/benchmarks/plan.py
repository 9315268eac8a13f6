"""How long a plan takes: CPU time, median, one thread, for three tiers that share much, with and without named copies."""

import argparse
import os
import sys
import time
from collections.abc import Callable, Sequence

import numpy as np

from model.copies import AtHand, KnownBow, UnratedBow, Yardstick, gain_of_each, plan

TIERS = 30
MEAN = np.array([4.4, 4.7, 5.0])
COV = np.full((3, 3), 0.4) + 0.15 * np.eye(3)
NAMED = [AtHand(np.linspace(0.5, -0.1, 6) + 0.01 * t, np.linspace(0.3, 0.5, 6)) for t in range(3)]
OWN_BOWS: dict[str, Callable[[int], Yardstick]] = {
    "rated": lambda tiers: KnownBow(4.5, 4.4, np.full(tiers, 0.3 / tiers)),
    "not rated": lambda tiers: UnratedBow(4.5, np.full(tiers, 0.35), 0.6, 0.5),
    "none": KnownBow.none,
}


def _median(call: Callable[[], object], repeats: int) -> float:
    """Return the median CPU time of a call, in milliseconds; the first call, which fills caches, is not counted."""
    call()
    spent = []
    for _ in range(repeats):
        start = time.process_time_ns()
        call()
        spent.append((time.process_time_ns() - start) / 1e6)
    return float(np.median(spent))


def main(argv: Sequence[str]) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks plan", description=__doc__)
    parser.add_argument("--repeats", type=int, default=100, help="calls of each kind (100)")
    repeats = parser.parse_args(argv).repeats
    if os.environ.get("OPENBLAS_NUM_THREADS") != "1":
        print("For one thread set OPENBLAS_NUM_THREADS=1: small matrices are slower on several.", file=sys.stderr)
    mean, cov = np.linspace(4.0, 5.5, TIERS), np.full((TIERS, TIERS), 0.4) + 0.15 * np.eye(TIERS)
    print("own bow    unknown copies  named copies  two of each of 30 tiers   (ms)")
    for name, own in OWN_BOWS.items():
        times = [
            _median(lambda own=own: plan(MEAN, COV, 0.57, own(3), 0.7), repeats),  # type: ignore[misc]  # bound early
            _median(lambda own=own: plan(MEAN, COV, 0.57, own(3), 0.7, stock=NAMED), repeats),  # type: ignore[misc]  # same
            _median(lambda own=own: gain_of_each(mean, cov, 0.57, own(TIERS), 0.7), repeats),  # type: ignore[misc]  # same
        ]
        print(f"{name:<10} {times[0]:>14.2f}  {times[1]:>12.2f}  {times[2]:>23.2f}")
    return 0
