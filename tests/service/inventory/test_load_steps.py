"""A large folder is taken in step by step: others get in between, and a killed load leaves all of it or nothing."""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, event, func, select

from service import tables
from service.cli import main
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.one_at_a_time import alone
from service.inventory import files
from service.inventory.files import step_by_step
from service.modelling import fits
from service.players.persons import Person
from service.privacy import erasure
from tests import factories
from tests.factories import row
from tests.service.inventory.test_files import dumped

PLAYERS = 24


@pytest.fixture
def large(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of more rows than one transaction takes, here very few, with something of every kind."""
    for name, value in (("REST", 0), ("SMALL", 20), ("TRIALS", 6)):
        monkeypatch.setattr(step_by_step, name, value)
    given = factories.history(PLAYERS, 3)
    given["bench"] = [row("bench", copy=bow["copy"], value=bow["mass_g"]) for bow in given["copies"]]
    given["events"], given["character"], given["prices"] = [row("events")], [row("character")], [row("prices")]
    given["outcomes"] = [row("outcomes", trial=f"T{player}", copy="VN-1") for player in range(1, 9)]
    given["copies"][0] |= {"status": "sold"}
    return factories.write(tmp_path / "given", given)


def loading(database: Database, folder: Path) -> int:
    return main(["load", str(folder)], {"DATABASE_URL": database.url.render_as_string(hide_password=False)})


@contextmanager
def at_every_commit(do: Callable[[], object], moment: str = "commit") -> Iterator[None]:
    """Do something before whatever is committed meanwhile, or at another moment of it, but by what it does itself."""
    busy: list[bool] = []

    def told(*_what: Any) -> None:
        if not busy:
            busy.append(True)
            do()
            busy.clear()

    event.listen(Engine, moment, told)
    try:
        yield
    finally:
        event.remove(Engine, moment, told)


def stored(database: Database) -> dict[str, int]:
    """Return how many rows of the history and range are there, and trials whose outcome is noted."""
    with database.reading() as session:
        found = {
            table.__tablename__: session.scalar(select(func.count()).select_from(table)) or 0
            for table in (tables.Run, tables.Trial, tables.Outcome, tables.Tier, tables.BenchReading, tables.LoadStep)
        }
        came = session.scalar(select(func.count()).where(tables.Trial.came.is_not(None))) or 0
        marks = session.scalar(select(func.sum(tables.BowMarks.marks))) or 0
    return found | {"came": came, "marks": marks}


def test_others_get_in_between_while_a_large_folder_is_taken_in(any_database: Database, tmp_path: Path) -> None:
    folder = factories.write(tmp_path / "given", factories.history(510, 3))
    seen: list[int] = []

    def looks() -> None:
        with other.reading() as session:
            seen.append(session.scalar(select(func.count()).select_from(tables.Trial)) or 0)

    other = Database(any_database.url)
    with at_every_commit(looks):
        assert loading(any_database, folder) == 0
    other.close()
    # Between two transactions whoever waits may write; with a single one nobody ever sees a part.
    assert len({count for count in seen if 0 < count < 510}) > 2


def test_steps_bring_what_one_transaction_brings(any_database: Database, large: Path, tmp_path: Path) -> None:
    assert loading(any_database, large) == 0
    steps = (stored(any_database), dumped(any_database, tmp_path / "steps"))
    with any_database.reading() as session:
        sold = session.get_one(tables.Copy, "VN-1").sold_on
    assert sold is not None
    other = Database(f"sqlite:///{tmp_path / 'other.db'}")
    assert main(["migrate"], {"DATABASE_URL": str(other.url)}) == 0
    with other.writing() as session:
        assert files.load(session, large).problems == ()
    assert (stored(other), dumped(other, tmp_path / "once")) == steps
    other.close()


@pytest.mark.process
def test_a_load_killed_at_any_commit_leaves_all_or_nothing(
    any_database: Database, large: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(step_by_step, "TRIALS", 12)
    nothing, ends = stored(any_database), set[str]()
    for number in range(1, 40):
        any_database.engine.dispose()
        status = _killed(any_database, large, number)
        before = stored(any_database)
        after = _finished(any_database)
        if before["trials"]:
            assert after["trials"] == PLAYERS
        if not after["trials"]:
            assert {**after, "load_steps": 0} == nothing
            ends.add("nothing")
            continue
        assert after["load_steps"] == 0
        assert after["marks"] > 0
        assert after["came"] == 8
        ends.add("all")
        if status == 0:
            break
        _empty(any_database)
    assert ends == {"nothing", "all"}
    assert status == 0


def _finished(database: Database) -> dict[str, int]:
    """Bring a killed load to its end, as `serve` does again and again: PostgreSQL may not have noticed yet that its process is gone."""
    for _time in range(600):
        files.finish(database)
        if not (after := stored(database))["load_steps"]:
            break
        time.sleep(0.05)
    return after


def _killed(database: Database, folder: Path, at: int) -> int:
    """Load in a copy of this process that ends without a word at a commit; return its status."""
    child = os.fork()
    if not child:
        commits = iter(range(1, at))
        with at_every_commit(lambda: next(commits, None) or os._exit(9)):
            os._exit(loading(database, folder))
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def _empty(database: Database) -> None:
    with database.writing() as session:
        for table in reversed(tables.Base.metadata.sorted_tables):
            if table.name != "range_state":
                session.execute(table.delete())


def test_two_loads_at_once_are_told(any_database: Database, large: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with alone(any_database, "loading") as free:
        assert free
        assert loading(any_database, large) == 1
    assert "Another load is going on. Nothing was changed" in capsys.readouterr().err
    assert loading(any_database, large) == 0


def test_what_must_see_all_of_it_waits(database: Database, large: Path) -> None:
    refused: list[bool] = []

    def tries() -> None:
        other = Database(database.url)
        with other.reading() as session:
            half = 0 < (session.scalar(select(func.count()).select_from(tables.Trial)) or 0) < PLAYERS
        if half and not refused:
            with pytest.raises(ConflictError, match="Files are being taken in"):
                fits.fit(other)
            with other.reading() as session, pytest.raises(ConflictError, match="Files are being taken in"):
                erasure.would_erase(session, Person(None, None, (), None, (), (1,), ()))
            refused.append(True)
        other.close()

    with at_every_commit(tries):
        assert loading(database, large) == 0
    assert refused


def test_what_was_changed_meanwhile_is_not_written_over(
    database: Database, large: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert loading(database, large) == 0
    before = stored(database)
    given = factories.history(PLAYERS * 2, 3)
    copies = [each | {"balance_mm": "181.5"} for each in given["copies"]]
    factories.write(large, {"runs": given["runs"], "copies": copies})
    waiting = [True]

    def moves() -> None:
        other = Database(database.url)
        with other.reading() as session:
            aside = session.scalar(select(func.count()).select_from(tables.LoadStep))
        if aside and waiting:
            waiting.clear()
            with other.writing() as session:
                session.get_one(tables.Copy, "VN-2").dealer = None
        other.close()

    database.engine.dispose()
    with at_every_commit(moves, "checkin"):
        assert loading(database, large) == 1
    assert "Somebody else changed the same things meanwhile; nothing was changed here" in capsys.readouterr().err
    assert stored(database) == before
    assert loading(database, large) == 0
    assert stored(database)["trials"] == PLAYERS * 2
