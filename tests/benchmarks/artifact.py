"""The stored model: what it takes, by its parts, how long until it answers, and whether four digits stay, from the demo to 10,000 linked copies."""

import argparse
import datetime as dt
import io
import multiprocessing
import tempfile
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
from sqlalchemy import update

from model.domain.records import Answers, OwnBow, Range, Run
from model.domain.vocabulary import LEADING, Criterion, Hold, Instrument
from model.preference import fitted
from model.preference.catalogue import CataloguePosterior
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import prediction_of
from model.preference.serialization import from_bytes, to_bytes
from model.trial import Offer, propose
from service.core.database import Database
from service.modelling import catalogue, model_records, versions
from service.tables import ModelVersion
from tests import migrated
from tests.benchmarks import _goals
from tests.benchmarks._demo import demo_settings, opened
from tests.benchmarks._figures import timed
from tests.model.linked_world import linked_model, linked_range

SIZES = _goals.LINKED
COMPARED_UP_TO = 3_000
"""Copies up to which the same is written out in full, to hold the answers against."""
PLAYERS, TRIED = 8, 5
MEGABYTE = 1e6


def main(argv: Sequence[str]) -> int:
    """Measure each size in a process of its own, and print the figures beside their goals."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks artifact", description=__doc__)
    parser.add_argument(
        "--size", action="append", choices=[str(size) for size in SIZES], help="one size alone (default: each)"
    )
    found: dict[str, float] = {}
    for size in parser.parse_args(argv).size or [str(size) for size in SIZES]:
        with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
            found |= pool.submit(measured, int(size)).result()
    _goals.tell("artifact", found)
    return 0


def measured(size: int) -> dict[str, float]:
    """Return the figures of one size: so many linked copies of all four instruments, 0 the demo."""
    range_, model = _demo() if not size else _linked(size)
    data = to_bytes(model)
    _print_parts(size, data)
    again, reading = timed(lambda: from_bytes(data))
    view, laying = timed(lambda: _laid_over(CataloguePosterior(again, range_)))
    name = _goals.of_size(size)
    found = {
        f"{name}: stored": len(data) / MEGABYTE,
        f"{name}: read": reading.cpu / 1e3,
        f"{name}: laid over": laying.cpu / 1e3,
    }
    first, longest = _first_advices(range_, data)
    found |= {f"{name}: first advice after": first, f"{name}: longest until it answers": longest}
    if size <= COMPARED_UP_TO:
        found[f"{name}: answers differ by"] = _differs(range_, view, size, model)
    return found


def _demo() -> tuple[Range, FittedModel]:
    with demo_settings() as settings, opened(settings) as database, database.reading() as session:
        range_, trials = model_records.read_range(session), model_records.read_trials(session)
        return range_, PreferenceModel(range_).fit(trials, model_records.read_events(session)).posterior_


def _linked(size: int) -> tuple[Range, FittedModel]:
    range_ = linked_range(size, list(Instrument))
    return range_, linked_model(range_, laws=1)


def _laid_over(view: CataloguePosterior) -> CataloguePosterior:
    for instrument in Instrument:
        view.suited(instrument, Hold.FRENCH if instrument is Instrument.DOUBLE_BASS else None)
    return view


def _print_parts(size: int, data: bytes) -> None:
    with np.load(io.BytesIO(data)) as file:
        parts = {name: file[name].nbytes / MEGABYTE for name in file.files}
    largest = sorted(parts.items(), key=lambda part: -part[1])[:6]
    print(f"{_goals.of_size(size)}, unpacked, MB:", ", ".join(f"{name} {size_:.2f}" for name, size_ in largest))


def _asking(range_: Range) -> Iterator[tuple[Answers, tuple[Run, ...]]]:
    """Give players who tried five bows and rated them anyhow."""
    rng = np.random.default_rng(7)
    for number in range(PLAYERS):
        instrument = list(Instrument)[number % len(Instrument)]
        hold = Hold.FRENCH if instrument is Instrument.DOUBLE_BASS else None
        suited = [copy.serial for copy in range_.suited(instrument, hold)]
        asked = (Criterion.OVERALL, *LEADING[instrument])
        tried = rng.choice(suited, TRIED, replace=False).tolist()
        runs = tuple(Run(k, serial, {c: float(rng.integers(1, 8)) for c in asked}) for k, serial in enumerate(tried, 1))
        yield Answers(instrument, hold, own_bow=OwnBow(ratings={Criterion.OVERALL: 4.0}), priorities=asked[1:3]), runs


def _answer(view: CataloguePosterior, answers: Answers, runs: tuple[Run, ...]) -> list[float]:
    """Return all that is told: expectations and deviations, chances and gains."""
    player = Player(view, answers, runs)
    outlook = prediction_of(player)
    suited = [copy.serial for copy in view.range.suited(answers.instrument, answers.hold)]
    offer = Offer(prices=dict.fromkeys(view.range.tiers, 1000.0), at_hand=frozenset(suited[:40]))
    found = propose(player, outlook, runs, offer)
    rows = [value for row in (found.case.rows if found.case else ()) for value in (row.chance, row.gain)]
    of_copies = [*outlook.stock.offset.tolist(), *outlook.stock.spread.tolist()]
    return [
        *outlook.mean.tolist(),
        *outlook.fit_sd.tolist(),
        *of_copies,
        *(e.beats_own_bow for e in found.entries),
        *rows,
    ]


def _differs(range_: Range, view: CataloguePosterior, size: int, model: FittedModel) -> float:
    """Return by how much any figure told differs from that of 64 bits in full."""
    with mock.patch.object(fitted, "WRITTEN_OUT_UP_TO", size + 1):
        full = _laid_over(CataloguePosterior(_linked(size)[1] if size else model, range_))
    pairs = [(_answer(view, *asked), _answer(full, *asked)) for asked in _asking(range_)]
    return max(float(np.abs(np.subtract(*pair)).max()) for pair in pairs)


def _first_advices(range_: Range, data: bytes) -> tuple[float, float]:
    """Return the milliseconds of the first advice after a new version, and of the longest until the new one answers, in the asking thread."""
    with tempfile.TemporaryDirectory(prefix="bows-benchmark-") as folder:
        file = Path(folder) / "bows.db"
        migrated.put(file)
        with closing(Database(f"sqlite:///{file}")) as database:
            _adopted(database, data)
            with database.reading() as session:
                known = catalogue.current(session)
                catalogue._memory.put(known.facts, replace(known, range=range_, _views=type(known._views)()))
            asked = next(iter(_asking(range_)))[0], ()
            _advised(database, asked)
            _adopted(database, data)
            spent = [_advised(database, asked)]
            while spent[-1][1] == 1:
                time.sleep(0.02)
                spent.append(_advised(database, asked))
            return spent[0][0], max(each for each, _ in spent)


def _adopted(database: Database, data: bytes) -> None:
    row = ModelVersion(
        fitted_at=dt.datetime.now(dt.UTC),
        adopted=False,
        data_digest="",
        code_version="",
        report={"used": True},
        artifact=data,
    )
    with database.writing() as session:
        session.execute(update(ModelVersion).values(adopted=False))
        session.add(row)
        session.flush()
        row.adopted = True


def _advised(database: Database, asked: tuple[Answers, tuple[Run, ...]]) -> tuple[float, int | None]:
    """Return the milliseconds of one advice in this thread, and the version that gave it."""
    begun = time.thread_time()
    with database.reading() as session:
        found = versions.current(session)
        _answer(catalogue.current(session).view(found), *asked)
    return 1e3 * (time.thread_time() - begun), found.version
