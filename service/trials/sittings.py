"""Further sittings of a trial at home: the same bows under the same letters, each sitting on its day.

A later sitting has places of its own, so that what was marked before stays, and a fit reads both: as it does a bow that comes
twice in one sitting.
"""

import datetime as dt
from collections.abc import Iterable
from dataclasses import replace
from typing import TypeVar
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service.core.errors import ConflictError
from service.core.language import _
from service.core.moments import now
from service.dealers import site
from service.players.trial_access import claimed
from service.tables import Sheet, Slot
from service.trials.desk_records import SlotRow, TrialPage
from service.trials.shared import require_state

T = TypeVar("T")
MOST = 6
"""Sittings of one trial: by then the marks of a bow tell its mean better than one more would (a judgement)."""

AT_THE_DESK = ("open", "closed")
"""Paper sheets of a further sitting may come back with the parcel, when the trial is over."""


def begin(
    session: Session,
    dealer: str,
    key: str,
    states: tuple[str, ...] = ("open",),
    *,
    number: int = MOST + 1,
    on: dt.date | None = None,
) -> None:
    """Begin another sitting once every bow of the last one is rated; while one is going on nothing changes.

    Every second sitting goes through the bows the other way round, so that what comes late in one comes early in the next.
    ``number``: nothing changes either where it has begun already. ``on``: its day, None for today.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: not by post, in none of the ``states``, or enough sittings.
    """
    trial, composition = claimed(session, dealer, key)
    if trial.place is not Place.POST:
        raise ConflictError(_("Only a trial at home has several sittings."))
    slots = list(session.scalars(select(Slot).where(Slot.trial == trial.id).order_by(Slot.position)))
    last = max(each.sitting for each in slots)
    if number <= last:
        return
    require_state(composition, states, _("No more sittings are begun."))
    if {each.position for each in slots if each.sitting == last} - _rated(session, trial.id):
        return
    if last >= MOST:
        raise ConflictError(_("These bows were played in {count} sittings; that is enough.").format(count=last))
    ordered = _in_order([each for each in slots if each.sitting == 1], last + 1)
    zone = site.zone(session, dealer)
    day = on or now().astimezone(ZoneInfo(zone) if zone else dt.UTC).date()
    session.add_all(
        Slot(trial=trial.id, position=place, letter=each.letter, copy=each.copy, sitting=last + 1, on=day)
        for place, each in enumerate(ordered, slots[-1].position + 1)
    )
    session.flush()


def _in_order(first: list[T], number: int) -> list[T]:
    return first if number % 2 else first[::-1]


def places(trial: TrialPage, number: int) -> tuple[SlotRow, ...]:
    """Return the places of a sitting: as they were drawn, or as they will be once it has begun."""
    there = tuple(slot for slot in (*trial.slots, *trial.later) if slot.sitting == number)
    if there:
        return there
    last = (*trial.slots, *trial.later)[-1]
    before = last.position + (number - last.sitting - 1) * len(trial.slots)
    ordered = _in_order(list(trial.slots), number)
    return tuple(replace(each, position=before + n, sitting=number) for n, each in enumerate(ordered, 1))


def upcoming(trial: TrialPage) -> int | None:
    """Return the sitting at home that is going on beside the first, else the next; None where there can be none."""
    if trial.row.place is not Place.POST or not trial.slots:
        return None
    last = (*trial.slots, *trial.later)[-1].sitting
    return last if last == MOST or (last > 1 and not all_rated(trial, last)) else last + 1


def all_rated(trial: TrialPage, number: int) -> bool:
    """Say whether every bow of a sitting is rated."""
    return rated(trial.sheets).issuperset(slot.position for slot in places(trial, number))


def rated(sheets: Iterable[Sheet]) -> set[int]:
    """Return the places that the player rated; strokes alone rate nothing."""
    return {sheet.position for sheet in sheets if sheet.counts and sheet.rater == "player" and sheet.ratings}


def require_before(trial: TrialPage, number: int) -> None:
    """Raise `ConflictError` where a sitting is to begin before the last bow of the one before is rated."""
    if number > (*trial.slots, *trial.later)[-1].sitting and not all_rated(trial, number - 1):
        sentence = _(
            "Not every bow of sitting {number} is rated yet: type in its sheets first, with ? where it could not be told."
        )
        raise ConflictError(sentence.format(number=number - 1))


def _rated(session: Session, trial: int) -> set[int]:
    return rated(session.scalars(select(Sheet).where(Sheet.trial == trial)))
