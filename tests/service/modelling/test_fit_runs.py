"""A fit asked for at the desk: one at a time, in a process of its own, and what became of it is said whatever ended it."""

import datetime as dt
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from service.core.errors import ConflictError
from service.modelling import fit_runs, fits
from service.tables import Duty
from tests.service import cast
from tests.service.cast import Desk

PLACE = "/desk/model/fit"
KILLED = "Its process was ended from outside"


@pytest.fixture
def desk(tmp_path: Path, _migrated_file: Path) -> Iterator[Desk]:
    with cast.opened(tmp_path, _migrated_file) as opened:
        opened.app.state.launch_fit = lambda _database, token: launched.append(token)
        launched.clear()
        yield opened


launched: list[str] = []
"""Tokens of the fits whose process would have begun."""


def test_a_fit_is_begun_once_and_its_page_says_who_asked_and_how_it_stands(desk: Desk) -> None:
    maker = desk.sign_in("workshop")
    begun = maker.submit(PLACE)
    assert "The fit has begun." in begun.text
    again = desk.sign_in("owner").submit(PLACE)
    assert (again.status, "A fit is going on already" in again.text, len(launched)) == (409, True, 1)
    fit_runs._tell(desk.database, launched[0], done=2, steps=7)
    page = maker.read(PLACE)
    assert "workshop@bows.example" in page.text
    assert "It is at work: 2 of 7 steps are done." in page.text
    assert [e.text for e in page.all("button") if "Begin" in e.text] == []


def test_what_became_of_it_is_said_and_then_another_may_begin(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    maker = desk.sign_in("workshop")
    for result, said in (
        (fits.FitResult(8, True, ()), "Version 8 was made and is put in use."),
        (fits.FitResult(9, False, ()), "Version 9 was made and not put in use"),
        (ConflictError("There are no trials to fit yet."), "There are no trials to fit yet."),
    ):

        def done(_database: object, _progress: object, result: object = result) -> fits.FitResult:
            if isinstance(result, ConflictError):
                raise result
            assert isinstance(result, fits.FitResult)
            return result

        maker.submit(PLACE)
        monkeypatch.setattr(fits, "fit", done)
        if isinstance(result, ConflictError):
            with pytest.raises(ConflictError):
                fit_runs.run(desk.database, launched[-1])
        else:
            fit_runs.run(desk.database, launched[-1])
        assert said in maker.read(PLACE).text
    assert len(launched) == 3


def test_a_fit_that_breaks_is_said_to_have_broken(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    maker = desk.sign_in("workshop")
    maker.submit(PLACE)

    def break_(*_given: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(fits, "fit", break_)
    with pytest.raises(ZeroDivisionError):
        fit_runs.run(desk.database, launched[-1])
    assert "Something went wrong in it" in maker.read(PLACE).text


def test_one_that_says_nothing_more_is_gone_and_holds_up_no_other(desk: Desk) -> None:
    maker = desk.sign_in("workshop")
    maker.submit(PLACE)
    with desk.database.writing() as session:
        row = session.get_one(Duty, fit_runs.FIT)
        row.counts = row.counts | {"seen": (dt.datetime.now(dt.UTC) - dt.timedelta(seconds=61)).isoformat()}
    assert KILLED in maker.read(PLACE).text
    assert "The fit has begun." in maker.submit(PLACE).text
    # What the one that was given up says of itself after all is not taken for the other's.
    fit_runs._tell(desk.database, launched[0], ends=True, version=3, adopted=True)
    assert "It is at work." in maker.read(PLACE).text


def test_one_of_the_command_line_and_one_of_the_desk_are_never_two_at_once(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    maker = desk.sign_in("workshop")

    def asked_for_meanwhile(*_given: object) -> fits.FitResult:
        again = maker.submit(PLACE)
        assert (again.status, "A fit is going on already" in again.text) == (409, True)
        return fits.FitResult(8, True, ())

    monkeypatch.setattr(fits, "fit", asked_for_meanwhile)
    fit_runs.run(desk.database, None)
    assert "Version 8 was made" in maker.read(PLACE).text
    maker.submit(PLACE)
    with pytest.raises(ConflictError, match="A fit is going on already"):
        fit_runs.run(desk.database, None)
    fit_runs._tell(desk.database, launched[-1], ends=True, failed="x")

    def ended(*_given: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(fits, "fit", ended)
    with pytest.raises(KeyboardInterrupt):
        fit_runs.run(desk.database, None)
    assert KILLED in maker.read(PLACE).text
    assert "The fit has begun." in maker.submit(PLACE).text  # what was ended holds up no other


@pytest.mark.process
def test_a_killed_process_is_noticed_at_once(desk: Desk) -> None:
    with desk.database.writing() as session:
        token = fit_runs.begin(session, desk.ids["owner"])
    dies = (sys.executable, "-c", "import os, signal; os.kill(os.getpid(), signal.SIGKILL)")
    fit_runs.launcher(os.environ, dies)(desk.database, token)
    end = time.monotonic() + 20
    owner = desk.sign_in("owner")
    while KILLED not in owner.read(PLACE).text:
        assert time.monotonic() < end
