"""A trial that was closed by mistake, opened again as it was: its bows, its links, and what was recorded of its end.

What the closing changed is undone, and nothing else: bows that were taken back before it stay back, and a trial whose key was
revealed since stays closed, because what would be rated now is not blind.
"""

import datetime as dt

from sqlalchemy import select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind, Place
from service.core import audit_events
from service.core.errors import ConflictError
from service.core.language import _
from service.core.row_locks import lock_copies
from service.players.trial_access import claimed
from service.tables import Composition, Seat, Trial, TrialCopy
from service.trials import bow_marks, lifecycle, outcomes, trial_mails
from service.trials.shared import carried, noted, require_state


def reopen(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Open a closed trial again. What was recorded of its end is taken out, and the record of what was done keeps how it stood.

    Open already: nothing changes.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: it is planned or given up, its key was
    revealed since, a bow was kept and brought back, or a bow cannot go out again.
    """
    trial, composition = claimed(session, dealer, key)
    if composition.state == "open":
        return
    require_state(composition, ("closed",), _("Only a closed trial can be opened again."))
    closed = composition.closed_at or dt.datetime.combine(trial.on, dt.time(), dt.UTC)
    if composition.revealed_at is not None and composition.revealed_at >= closed:
        raise ConflictError(
            _("The key was revealed since: what is rated now would not be blind. Compose the next trial from this one.")
        )
    told = outcomes.told(session, trial.id)
    if any(row.outcome is OutcomeKind.RETURNED for row in told):
        raise ConflictError(_("A bow was kept and brought back since: correct what was recorded instead."))
    rows = carried(session, trial.id)
    lock_copies(session, [row.copy for row in rows])
    was = [list(outcomes.stood(row).values()) for row in told]
    with session.begin_nested():  # what is refused leaves the trial as it was
        for row in told:
            outcomes.take_out(session, composition, row)
        _out_again(session, composition, [row for row in rows if _went_with_the_closing(row, trial, closed)])
        composition.state, composition.closed_at = "open", None
        bow_marks.of_trials(session, [trial.id])
        # The links that were shut by the closing lead to the sheets again.
        shut = select(Seat.id).where(Seat.trial == composition.trial, Seat.closed_at >= closed)
        session.execute(update(Seat).where(Seat.id.in_(shut)).values(closed_at=None))
    trial_mails.reopened(session, key)
    noted(session, user, dealer, audit_events.TRIAL_REOPENED, f"trial {key}", outcomes=was)


def _went_with_the_closing(row: TrialCopy, trial: Trial, closed: dt.datetime) -> bool:
    """Say whether a bow was out until the trial was closed: in the shop it came back by that, a kept one stayed away."""
    if row.out_at is None or row.back_at is None:
        return False
    return row.condition_back == lifecycle.KEPT or (trial.place is not Place.POST and row.back_at >= closed)


def _out_again(session: Session, composition: Composition, rows: list[TrialCopy]) -> None:
    held = lock_copies(session, [row.copy for row in rows])
    if lost := lifecycle.gone(composition, held.values()):
        raise ConflictError(" ".join([*lost, _("The trial stays closed.")]))
    try:
        with session.begin_nested():
            for row in rows:
                row.back_at = row.condition_back = None
            session.flush()
    except IntegrityError:
        # Of two trials that hold the same bow the database refuses one.
        raise ConflictError(_("A bow of this trial is out on another one now. The trial stays closed.")) from None
    for copy in held.values():
        copy.status = "on_trial"
    session.flush()
