"""The invented demo data as the service holds it, in a temporary database."""

import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import select

import seed_data
from model.domain.records import Event, Range, Trial
from seed_data.make import Drawn
from seed_data.tables import write
from service import migrations, tables
from service.core.database import Database
from service.inventory import files
from service.modelling import model_records
from service.settings import Settings, default_database_url

SEED_DATA = Path(seed_data.__file__).parent


@contextmanager
def demo_settings(data: Path = SEED_DATA, url: str | None = None) -> Iterator[Settings]:
    """Give the settings of a database with the demo data in it, in a folder that is gone afterwards.

    ``data`` : a folder of other files in its place, as of a world drawn anew. ``url``: an empty database; None: an SQLite file.
    """
    with tempfile.TemporaryDirectory(prefix="bows-benchmark-") as name:
        folder = Path(name)
        settings = Settings(database_url=url or default_database_url(folder), data_dir=folder)
        with opened(settings) as database:
            migrations.upgrade(database)
            with database.writing() as session:
                report = files.load(session, data)
            if report.problems:
                msg = f"the demo data: got {report.problems[0]}, expected files that load takes"
                raise ValueError(msg)
        yield settings


@contextmanager
def world_settings(drawn: Drawn) -> Iterator[Settings]:
    """Give the settings of a database with the history of a drawn world in it, in folders that are gone afterwards."""
    with tempfile.TemporaryDirectory(prefix="bows-world-") as name:
        write(Path(name), drawn.tables)
        with demo_settings(Path(name)) as settings:
            yield settings


@contextmanager
def opened(settings: Settings) -> Iterator[Database]:
    """Give the settings' database, closed at the end."""
    database = Database(settings.database_url)
    try:
        yield database
    finally:
        database.close()


@dataclass(frozen=True, slots=True)
class Purse:
    """What a trial's player could spend, and where: ``budget`` in ``currency``, None where not told."""

    dealer: str
    budget: float | None
    currency: str


@dataclass(frozen=True, slots=True)
class Demo:
    """Range and history.

    Attributes
    ----------
    purses : by trial's key.
    prices : by dealer's slug, then by currency, then by tier's slug, as the dealer's players pay.
    stock : by dealer's slug the serials in stock at the end.
    """

    range: Range
    trials: tuple[Trial, ...]
    events: tuple[Event, ...]
    purses: Mapping[str, Purse]
    prices: Mapping[str, Mapping[str, Mapping[str, float]]]
    stock: Mapping[str, frozenset[str]]

    def prices_for(self, purse: Purse) -> Mapping[str, float]:
        """Return price by tier in the purse's currency at its dealer."""
        return self.prices[purse.dealer].get(purse.currency, {})


def read_demo(database: Database) -> Demo:
    """Read all that the benchmarks need."""
    with database.reading() as session:
        trial = tables.Trial
        rows = session.execute(select(trial.key, trial.dealer, trial.budget, trial.currency)).all()
        dealers = {str(row.dealer) for row in rows}
        return Demo(
            range=model_records.read_range(session),
            trials=model_records.read_trials(session),
            events=model_records.read_events(session),
            purses={row.key: _purse(row.dealer, row.budget, row.currency) for row in rows},
            prices={dealer: _by_currency(model_records.prices(session, dealer)) for dealer in dealers},
            stock={dealer: frozenset(model_records.stock(session, dealer)) for dealer in dealers},
        )


def _purse(dealer: object, budget: object, currency: object) -> Purse:
    return Purse(str(dealer), None if budget is None else float(str(budget)), str(currency))


def _by_currency(prices: Mapping[str, tuple[object, str]]) -> dict[str, dict[str, float]]:
    found: dict[str, dict[str, float]] = {}
    for tier, (amount, currency) in prices.items():
        found.setdefault(currency, {})[tier] = float(str(amount))
    return found
