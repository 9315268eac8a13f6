"""Entries of a calendar (RFC 5545 and 7986): days and hours as whoever reads them by a program needs them.

An hour stands as the shop's clock shows it, in the shop's time zone; where none is known, as whoever reads it would have it.
"""

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import icalendar

_IDS = uuid.UUID("6a0a6fd1-6bb2-4ff9-9a6b-7c9e3f6f1d53")
"""Namespace of the entries' identifiers: an entry keeps its own whatever address the service has."""
_REFRESH = dt.timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry.

    Attributes
    ----------
    about : what it is about; entries about the same thing are one, the last to change.
    changed_at : when it was last changed, as a calendar program is told.
    hour, minutes : when it begins and how long it is; None: the whole day, which keeps nobody from being free.
    url : where more is said, empty for nowhere.
    """

    about: str
    words: str
    changed_at: dt.datetime
    day: dt.date
    hour: dt.time | None = None
    minutes: int = 0
    url: str = ""


def calendar(title: str, entries: Iterable[Entry], zone: str | None, first: dt.date) -> bytes:
    """Return a calendar; ``zone`` is that of its hours, ``first`` the first day that anything lies on."""
    made = icalendar.Calendar()
    made.add("prodid", "-//Bow trial//Calendar//EN")
    made.add("version", "2.0")
    made.add("method", "PUBLISH")
    made.add("name", title)
    made.add("x-wr-calname", title)
    made.add("refresh-interval", _REFRESH, parameters={"VALUE": "DURATION"})
    for entry in entries:
        made.add_component(_event(entry, zone))
    made.add_missing_timezones(first_date=first)
    return bytes(made.to_ical())


def _event(entry: Entry, zone: str | None) -> icalendar.Event:
    event = icalendar.Event()
    event.add("uid", str(uuid.uuid5(_IDS, entry.about)))
    event.add("dtstamp", entry.changed_at.astimezone(dt.UTC).replace(microsecond=0))
    event.add("summary", entry.words)
    if entry.url:
        event.add("url", entry.url)
    if entry.hour is None:
        event.add("dtstart", entry.day)
        event.add("dtend", entry.day + dt.timedelta(days=1))
        event.add("transp", "TRANSPARENT")
        return event
    begins = dt.datetime.combine(entry.day, entry.hour, ZoneInfo(zone) if zone else None)
    event.add("dtstart", begins)
    event.add("dtend", _later(begins, dt.timedelta(minutes=entry.minutes)))
    return event


def _later(begins: dt.datetime, by: dt.timedelta) -> dt.datetime:
    """Return a moment so much later; where the clocks change in between, so much later all the same."""
    return begins + by if begins.tzinfo is None else (begins.astimezone(dt.UTC) + by).astimezone(begins.tzinfo)
