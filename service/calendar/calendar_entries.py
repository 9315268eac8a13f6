"""Entries of a calendar (RFC 5545 and 7986): days and hours as whoever reads them by a program needs them.

An hour stands as the shop's clock shows it, in the shop's time zone; where none is known, as whoever reads it would have it.
"""

import datetime as dt
import uuid
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import quote
from zoneinfo import ZoneInfo

import icalendar

_IDS = uuid.UUID("6a0a6fd1-6bb2-4ff9-9a6b-7c9e3f6f1d53")
"""Namespace of the entries' identifiers: an entry keeps its own whatever address the service has."""
_REFRESH = dt.timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry.

    ``about``: what it is about; entries about the same thing are one, the last to be told.
    ``hour``, ``minutes``: when it begins and how long it is; None: the whole day, which keeps nobody from being free.
    ``url``: where more is said, empty for nowhere.
    ``sequence``: how often what it says was changed (RFC 5545, 3.8.7.4): of two tellings the higher one holds, whatever the
        clocks say.
    ``cancelled``: it takes place no more.
    """

    about: str
    words: str
    day: dt.date
    hour: dt.time | None = None
    minutes: int = 0
    url: str = ""
    sequence: int = 0
    cancelled: bool = False


def calendar(
    title: str, entries: Iterable[Entry], zone: str | None, first: dt.date, now: dt.datetime, organizer: str = ""
) -> bytes:
    """Return a calendar; ``zone`` is that of its hours, ``first`` the first day that anything lies on.

    It is published, so every entry bears the moment ``now`` at which it is told (RFC 5545, 3.8.7.2): a program takes the newer one.
    One that is told in a mail names its ``organizer``'s address; one of cancelled entries alone cancels them (RFC 5546, 3.2.1 and 3.2.5).
    """
    entries = list(entries)
    cancels = bool(entries) and all(entry.cancelled for entry in entries)
    made = icalendar.Calendar()
    made.add("prodid", "-//Bow trial//Calendar//EN")
    made.add("version", "2.0")
    made.add("method", "CANCEL" if cancels else "PUBLISH")
    # As text, whose commas and ends of lines are escaped: the library takes these two names for any value.
    for name in ("name", "x-wr-calname"):
        made.add(name, icalendar.vText(" ".join(title.split())))
    made.add("refresh-interval", _REFRESH, parameters={"VALUE": "DURATION"})
    for entry in entries:
        made.add_component(_event(entry, zone, now, organizer))
    made.add_missing_timezones(first_date=first)
    return bytes(made.to_ical())


def _event(entry: Entry, zone: str | None, now: dt.datetime, organizer: str) -> icalendar.Event:
    event = icalendar.Event()
    event.add("uid", str(uuid.uuid5(_IDS, entry.about)))
    event.add("dtstamp", now.astimezone(dt.UTC).replace(microsecond=0))
    event.add("sequence", entry.sequence)
    if organizer:
        event.add("organizer", f"mailto:{quote(organizer, safe='@')}")
    if entry.cancelled:
        event.add("status", "CANCELLED")
    event.add("summary", " ".join(entry.words.split()))
    if entry.url:
        event.add("url", entry.url)
    if entry.hour is None:
        event.add("dtstart", entry.day)
        event.add("dtend", entry.day + dt.timedelta(days=1))
        event.add("transp", "TRANSPARENT")
        return event
    event.add("dtstart", dt.datetime.combine(entry.day, entry.hour, ZoneInfo(zone) if zone else None))
    # A length, not an end: where the clocks go back in between, the end by the clock may be no later than the beginning.
    event.add("duration", dt.timedelta(minutes=entry.minutes))
    return event
