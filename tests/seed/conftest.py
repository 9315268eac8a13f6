"""The committed files and the drawn world, read and drawn once."""

import csv
from collections import defaultdict
from pathlib import Path

import pytest

import seed_data
from seed_data.make import Drawn, draw

FOLDER = Path(seed_data.__file__).parent

Table = list[dict[str, str]]


def read(path: Path) -> Table:
    with path.open(encoding="utf-8", newline="") as lines:
        return list(csv.DictReader(lines))


@pytest.fixture(scope="module")
def drawn() -> Drawn:
    return draw()


@pytest.fixture(scope="module")
def files() -> dict[str, Table]:
    return {path.stem: read(path) for path in FOLDER.glob("*.csv")}


@pytest.fixture(scope="module")
def trials(files: dict[str, Table]) -> dict[str, Table]:
    """Rows of the players, by trial."""
    by_trial: dict[str, Table] = defaultdict(list)
    for row in files["runs"]:
        if row["rater"] == "player":
            by_trial[row["trial"]].append(row)
    return by_trial
