"""Sixty tablets saving one rating a second each against one serving process on SQLite: errors, losses, how long a save takes."""

import argparse
import asyncio
import random
import tempfile
import time
import uuid
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import numpy as np
from sqlalchemy import select, text

from service import migrations, tables
from service.core.database import Database
from service.settings import Settings, default_database_url
from tests.benchmarks._figures import table
from tests.benchmarks._server import running
from tests.service import trial_rows

TABLETS, SECONDS = 60, 60
PLACES = (*zip(range(1, 7), ("F", "C", "", "R", "K", ""), strict=True),)
PATIENCE = 30.0


@dataclass
class Tally:
    """What was sent, by trial, place and revision; how long each took, in milliseconds; what was not answered with 200."""

    sent: dict[tuple[str, int, int], int] = field(default_factory=dict)
    took: list[float] = field(default_factory=list)
    errors: list[str] = field(default_factory=list)


def main(argv: Sequence[str]) -> int:
    """Play, count, and print the figures; status 1 where anything was lost or refused."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks tablets", description=__doc__)
    parser.add_argument("--tablets", type=int, default=TABLETS, metavar="N", help=f"tablets (default: {TABLETS})")
    parser.add_argument("--seconds", type=int, default=SECONDS, metavar="S", help=f"seconds (default: {SECONDS})")
    asked = parser.parse_args(argv)
    with tempfile.TemporaryDirectory(prefix="tablets-") as folder:
        settings = Settings(database_url=default_database_url(Path(folder)), data_dir=Path(folder))
        database = Database(settings.database_url)
        keys = _fill(database, asked.tablets)
        with running("service", settings) as server:
            server.send(200, "GET", "/healthz")  # it has started
            before = server.cpu()
            tally = asyncio.run(_play(str(server.client.base_url), keys, asked.seconds))
            cpu = server.cpu() - before
        lost, doubled = _missing(database, tally)
        _print(tally, lost, doubled, cpu, _durability(database), asked)
        database.close()
    return 1 if tally.errors or lost or doubled else 0


def _fill(database: Database, count: int) -> list[str]:
    """Make a trial and a tablet for each; return the tablets' keys, in the order of the trials."""
    migrations.upgrade(database)
    with database.writing() as session:
        trial_rows.add_dealer(session)
        keys = [trial_rows.add_tablet(session, name=f"Tablet {number}")[1] for number in range(count)]
        for number in range(count):
            trial_rows.add_trial(session, key=f"trial-{number}")
    return keys


async def _play(address: str, keys: Sequence[str], seconds: int) -> Tally:
    tally, start = Tally(), time.perf_counter() + 0.5
    async with asyncio.TaskGroup() as shop:
        for number, key in enumerate(keys):
            shop.create_task(_one(address, f"trial-{number}", key, start + number / len(keys), seconds, tally))
    return tally


async def _one(address: str, trial: str, key: str, start: float, seconds: int, tally: Tally) -> None:
    """Save one rating a second, bow after bow, each later round a change of what was rated before."""
    drawn, runs = (
        random.Random(trial),
        [str(uuid.UUID(int=random.Random(f"{trial} {n}").getrandbits(128))) for n in PLACES],
    )
    headers = {"Authorization": f"Bearer {key}"}
    async with httpx.AsyncClient(base_url=address, headers=headers, timeout=PATIENCE, trust_env=False) as client:
        for second in range(seconds):
            await asyncio.sleep(max(0.0, start + second - time.perf_counter()))
            turn, place = divmod(second, len(PLACES))
            position, letter = PLACES[place]
            overall = drawn.randint(1, 7)
            body = _sheet(turn + 1, position, letter, overall)
            tally.sent[trial, position, turn + 1] = overall
            await _put(client, f"/api/v1/trials/{trial}/runs/{runs[place]}", body, tally)


async def _put(client: httpx.AsyncClient, path: str, body: dict[str, Any], tally: Tally) -> None:
    began = time.perf_counter()
    try:
        answer = await client.put(path, json=body)
    except httpx.HTTPError as error:
        tally.errors.append(repr(error))
        return
    tally.took.append(1000 * (time.perf_counter() - began))
    if answer.status_code != 200 or answer.json()["flags"]:
        tally.errors.append(f"{answer.status_code} {answer.text[:100]}")


def _sheet(revision: int, position: int, letter: str, overall: int) -> dict[str, Any]:
    now = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())
    ratings = {"overall": overall, "response": 5, "clarity": 4, "dynamic_range": 6, "steadiness": "cannot_tell"}
    sheet = {"revision": revision, "position": position, "letter": letter, "rater": "player", "ratings": ratings}
    return sheet | {"note": None, "rated_at": now, "sent_at": now}


def _missing(database: Database, tally: Tally) -> tuple[int, int]:
    """Return how many ratings sent are not stored as they were, and how many rows there are beyond one each."""
    sheet, trial = tables.Sheet, tables.Trial
    with database.reading() as session:
        rows = session.execute(
            select(trial.key, sheet.position, sheet.revision, sheet.ratings).join(trial, sheet.trial == trial.id)
        ).all()
    stored = {(key, position, revision): ratings["overall"] for key, position, revision, ratings in rows}
    lost = sum(stored.get(place) != overall for place, overall in tally.sent.items())
    return lost, len(rows) - len(stored)


def _durability(database: Database) -> str:
    with database.reading() as session:
        level = session.scalar(text("PRAGMA synchronous"))
        journal = session.scalar(text("PRAGMA journal_mode"))
    return f"synchronous={ {0: 'OFF', 1: 'NORMAL', 2: 'FULL', 3: 'EXTRA'}[int(level or 0)] }, journal_mode={journal}"


def _print(tally: Tally, lost: int, doubled: int, cpu: float, durability: str, asked: argparse.Namespace) -> None:
    took = np.array(tally.took or [np.nan])
    print("python -m tests.benchmarks tablets\n")
    print(f"{asked.tablets} tablets, one rating a second each, {asked.seconds} s, one process (uvloop, httptools),")
    print(f"SQLite with {durability}: a sheet is on the disk before it is acknowledged. Loopback, this machine.\n")
    rows = [
        ("ratings sent", f"{len(tally.sent)}"),
        ("errors", f"{len(tally.errors)}"),
        ("lost", f"{lost}"),
        ("stored twice", f"{doubled}"),
        ("median, ms", f"{np.median(took):.1f}"),
        ("99th percentile, ms", f"{np.percentile(took, 99):.1f}"),
        ("longest, ms", f"{took.max():.1f}"),
        ("server CPU, ms a rating", f"{cpu / max(1, len(tally.sent)):.2f}"),
    ]
    print(table(("", ""), rows))
    for error in tally.errors[:5]:
        print(error)
