"""Moments as the shop's clock shows them, and the days that they lie in."""

import datetime as dt
from contextvars import ContextVar
from zoneinfo import ZoneInfo

from service.core import formats
from service.core.language import _

_zone: ContextVar[str | None] = ContextVar("zone", default=None)


def live_in(zone: str | None) -> None:
    """Let this request's moments be those of a zone (IANA's database); None: of coordinated universal time."""
    _zone.set(zone)


def local(value: dt.datetime) -> dt.datetime:
    """Return a moment as the clock shows it."""
    zone = _zone.get()
    return value.astimezone(ZoneInfo(zone) if zone else dt.UTC)


def today() -> dt.date:
    """Return the shop's day."""
    return local(dt.datetime.now(dt.UTC)).date()


def begins(day: dt.date) -> dt.datetime:
    """Return the moment in which the shop's day begins, also where its clock leaves midnight out or shows it twice."""
    zone = _zone.get()
    return dt.datetime.combine(day, dt.time(), ZoneInfo(zone) if zone else dt.UTC).astimezone(dt.UTC)


def day(value: dt.datetime) -> str:
    """Return the shop's day of a moment: '24 November 2026'."""
    return formats.day(local(value).date())


def moment(value: dt.datetime) -> str:
    """Return a moment to the minute: '24 November 2026, 15:05', where no zone is known '24 November 2026, 14:05 UTC'."""
    return moment_in(value, _zone.get())


def moment_in(value: dt.datetime, zone: str | None) -> str:
    """Return the same as a clock in a zone shows it; with UTC beside it where no zone is known."""
    if zone is not None:
        there = value.astimezone(ZoneInfo(zone))
        return formats.day_and_hour(there.date(), there.time())
    utc = value.astimezone(dt.UTC)
    return _("{day}, {time} UTC").format(day=formats.day(utc.date()), time=f"{utc:%H:%M}")
