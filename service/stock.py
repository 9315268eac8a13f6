"""The stock by tier with where each bow is; its place and status changed, and what was done to it."""

import datetime as dt
from dataclasses import dataclass

from sqlalchemy.orm import Session

from model.vocabulary import EventKind, Hold, Instrument
from service.trials.shown import TrialRow


@dataclass(frozen=True, slots=True)
class CopyRow:
    """One bow in the stock list.

    Attributes
    ----------
    dealer : slug of where it is; None: at the workshop. ``dealer_name`` likewise.
    where : a sentence: 'On trial 14 until 10 May', 'At the workshop', 'In repair'.
    trial : (key, number) of the trial that it is out on or reserved for next; None for none, or another dealer's.
    tried : in how many trials it was rated.
    """

    copy: str
    tier: str
    hold: Hold | None
    dealer: str | None
    dealer_name: str | None
    status: str | None
    where: str
    trial: tuple[str, int] | None
    due_back: dt.date | None
    overdue: bool
    insured_value: float | None
    materials: str | None
    mass_g: float | None
    tried: int


@dataclass(frozen=True, slots=True)
class TierStock:
    """A tier with its bows. ``at_hand``: in stock and free today; price as this dealer's players pay it."""

    tier: str
    name: str
    instrument: Instrument
    holds: tuple[Hold, ...]
    grade: int
    price: float | None
    currency: str | None
    at_hand: int
    copies: tuple[CopyRow, ...]


@dataclass(frozen=True, slots=True)
class EventRow:
    """What was done to a bow, and what that does to older ratings, in words."""

    on: dt.date
    event: EventKind
    note: str | None
    effect: str


@dataclass(frozen=True, slots=True)
class BenchRow:
    """One bench reading."""

    on: dt.date
    quantity: str
    value: float
    unit: str
    method: str
    by: str | None


@dataclass(frozen=True, slots=True)
class CopyPage:
    """One bow: where it is, what was measured and done, and the trials of the looking dealer that it was in."""

    row: CopyRow
    tier: TierStock
    bench: dict[str, float]
    readings: tuple[BenchRow, ...]
    events: tuple[EventRow, ...]
    trials: tuple[TrialRow, ...]


def by_tier(session: Session, dealer: str | None, today: dt.date | None = None) -> tuple[TierStock, ...]:
    """Return the tiers with the dealer's bows; None, for the workshop: every bow wherever it is."""
    raise NotImplementedError


def copy(session: Session, dealer: str | None, serial: str, today: dt.date | None = None) -> CopyPage:
    """Return one bow; raises `NotHere` where it is not this dealer's (None: the workshop sees every one)."""
    raise NotImplementedError


def set_status(session: Session, user: int | None, dealer: str | None, serial: str, status: str) -> None:
    """Say what a bow is: in_stock, in_transit, in_repair, sold, withdrawn. Raises `NotHere`, `Refused`, `Invalid`."""
    raise NotImplementedError


def set_place(session: Session, user: int | None, dealer: str | None, serial: str, to: str | None) -> None:
    """Move a bow to another dealer or, None, to the workshop. Raises `NotHere`, `Refused`."""
    raise NotImplementedError


def record_event(
    session: Session,
    user: int | None,
    dealer: str | None,
    serial: str,
    event: EventKind,
    on: dt.date,
    note: str | None = None,
) -> str:
    """Record what was done to a bow and return the sentence on what it does to older ratings. Raises `NotHere`, `Invalid`."""
    raise NotImplementedError
