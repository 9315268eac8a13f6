"""``fit`` with its check-up on histories with too little or too odd in them: every number is one, or a sentence says why."""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from service.advice import advise
from service.core.database import Database
from service.modelling import fits
from service.tables import ModelVersion
from tests import factories
from tests.factories import Cells, row

Tables = dict[str, list[Cells]]
PLAYERS, COPIES = 5, 5


def usual() -> Tables:
    """Enough players and copies for both parts of the check-up."""
    tables = factories.history(PLAYERS, COPIES)
    for run in tables["runs"]:
        run |= {"tone": str(1 + (len(run["copy"]) + int(run["position"])) % 7)}
    return tables


def only(kept: Callable[[Cells], bool]) -> Tables:
    tables = usual()
    return tables | {"runs": [run for run in tables["runs"] if kept(run)]}


def marked(**marks: str) -> Tables:
    tables = usual()
    return tables | {"runs": [run | marks for run in tables["runs"]]}


def contradictory() -> Tables:
    """A copy kept and none kept, a copy brought back that was never taken, and one taken twice."""
    told = [("T1", "kept", "VN-1"), ("T1", "none", ""), ("T2", "returned", "VN-2"), ("T3", "kept", "VN-1")]
    outcomes = [row("outcomes", trial=trial, outcome=kind, copy=copy) for trial, kind, copy in told]
    again = row("outcomes", trial="T3", date="2026-03-09", outcome="kept", copy="VN-1")
    return usual() | {"outcomes": [*outcomes, again]}


def keen(trials: int = 200) -> Tables:
    """One of the players comes two hundred times more."""
    tables = usual()
    more = [
        row("runs", trial=f"K{n}", player="P1", copy=f"VN-{1 + n % COPIES}", overall=1 + 3 * n % 7)
        for n in range(trials)
    ]
    return tables | {"runs": tables["runs"] + more}


HISTORIES: dict[str, Callable[[], Tables]] = {
    "trials with one bow": lambda: only(lambda run: run["copy"] == f"VN-{run['player'][1:]}"),
    "trials with only the own bow": lambda: only(lambda run: run["copy"] == "own"),
    "contradictory outcomes": contradictory,
    "ratings all 4": lambda: marked(overall="4", tone="4"),
    "a tier never tried": lambda: only(lambda run: run["copy"] == "own" or int(run["copy"][3:]) % 2 == 1),
    "a player with 200 trials": keen,
    "a criterion never rated": lambda: marked(tone=""),
}


@dataclass(frozen=True)
class Seen:
    """What came of one fit: what it said, what is stored of it, and what is advised by it."""

    lines: tuple[str, ...]
    report: dict[str, Any]
    advice: dict[str, Any]


@pytest.fixture(params=HISTORIES)
def seen(database: Database, tmp_path: Path, request: pytest.FixtureRequest) -> Seen:
    tables = {name: rows for name, rows in HISTORIES[request.param]().items() if rows}
    report = factories.load(database, tmp_path / "given", tables)
    assert not report.problems
    lines = fits.fit(database).lines
    with database.reading() as session:
        (stored,) = session.scalars(select(ModelVersion.report)).all()
    return Seen(lines, stored, advise.advise_json(database, {"instrument": "violin"}, operator=True))


def figures(value: Any) -> Iterator[float]:
    parts = value.values() if isinstance(value, dict) else value if isinstance(value, list) else ()
    yield from ([value] if isinstance(value, float) else ())
    for part in parts:
        yield from figures(part)


def test_an_odd_history_is_fitted_checked_and_advised_by(seen: Seen) -> None:
    assert seen.lines[-1] == "Adopted. Nothing was in use before."
    assert "nan" not in " ".join(seen.lines)
    json.dumps([seen.report, seen.advice], allow_nan=False)
    assert seen.advice["trial"]["copies"] > 0
    told = [figure for tier in seen.advice["shortlist"] for figure in figures([tier["fit"], tier["beats_own_bow"]])]
    assert told
    assert all(0.0 <= figure <= 8.0 for figure in told)


def test_a_copy_kept_that_was_not_played_is_refused_in_words(database: Database, tmp_path: Path) -> None:
    tables = only(lambda run: run["copy"] != "VN-5") | {"outcomes": [row("outcomes", copy="VN-5")]}
    (problem,) = factories.load(database, tmp_path / "given", tables).problems
    assert str(problem) == ("outcomes.csv, line 2, copy: got 'VN-5', expected a copy that was played in the trial T1")
