"""Connections to PostgreSQL that are given up where the server says nothing; apart, since commands need not load the driver for it."""

import time
from typing import Any, TypeVar

import psycopg
from psycopg.abc import PQGen

T = TypeVar("T")
SILENCE_SECONDS = 5.0
"""So long a server is listened for that says nothing; its own limit of a statement comes first and leaves the connection whole."""
_EVERY = 0.1


class ImpatientConnection(psycopg.Connection[Any]):
    """A connection that is given up where the server is stopped or stuck.

    No timeout of the network sees that: the machine still acknowledges what it is sent.
    """

    def wait(self, gen: PQGen[T], interval: float = _EVERY, timeout: float | None = None) -> T:
        """Wait for an answer; raises `psycopg.OperationalError` where none comes, and the connection is closed."""
        began = time.monotonic()
        try:
            return super().wait(gen, interval, SILENCE_SECONDS if timeout is None else timeout)
        except psycopg.OperationalError:
            if timeout is None and time.monotonic() - began >= SILENCE_SECONDS:
                self.pgconn.finish()
            raise


def connect(_dialect: object, _record: object, arguments: list[Any], named: dict[str, Any]) -> psycopg.Connection[Any]:
    """Connect, in the stead of SQLAlchemy (its event `do_connect`)."""
    return ImpatientConnection.connect(*arguments, **named)
