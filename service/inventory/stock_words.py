"""Where a bow is, and what was done to it, in words."""

import datetime as dt
from collections.abc import Mapping, Sequence

from model.domain.vocabulary import EventKind
from service.core import formats
from service.core.language import N_, _, ngettext
from service.trials.reservations import Reservation

_STATUS: Mapping[str, str] = {
    "reserved": N_("Set aside"),
    "on_trial": N_("Out on trial"),
    "in_transit": N_("On its way"),
    "in_repair": N_("In repair"),
    "sold": N_("Sold"),
    "withdrawn": N_("Withdrawn"),
}
_EFFECT: Mapping[EventKind, str] = {
    EventKind.REHAIRED: N_("A fresh rehair makes it partly another bow: older ratings of it count less from now on."),
    EventKind.RECAMBERED: N_(
        "A new camber makes it largely another bow: older ratings of it count much less from now on."
    ),
    EventKind.REPAIRED: N_("A repair makes it largely another bow: older ratings of it count much less from now on."),
    EventKind.MOVED: N_("A move changes nothing about the bow: older ratings of it count as before."),
}


def where(status: str | None, dealer_name: str | None, wanted: Reservation | None, today: dt.date) -> str:
    """Say where a bow is: 'On trial 14 until 10 May 2027', 'In stock', 'At the workshop'."""
    if wanted is not None and wanted.out:
        sentence = (
            _("Out on trial {number}; due on {day}") if wanted.due_back < today else _("On trial {number} until {day}")
        )
        return sentence.format(number=wanted.number, day=formats.day(wanted.due_back))
    if status in ("in_stock", "reserved") and wanted is not None:
        return _("Reserved for trial {number} on {day}").format(number=wanted.number, day=formats.day(wanted.out_from))
    if status == "in_stock":
        return _("In stock") if dealer_name else _("At the workshop")
    return _(_STATUS[status]) if status else _("Not known")


def effect(event: EventKind, trials: int | None = None) -> str:
    """Say what an event does to older ratings; ``trials``: in how many it was rated before, None: not counted."""
    if trials == 0:
        return _("It was not rated before that day, so nothing changes for the advice.")
    sentence = _(_EFFECT[event])
    if trials is None or event is EventKind.MOVED:
        return sentence
    evidence = ngettext("One trial is meant.", "{trials} trials are meant.", trials)
    return " ".join((sentence, evidence.format(trials=formats.capital(formats.counted(trials)))))


def still_wanted(copy: str, numbers: Sequence[int]) -> str:
    """Say that a bow which is to be had no more is in trials still."""
    sentence = ngettext(
        "{copy} is in trial {numbers} still; look there.",
        "{copy} is in trials {numbers} still; look there.",
        len(numbers),
    )
    return sentence.format(copy=copy, numbers=formats.listed([str(number) for number in numbers]))
