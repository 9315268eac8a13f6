"""A parcel on its way: where this one goes and by whom, that it is there, and until when its bows may stay."""

import datetime as dt

from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service import tables
from service.core import audit_events, formats
from service.core.errors import ConflictError, FieldProblem, InvalidInputError, refuse
from service.core.language import _
from service.core.moments import now
from service.dealers import shop_card
from service.players.trial_access import claimed, composed
from service.trials import composing, parcel_mails, reservations
from service.trials.shared import carried, noted, require_state

_LONGEST = {"address": 300, "carrier": 80, "number": 300}
LONGEST_LOAN = dt.timedelta(days=366)


def _of_post(session: Session, dealer: str, key: str) -> tuple[tables.Trial, tables.Composition]:
    trial, composition = claimed(session, dealer, key)
    if trial.place is not Place.POST:
        raise ConflictError(_("This trial is in the shop; there is no parcel."))
    return trial, composition


def of_trial(session: Session, dealer: str, key: str) -> tables.Parcel:
    """Return what is known of a trial's parcel, nothing in it where that is nothing; raises `NotFoundError`."""
    return session.get(tables.Parcel, composed(session, dealer, key)[0].id) or tables.Parcel()


def _row(session: Session, trial: int) -> tables.Parcel:
    row = session.get(tables.Parcel, trial)
    if row is None:
        row = tables.Parcel(trial=trial)
        session.add(row)
    return row


def describe(session: Session, user: int | None, dealer: str, key: str, given: dict[str, str]) -> None:
    """Keep the parcel's ``address``, ``carrier`` and ``number``, each empty for none, with this trial and nowhere else.

    Raises `InvalidInputError`: a field that is too long; `ConflictError`: not by post, or over.
    """
    trial, composition = _of_post(session, dealer, key)
    require_state(composition, ("planned", "open"), _("Its parcel goes nowhere any more."))
    kept = {name: shop_card.tidied(given.get(name, "")) for name in _LONGEST}
    sentence = _("Expected at most {most} characters.")
    problems = [
        FieldProblem(name, sentence.format(most=most)) for name, most in _LONGEST.items() if len(kept[name]) > most
    ]
    refuse(problems)
    row = _row(session, trial.id)
    row.address, row.carrier, row.number = (kept[name] or None for name in _LONGEST)
    noted(session, user, dealer, audit_events.PARCEL_DESCRIBED, f"trial {key}")


def arrived(session: Session, user: int | None, dealer: str, key: str) -> None:
    """Note that the parcel is with the player; said already: nothing changes."""
    trial, composition = _of_post(session, dealer, key)
    require_state(composition, ("open",), _("Only a parcel that was sent can arrive."))
    row = _row(session, trial.id)
    if row.arrived_at is None:
        row.arrived_at = now()
        noted(session, user, dealer, audit_events.PARCEL_ARRIVED, f"trial {key}")


def extend(session: Session, user: int | None, dealer: str, key: str, due_back: dt.date) -> None:
    """Let the bows that are out stay longer; the player is told, and reminded before the new day. That day already: nothing changes.

    Raises `InvalidInputError`: a day before the one agreed, past, or more than a year ahead; `ConflictError`: not by
    post, no bow is out, or one is wanted elsewhere by then, each in a sentence.
    """
    trial, composition = _of_post(session, dealer, key)
    rows = [row for row in carried(session, trial.id) if row.out_at is not None and row.back_at is None]
    if not rows:
        raise ConflictError(_("No bow of this trial is out, so there is nothing to extend."))
    before = composition.due_back or trial.on
    if due_back == before:
        return
    today = now().date()
    if due_back < max(before, today) or due_back > today + LONGEST_LOAN:
        sentence = _("Expected a day after {day}, within a year.")
        raise InvalidInputError([("new_due", sentence.format(day=formats.day(max(before, today))))])
    busy = reservations.busy_until(due_back, Place.POST)
    composing.set_aside(session, dealer, [row.copy for row in rows], before, busy, trial.id)
    composition.due_back, composition.sequence = due_back, composition.sequence + 1
    for row in rows:
        row.due_back = due_back
    session.flush()
    parcel_mails.extended(session, user, dealer, key)
    told = {"due_back": due_back.isoformat(), "was": before.isoformat()}
    noted(session, user, dealer, audit_events.LOAN_EXTENDED, f"trial {key}", **told)
