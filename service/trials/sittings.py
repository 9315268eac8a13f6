"""Further sittings of a trial at home: the same bows under the same letters, each sitting on its day.

A later sitting has places of its own, so that what was marked before stays, and a fit reads both: as it does a bow that comes
twice in one sitting.
"""

import datetime as dt
from zoneinfo import ZoneInfo

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service import tables
from service.core.errors import ConflictError
from service.core.language import _
from service.core.moments import now
from service.dealers import site
from service.players.trial_access import claimed
from service.trials.shared import require_state

MOST = 6
"""Sittings of one trial: by then the marks of a bow tell its mean better than one more would (a judgement)."""


def begin(session: Session, dealer: str, key: str) -> None:
    """Begin another sitting once every bow of the last one is rated; while one is going on nothing changes.

    Every second sitting goes through the bows the other way round, so that what comes late in one comes early in the next.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: not by post, not open, or enough sittings.
    """
    trial, composition = claimed(session, dealer, key)
    if trial.place is not Place.POST:
        raise ConflictError(_("Only a trial at home has several sittings."))
    require_state(composition, ("open",), _("No more sittings are begun."))
    slot = tables.Slot
    slots = list(session.scalars(select(slot).where(slot.trial == trial.id).order_by(slot.position)))
    last = max(each.sitting for each in slots)
    if {each.position for each in slots if each.sitting == last} - _rated(session, trial.id):
        return
    if last >= MOST:
        raise ConflictError(_("These bows were played in {count} sittings; that is enough.").format(count=last))
    first = [each for each in slots if each.sitting == 1]
    ordered = first if last % 2 == 0 else first[::-1]
    zone = site.zone(session, dealer)
    today = now().astimezone(ZoneInfo(zone) if zone else dt.UTC).date()
    session.add_all(
        slot(trial=trial.id, position=place, letter=each.letter, copy=each.copy, sitting=last + 1, on=today)
        for place, each in enumerate(ordered, slots[-1].position + 1)
    )
    session.flush()


def _rated(session: Session, trial: int) -> set[int]:
    sheet = tables.Sheet
    rated = select(sheet.position).where(sheet.trial == trial, sheet.rater == "player", sheet.counts)
    return set(session.scalars(rated))
