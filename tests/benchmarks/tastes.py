"""How much longer a fit takes with four columns of tastes than without: 250,000 ratings, and 30,000 beside R's lme4."""

import argparse
import shutil
import statistics
import subprocess
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from model.domain.arrays import Floats, Ints
from tests.model.crossed import CrossedMixedModel

MOST = 6.0  # times the fit without tastes
OWN, COPY, REPEAT = (0.7, 0.3, 0.3, 0.2, 0.1), 0.35, 0.7  # deviations drawn with: level and slopes, copy, noise
BELOW = 1e-3  # a criterion above lme4's by more than this is a minimum missed


@dataclass(frozen=True)
class Case:
    """How many ratings, players and copies, and how often the fit is timed."""

    ratings: int
    players: int
    copies: int
    repeats: int


CASES = (Case(250_000, 15_000, 1_000, 3), Case(30_000, 1_800, 300, 7))


@dataclass(frozen=True)
class Drawn:
    """Ratings y (n,) by players of copies, tastes (n, 4), fixed part X (n, 5)."""

    X: Floats
    y: Floats
    player: Ints
    copy: Ints
    tastes: Floats


def drawn(case: Case) -> Drawn:
    """Draw ratings whose players differ in level and in four slopes."""
    rng, n = np.random.default_rng(30), case.ratings
    player, copy = rng.integers(0, case.players, n), rng.integers(0, case.copies, n)
    tastes = rng.normal(size=(n, 4))
    X = np.column_stack([np.ones(n), tastes])
    own = rng.normal(size=(case.players, 5)) * OWN
    y = X @ [4.4, 0.2, 0.1, 0.0, 0.0] + np.sum(X * own[player], axis=1)
    y += COPY * rng.normal(size=case.copies)[copy] + REPEAT * rng.normal(size=n)
    return Drawn(X, y, player, copy, tastes)


def seconds(fit: Callable[[], CrossedMixedModel], repeats: int) -> tuple[float, CrossedMixedModel]:
    """Give the median CPU time of a fit, and the last one."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        fitted = fit()
        times.append(time.process_time() - start)
    return statistics.median(times), fitted


def report(case: Case) -> tuple[float, CrossedMixedModel]:
    """Print one case; give the time with tastes and the fit."""
    data = drawn(case)
    without, _ = seconds(lambda: CrossedMixedModel().fit(data.X, data.y, data.player, data.copy), case.repeats)
    with_tastes, fitted = seconds(
        lambda: CrossedMixedModel().fit(data.X, data.y, data.player, data.copy, data.tastes), case.repeats
    )
    times = with_tastes / without
    print(f"{case.ratings:,} ratings, {case.players:,} players, {case.copies:,} copies, four tastes")
    print(
        f"  CPU time {with_tastes:.3f} s, without tastes {without:.3f} s (medians of {case.repeats}): {times:.1f} times "
        f"(target {MOST:g}): {'met' if times <= MOST else 'MISSED'}"
    )
    slopes = np.sqrt(np.diagonal(fitted.player_covariance_)).round(3)
    print(
        f"  {fitted.responses_[0].iterations} steps, criterion {fitted.reml_:.4f}; level and slopes {slopes}, ", end=""
    )
    print(f"copy {fitted.copy_sd_:.3f}, repeat {fitted.residual_sd_:.3f} (drawn with {OWN}, {COPY}, {REPEAT})")
    return with_tastes, fitted


R_SCRIPT = """
suppressMessages(library(lme4))
d <- read.csv(commandArgs(TRUE)[1]); d$p <- factor(d$p); d$k <- factor(d$k)
time <- sum(system.time(m <- lmer(y ~ a + b + c + d + (1 + a + b + c + d | p) + (1 | k), d))[1:2])
cat(time, format(REMLcrit(m), digits = 15), sep = "\\n")
"""


def against_r(case: Case, ours: float, criterion: float) -> bool:
    """Fit a case with lme4 too; whether our criterion is not above its. True, and said so, where it cannot be run."""
    program = shutil.which("Rscript")
    if program is None:
        print("Rscript is not on the path: the criterion was not compared with lme4's.")
        return True
    data = drawn(case)
    with tempfile.TemporaryDirectory() as folder:
        table = Path(folder) / "ratings.csv"
        columns = np.column_stack([data.y, data.tastes, data.player, data.copy])
        np.savetxt(table, columns, fmt="%.17g", delimiter=",", header="y,a,b,c,d,p,k", comments="")
        done = subprocess.run([program, "-e", R_SCRIPT, str(table)], capture_output=True, text=True, check=False)
    if done.returncode:
        print(f"lme4 did not run: the criterion was not compared with its. R said: {done.stderr.strip()}")
        return True
    spent, theirs = (float(value) for value in done.stdout.split())
    print(f"lme4 {spent:.2f} s CPU, criterion {theirs:.4f}; ours {ours:.3f} s, {criterion:.4f}: ", end="")
    print("not above lme4's" if criterion <= theirs + BELOW else "ABOVE lme4's: a minimum missed")
    return criterion <= theirs + BELOW


def main(argv: Sequence[str]) -> int:
    """Print the figures; exit status 1 if lme4 finds a lower criterion."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks tastes", description=__doc__)
    parser.parse_args(argv)
    found = [report(case) for case in CASES]
    return 0 if against_r(CASES[-1], found[-1][0], found[-1][1].reml_) else 1
