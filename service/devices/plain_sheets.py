"""Sheets filled in as plain forms, from a link, without a script: the service keeps the revisions that a script would."""

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.bench import playable_range
from service.core.errors import NotFoundError
from service.questionnaire.sheet_fields import SheetIn, check_sheet
from service.tables import Sheet, Trial
from service.trials import sheets
from service.trials.rater_links import SeatInfo


def run_of(seat: SeatInfo, position: int) -> str:
    """Return the id under which a link's plain form keeps the sheet of a place."""
    return f"form-{seat.id[:32]}-{position}"


def filled(session: Session, seat: SeatInfo, position: int) -> Sheet | None:
    """Return what was filled in last on a link's own plain form, None where nothing was."""
    return session.scalars(
        select(Sheet)
        .join(Trial, Sheet.trial == Trial.id)
        .where(Trial.key == seat.trial, Sheet.run == run_of(seat, position))
        .order_by(Sheet.revision.desc())
        .limit(1)
    ).one_or_none()


def record(
    session: Session,
    seat: SeatInfo,
    slot: Mapping[str, Any],
    ratings: Mapping[str, Any],
    note: str,
    may_help: bool | None = None,
) -> sheets.Stored | None:
    """Keep a form as a sheet; the same content again is no new revision. ``may_help``: what the player said beside it.

    Raises `InvalidInputError`: a rating that is none; `NotFoundError`: the trial is gone.
    """
    last = filled(session, seat, slot["position"])
    sheet = _sheet(seat, slot, last, ratings, note, marks(last))
    sheet = sheet.model_copy(update={"model_consent": may_help})
    if last is not None and (last.ratings, last.note) == (dict(sheet.ratings), sheet.note):
        return None
    return _kept(session, seat, sheet)


def marks(filled_in: Sheet | None) -> playable_range.Marks:
    """Return how the strokes of a form are marked, in the design's order."""
    return playable_range.from_text(filled_in.strokes if filled_in else None)


def mark(session: Session, seat: SeatInfo, slot: Mapping[str, Any], strokes: Sequence[int | None]) -> None:
    """Keep how a bow's strokes are marked, beside what its form says; the same again is no new revision."""
    last = filled(session, seat, slot["position"])
    sheet = _sheet(seat, slot, last, last.ratings if last else {}, (last.note or "") if last else "", strokes)
    if last is None or last.strokes != sheet.kept_strokes:
        _kept(session, seat, sheet)


def _kept(session: Session, seat: SeatInfo, sheet: SheetIn) -> sheets.Stored:
    run = run_of(seat, sheet.position)
    return sheets.record(session, seat.dealer, seat.trial, run, sheet, f"link {seat.id}", closed=seat.closed)


def _sheet(
    seat: SeatInfo,
    slot: Mapping[str, Any],
    last: Sheet | None,
    ratings: Mapping[str, Any],
    note: str,
    strokes: Sequence[int | None],
) -> SheetIn:
    played = [None if each is None else playable_range.MARKS[each] for each in strokes]
    of = {"revision": last.revision + 1 if last else 1, "position": slot["position"], "letter": slot["letter"]}
    said = {"ratings": dict(ratings), "strokes": played if any(played) else None, "note": note or None}
    return check_sheet({**of, **said, "rater": seat.rater, "rated_at": dt.datetime.now(dt.UTC)})


def slot_at(screen: Mapping[str, Any], position: int) -> dict[str, Any]:
    """Return the slot at a position of what `sheets.for_screen` gave; raises `NotFoundError`."""
    for slot in screen["slots"]:
        if slot["position"] == position:
            return dict(slot)
    raise NotFoundError
