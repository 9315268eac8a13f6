"""Moments and days as the shop's clock shows them, on the days too on which its clocks change."""

import datetime as dt
from zoneinfo import ZoneInfo

import pytest

from service.core import language, times


@pytest.fixture(autouse=True)
def _english() -> None:
    language.speak("en")


@pytest.mark.parametrize(
    ("zone", "utc", "shown"),
    [
        # IANA tz database, Europe/Vienna: UTC+1, from the last Sunday in March, 01:00 UTC, to that in October UTC+2.
        ("Europe/Vienna", "2026-03-29T00:59", "29 March 2026, 01:59"),
        ("Europe/Vienna", "2026-03-29T01:00", "29 March 2026, 03:00"),
        ("Europe/Vienna", "2026-10-25T00:30", "25 October 2026, 02:30"),
        ("Europe/Vienna", "2026-10-25T01:30", "25 October 2026, 02:30"),
        ("Europe/Vienna", "2026-11-30T23:30", "1 December 2026, 00:30"),
        # America/Santiago: clocks go forward at midnight of the first Sunday in September, back at that in April.
        ("America/Santiago", "2026-09-06T03:59", "5 September 2026, 23:59"),
        ("America/Santiago", "2026-09-06T04:00", "6 September 2026, 01:00"),
        (None, "2026-11-30T23:30", "30 November 2026, 23:30 UTC"),
    ],
)
def test_a_moment_is_shown_as_the_clock_on_the_wall_does(zone: str | None, utc: str, shown: str) -> None:
    times.live_in(zone)
    assert times.moment(dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)) == shown


@pytest.mark.parametrize("zone", ["Europe/Vienna", "America/Santiago"])
def test_every_moment_of_a_year_lies_in_the_day_that_the_clock_shows(zone: str) -> None:
    times.live_in(zone)
    moment, lengths = dt.datetime(2026, 1, 1, 12, tzinfo=dt.UTC), set()
    while moment.year == 2026:
        day = moment.astimezone(ZoneInfo(zone)).date()
        begins, ends = times.begins(day), times.begins(day + dt.timedelta(days=1))
        assert begins <= moment < ends
        assert times.local(begins).date() == times.local(ends - dt.timedelta(seconds=1)).date() == day
        assert times.local(begins - dt.timedelta(seconds=1)).date() == day - dt.timedelta(days=1)
        lengths.add(ends - begins)
        moment += dt.timedelta(days=1)
    assert lengths == {dt.timedelta(hours=hours) for hours in (23, 24, 25)}
