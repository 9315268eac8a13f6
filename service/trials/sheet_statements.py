"""The statements behind `service.trials.sheets`: few, made once, and past the session's objects.

A shop full of tablets sends a sheet every few milliseconds.
"""

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Table, and_, bindparam, func, insert, or_, select, update
from sqlalchemy.orm import Session

from model.bench import playable_range
from model.domain.vocabulary import Place
from service import tables
from service.questionnaire.sheet_fields import CANNOT_TELL


def _table(of: type[tables.Base]) -> Table:
    table = of.__table__
    assert isinstance(table, Table)  # noqa: S101 - every mapped class of ours has a table
    return table


SHEETS, RUNS, SLOTS = _table(tables.Sheet), _table(tables.Run), _table(tables.Slot)
TRIALS, COMPOSITIONS = _table(tables.Trial), _table(tables.Composition)

_PLACE = (
    select(COMPOSITIONS.c.trial, COMPOSITIONS.c.state, COMPOSITIONS.c.revealed_at)
    .add_columns(SLOTS.c.id.label("slot"), SLOTS.c.copy.label("bow"), COMPOSITIONS.c.due_back, TRIALS.c.place)
    .join(TRIALS, COMPOSITIONS.c.trial == TRIALS.c.id)
    .outerjoin(
        SLOTS,
        and_(
            SLOTS.c.trial == COMPOSITIONS.c.trial,
            SLOTS.c.position == bindparam("position"),
            SLOTS.c.letter == bindparam("letter"),
        ),
    )
    .where(TRIALS.c.key == bindparam("key"), COMPOSITIONS.c.dealer == bindparam("dealer"))
    # Held until the end of the transaction, so that two sheets of a trial come one after the other (SQLite has one writer).
    .with_for_update(of=COMPOSITIONS)
)
_STORED = ("id", "run", "position", "rater", "revision", "digest", "flags", "counts", "ratings", "strokes")
_OF_TRIAL = SHEETS.c.trial == bindparam("trial_")
_AT_PLACE = and_(SHEETS.c.position == bindparam("position_"), SHEETS.c.rater == bindparam("rater_"))
_NEAR = select(*(SHEETS.c[name] for name in _STORED)).where(
    _OF_TRIAL, or_(_AT_PLACE, SHEETS.c.run == bindparam("run_"))
)
_HIGHEST = (
    select(func.coalesce(func.max(RUNS.c.revision), 0) + 1)
    .where(*(RUNS.c[name] == bindparam(f"of_{name}") for name in ("trial", "position", "rater")))
    .scalar_subquery()
)
_UNCOUNT = update(SHEETS).where(_OF_TRIAL, _AT_PLACE, SHEETS.c.counts).values(counts=False)
_ADD_SHEET = insert(SHEETS)
_ADD_RUN = insert(RUNS).values(revision=_HIGHEST)


@dataclass(frozen=True, slots=True)
class SheetTarget:
    """The trial as it stands, and the slot that a sheet names: ``slot`` None where the letter is not at its position."""

    trial: int
    state: str
    revealed_at: dt.datetime | None
    slot: int | None
    bow: str | None
    due_back: dt.date | None
    place: Place | None


@dataclass(frozen=True, slots=True)
class StoredSheet:
    """A sheet that is stored already."""

    id: int
    run: str
    position: int
    rater: str
    revision: int
    digest: str
    flags: str
    counts: bool
    ratings: Mapping[str, Any]
    strokes: str | None


def place(session: Session, dealer: str, key: str, position: int, letter: str) -> SheetTarget | None:
    """Return the trial and the slot; None where the dealer has no such trial."""
    asked = {"dealer": dealer, "key": key, "position": position, "letter": letter}
    row = session.connection().execute(_PLACE, asked).one_or_none()
    return None if row is None else SheetTarget(*row)


def near(session: Session, trial: int, position: int, rater: str, run: str) -> list[StoredSheet]:
    """Return the sheets of the same place, and all of the same id."""
    asked = {"trial_": trial, "position_": position, "rater_": rater, "run_": run}
    return [StoredSheet(*row) for row in session.connection().execute(_NEAR, asked)]


def add(session: Session, values: Mapping[str, Any]) -> None:
    """Keep a sheet."""
    session.connection().execute(_ADD_SHEET, dict(values))


def uncount(session: Session, trial: int, position: int, rater: str) -> None:
    """Let no sheet of a place count."""
    session.connection().execute(_UNCOUNT, {"trial_": trial, "position_": position, "rater_": rater})


def add_run(
    session: Session,
    trial: int,
    position: int,
    rater: str,
    bow: str | None,
    ratings: Mapping[str, Any],
    note: str | None,
    played: dt.datetime,
    strokes: str | None,
) -> None:
    """Put the sheet that counts into the history, in the place of the one before."""
    told = {name: value for name, value in ratings.items() if value != CANNOT_TELL}
    values = {
        "trial": trial,
        "position": position,
        "rater": rater,
        "copy": bow,
        "cannot_tell": " ".join(sorted(set(ratings) - set(told))),
        "strokes": strokes,
        "clean_strokes": playable_range.clean_strokes(playable_range.from_text(strokes)),
        "note": " ".join(note.split()) if note else None,
        "rated_at": played,
        **{name: told.get(name) for name in tables.RATED},
    }
    of_place = {"of_trial": trial, "of_position": position, "of_rater": rater}
    session.connection().execute(_ADD_RUN, values | of_place)
