"""Which bow is set aside for which days, and why it cannot be had on others."""

import datetime as dt
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sqlalchemy import Select, bindparam, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service.core import formats
from service.core.language import _
from service.core.scopes import AllDealers, Scope
from service.tables import Composition, Trial, TrialCopy
from service.trials.shared import still_wanted

EVERYBODYS = AllDealers()
"""A bow is in one place, whoever asks: so it is looked for in every dealer's trials."""
SCOPES_KEPT = 128
"""Of so many scopes what is asked of their trials is kept as it was built."""
DAYS_BY_POST = 14
"""A trial by post is due back so many days after it leaves, where nobody said when."""
TURNAROUND_BY_POST = 2
"""Days that are kept free after a bow is due back by post: the parcel may be late, and the bow is looked over (a judgement)."""


def usual_due_back(on: dt.date, place: Place) -> dt.date:
    """Return when the bows are due back where nobody said: the same day in the shop."""
    return on + dt.timedelta(days=DAYS_BY_POST if place is Place.POST else 0)


def busy_until(due_back: dt.date, place: Place | None) -> dt.date:
    """Return the last day on which bows of a trial cannot be had for another one."""
    return due_back + dt.timedelta(days=TURNAROUND_BY_POST if place is Place.POST else 0)


@dataclass(frozen=True, slots=True)
class Reservation:
    """A bow set aside for, or out on, one trial. ``out``: it has left and is not back; ``busy_until``: the turnaround counted."""

    copy: str
    trial: int
    key: str
    number: int
    dealer: str
    out_from: dt.date
    due_back: dt.date
    busy_until: dt.date
    out: bool

    def meets(self, first: dt.date, last: dt.date, today: dt.date) -> bool:
        """Say whether the bow is wanted elsewhere between two days, ``last`` with the turnaround; one that is overdue may never come."""
        if self.out and self.due_back < today:
            return True
        return self.out_from <= last and first <= self.busy_until

    def is_overdue(self, today: dt.date) -> bool:
        """Say whether it should be back."""
        return self.out and self.due_back < today


def of_copies(
    session: Session, serials: Iterable[str] | None = None, *, scope: Scope = EVERYBODYS
) -> Mapping[str, Sequence[Reservation]]:
    """Return by serial what is set aside or out, earliest first; of some copies, or of the trials of a scope."""
    among = {} if serials is None else {"serials": sorted(serials)}
    found: dict[str, list[Reservation]] = defaultdict(list)
    for out_at, back_at, place, *told in session.execute(_wanted(scope, bool(among)), among):
        copy, trial, key, number, dealer, out_from, due_back = told
        is_out, busy = out_at is not None and back_at is None, busy_until(due_back, place)
        found[copy].append(Reservation(copy, trial, key, number, dealer, out_from, due_back, busy, is_out))
    return found


@lru_cache(SCOPES_KEPT)
def _wanted(scope: Scope, by_serial: bool) -> Select[*tuple[Any, ...]]:
    copy = TrialCopy
    told = (copy.out_at, copy.back_at, Trial.place, copy.copy, copy.trial, Trial.key, Composition.number)
    asked = select(*told, Composition.dealer, copy.out_from, copy.due_back).join(Trial, Trial.id == copy.trial)
    theirs = asked.join(Composition, Composition.trial == copy.trial).where(scope.holds(Composition.dealer))
    among = [copy.copy.in_(bindparam("serials"))] if by_serial else []
    return theirs.where(still_wanted(), *among).order_by(copy.copy, copy.out_from)


def why_not(
    serial: str,
    status: str | None,
    reserved: Sequence[Reservation],
    first: dt.date,
    last: dt.date,
    today: dt.date,
    but: int | None = None,
) -> str | None:
    """Return a sentence on why a bow cannot be had between two days, None where it can.

    ``last``: the last day on which it is away, see `busy_until`.
    ``but``: the trial that asks.
    """
    others = [each for each in reserved if each.trial != but]
    for each in others:
        if each.meets(first, last, today):
            return _clash(each, today, first)
    # With a reservation the status only tells of that; without one it is what staff or a file said.
    if status == "in_stock" or (reserved and status in ("reserved", "on_trial")):
        return None
    return status_sentence(serial, status)


def risk(reserved: Sequence[Reservation], first: dt.date) -> str:
    """Say what a bow that can be had from a day on rests on: that it is back by then. Empty where it is not out."""
    away = next((each for each in reserved if each.out and each.busy_until < first), None)
    if away is None:
        return ""
    sentence = _("It is out on trial {number} and due back on {day}: should it be late, exchange it before this trial.")
    return sentence.format(number=away.number, day=formats.day(away.due_back))


def _clash(of: Reservation, today: dt.date, first: dt.date) -> str:
    values = {"copy": of.copy, "number": of.number}
    if not of.is_overdue(today) and first > of.due_back:
        sentence = _(
            "{copy} is due back by post from trial {number} on {day}; with {count} days for the parcel to be late and the bow to be "
            "looked over it can be had from {free} on."
        )
        free, count = formats.day(of.busy_until + dt.timedelta(days=1)), formats.counted(TURNAROUND_BY_POST)
        return sentence.format(day=formats.day(of.due_back), free=free, count=count, **values)
    if of.is_overdue(today):
        sentence = _("{copy} has not come back from trial {number}; it was due on {day}.")
        return sentence.format(day=formats.day(of.due_back), **values)
    if of.out:
        sentence = _("{copy} is out on trial {number} until {day}.")
        return sentence.format(day=formats.day(of.due_back), **values)
    if of.out_from == of.due_back:
        return _("{copy} is reserved for trial {number} on {day}.").format(day=formats.day(of.due_back), **values)
    sentence = _("{copy} is reserved for trial {number} from {first} to {last}.")
    return sentence.format(first=formats.day(of.out_from), last=formats.day(of.due_back), **values)


def status_sentence(serial: str, status: str | None) -> str:
    """Say what a status that keeps a bow from a trial means."""
    sentences = {
        "reserved": _("{copy} is set aside; put it in stock first."),
        "on_trial": _("{copy} is out on trial; put it in stock when it is back."),
        "in_transit": _("{copy} is on its way."),
        "in_repair": _("{copy} is in repair."),
        "sold": _("{copy} has been sold."),
        "withdrawn": _("{copy} has been withdrawn."),
    }
    unknown = _("It is not known where {copy} is; say first that it is in stock.")
    return sentences.get(status or "", unknown).format(copy=serial)
