"""The present moment, and the one thing that sets it back: the days before a demonstration."""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_SET_BACK: ContextVar[dt.timedelta] = ContextVar("set_back", default=dt.timedelta())


def utc_now() -> dt.datetime:
    """Return the true moment in UTC."""
    return dt.datetime.now(dt.UTC)


def now() -> dt.datetime:
    """Return this moment in UTC, as what trials go through bears it."""
    return utc_now() - _SET_BACK.get()


@contextmanager
def set_back(by: dt.timedelta) -> Iterator[None]:
    """Let what trials go through meanwhile bear a moment so long ago, before a demonstration; the record tells the true one."""
    token = _SET_BACK.set(by)
    try:
        yield
    finally:
        _SET_BACK.reset(token)
