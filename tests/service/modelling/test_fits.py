"""Fitting, checking and adopting versions, each against a real database; what is damaged is refused and what was stays."""

import json
import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from typing import Any, Self

import pytest
from sqlalchemy import select

import model
from model.domain.records import Range, Trial
from model.evaluation import ClusteredMean, Decision, EvaluationReport, PromotionReason
from model.features import TrainingData
from model.preference import PreferenceModel
from service.core.database import Database
from service.core.errors import ConflictError
from service.modelling import fit_words, fits, versions
from service.modelling.versions import Seen
from service.tables import ModelVersion
from tests import factories
from tests.factories import Cells
from tests.model.worlds import START, trial
from tests.service.cli.test_serving import ROOT

QUICK = partial(PreferenceModel, tastes=False)


class UpsideDown(PreferenceModel):
    """A kind of model that takes the scale for the other way round."""

    def __init__(self, range_: Range) -> None:
        super().__init__(range_, tastes=False)

    def fit_to(self, material: TrainingData) -> Self:
        history = replace(material.history, Y=8.0 - material.history.Y, own_Y=8.0 - material.history.own_Y)
        return super().fit_to(replace(material, history=history))


@pytest.fixture
def filled(database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Database:
    """Eight players who like the dearer tier, and a kind of model that is fitted quickly."""
    monkeypatch.setattr(fits, "MODEL", QUICK)
    monkeypatch.setattr(fits, "REFERENCE", QUICK)
    factories.load(database, tmp_path / "first", liking("A", 8, date(2026, 3, 2)))
    return database


@pytest.fixture
def unchecked(filled: Database, monkeypatch: pytest.MonkeyPatch) -> Database:
    """The same, where the check-up, which is not what is looked at, finds too few players."""
    nothing = EvaluationReport(0, 0, 0, None, None, None, ())
    monkeypatch.setattr(fits, "cross_validate", lambda *_args, **_options: nothing)
    return filled


def liking(name: str, players: int, on: date) -> dict[str, list[Cells]]:
    """A history in which every player rates the dearer tier's copies about three points higher."""
    tables = factories.history(players, copies=6)
    for each in tables["runs"]:
        number, copy = int(each["player"][1:]), each["copy"]
        better = 0 if copy == "own" else 3 * (int(copy[3:]) % 2)
        each |= {
            "trial": f"T{name}{number}",
            "player": f"P{name}{number}",
            "date": on.isoformat(),
            "overall": str(2 + better + (number + len(copy)) % 2),
        }
    return tables


def later(database: Database, folder: Path, players: int = 30) -> None:
    """Add players who came after everybody so far."""
    factories.load(database, folder / f"later{players}", liking("B", players, date(2026, 5, 1)))


def kinds(monkeypatch: pytest.MonkeyPatch, kind: object, code: str) -> None:
    """Fit another kind of model from now on."""
    monkeypatch.setattr(fits, "MODEL", kind)
    monkeypatch.setattr(fits, "code_version", lambda: code)


def in_use(database: Database) -> int | None:
    with database.reading() as session:
        return versions.current(session).version


def report(database: Database, version: int) -> dict[str, Any]:
    with database.reading() as session:
        return dict(session.scalars(select(ModelVersion.report).where(ModelVersion.id == version)).one())


# What a fit does


def test_the_first_version_is_adopted_and_its_check_up_kept(filled: Database) -> None:
    result = fits.fit(filled)
    assert result.adopted
    assert in_use(filled) == result.version_id == 1
    kept = report(filled, 1)
    assert kept["decision"] == {
        "adopt": True,
        "why": "first",
        "players": 0,
        "worse": None,
        "worse_than_best": None,
        "best": None,
    }
    names = [score["method"] for score in kept["check_up"]["by_player"]["overall"][0]["scores"]]
    assert names[:2] == ["model", "without tastes"]
    assert (
        kept["held_out_players"]["rmse_model"]
        == kept["check_up"]["by_player"]["overall"][0]["scores"][0]["rmse"]["mean"]
    )
    assert result.lines[-1] == "Adopted. Nothing was in use before."
    assert result.lines[0] == "Version 1: fitted to 8 trials with 48 overall ratings of 6 copies."
    assert any(line.startswith("after 0 own ratings") for line in result.lines)


def test_a_fit_is_kept_on_postgresql_too(
    postgres_database: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fits, "MODEL", QUICK)
    monkeypatch.setattr(fits, "REFERENCE", QUICK)
    # One bow a trial: no pairs and no choices, so that figures without a number are among those kept.
    history = liking("A", 6, date(2026, 3, 2))
    history["runs"] = [each for each in history["runs"] if each["position"] == "2"]
    factories.load(postgres_database, tmp_path / "given", history)
    assert fits.fit(postgres_database).adopted
    (state,) = report(postgres_database, 1)["check_up"]["by_player"]["overall"]
    assert state["scores"][0]["regret"]["mean"] is None
    assert in_use(postgres_database) == 1


def test_no_player_is_named_by_what_is_kept(unchecked: Database) -> None:
    fits.fit(unchecked)
    text = json.dumps(report(unchecked, 1))
    assert '"TA1"' in text  # trials of the last day are, so that a player would be found this way
    assert '"PA1"' not in text


def test_the_progress_ends_where_it_says(filled: Database) -> None:
    seen: list[tuple[int, int]] = []
    fits.fit(filled, lambda done, steps: seen.append((done, steps)))
    assert seen[-1] == (9, 9)  # three folds by copy, five by player, and the fit itself
    assert [done for done, _ in seen] == sorted({done for done, _ in seen})


@pytest.mark.process
def test_processes_find_what_one_process_finds(filled: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fits, "MODEL", PreferenceModel)  # what other processes know by that name
    fits.fit(filled)
    monkeypatch.setattr(fits, "ALONE_UP_TO", 0)
    fits.fit(filled)
    one, other = (report(filled, version)["check_up"] for version in (1, 2))
    assert one == other


def started(code: str) -> subprocess.Popen[str]:
    """Run some lines in a process of its own, as a command runs."""
    environ = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    return subprocess.Popen([sys.executable, "-c", code], cwd=ROOT, env=environ, stdout=subprocess.PIPE, text=True)


@pytest.mark.process
def test_a_process_is_copied_only_where_no_other_thread_runs() -> None:
    over = threading.Event()
    beside = threading.Thread(target=over.wait)
    beside.start()
    try:
        assert fits._way_to_start() == "spawn"
    finally:
        over.set()
        beside.join()
    with started("from service.modelling import fits; print(fits._way_to_start())") as alone:
        assert alone.communicate()[0].strip() == ("fork" if sys.platform == "linux" else "spawn")


WAITING = """
import os, time
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from service.modelling import fits
with ProcessPoolExecutor(2, mp_context=get_context(fits._way_to_start()), initializer=fits._behind_others) as executor:
    print(executor.submit(os.getpid).result(), flush=True)
    time.sleep(60)
"""


@pytest.mark.process
def test_a_fit_that_is_killed_leaves_no_process_behind() -> None:
    with started(WAITING) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        parent.kill()
    until = time.monotonic() + 20.0
    while is_running(child):
        assert time.monotonic() < until, f"process {child} is still there"
        time.sleep(0.02)


def is_running(process: int) -> bool:
    """Say whether a process still does anything; one that has ended stays listed until somebody asks after it."""
    said = subprocess.run(["ps", "-o", "stat=", "-p", str(process)], capture_output=True, text=True, check=False)
    return said.stdout.strip()[:1] not in ("", "Z")


def test_a_process_that_was_ended_is_told_in_words(filled: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    def ended(*_args: object, **_options: object) -> EvaluationReport:
        raise BrokenProcessPool

    monkeypatch.setattr(fits, "cross_validate", ended)
    with pytest.raises(ConflictError, match=r"was ended from outside, .* The version in use stays\."):
        fits.fit(filled)
    assert in_use(filled) is None


def test_without_trials_nothing_is_fitted(database: Database) -> None:
    with pytest.raises(ConflictError, match="There are no trials to fit yet"):
        fits.fit(database)


# Adoption


@pytest.mark.parametrize("why", list(PromotionReason))
def test_what_was_decided_is_worded_when_it_is_read(why: PromotionReason) -> None:
    decision = Decision(
        adopt=False, why=why, players=30, worse=ClusteredMean(0.2, 0.1), worse_than_best=ClusteredMean(0.3, 0.1)
    )
    said = fit_words.why({"decision": replace(decision, best=7).to_json()})
    assert said.endswith(".")
    assert not set("{}") & set(said)


def test_a_reason_that_was_stored_as_a_sentence_stays_as_it_was() -> None:
    assert fit_words.why({"why": "It is worse."}) == "It is worse."
    assert fit_words.why({}) == ""


def test_the_same_kind_is_adopted_on_what_there_is_now(unchecked: Database, tmp_path: Path) -> None:
    fits.fit(unchecked)
    later(unchecked, tmp_path, players=5)
    result = fits.fit(unchecked)
    assert result.adopted
    assert report(unchecked, 2)["decision"]["players"] == 5
    assert "of the same kind as the version in use" in result.lines[-1]
    assert "5 players have come since" in result.lines[-1]


def test_another_kind_stays_a_candidate_until_enough_players_tell(
    unchecked: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits.fit(unchecked)
    kinds(monkeypatch, QUICK, "another")
    later(unchecked, tmp_path, players=5)
    result = fits.fit(unchecked)
    assert not result.adopted
    assert in_use(unchecked) == 1
    assert result.lines[-1] == (
        "Not adopted, version 2 stays a candidate. It is of another kind than the version in use: 5 players have come since, "
        "and fewer than 30 decide nothing. To use it all the same: python -m service fit --adopt 2"
    )
    with unchecked.reading() as session:
        newest, oldest = versions.listing(session)
    assert (newest.adopted, newest.used, oldest.adopted) == (False, False, True)
    assert newest.why.startswith("It is of another kind")


def test_thirty_new_players_may_adopt_another_kind(
    unchecked: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    kinds(monkeypatch, UpsideDown, "upside down")
    fits.fit(unchecked)
    later(unchecked, tmp_path)
    kinds(monkeypatch, QUICK, "right")
    result = fits.fit(unchecked)
    decision = report(unchecked, 2)["decision"]
    assert (result.adopted, decision["why"], decision["players"]) == (True, "not_worse", 30)
    assert decision["worse"][0] < 0
    assert "It is not worse than the version in use on 30 players whom neither has seen" in result.lines[-1]


def test_a_worse_kind_stays_a_candidate(unchecked: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fits.fit(unchecked)
    later(unchecked, tmp_path)
    kinds(monkeypatch, UpsideDown, versions.code_version())
    result = fits.fit(unchecked)
    decision = report(unchecked, 2)["decision"]
    assert (result.adopted, decision["why"], decision["players"]) == (False, "worse", 30)
    assert decision["worse"][0] > decision["worse"][1] > 0
    assert in_use(unchecked) == 1


def test_a_slow_decline_is_stopped_by_the_best_of_the_last_year(
    unchecked: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits.fit(unchecked)
    kinds(monkeypatch, UpsideDown, "upside down")
    fits.fit(unchecked)
    with unchecked.writing() as session:
        versions.adopt(session, 2)
    later(unchecked, tmp_path)
    result = fits.fit(unchecked)
    decision = report(unchecked, 3)["decision"]
    assert (result.adopted, decision["why"], decision["best"]) == (False, "worse_than_best", 1)
    assert "worse than version 1, the best of the last year" in result.lines[-1]


def test_a_version_of_more_than_a_year_ago_is_no_rival(
    unchecked: Database, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fits.fit(unchecked)
    kinds(monkeypatch, UpsideDown, "upside down")
    fits.fit(unchecked)
    with unchecked.writing() as session:
        versions.adopt(session, 2)
        old = session.get_one(ModelVersion, 1)
        old.fitted_at -= timedelta(days=366)
    later(unchecked, tmp_path)
    assert fits.fit(unchecked).adopted


def test_going_back_to_an_older_version_is_one_call(unchecked: Database) -> None:
    for _ in range(2):
        fits.fit(unchecked)
    with unchecked.writing() as session:
        versions.adopt(session, 1)
    assert in_use(unchecked) == 1
    with unchecked.reading() as session:
        assert [(each.version, each.adopted, each.used) for each in versions.listing(session)] == [
            (2, False, True),
            (1, True, True),
        ]


# Damage


def cut(artifact: bytes) -> bytes:
    return artifact[: len(artifact) // 2]


def flip(artifact: bytes) -> bytes:
    middle = len(artifact) // 2
    return artifact[:middle] + bytes([artifact[middle] ^ 0x55]) + artifact[middle + 1 :]


def of_a_newer_format(artifact: bytes, monkeypatch: pytest.MonkeyPatch) -> bytes:
    from model.preference import serialization as format_  # noqa: PLC0415 - the very module, to write as a later version of it would

    posterior = format_.from_bytes(artifact)
    with monkeypatch.context() as patch:
        patch.setattr(format_, "FORMAT", format_.FORMAT + 1)
        return format_.to_bytes(posterior)


DAMAGES = ["half-written", "flipped", "of a newer format", "empty"]


def damage(database: Database, version: int, how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    ways: dict[str, Callable[[bytes], bytes]] = {
        "half-written": cut,
        "flipped": flip,
        "of a newer format": partial(of_a_newer_format, monkeypatch=monkeypatch),
        "empty": lambda _: b"",
    }
    with database.writing() as session:
        row = session.get_one(ModelVersion, version)
        row.artifact = ways[how](row.artifact)
    monkeypatch.setattr(versions, "_memory", type(versions._memory)())  # as a process that starts afterwards
    monkeypatch.setattr(versions, "_instead", {})
    monkeypatch.setattr(versions, "_unreadable", set())


@pytest.mark.parametrize("how", DAMAGES)
def test_where_the_version_in_use_cannot_be_read_the_one_before_stands_in(
    unchecked: Database, monkeypatch: pytest.MonkeyPatch, how: str, caplog: pytest.LogCaptureFixture
) -> None:
    for _ in range(2):
        fits.fit(unchecked)
    damage(unchecked, 2, how, monkeypatch)
    assert [in_use(unchecked) for _ in range(2)] == [1, 1]
    assert len(caplog.messages) == 1
    assert "version 2 of the model cannot be read" in caplog.messages[0]
    asked = pytest.raises(ConflictError, match="version 2, cannot be read; version 1 stands in")
    with unchecked.reading() as session, asked:
        versions.check(session)


@pytest.mark.parametrize("how", DAMAGES)
def test_a_damaged_version_is_not_adopted_and_the_one_in_use_stays(
    unchecked: Database, monkeypatch: pytest.MonkeyPatch, how: str
) -> None:
    for _ in range(2):
        fits.fit(unchecked)
    damage(unchecked, 1, how, monkeypatch)
    with (
        unchecked.writing() as session,
        pytest.raises(ConflictError, match=r"Version 1 cannot be used: .*The version in use stays"),
    ):
        versions.adopt(session, 1)
    assert in_use(unchecked) == 2


def test_a_candidate_never_stands_in_but_the_beliefs_do(unchecked: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    fits.fit(unchecked)
    kinds(monkeypatch, QUICK, "another")
    fits.fit(unchecked)
    damage(unchecked, 1, "flipped", monkeypatch)
    for _ in range(2):
        with unchecked.reading() as session:
            fitted = versions.current(session)
        assert (fitted.version, fitted.posterior, fitted.instead_of) == (None, None, 1)
    with (
        unchecked.reading() as session,
        pytest.raises(ConflictError, match="version 1, cannot be read; the starting beliefs stand in"),
    ):
        versions.check(session)


def test_where_what_stands_in_is_damaged_too_another_one_is_looked_for(
    unchecked: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    for _ in range(3):
        fits.fit(unchecked)
    damage(unchecked, 3, "flipped", monkeypatch)
    assert in_use(unchecked) == 2
    with unchecked.writing() as session:
        session.get_one(ModelVersion, 2).artifact = b""
    monkeypatch.setattr(versions, "_memory", type(versions._memory)())
    assert in_use(unchecked) == 1


def test_fitting_anew_heals(unchecked: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    fits.fit(unchecked)
    damage(unchecked, 1, "flipped", monkeypatch)
    kinds(monkeypatch, QUICK, "another")
    result = fits.fit(unchecked)
    assert result.lines[-1] == "Adopted. The version in use cannot be read."
    assert in_use(unchecked) == 2


def test_a_version_that_is_no_more_is_told(unchecked: Database) -> None:
    with unchecked.reading() as session:
        with pytest.raises(ConflictError, match="There is no version 7 of the model any more"):
            versions.load(session, 7)
        assert versions.load(session, None).posterior is None


# What was seen


def day(number: int) -> Trial:
    return trial(number, [])


def test_trials_after_the_last_day_and_others_of_that_day_are_new() -> None:
    seen = Seen.from_json(Seen.of([day(1), day(3)], START + timedelta(days=10)).to_json())
    same_day = replace(day(3), key="another of that day")
    assert [seen.is_new(each) for each in (day(1), day(2), day(3), same_day, day(4))] == [
        False,
        False,
        False,
        True,
        True,
    ]


def test_a_day_to_come_by_mistake_hides_no_trial() -> None:
    seen = Seen.of([day(1), day(900)], START + timedelta(days=2))
    assert [seen.is_new(each) for each in (day(1), day(900), day(2), day(5))] == [False, False, True, True]


def test_the_same_code_has_the_same_word_and_the_checks_are_no_part_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copied = shutil.copytree(Path(model.__file__).parent, tmp_path / "model")
    as_it_is = versions.code_version()
    monkeypatch.setattr(model, "__file__", str(copied / "__init__.py"))
    assert versions.code_version() == as_it_is
    for check in ("evaluation/folds.py", "preference/report.py"):
        (copied / check).write_text("changed", encoding="utf-8")
        assert versions.code_version() == as_it_is
    found = {as_it_is}
    for part in ("mixed/reml.py", "features/design.py", "preference/model.py", "choice/purchase_model.py"):
        (copied / part).write_text("changed", encoding="utf-8")
        found.add(versions.code_version())
    assert len(found) == 5
    assert all((copied / check).exists() for check in versions.CHECKS)
