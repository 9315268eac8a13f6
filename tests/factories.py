"""Small invented ranges and histories, by keyword: what a test does not name is usual and valid."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from service.core.database import Database
from service.inventory import files

Cells = dict[str, str]

USUAL: dict[str, Cells] = {
    "tiers": {
        "tier": "heron",
        "name": "Heron",
        "instrument": "violin",
        "grade": "1",
        "price": "1200",
        "currency": "EUR",
    },
    "character": {"tier": "heron", "criterion": "response", "step": "1"},
    "prices": {"tier": "heron", "dealer": "harbour", "price": "1150", "currency": "EUR"},
    "copies": {"copy": "VN-1", "tier": "heron", "dealer": "harbour", "status": "in_stock", "mass_g": "60.5"},
    "bench": {
        "copy": "VN-1",
        "date": "2026-01-05",
        "quantity": "mass_g",
        "value": "60.5",
        "unit": "g",
        "method": "scale",
    },
    "events": {"copy": "VN-1", "date": "2026-02-01", "event": "rehaired"},
    "runs": {
        "trial": "T1",
        "player": "P1",
        "date": "2026-03-02",
        "instrument": "violin",
        "position": "1",
        "copy": "VN-1",
        "overall": "5",
    },
    "outcomes": {"trial": "T1", "date": "2026-03-04", "outcome": "kept", "copy": "VN-1", "reason": "sound"},
}
"""One row of each file; together they are a folder that loads."""


def row(file: str, /, **cells: object) -> Cells:
    """Return the usual row of a file with other cells; None leaves one out."""
    given = USUAL[file] | {key: str(value) for key, value in cells.items()}
    return {key: value for key, value in given.items() if cells.get(key, "") is not None}


def usual(*names: str) -> dict[str, list[Cells]]:
    """Return the usual rows of the files named, of all of them without a name."""
    return {name: [row(name)] for name in names or USUAL}


def write(folder: Path, tables: Mapping[str, Sequence[Mapping[str, str]]]) -> Path:
    """Write rows as the files of a folder and return it; a file has the columns that any of its rows has."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, rows in tables.items():
        header = list(dict.fromkeys(column for cells in rows for column in cells))
        with (folder / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, header, restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return folder


def load(
    database: Database, folder: Path, tables: Mapping[str, Sequence[Mapping[str, str]]], **options: Any
) -> files.Report:
    """Write rows into a folder and load it."""
    with database.writing() as session:
        return files.load(session, write(folder, tables), **options)


def bass_range() -> dict[str, list[Cells]]:
    """Return a tier for both holds of the double bass and a copy of each."""
    return {
        "tiers": [row("tiers", tier="otter", name="Otter", instrument="double_bass", holds="german french")],
        "copies": [
            row("copies", copy="DB-1", tier="otter", hold="german", mass_g="138"),
            row("copies", copy="DB-2", tier="otter", hold="french", mass_g="131"),
        ],
    }


def history(players: int = 3, copies: int = 3) -> dict[str, list[Cells]]:
    """Return a violin range of two tiers and one trial a player in which every copy and the own bow is played."""
    tiers = [row("tiers"), row("tiers", tier="plover", name="Plover", grade=2, price=2600)]
    bows = [row("copies", copy=f"VN-{number}", tier=("heron", "plover")[number % 2]) for number in range(1, copies + 1)]
    runs = [
        row(
            "runs",
            trial=f"T{player}",
            player=f"P{player}",
            position=position,
            copy=copy,
            overall=1 + (3 * player + 2 * position) % 7,
        )
        for player in range(1, players + 1)
        for position, copy in enumerate(["own", *(bow["copy"] for bow in bows)], start=1)
    ]
    return {"tiers": tiers, "copies": bows, "runs": runs}
