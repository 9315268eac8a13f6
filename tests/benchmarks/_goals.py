"""What the service is meant to stay below, figure by figure, beside what it was when it was last stored.

A benchmark tells its figures with `tell`; ``python -m tests.benchmarks all`` runs every one that has goals, and ``--store`` keeps what was
found in `STORED`, so that a later run shows what has become worse.
"""

import csv
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.benchmarks._figures import table

STORED = Path(__file__).parent / "stored.csv"
STORING = "BENCHMARKS_STORE"
"""The environment's name for: keep what is found."""
WORSE = 1.25
"""From so many times what is stored a figure is called worse; what is less may be the machine."""
HEAD = ("", "found", "goal", "", "stored", "")


@dataclass(frozen=True, slots=True)
class Goal:
    """A figure that is to be at most so much, in a unit."""

    figure: str
    at_most: float
    unit: str


QUIET = ("help", "users list", "retention", "send", "migrate", "backup")
"""Commands that compute nothing."""
LINKED = (0, 1_000, 3_000, 10_000)
"""Copies that players link, 0 the demo's."""


def of_size(copies: int) -> str:
    """Return how so many linked copies are called."""
    return f"{copies:,} linked" if copies else "demo"


def _of_artifact(copies: int) -> Iterator[Goal]:
    name = of_size(copies)
    yield Goal(f"{name}: stored", 100, "MB")
    yield Goal(f"{name}: read", 1.0, "s")
    yield Goal(f"{name}: laid over", 5.0, "s")
    yield Goal(f"{name}: first advice after", 100, "ms")
    yield Goal(f"{name}: longest until it answers", 100, "ms")
    if copies <= 3_000:
        yield Goal(f"{name}: answers differ by", 1e-4, "")


OVERLOAD = (
    ("twice that: longest GET, s", 0.5, "s"),
    ("twice that: accepted, p99, s", 2.0, "s"),
    ("503 without Retry-After", 0, ""),
    ("acknowledged and lost", 0, ""),
    ("meanwhile: longest GET of a sign of life, s", 0.5, "s"),
)
"""What holds on each database at twice the capacity, and with thousands of connections."""
REQUESTS = {
    "advice at a dealer": 10.0,
    "advice of the whole range": 8.5,
    "the form's own-bow page": 3.5,
    "a step of the form": 3.5,
    "the result page": 3.5,
    "a sheet": 5.0,
    "a trial's standing": 13.0,
    "composing": 26.0,
    "a trial's page": 33.0,
    "/desk": 33.0,
    "/desk/stock": 33.0,
}
"""So many times the CPU of an empty POST with the same body."""
DEARER = "PostgreSQL beside SQLite, the dearest"
FLAT = ("/desk", "/desk/stock")
"""Pages that cost the same in a shop of ten times as many enquiries and trials."""
BESIDE_LME4 = "InstEval: beside lme4 with OpenBLAS"
OF_FITS = {"insteval": (0.3, None), "shops": (1.5, 1.0), "block": (10.0, None)}
"""CPU seconds and GB of memory that a fit of each case takes at most."""
ARGUMENTS = {"fit": ("--against-r",)}
"""What a benchmark is told where all are run."""
GOALS: Mapping[str, tuple[Goal, ...]] = {
    "startup": (
        *(Goal(f"{command}: CPU", 0.3, "s") for command in QUIET),
        *(Goal(f"{command}: memory", 60, "MB") for command in QUIET),
        Goal("serve: first page", 1.0, "s"),
        Goal("serve: a further worker, idle", 40, "MB"),
        Goal("serve: a further worker, at work", 40, "MB"),
    ),
    "serve": (
        *(
            Goal(f"{database}: {name}", times, "x")
            for database in ("SQLite", "PostgreSQL")
            for name, times in REQUESTS.items()
        ),
        Goal(DEARER, 1.3, "x"),
    ),
    "fitsize": (
        Goal("demo, a fit: CPU", 0.5, "s"),
        Goal("demo, with check-up: CPU", 16, "s"),
        Goal("network, with check-up: CPU, times the whole", 1800, "s"),
        Goal("network, with check-up: memory of a process", 2, "GB"),
    ),
    "fit": (
        *(Goal(f"{case}: CPU", seconds, "s") for case, (seconds, _memory) in OF_FITS.items()),
        *(Goal(f"{case}: memory", memory, "GB") for case, (_seconds, memory) in OF_FITS.items() if memory),
        Goal(BESIDE_LME4, 1 / 12, "x"),
    ),
    "artifact": tuple(goal for copies in LINKED for goal in _of_artifact(copies)),
    "overload": (
        *(
            Goal(f"{database}: {figure}", at_most, unit)
            for database in ("SQLite", "PostgreSQL")
            for figure, at_most, unit in OVERLOAD
        ),
        Goal("PostgreSQL: frozen: longest GET of a file or sign of life, s", 0.5, "s"),
        Goal("PostgreSQL: frozen: neither 200 nor 503", 0, ""),
    ),
    "desk": tuple(
        Goal(f"{database}: {page}, beside a shop of a tenth", 1.25, "x")
        for database in ("SQLite", "PostgreSQL")
        for page in FLAT
    ),
    "faults": tuple(Goal(f"{database}: lost or halved", 0, "") for database in ("SQLite", "PostgreSQL")),
}
"""By benchmark, in the order in which they are run."""


def stored() -> dict[tuple[str, str], float]:
    """Return what was stored, by benchmark and figure."""
    if not STORED.exists():
        return {}
    with STORED.open(encoding="utf-8", newline="") as file:
        return {(row["benchmark"], row["figure"]): float(row["value"]) for row in csv.DictReader(file)}


def tell(benchmark: str, found: Mapping[str, float]) -> None:
    """Print a benchmark's figures beside their goals, and keep them where that is asked for.

    Raises
    ------
    ValueError
        If a figure has no goal.
    """
    unknown = found.keys() - {goal.figure for goal in GOALS[benchmark]}
    if unknown:
        raise ValueError(f"{benchmark}: got figures {sorted(unknown)} without a goal, expected one in `GOALS` for each")
    before = stored()
    rows = [
        _row(goal, found[goal.figure], before.get((benchmark, goal.figure)))
        for goal in GOALS[benchmark]
        if goal.figure in found
    ]
    print(table((benchmark, *HEAD[1:]), rows))
    if STORING in os.environ:
        _store(before | {(benchmark, figure): value for figure, value in found.items()})


def _row(goal: Goal, value: float | None, before: float | None) -> tuple[str, ...]:
    met = "" if value is None else "met" if value <= goal.at_most else "MISSED"
    worse = "worse" if value is not None and before is not None and value > WORSE * before else ""
    return goal.figure, _said(value, goal.unit), _said(goal.at_most, goal.unit), met, _said(before, goal.unit), worse


def _said(value: float | None, unit: str) -> str:
    return "" if value is None else f"{value:.4g} {unit}".rstrip()


def _store(values: Mapping[tuple[str, str], float]) -> None:
    known = [(name, goal.figure) for name, goals in GOALS.items() for goal in goals]
    with STORED.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("benchmark", "figure", "value"))
        writer.writerows((*key, f"{values[key]:.4g}") for key in known if key in values)


def summary() -> Iterator[str]:
    """Give every goal beside what is stored, a table a benchmark."""
    before = stored()
    for name, goals in GOALS.items():
        rows = []
        for goal in goals:
            value = before.get((name, goal.figure))
            met = "not measured" if value is None else "met" if value <= goal.at_most else "MISSED"
            rows.append((goal.figure, _said(value, goal.unit), _said(goal.at_most, goal.unit), met))
        yield table((name, "stored", "goal", ""), rows)
