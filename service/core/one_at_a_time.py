"""What only one process may do at a time, on whichever machine; the lock goes with the process, however that ends."""

import fcntl
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy import text

from service.core.database import Database, writing_engine

NUMBERS = {"loading": 0x626F7801}
"""The advisory lock of PostgreSQL (its manual, 13.3.5) that stands for each name."""


@contextmanager
def alone(database: Database, name: str) -> Iterator[bool]:
    """Give True, and keep all others out until the end, or False where another process is at it."""
    if not database.is_sqlite:
        with writing_engine(database).connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            number = {"number": NUMBERS[name]}
            free = bool(connection.scalar(text("SELECT pg_try_advisory_lock(:number)"), number))
            try:
                yield free
            finally:
                if free:
                    connection.execute(text("SELECT pg_advisory_unlock(:number)"), number)
        return
    if database.file is None:
        yield True
        return
    with database.file.with_name(f"{database.file.name}.{name}").open("a") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True
