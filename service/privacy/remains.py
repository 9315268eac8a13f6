"""What erased data leaves in the files of SQLite, and how it is got rid of.

Deleted content is overwritten with zeros (`database`: secure_delete), but older copies of a page stand in the write-ahead log
until it is emptied. That is tried after each erasing, and again every hour as long as a reader holds it back. What was deleted
before this was so lies in freed pages until the file is written anew, which `migrate` does once. PostgreSQL keeps house by
itself; `service/docs/privacy.md` says what is to be known.
"""

import datetime as dt
from collections.abc import Iterator

from sqlalchemy.orm import Session

from service.core import unfinished
from service.core.database import Database
from service.tables import Duty

DUTY = "remains"
"""Its row says since when the log may hold what was erased (``begun_at``), and when it was emptied (``ended_at``)."""
PATIENCE = dt.timedelta(hours=2)
"""The log is tried every hour: what is in it for longer is a reason for alarm."""


def note(session: Session) -> None:
    """Note in the caller's transaction that something is erased; the log is emptied once it is committed."""
    if session.get_bind().dialect.name != "sqlite":
        return
    session.info.setdefault("empty_log", True)
    row, now = session.get(Duty, DUTY), dt.datetime.now(dt.UTC)
    if row is None:
        session.add(Duty(name=DUTY, begun_at=now, counts={}))
    elif row.ended_at is not None:
        row.begun_at, row.ended_at = now, None
    session.flush()


def later(session: Session) -> None:
    """Leave the log as it is after this transaction: more of them follow, and whoever makes them empties it at their end."""
    session.info["empty_log"] = False


def clear(database: Database, now: dt.datetime) -> bool:
    """Empty the log where it may hold what was erased; False where a reader holds it back."""
    if not database.is_sqlite:
        return True
    with database.reading() as session:
        row = session.get(Duty, DUTY)
        if row is None or row.ended_at is not None:
            return True
        start = row.begun_at
    if not database.empty_log():
        return False
    with database.writing() as session:
        row = session.get(Duty, DUTY)
        if row is not None and row.begun_at == start:
            row.ended_at = max(now, start)
    return True


def findings(database: Database, session: Session, now: dt.datetime) -> Iterator[tuple[str, bool]]:
    """Give the lines of `check` on the files, and whether that is well."""
    if not database.is_sqlite:
        return
    row = session.get(Duty, DUTY)
    if row is not None and row.ended_at is None:
        said = (
            f"files: erased on {row.begun_at:%Y-%m-%d %H:%M} UTC, and still in SQLite's log until readers let go of it"
        )
        yield said, now - row.begun_at < PATIENCE
    for path in unfinished.left(database.file) if database.file else ():
        yield (
            f"files: {path} is a copy that was cut off while it was made; `serve` or the next restore removes it",
            False,
        )
    if not database.is_rebuilt():
        yield (
            "files: what was erased by an earlier version may lie in freed pages; stop the service and run migrate",
            False,
        )
