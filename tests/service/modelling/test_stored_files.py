"""Where models lie: made ready aside while requests are answered, put away by a rule, refused before they are computed."""

import datetime as dt
import gc
import shutil
import tracemalloc
from collections.abc import Callable
from contextlib import closing
from functools import cache
from pathlib import Path
from threading import Event, Thread
from typing import Any, NamedTuple

import numpy as np
import pytest
from sqlalchemy import event, text

from model.preference import FittedModel, from_bytes, to_bytes
from service.cli import web_server
from service.core.database import Database
from service.core.errors import ConflictError
from service.modelling import catalogue, fits, stored_files, versions
from service.modelling.aside import Aside
from service.operations import row_transfer
from service.tables import ModelVersion
from tests import factories, migrated
from tests.model.worlds import made_up_posterior, violins
from tests.service.client import settings_in


class Usage(NamedTuple):
    """Room on a disk, as `shutil.disk_usage` tells of it."""

    total: int
    used: int
    free: int


@cache
def artifact(seed: int = 1) -> bytes:
    return to_bytes(made_up_posterior(violins([2, 1]), [[("a0", 0), ("b0", 0)], [("a1", 0)]], seed))


def add(database: Database, *, used: bool = True, adopted: bool = True, file: bytes | None = None) -> int:
    """Put one more version into the database, in use where it is adopted."""
    row = ModelVersion(
        fitted_at=dt.datetime.now(dt.UTC),
        adopted=False,
        data_digest="d",
        code_version="c",
        report={"used": used, "trials": 30},
        artifact=artifact() if file is None else file,
    )
    with database.writing() as session:
        session.add(row)
        session.flush()
        number = row.id
        if adopted:
            versions.adopt(session, number)
    return number


def answering(database: Database) -> int | None:
    with database.reading() as session:
        fitted = versions.current(session)
        view = catalogue.current(session).view(fitted)
        assert view.posterior.design.tiers == from_bytes(artifact()).design.tiers
        return fitted.version


def kept(database: Database) -> list[int]:
    with database.reading() as session:
        return [each.version for each in versions.listing(session) if not each.put_away]


@pytest.fixture
def aside(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Take every new version for a large one; gives what waits until it is ready."""
    monkeypatch.setattr(versions, "READ_AT_ONCE", 0)
    return versions._aside.wait


def test_while_a_large_version_is_made_ready_the_one_before_answers(
    database: Database, monkeypatch: pytest.MonkeyPatch, aside: Callable[[], None]
) -> None:
    first = add(database)
    assert answering(database) == first
    may_go_on, read = Event(), from_bytes

    def slow(data: bytes) -> FittedModel:
        assert may_go_on.wait(30)
        return read(data)

    second = add(database, file=artifact(2))
    monkeypatch.setattr(versions, "from_bytes", slow)
    asking: list[int | None] = []
    threads = [Thread(target=lambda: asking.append(answering(database))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    assert asking == [first] * 4  # none of them waited for the gate
    may_go_on.set()
    aside()
    with database.reading() as session:
        fitted = versions.current(session)
        known = catalogue.current(session)
        assert fitted.version == second
        assert known._views.get(fitted.key) is not None, "its view is there before it answers"


def test_who_must_see_the_version_in_use_waits_for_it(database: Database, aside: Callable[[], None]) -> None:
    first = add(database)
    assert answering(database) == first
    second = add(database, file=artifact(2))
    with database.reading() as session:
        assert versions.current(session, wait=True).version == second
    aside()


def test_a_large_version_that_is_damaged_is_told_by_the_request_after(
    database: Database, aside: Callable[[], None], caplog: pytest.LogCaptureFixture
) -> None:
    first, second = add(database), add(database)
    assert answering(database) == second
    third = add(database, file=artifact(2))
    with database.writing() as session:
        session.get_one(ModelVersion, third).artifact = b"PK half a file"
    assert answering(database) == second
    aside()
    assert answering(database) == second
    assert "could not be made ready aside" in caplog.text
    assert f"version {third} of the model cannot be read" in caplog.text
    assert first != second


def test_the_version_that_answers_is_not_read_again_once_others_were_looked_at(
    database: Database, monkeypatch: pytest.MonkeyPatch, aside: Callable[[], None]
) -> None:
    older = [add(database) for _ in range(4)]
    assert answering(database) == older[-1]
    with database.reading() as session:
        for version in older[:-1]:
            versions.load(session, version)
    files = list[bytes]()
    monkeypatch.setattr(versions, "from_bytes", files.append)
    assert answering(database) == older[-1]
    aside()
    assert files == []


def test_nothing_is_being_made_ready_any_more_where_the_workers_branch_off(
    database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    waited_for, at_the_end = Event(), list[bool]()

    class Awaited(Aside):
        """Makes ready until somebody waits for it."""

        def wait(self) -> None:
            waited_for.set()
            super().wait()

    aside = Awaited()

    def made(_own: object) -> None:
        waited_for.wait(30)

    async def adopted_meanwhile(_app: object) -> None:
        with database.reading() as session:
            assert aside.begins("large", session, made)

    monkeypatch.setattr(versions, "_aside", aside)
    monkeypatch.setattr(web_server, "_look_at", adopted_meanwhile)
    monkeypatch.setattr(gc, "freeze", lambda: at_the_end.append(aside.is_at("large")))
    try:
        web_server._load_all(settings_in(tmp_path, database_url=database.url.render_as_string(hide_password=False)))
    finally:
        waited_for.set()
    assert at_the_end == [False]


def test_older_files_are_put_away_and_their_check_ups_stay(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    numbers = [add(database, adopted=place == 3, used=place != 5) for place in range(6)]
    monkeypatch.setattr(stored_files, "KEPT_TOGETHER", int(4.5 * len(artifact())))
    with database.writing() as session:
        stored_files.put_away(session)
    # In use, the one before it, the newest; of the others the newest for which there is room.
    assert kept(database) == [numbers[5], numbers[4], numbers[3], numbers[2]]
    monkeypatch.setattr(stored_files, "KEPT_TOGETHER", 0)
    with database.writing() as session:
        stored_files.put_away(session)
    assert kept(database) == [numbers[5], numbers[4], numbers[3]]
    with database.reading() as session:
        assert [each.trials for each in versions.listing(session)] == [30] * 6
        told = versions.check(session)
        with pytest.raises(ConflictError, match="was put away to save room"):
            versions.load(session, numbers[0])
    assert told.endswith("; 3 versions are kept (0.2 MB), the files of 3 older ones were put away")
    with database.writing() as session, pytest.raises(ConflictError, match="cannot be used: its file was put away"):
        versions.adopt(session, numbers[0])


def test_the_version_that_was_gone_back_to_keeps_its_file_when_the_next_one_comes(
    any_database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    numbers = [add(any_database) for _ in range(4)]
    with any_database.writing() as session:
        versions.adopt(session, numbers[1])
    numbers.append(add(any_database))
    monkeypatch.setattr(stored_files, "KEPT_TOGETHER", 0)
    with any_database.writing() as session:
        stored_files.put_away(session)
    assert kept(any_database) == [numbers[4], numbers[1]]


def test_what_could_not_be_kept_is_refused_before_anything_is_computed(
    database: Database, monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory
) -> None:
    factories.load(database, tmp_path_factory.mktemp("given"), factories.history(players=4, copies=5))

    def computed(*_: object) -> None:
        pytest.fail("computed what cannot be kept")

    monkeypatch.setattr(fits, "_computed", computed)
    with monkeypatch.context() as patch:
        patch.setattr(shutil, "disk_usage", lambda _: Usage(10**9, 10**9, 10**3))
        with pytest.raises(ConflictError, match=r"0 MB free\. Nothing was computed.*Make room there"):
            fits.fit(database)
    monkeypatch.setattr(stored_files, "LARGEST", 1_000)
    with pytest.raises(ConflictError, match=r"in one piece.*Nothing was computed.*Let older trials go"):
        fits.fit(database)


def test_versions_are_moved_to_another_database_one_by_one(database: Database, tmp_path: Path) -> None:
    large = np.random.default_rng(1).bytes(4 * 2**20)
    numbers = [add(database, adopted=False, file=large) for _ in range(8)]
    migrated.put(tmp_path / "other.db")
    with closing(Database(f"sqlite:///{tmp_path / 'other.db'}")) as other:
        tracemalloc.start()
        row_transfer.copy(database, other)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert peak < 4 * len(large), "not half of them lie in memory at once"
        with other.reading() as session:
            assert session.get_one(ModelVersion, numbers[-1]).artifact == large
            assert stored_files.stored(session).kept == 8


@pytest.mark.postgresql
def test_reading_a_large_file_is_not_cut_off_as_a_requests_other_statements_are(postgres_database: Database) -> None:
    number = add(postgres_database, adopted=True)
    url = postgres_database.url.difference_update_query(["options"])
    limits = dict[bool, str]()

    def look(_connection: object, cursor: Any, statement: str, *_more: object) -> None:
        if "model_versions" in statement:
            cursor.execute("SHOW statement_timeout")
            limits["artifact" in statement] = cursor.fetchone()[0]

    with closing(Database(url, patient=False)) as served:
        event.listen(served.engine, "before_cursor_execute", look)
        with served.reading() as session:
            versions.load(session, number)
            after = session.scalar(text("SHOW statement_timeout"))
    assert limits == {False: "4500ms", True: "2min"}
    assert after == "4500ms"
