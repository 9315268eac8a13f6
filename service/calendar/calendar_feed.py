"""A dealer's trials and parcels as a calendar (RFC 5545 and 7986), from two months ago on.

An hour stands as the shop's clock shows it, in the shop's time zone; where none is known, as whoever reads it would have it.

No player is named: the feed lies with whoever keeps the shop's calendar, and every entry leads to the trial at the desk, behind the sign-in.
"""

import datetime as dt
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import icalendar
from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Instrument, Place
from service import tables
from service.core import formats, language
from service.core.language import _
from service.core.phrases import INSTRUMENTS
from service.dealers import site

BACK = dt.timedelta(days=60)
MOST = 2000
"""Trials in a feed, the latest first: at fifty a day more than the coming month."""
_A_YEAR = dt.timedelta(days=366)
_REFRESH = dt.timedelta(hours=1)
_IDS = uuid.UUID("6a0a6fd1-6bb2-4ff9-9a6b-7c9e3f6f1d53")
"""Namespace of the entries' identifiers: a trial keeps them whatever address the service has."""


@dataclass(frozen=True, slots=True)
class Planned:
    """A trial as the calendar needs it; ``bows`` set aside for it, ``out`` of them still with the player; ``hour`` it begins at."""

    key: str
    number: int
    instrument: Instrument
    place: Place | None
    state: str
    on: dt.date
    out_from: dt.date | None
    due_back: dt.date | None
    hour: dt.time | None
    minutes: int
    bows: int
    out: int
    made_at: dt.datetime
    opened_at: dt.datetime | None
    closed_at: dt.datetime | None

    @property
    def changed_at(self) -> dt.datetime:
        """When it was last changed, as a calendar program is told."""
        return max(filter(None, (self.made_at, self.opened_at, self.closed_at)))


def feed(session: Session, dealer: str, today: dt.date, desk: str) -> bytes:
    """Return a dealer's calendar in the dealer's language; ``desk`` begins the addresses of trials."""
    shop = session.get_one(tables.Dealer, dealer)
    with language.using(shop.language):
        calendar = icalendar.Calendar()
        title = _("Bow trials at {dealer}").format(dealer=shop.name)
        calendar.add("prodid", "-//Bow trial//Calendar//EN")
        calendar.add("version", "2.0")
        calendar.add("name", title)
        calendar.add("x-wr-calname", title)
        calendar.add("refresh-interval", _REFRESH, parameters={"VALUE": "DURATION"})
        zone = site.zone(session, dealer)
        for trial in planned(session, dealer, today):
            for event in _events(trial, dealer, desk, zone):
                calendar.add_component(event)
        calendar.add_missing_timezones(first_date=today - BACK - _A_YEAR)
        return bytes(calendar.to_ical())


def planned(session: Session, dealer: str, today: dt.date) -> list[Planned]:
    """Return what the calendar shows: every trial composed at the dealer and not cancelled, of the last two months or to come."""
    of, trial = tables.Composition, tables.Trial
    latest = func.coalesce(of.due_back, trial.on)
    asked = (
        select(
            *(
                trial.key,
                of.number,
                trial.instrument,
                trial.place,
                of.state,
                trial.on,
                of.out_from,
                of.due_back,
                of.hour,
                of.minutes,
            ),
            _copies(),
            _copies(tables.TrialCopy.out_at.is_not(None), tables.TrialCopy.back_at.is_(None)),
            *(of.created_at, of.opened_at, of.closed_at),
        )
        .join(trial, trial.id == of.trial)
        .where(of.dealer == dealer, of.state != "cancelled", or_(latest >= today - BACK, of.state == "open"))
        .order_by(trial.on.desc(), of.number.desc())
        .limit(MOST)
    )
    return [Planned(*tuple(row)) for row in session.execute(asked)]


def _copies(*conditions: ColumnElement[bool]) -> ColumnElement[int]:
    kept = tables.TrialCopy
    counted = select(func.count(kept.id)).where(kept.trial == tables.Composition.trial, *conditions)
    return counted.correlate(tables.Composition).scalar_subquery()


def _events(trial: Planned, dealer: str, desk: str, zone: str | None) -> Iterator[icalendar.Event]:
    values = {
        "number": trial.number,
        "instrument": _(INSTRUMENTS[trial.instrument]),
        "bows": formats.bows(trial.bows),
    }
    if trial.place != Place.POST:
        event = _event(
            trial, dealer, desk, "trial", trial.on, _("Trial {number}: {instrument}, {bows}").format(**values)
        )
        yield (
            event if trial.hour is None else _at(event, dt.datetime.combine(trial.on, trial.hour), trial.minutes, zone)
        )
        return
    if trial.out_from:
        words = _("Parcel of trial {number} goes out: {instrument}, {bows}").format(**values)
        yield _event(trial, dealer, desk, "out", trial.out_from, words)
    if trial.due_back:
        words = _("Parcel of trial {number} is due back: {instrument}, {bows}")
        if trial.state == "closed" and not trial.out:
            words = _("Parcel of trial {number} was due back; everything is here: {instrument}, {bows}")
        yield _event(trial, dealer, desk, "back", trial.due_back, words.format(**values))


def _event(trial: Planned, dealer: str, desk: str, what: str, day: dt.date, words: str) -> icalendar.Event:
    event = icalendar.Event()
    event.add("uid", str(uuid.uuid5(_IDS, f"{dealer}/{trial.key}/{what}")))
    event.add("dtstamp", trial.changed_at.astimezone(dt.UTC).replace(microsecond=0))
    event.add("dtstart", day)
    event.add("dtend", day + dt.timedelta(days=1))
    event.add("summary", words)
    event.add("url", f"{desk}/{trial.key}")
    event.add("transp", "TRANSPARENT")  # a whole day's entry keeps nobody from being free
    return event


def _at(event: icalendar.Event, begins: dt.datetime, minutes: int, zone: str | None) -> icalendar.Event:
    """Give an entry its hour, and an end so many minutes later by the same clock."""
    begins = begins if zone is None else begins.replace(tzinfo=ZoneInfo(zone))
    ends = (begins.astimezone(dt.UTC) if zone else begins) + dt.timedelta(minutes=minutes)
    for name in ("dtstart", "dtend", "transp"):
        del event[name]
    event.add("dtstart", begins)
    event.add("dtend", ends.astimezone(begins.tzinfo) if zone else ends)
    return event
