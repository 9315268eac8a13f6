"""The command around what is erased by its age: how that stands, and the operator's word where it is asked for."""

import argparse
import datetime as dt

from service.cli.command_line import Commands, add
from service.cli.common import opened
from service.core.database import Database
from service.core.errors import ConflictError
from service.core.scopes import bound_to
from service.privacy import clock, mass_erasure, retention
from service.settings import Settings


def add_to(commands: Commands) -> None:
    """Add the command of this module."""
    asking = add(commands, "retention", look, "python -m service retention --erase --dealer harbour")
    ways = asking.add_mutually_exclusive_group()
    ways.add_argument("--clock-is-right", action="store_true", help="believe the clock, although it has jumped")
    ways.add_argument("--mend", action="store_true", help="set moments that a wrong clock wrote into the future to now")
    ways.add_argument("--erase", action="store_true", help="erase those whose time is over, however many they are")
    asking.add_argument("--dealer", metavar="SLUG", help="with --erase: of this dealer only")


def look(asked: argparse.Namespace, settings: Settings) -> int:
    """Do what is asked, then print how things stand; status 1 where anything is unwell."""
    now = dt.datetime.now(dt.UTC)
    with opened(settings) as database:
        if asked.clock_is_right:
            with database.writing() as session:
                clock.confirm(session, None, now)
        elif asked.mend:
            print(f"{_mend(database, now)} moments were set right.")
        elif asked.erase:
            print(_erase(database, asked.dealer, now))
        with database.reading() as session:
            found = list(retention.findings(database, session, now))
    for sentence, well in found:
        print(f"{'ok' if well else 'WRONG'}  {sentence}")
    return int(not all(well for _sentence, well in found))


def _mend(database: Database, now: dt.datetime) -> int:
    with database.writing() as session:
        _require_belief(clock.look(session, now))
        return clock.mend(session, now)


def _erase(database: Database, dealer: str | None, now: dt.datetime) -> str:
    with database.writing() as session:
        _require_belief(clock.look(session, now))
        asked = [each for each in mass_erasure.questions(session, bound_to(dealer)) if not each.allowed]
        for each in asked:
            mass_erasure.allow(session, None, each, now)
    if not asked:
        return "Nobody waits for a word."
    swept = retention.sweep_if_due(database, now)
    return f"Erased: {swept.persons} persons." if swept else "Another process is erasing them."


def _require_belief(stands: clock.Clock) -> None:
    if not stands.is_believed:
        raise ConflictError(
            "The clock is not believed; set it right, or say first that it is: retention --clock-is-right"
        )
