"""The sandbox of a test key: the same code on a database in memory, with the dealer's range and stock as they stand, and what came by the key.

Nothing that is done there can touch a bow, enter a fit, be seen at the desk or leave by mail, since the real database is not in
reach of it. Between calls the rows that came by the key are kept as bytes in one row, which nothing else reads. They go
with the key, `LIFE` after the first, or when a bow or dealer that they speak of is gone. No contact, no note and no mail is
kept at all.
"""

import datetime as dt
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from typing import Any, Final

from sqlalchemy import ColumnElement, Table, select
from sqlalchemy.orm import Session

from service import migrations, tables
from service.core import dealer_wall, tokens
from service.core.database import STOCK
from service.core.errors import Code, ConflictError
from service.core.language import _
from service.core.made_once import MadeOnce
from service.core.memory_database import MemoryDatabase

LIFE: Final = dt.timedelta(days=30)
MOST_CALLS: Final = 500
"""Calls that change something, by one key: some forty trials from the advice to the outcome."""
MOST_BYTES: Final = 4 * 1024 * 1024


def _table(of: type[tables.Base]) -> Table:
    return tables.Base.metadata.tables[of.__tablename__]


_KEPT = ("Player", "Enquiry", "Trial", "Composition", "TrialCopy", "Slot", "Sheet", "Run", "Outcome")
_OWN: Final = tuple(_table(getattr(tables, name)) for name in _KEPT)
"""What calls make and later calls find. Mails, the record, contacts and whatever else they write is let go of."""
_PERSONAL: Final = frozenset({"enquiries.contact", "sheets.note", "runs.note"})
"""What may say who somebody is."""
_PLACES: Final = ", ".join(sorted(STOCK))
_MOVED: Final = (
    f"CREATE TABLE kept.copies AS SELECT serial, {_PLACES} FROM main.copies "  # noqa: S608 - names of our own columns
    "WHERE serial IN (SELECT copy FROM main.trial_copies)"
)
_MOVE: Final = (
    f"UPDATE main.copies SET ({_PLACES}) = (SELECT {_PLACES} FROM kept.copies WHERE serial = main.copies.serial) "  # noqa: S608 - names of our own columns
    "WHERE serial IN (SELECT serial FROM kept.copies)"
)
_REMARK: Final = (
    "UPDATE main.range_state SET mark = substr(mark, 1, instr(mark || '.', '.') - 1) || '.' || hex(randomblob(8))"
)
"""Where bows are is another thing here than in reality, which is read once for each mark of the stock: its half is drawn anew."""
_PERMANENT: Final = "permanent"
BASES_KEPT: Final = 2
_bases: MadeOnce[tuple[Any, ...], bytes] = MadeOnce(BASES_KEPT)
"""The real range, stock and model in use as a database in memory, by what says that they changed."""


@contextmanager
def reading(session: Session, key: str) -> Iterator[Session]:
    """Give a session of the sandbox of a key, by its digest; what is written there is let go of."""
    with closing(_opened(session, session.get(tables.Sandbox, key))) as own, own.session() as inner:
        yield inner


@contextmanager
def writing(session: Session, key: str) -> Iterator[Session]:
    """Give a session of a held key's sandbox, its changes kept with the caller's; `ConflictError` where the key's calls are used up."""
    row = session.get(tables.Sandbox, key, populate_existing=True)
    if row is not None and _is_over(row):
        session.delete(row)
        session.flush()
        row = None
    if row is not None and (row.calls >= MOST_CALLS or len(row.content) >= MOST_BYTES):
        sentence = _(
            "This test key has made as many calls as one may, {most}; make a new test key at the desk, under ‘Website’."
        )
        raise ConflictError(sentence.format(most=MOST_CALLS), Code.TEST_KEY_SPENT)
    with closing(_opened(session, row)) as own:
        with own.session() as inner:
            yield inner
        content = zlib.compress(own.kept(_OWN, _PERSONAL, _MOVED), 1)
    if row is None:
        row = tables.Sandbox(key=key, begun_at=dt.datetime.now(dt.UTC), calls=0)
        session.add(row)
    row.revision, row.calls, row.content = migrations.newest(), row.calls + 1, content
    session.flush()


def over(now: dt.datetime) -> ColumnElement[bool]:
    """Return the condition that a sandbox has had its time."""
    return tables.Sandbox.begun_at < now - LIFE


def _is_over(row: tables.Sandbox) -> bool:
    return row.begun_at < dt.datetime.now(dt.UTC) - LIFE or row.revision != migrations.newest()


def _opened(session: Session, row: tables.Sandbox | None) -> MemoryDatabase:
    """Return the database in memory, with what came by the key so far."""
    mark = session.scalars(select(tables.RangeState.mark)).one()
    version = tables.ModelVersion
    in_use = session.execute(select(version.id, version.fitted_at, version.data_digest).where(version.adopted)).first()
    key = (mark, *(in_use or ()))
    base = _bases.of(key, lambda: _made(session))
    own = MemoryDatabase(base)
    if row is not None and not _is_over(row) and not own.restore(zlib.decompress(row.content), _OWN, _MOVE, _REMARK):
        own.close()
        return MemoryDatabase(base)
    return own


def _made(session: Session) -> bytes:
    with closing(MemoryDatabase()) as made, dealer_wall.lifted(session):  # it is kept for every key
        _fill(made, session)
        return made.content()


def _fill(made: MemoryDatabase, session: Session) -> None:
    for table in (tables.RangeState, *tables.RANGE):
        made.fill(_table(table), [dict(row) for row in session.execute(select(_table(table))).mappings()])
    versions = _table(tables.ModelVersion)
    columns = versions.columns
    light = select(*(column for column in columns if column.name not in ("artifact", "report")))
    rows = [dict(row) | {"artifact": b"", "report": {}} for row in session.execute(light).mappings()]
    whole = {row["id"]: dict(row) for row in session.execute(select(versions).where(columns.adopted)).mappings()}
    made.fill(versions, [whole.get(row["id"], row) for row in rows])
    # Addresses are digested there by a key of its own, so that no digest says whether it is a real one's.
    secret = {"key": tokens.secret(), "role": _PERMANENT, "made_at": dt.datetime.now(dt.UTC)}
    made.fill(_table(tables.AddressKey), [secret])
