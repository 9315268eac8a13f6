"""What the desk reads, bound to its dealer: enquiries, trials, players, and what waits today."""

import datetime as dt

from sqlalchemy.orm import Session

from service.trials.shown import (
    CaseRow,
    EnquiryPage,
    EnquiryRow,
    Home,
    Materials,
    OutcomeRow,
    Overdue,
    PlayerPage,
    PlayerRow,
    SheetRow,
    SlotRow,
    TrialPage,
    TrialRow,
)

__all__ = [
    "CaseRow",
    "EnquiryPage",
    "EnquiryRow",
    "Home",
    "Materials",
    "OutcomeRow",
    "Overdue",
    "PlayerPage",
    "PlayerRow",
    "SheetRow",
    "SlotRow",
    "TrialPage",
    "TrialRow",
]


def enquiries(session: Session, dealer: str, *, show: str = "new") -> tuple[EnquiryRow, ...]:
    """Return the enquiries, newest first; ``show`` 'new': neither settled nor with a trial, 'all': every one."""
    raise NotImplementedError


def enquiry(session: Session, dealer: str, id_: str) -> EnquiryPage:
    """Return one enquiry; raises `NotHere`."""
    raise NotImplementedError


def settle(session: Session, user: int | None, dealer: str, id_: str) -> None:
    """Put an enquiry aside without a trial; a repeat changes nothing. Raises `NotHere`."""
    raise NotImplementedError


def trials(session: Session, dealer: str, state: str | None = None) -> tuple[TrialRow, ...]:
    """Return the trials, newest first; of one state where it is given."""
    raise NotImplementedError


def trial(session: Session, dealer: str, key: str, today: dt.date | None = None) -> TrialPage:
    """Return one trial; raises `NotHere`."""
    raise NotImplementedError


def key_sheet(session: Session, dealer: str, key: str) -> tuple[SlotRow, ...]:
    """Return the blind key, letters with copies, for the page that is printed apart; raises `NotHere`."""
    raise NotImplementedError


def overdue(session: Session, dealer: str, today: dt.date) -> tuple[Overdue, ...]:
    """Return what should be back, longest first."""
    raise NotImplementedError


def players(session: Session, dealer: str, search: str = "") -> tuple[PlayerRow, ...]:
    """Return the players, latest trial first; ``search`` is part of a name, an address or a key."""
    raise NotImplementedError


def player(session: Session, dealer: str, key: str) -> PlayerPage:
    """Return one player; raises `NotHere`."""
    raise NotImplementedError


def home(session: Session, dealer: str, today: dt.date) -> Home:
    """Return what waits at the desk."""
    raise NotImplementedError
