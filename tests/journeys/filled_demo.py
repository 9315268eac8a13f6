"""The demo's data, loaded and fitted into an SQLite file: once for all runs of one test command.

Each run would take some 20 seconds for it. Where `FOLDER` is set in the environment, the first one that comes keeps the file there.
"""

import fcntl
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]  # ships no types

from model.evaluation import TrialHistory, cross_validate, make_folds
from service import migrations
from service.core.database import Database
from service.inventory import files
from service.modelling import fits

SEED = Path(__file__).resolve().parents[2] / "seed_data"
FOLDER = "BOWS_TESTS_SHARED"


def put(file: Path) -> None:
    """Put the filled database there."""
    shared = os.environ.get(FOLDER)
    if shared is None:
        _fill(file)
        return
    kept, begun = Path(shared, "demo.db"), Path(shared, "begun.db")
    with Path(shared, "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not kept.exists():
            begun.unlink(missing_ok=True)
            _fill(begun)
            begun.replace(kept)
    shutil.copyfile(kept, file)


def _fill(file: Path) -> None:
    database = Database(f"sqlite:///{file}")
    migrations.upgrade(database)
    with database.writing() as session:
        files.load(session, SEED)
    # Its figures are of no account here: a check-up of a part, in this process, has all that a page can show of one.
    with (
        pytest.MonkeyPatch.context() as changed,
        threadpool_limits(1),
    ):  # small matrices: more threads wait for each other
        changed.setattr(fits, "ALONE_UP_TO", 10**6)
        changed.setattr(fits, "cross_validate", lambda past, *rest, **more: cross_validate(_part(past), *rest, **more))
        changed.setattr(fits, "make_folds", lambda past, *rest, **more: make_folds(_part(past), *rest, **more))
        fits.fit(database)
    database.close()


def _part(past: TrialHistory) -> TrialHistory:
    return replace(past, trials=past.trials[::4])
