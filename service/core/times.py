"""Moments in words."""

import datetime as dt

from service.core import formats
from service.core.language import _


def moment(value: dt.datetime) -> str:
    """Return a moment to the minute: '24 November 2026, 14:05 UTC'."""
    utc = value.astimezone(dt.UTC)
    return _("{day}, {time} UTC").format(day=formats.day(utc.date()), time=f"{utc:%H:%M}")
