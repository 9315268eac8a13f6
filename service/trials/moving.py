"""A planned trial moved to another day or hour: its bows are set aside for the new days, and who was told of the old one is told."""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service.core import audit_events
from service.core.errors import InvalidInputError
from service.core.language import _
from service.core.moments import now
from service.players.trial_access import claimed
from service.trials import composing, reservations, trial_mails
from service.trials.shared import carried, noted, require_state

A_DAY = dt.timedelta(days=1)


@dataclass(frozen=True, slots=True)
class When:
    """The day of a trial, or on which its parcel leaves; the hour, None where it is open; ``due_back`` None: as long as before."""

    on: dt.date
    hour: dt.time | None = None
    due_back: dt.date | None = None


def move(session: Session, user: int | None, dealer: str, key: str, when: When) -> None:
    """Move a planned trial. To where it is already: nothing changes.

    Raises `InvalidInputError`: a day that is past, bows back before the trial, or an hour that the shop's clock leaves
    out; `ConflictError`: not planned any more, or bows that are wanted elsewhere in these days, each in a sentence.
    """
    trial, composition = claimed(session, dealer, key)
    require_state(composition, ("planned",), _("Only a planned trial can be moved."))
    last = when.due_back or when.on + ((composition.due_back or trial.on) - trial.on)
    earlier = (trial.on, composition.hour, composition.due_back)
    if earlier == (when.on, when.hour, last):
        return
    _check(when, last)
    composing.check_hour(session, dealer, when.on, when.hour)
    rows = carried(session, composition.trial)
    busy = reservations.busy_until(last, trial.place or Place.SHOP)
    composing.set_aside(session, dealer, [row.copy for row in rows], when.on, busy, composition.trial)
    trial.on, composition.hour = when.on, when.hour
    composition.out_from, composition.due_back = when.on, last
    composition.sequence += 1
    for row in rows:
        row.out_from, row.due_back = when.on, last
    session.flush()
    trial_mails.moved(session, key)
    told = {"on": when.on.isoformat(), "hour": when.hour and f"{when.hour:%H:%M}", "was": earlier[0].isoformat()}
    noted(session, user, dealer, audit_events.TRIAL_MOVED, f"trial {key}", **told)


def _check(when: When, last: dt.date) -> None:
    problems = []
    # The clock's zone may be a day behind the shop's.
    if when.on < now().date() - A_DAY:
        problems.append(("on", _("This day is past; choose today or a later one.")))
    if last < when.on:
        problems.append(
            ("due_back", _("The bows cannot be back before the trial; expected the same day or a later one."))
        )
    if problems:
        raise InvalidInputError(problems)
