"""Moments in words."""

import datetime as dt
from zoneinfo import ZoneInfo

from service.core import formats
from service.core.language import _


def moment(value: dt.datetime) -> str:
    """Return a moment to the minute: '24 November 2026, 14:05 UTC'."""
    utc = value.astimezone(dt.UTC)
    return _("{day}, {time} UTC").format(day=formats.day(utc.date()), time=f"{utc:%H:%M}")


def moment_in(value: dt.datetime, zone: str | None) -> str:
    """Return a moment as a clock in a zone shows it: '24 November 2026, 15:05'; with UTC beside it where no zone is known."""
    if zone is None:
        return moment(value)
    there = value.astimezone(ZoneInfo(zone))
    return formats.day_and_hour(there.date(), there.time())
