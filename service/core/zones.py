"""Hours as a clock on the wall shows them: a shop's time zone (IANA's database), and the hours that a change of clocks leaves out."""

import datetime as dt
from functools import cache
from zoneinfo import ZoneInfo, available_timezones

from babel.core import get_global


@cache
def names() -> tuple[str, ...]:
    """Return the zones that can be chosen: those of a place, as 'Europe/Vienna'."""
    return tuple(sorted(name for name in available_timezones() if "/" in name and not name.startswith("Etc/")))


@cache
def of_country(country: str | None, year: int) -> str | None:
    """Return the zone of a country (ISO 3166), None where its clocks do not all show the same, or it is not known."""
    found = [name for name in get_global("territory_zones").get(country or "", ()) if name in names()]
    days = [dt.datetime(year, month, 1, tzinfo=dt.UTC) for month in range(1, 13)]
    shown = {tuple(day.astimezone(ZoneInfo(name)).utcoffset() for day in days) for name in found}
    return found[0] if len(shown) == 1 else None


def is_there(day: dt.date, hour: dt.time, zone: str) -> bool:
    """Say whether a clock there shows that hour on that day: where clocks go forward, it leaves some out."""
    wall = dt.datetime.combine(day, hour, ZoneInfo(zone))
    return wall.astimezone(dt.UTC).astimezone(wall.tzinfo).replace(fold=0) == wall
