"""How long it takes to propose and to compose a trial from 500 copies in stock, reading included."""

import argparse
import datetime as dt
import tempfile
import uuid
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path

import numpy as np

from model.domain.records import Range
from model.preference.model import PreferenceModel
from model.preference.serialization import to_bytes
from service import migrations, tables
from service.core.database import Database
from service.questionnaire.forms import Composing, Questionnaire, check, check_as
from service.trials import composing, lifecycle
from tests.benchmarks._figures import Spent, table, timed
from tests.benchmarks._large import COPIES, INSTRUMENT, TIERS, large_history, large_prices, large_range

SEED = 20261125
SHOP = "shop"
TARGET = 200.0
"""Milliseconds that proposing, and composing, may take."""
FIRST_DAY = dt.date(2027, 1, 4)


def main(argv: Sequence[str]) -> int:
    """Compose trials one after the other, as a shop does in a day, and print what each step took."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks compose", description=__doc__)
    parser.add_argument("--trials", type=int, default=100, metavar="N", help="trials to compose (default: 100)")
    asked = parser.parse_args(argv)
    with tempfile.TemporaryDirectory() as folder:
        database = Database(f"sqlite:///{Path(folder) / 'bows.db'}")
        migrations.upgrade(database)
        _fill(database)
        spent = _compose(database, asked.trials)
        cold = spent["propose"].pop(0)
        widest = _widest(database)
        database.close()
    print("python -m tests.benchmarks compose")
    print(f"\nOne shop, {TIERS} tiers, {COPIES} copies in stock, a fitted model, SQLite with synchronous=FULL;")
    print(
        f"{asked.trials} trials one after the other, each proposed, looked at with one bow exchanged, composed and opened."
    )
    print(f"Milliseconds of wall time, reading and commit included. Target: {TARGET:.0f}.\n")
    print(table(("step", "median", "p99", "most"), [_row(step, times) for step, times in spent.items()]))
    print(
        f"\nOnce a process, the range read and the model laid over it: {cold.wall:.0f} ms in place of the first propose."
    )
    for tiers, each in widest.items():
        print(f"Exactly {tiers} bows of as many tiers, proposed: {each.wall:.0f} ms.")
    return 0


def _widest(database: Database) -> dict[int, Spent]:
    """Propose with exactly so many bows, every one of another tier: the most that the chance of a case can ask for."""
    answers, found = _answers(np.random.default_rng(SEED + 2)), {}
    for tiers in (3, 6, 8, 12):
        chosen = [f"C{k:03d}" for k in range(tiers)]
        _proposal, found[tiers] = timed(lambda: _proposed(database, answers, chosen, FIRST_DAY))  # noqa: B023 - called at once
    return found


def _row(step: str, times: Sequence[Spent]) -> tuple[str, ...]:
    wall = [each.wall for each in times]
    return step, f"{np.median(wall):.1f}", f"{np.percentile(wall, 99):.1f}", f"{max(wall):.1f}"


def _fill(database: Database) -> None:
    """Put the large range on sale at one shop, and a model fitted to its history in use."""
    rng = np.random.default_rng(SEED)
    range_ = large_range(rng)
    posterior = PreferenceModel(range_).fit(large_history(rng, range_)).posterior_
    with database.writing() as session:
        session.add(tables.Dealer(slug=SHOP, name="Shop", currency="EUR"))
        session.flush()
        session.add_all(_tiers(range_))
        session.flush()
        session.add_all(_copies(range_))
        version = {"data_digest": "", "code_version": "", "report": {"used": True}, "artifact": to_bytes(posterior)}
        session.add(tables.ModelVersion(fitted_at=dt.datetime.now(dt.UTC), adopted=True, **version))


def _tiers(range_: Range) -> list[tables.Tier]:
    prices = large_prices()
    return [
        tables.Tier(
            slug=tier.slug,
            name=tier.slug.capitalize(),
            instrument=tier.instrument,
            grade=tier.grade,
            price=Decimal(round(prices[tier.slug])),
            currency="EUR",
        )
        for tier in range_.tiers.values()
    ]


def _copies(range_: Range) -> list[tables.Copy]:
    return [
        tables.Copy(
            serial=copy.serial,
            tier=copy.tier,
            dealer=SHOP,
            status="in_stock",
            mass_g=copy.bench.mass_g,
            balance_mm=copy.bench.balance_mm,
            speed_of_sound_m_s=copy.bench.speed_of_sound_m_s,
            loss_factor=copy.bench.loss_factor,
        )
        for copy in range_.copies.values()
    ]


def _answers(rng: np.random.Generator) -> Questionnaire:
    return check(
        {
            "instrument": INSTRUMENT,
            "budget": {"amount": float(rng.integers(600, 8_000)), "currency": "EUR"},
            "priorities": ["response", "tone"],
            "wishes": {"mass": int(rng.integers(-1, 2))},
            "own_bow": {"ratings": {"overall": int(rng.integers(3, 6))}},
        }
    )


def _compose(database: Database, trials: int) -> dict[str, list[Spent]]:
    """Compose trials on days to come, so that reservations pile up as they do in a shop."""
    rng = np.random.default_rng(SEED + 1)
    spent: dict[str, list[Spent]] = {"propose": [], "propose, one exchanged": [], "compose": [], "open": []}
    for number in range(trials):
        answers, day = _answers(rng), FIRST_DAY + dt.timedelta(days=number)
        first, took = timed(lambda: _proposed(database, answers, None, day))  # noqa: B023 - called at once
        spent["propose"].append(took)
        chosen = _exchanged(first)
        _second, took = timed(lambda: _proposed(database, answers, chosen, day))  # noqa: B023 - called at once
        spent["propose, one exchanged"].append(took)
        body = {"id": str(uuid.uuid4()), "answers": answers.body(), "copies": chosen, "on": day.isoformat()}
        key, took = timed(lambda: _composed(database, check_as(Composing, body)))  # noqa: B023 - called at once
        spent["compose"].append(took)
        _none, took = timed(lambda: _opened(database, key))  # noqa: B023 - called at once
        spent["open"].append(took)
        with database.writing() as session:
            lifecycle.close(session, None, SHOP, key)
    return spent


def _proposed(
    database: Database, answers: Questionnaire, chosen: Sequence[str] | None, day: dt.date
) -> composing.Proposal:
    with database.reading() as session:
        return composing.propose(session, SHOP, answers, chosen=chosen, on=day)


def _exchanged(first: composing.Proposal) -> list[str]:
    """Return the recommended bows, the last one exchanged for the next best; raises where nothing was proposed."""
    free = [bow.copy for bow in first.bows if not bow.chosen and bow.blocked is None]
    if not (first.recommended and free):
        msg = "got no bows proposed, expected some: no empty work is timed"
        raise RuntimeError(msg)
    return [*first.recommended[:-1], free[0]]


def _composed(database: Database, request: Composing) -> str:
    with database.writing() as session:
        return composing.compose(session, None, SHOP, request)


def _opened(database: Database, key: str) -> None:
    with database.writing() as session:
        lifecycle.open_(session, None, SHOP, key)
