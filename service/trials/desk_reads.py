"""What the desk reads, bound to its dealer: enquiries, trials, players, and what waits today."""

import datetime as dt
from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Select, exists, func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import OutcomeKind
from service.advice import advice_mails
from service.core import audit_events
from service.core.moments import now
from service.core.paging import ALL, Leaf, ListWanted
from service.core.prepared import prepared
from service.players import enquiry_access
from service.players.trial_access import composed
from service.tables import Composition, Copy, FollowUp, Outcome, Trial, TrialCopy
from service.trials import people, trial_record, trial_rows, whole_trial
from service.trials.desk_records import EnquiryRow, Home, Overdue, PlayerRow, SlotRow, TrialRow
from service.trials.shared import noted, out_now

LATELY = dt.timedelta(days=30)
enquiry, enquiry_counts, nobodys_enquiries = people.enquiry_page, people.enquiry_counts, people.nobodys
first_nobodys = people.first_nobodys
player, alike = people.player_page, people.alike_of_enquiry
trial, trial_counts = trial_record.trial, trial_rows.counts
"""What is read in one place for the desk and for a dealer's own server."""


def enquiries(
    session: Session, dealer: str, *, show: str = "new", after: str = "", wanted: ListWanted = ALL
) -> Leaf[EnquiryRow]:
    """Return a page of the enquiries, newest first; ``show`` 'new': neither settled nor with a trial, 'all': every one."""
    return people.enquiries(session, dealer, after, *([people.is_new()] if show == "new" else []), wanted=wanted)


def take(session: Session, user: int | None, dealer: str, id_: str) -> None:
    """Make an enquiry that is no dealer's yet this dealer's own, who is told of it; a repeat changes nothing.

    It is for those who may act for any dealer. Raises `NotFoundError`, also where another dealer has it.
    """
    row = enquiry_access.nobodys(session, id_, claim=True)
    if row is None:
        enquiry_access.own(session, dealer, id_)
        return
    row.dealer = dealer
    session.flush()
    advice_mails.enquiry_notice(session, row)
    noted(session, user, dealer, audit_events.ENQUIRY_TAKEN, f"enquiry {id_}")


def settle(session: Session, user: int | None, dealer: str, id_: str) -> None:
    """Put an enquiry aside without a trial; a repeat changes nothing. Raises `NotFoundError`."""
    row = enquiry_access.own(session, dealer, id_)
    if row.settled_at is None:
        row.settled_at = now()
        noted(session, user, dealer, audit_events.ENQUIRY_PUT_ASIDE, f"enquiry {id_}")


def trials(
    session: Session,
    dealer: str,
    state: str | None = None,
    today: dt.date | None = None,
    after: str = "",
    wanted: ListWanted = ALL,
) -> Leaf[TrialRow]:
    """Return a page of the trials composed here, newest first; of one state where it is given."""
    of_state = [Composition.state == state] if state else []
    return trial_rows.trials(session, dealer, after, *of_state, today=today, wanted=wanted)


def trials_from_files(session: Session, dealer: str, after: str = "", wanted: ListWanted = ALL) -> Leaf[TrialRow]:
    """Return a page of the trials that were read from a file, newest first."""
    from_file = Composition.trial.is_(None)
    return trial_rows.trials(session, dealer, after, from_file, files=True, wanted=wanted)


def key_sheet(session: Session, dealer: str, key: str) -> tuple[SlotRow, ...]:
    """Return the blind key, letters with copies, for the page that is printed apart; raises `NotFoundError`."""
    return whole_trial.slots(session, composed(session, dealer, key)[0].id)


def _overdue(session: Session, found: Sequence[TrialRow], today: dt.date) -> tuple[Overdue, ...]:
    """Return which bows of trials should be back, in the order of the trials."""
    copies = trial_rows.copies_out(session, [row.key for row in found]) if found else {}
    return tuple(Overdue(row, copies[row.key], (today - (row.due_back or row.on)).days) for row in found)


def players(
    session: Session, dealer: str, search: str = "", after: str = "", wanted: ListWanted = ALL
) -> Leaf[PlayerRow]:
    """Return a page of the players, latest trial first; ``search``: how a name, an address or a key begins, or a number ends."""
    if not search.strip():
        return people.players(session, dealer, after, wanted)
    return people.players_found(session, dealer, search, after, wanted)


def home(session: Session, dealer: str, today: dt.date, most: int = 12) -> Home:
    """Return what waits at the desk: the first ``most`` of each group, and how many there are.

    What has ended, and sheets to look at, are those of the days of `LATELY`: what is older is found in the list of trials.
    """
    parcels = trial_record.waiting_parcels(session, dealer)
    waiting = session.execute(*_waiting(dealer, today, today - LATELY, parcels, most)).all()
    found, counts = trial_rows.by_group(waiting)
    new = people.first_new(session, dealer, most)
    late = _overdue(session, found.pop("overdue", ()), today)
    return Home(new_enquiries=new, overdue=late, counts=counts, **found)


@prepared
def _waiting(
    dealer: str, today: dt.date, since: dt.date, parcels: Collection[str], most: int
) -> Select[*tuple[Any, ...]]:
    state, lately = Composition.state, (Trial.dealer == dealer) & (Trial.on > since)
    late = select(TrialCopy.trial).where(out_now(), TrialCopy.due_back < today)
    newest, oldest = (Trial.on.desc(), Trial.id.desc()), (Trial.on, Composition.hour, Trial.id)
    longest = (func.coalesce(Composition.due_back, Trial.on), Composition.number)
    groups = {
        "today": ((state == "planned") & (Trial.on <= today), oldest),
        "coming": ((state == "planned") & (Trial.on > today), oldest),
        "open": (state == "open", newest),
        "without_outcome": (lately & (state == "closed") & ~exists().where(Outcome.trial == Trial.id), newest),
        "overdue": (Trial.id.in_(late), longest),
        "parcels_waiting": ((state == "planned") & Trial.key.in_(parcels), oldest),
        "flagged": (lately & trial_rows.has_flagged_sheets(), newest),
        "given_back": (_given_back(), newest),
    }
    return trial_rows.grouped(dealer, groups, today, most)


def _given_back() -> ColumnElement[bool]:
    """Return the condition that a player gives a bow back which is still on its way."""
    answered = select(FollowUp.trial).where(FollowUp.still_right.is_(False))
    on_its_way = exists().where(
        Outcome.trial == Trial.id,
        Outcome.outcome == OutcomeKind.RETURNED,
        Outcome.copy == Copy.serial,
        Copy.status == "in_transit",
    )
    return Trial.id.in_(answered) & on_its_way
