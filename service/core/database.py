"""The database: sessions to read with and sessions to write with.

SQLite and PostgreSQL are used by the same code. On SQLite a reading session begins with plain BEGIN and sees one state of
the data throughout; a writing one takes the write lock at once (BEGIN IMMEDIATE), because a transaction that reads first and
asks for the lock later is refused when another wrote in between. On PostgreSQL readers get REPEATABLE READ for the same reason.
"""

import secrets
import sqlite3
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, closing, contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Engine, create_engine, event, inspect, make_url, select, text, update
from sqlalchemy.engine import URL
from sqlalchemy.orm import ORMExecuteState, Session
from sqlalchemy.pool import PoolProxiedConnection

from service.core import workers
from service.core.dealer_wall import OPENLY
from service.tables import RANGE, Copy, RangeState

BUSY_SECONDS, COMMAND_SECONDS = 4, 60
"""How long a writer waits for another one, or anybody for PostgreSQL to be reached, before the answer is 503; and how
long a command bears with a PostgreSQL that takes in nothing of what it sends."""
STATEMENT_SECONDS = 4.5
"""How long a statement of a request may take on PostgreSQL; a server that says nothing at all: `impatient.SILENCE_SECONDS`."""
LONG_SECONDS = 120
"""The same for what reads the file of a model's version."""
PASSING_MS = 100
"""Milliseconds for which what is written in passing waits for other writers."""
LOG_SECONDS = 0.2
"""How long emptying the log waits for a reader: a request may be waiting for it."""
REBUILT = 1
"""SQLite's `user_version` of a file that was written anew once under secure_delete."""
STOCK = frozenset({"dealer", "status", "sold_on"})
"""What of a copy changes all day: where it is. The rest are facts, over which the model's view is laid."""
APPLICATION_ID = 0x426F7773
"""Marks an SQLite file as this service's own: 'Bows' in ASCII, the header field that SQLite reserves for this purpose."""


class Database:
    """One database and its pool of connections; ``url``: SQLAlchemy's address; ``postgresql://`` stands for psycopg.

    Not ``patient``: no statement is waited for longer than `STATEMENT_SECONDS`, as it must be where requests wait for each
    other. Commands have statements that take their time.
    """

    def __init__(self, url: str | URL, *, patient: bool = True) -> None:
        self.url = _with_driver(make_url(url))
        # No request waits for a connection: there are as many as threads, and those beside them have theirs.
        # What a statement was about stands in no error, and so in no log: it may be somebody's name and address.
        self.engine = create_engine(
            self.url,
            pool_size=workers.THREADS,
            max_overflow=-1,
            pool_pre_ping=not self.is_sqlite,
            hide_parameters=True,
            connect_args={} if self.is_sqlite else _patience(self.url, patient=patient),
        )
        self._listen_for_silence(self.engine, patient=patient)
        if self.is_sqlite:
            event.listen(self.engine, "connect", _prepare_connection)
            _begins(self.engine, "BEGIN IMMEDIATE", query_only="OFF")
            self._reader = reader_beside(self.engine)
        else:
            self._reader = self.engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        self._writer = self.engine
        self.turns = workers.Queue("turn", 1)

    def _listen_for_silence(self, engine: Engine, *, patient: bool = False) -> None:
        if not (self.is_sqlite or patient):
            from service.core import impatient  # noqa: PLC0415 - loads the driver, which is not needed for SQLite

            event.listen(engine, "do_connect", impatient.connect)

    @property
    def is_sqlite(self) -> bool:
        """Say whether the database is an SQLite file."""
        return self.url.get_backend_name() == "sqlite"

    @property
    def file(self) -> Path | None:
        """Return the SQLite file, None for PostgreSQL."""
        return Path(self.url.database) if self.is_sqlite and self.url.database else None

    @asynccontextmanager
    async def turn(self) -> AsyncIterator[None]:
        """Hold the running event loop's turn to write, which SQLite gives to one at a time; `TooBusyError` where it takes too long."""
        # Who waits for it on the loop holds no thread; who waits at the file would, and knows nothing of who is urgent.
        if not self.is_sqlite:
            yield
            return
        async with self.turns.held():
            yield

    @contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that sees one state of the data and may change nothing."""
        with Session(self._reader) as session:
            yield session

    @contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session whose changes are committed together or not at all; with ``session.info["empty_log"]`` older pages go from SQLite's log."""
        with WritingSession(self._writer) as session, session.begin():
            yield session
        if session.info.get("empty_log"):
            self.empty_log()

    def empty_log(self) -> bool:
        """Bring SQLite's write-ahead log into the file and cut it to nothing; False where a reader or writer holds it back."""
        if self.file is None:
            return True
        with closing(sqlite3.connect(self.file, timeout=LOG_SECONDS)) as connection:
            try:
                held_back, _pages, _moved = connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
            except sqlite3.OperationalError:
                return False  # another one is at it
        return not held_back

    def is_rebuilt(self) -> bool:
        """Say whether the SQLite file was written anew since deleted content is overwritten: no freed page holds any."""
        if not self.is_sqlite:
            return True
        with self._reader.connect() as connection:
            return int(connection.exec_driver_sql("PRAGMA user_version").scalar_one()) >= REBUILT

    def in_passing(self) -> Engine:
        """Return an engine of one connection for what may be lost with the power and waits for nobody; the caller closes it."""
        if self.is_sqlite:
            engine = create_engine(self.url, pool_size=1, max_overflow=0, hide_parameters=True)
            event.listen(engine, "connect", _prepare_passing)
            _begins(engine, "BEGIN IMMEDIATE", query_only="OFF")
            return engine
        options = (
            f"-c lock_timeout={PASSING_MS} -c statement_timeout={10 * PASSING_MS} -c synchronous_commit=off {OPENLY}"
        )
        engine = create_engine(
            self.url,
            pool_size=1,
            max_overflow=0,
            pool_pre_ping=True,
            hide_parameters=True,
            connect_args={"connect_timeout": 2, "options": options},
        )
        self._listen_for_silence(engine)
        return engine

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()


class WritingSession(Session):
    """A session that marks the range as changed when it changes any part of it, whichever way that is done."""


@event.listens_for(WritingSession, "before_flush")
def _mark_flushed(session: Session, _context: object, _instances: object) -> None:
    if any(isinstance(item, RANGE) for item in (*session.new, *session.deleted)):
        _mark_range(session)
    for item in session.dirty:
        if isinstance(item, RANGE):
            _mark_range(session, stock_only=isinstance(item, Copy) and _changed(item) <= STOCK)


def _changed(item: object) -> set[str]:
    return {attribute.key for attribute in inspect(item).attrs if attribute.history.has_changes()}


@event.listens_for(WritingSession, "do_orm_execute")
def _mark_executed(state: ORMExecuteState) -> None:
    mapper = state.bind_mapper if state.is_insert or state.is_update or state.is_delete else None
    if mapper is not None and issubclass(mapper.class_, RANGE):
        _mark_range(state.session)


def _mark_range(session: Session, *, stock_only: bool = False) -> None:
    """Draw the mark anew, once a transaction: both of its halves, or the stock's alone."""
    # The row is locked before it is read, so that no change of the range by another transaction is painted over.
    marked = session.info.get("range_marked")
    if marked == "all" or (marked and stock_only):
        return
    session.info["range_marked"] = "stock" if stock_only else "all"
    facts = secrets.token_hex(16)
    if stock_only:
        facts = session.scalars(select(RangeState.mark).with_for_update()).one().partition(".")[0]
    session.execute(update(RangeState).values(mark=f"{facts}.{secrets.token_hex(8)}"))


@contextmanager
def unhurried(session: Session) -> Iterator[None]:
    """Let a statement take `LONG_SECONDS` on PostgreSQL: one that brings a hundred megabytes is slow, and not stuck."""
    limit = text("SELECT set_config('statement_timeout', :limit, true)")
    if session.get_bind().dialect.name != "postgresql":
        yield
        return
    before = session.scalar(text("SELECT current_setting('statement_timeout')"))
    session.execute(limit, {"limit": f"{LONG_SECONDS}s"})
    yield  # where it fails, so does the transaction, and the limit with it
    session.execute(limit, {"limit": before})


def writing_engine(database: Database) -> Engine:
    """Return the engine whose transactions may write, for changes to the tables themselves."""
    return database._writer  # noqa: SLF001 - same module


def _with_driver(url: URL) -> URL:
    return url.set(drivername="postgresql+psycopg") if url.drivername == "postgresql" else url


def _patience(url: URL, *, patient: bool) -> dict[str, str | int]:
    """Return how long PostgreSQL is waited for (its manual, 34.1.2 and 20.11), where the address does not say so itself."""
    ours: dict[str, str | int] = {
        "connect_timeout": BUSY_SECONDS,
        # For a machine that is gone: the network's own patience is a quarter of an hour. One that is busy looks the same to who
        # sends it much, as commands do.
        "tcp_user_timeout": (COMMAND_SECONDS if patient else BUSY_SECONDS) * 1000,
        "options": f"-c lock_timeout={BUSY_SECONDS * 1000}"
        + ("" if patient else f" -c statement_timeout={int(STATEMENT_SECONDS * 1000)}"),
    }
    options = f"{url.query.get('options', ours['options'])} {OPENLY}"
    return {name: value for name, value in ours.items() if name not in url.query} | {"options": options}


def _prepare_connection(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None  # transactions are begun below, not by the driver
    for pragma in (
        f"busy_timeout = {BUSY_SECONDS * 1000}",
        "foreign_keys = ON",
        # Under WAL the default NORMAL may lose the last commits when power fails; an answer once given must stay.
        "synchronous = FULL",
        # What is deleted is overwritten with zeros; the default depends on how SQLite was built.
        "secure_delete = ON",
    ):
        connection.execute(f"PRAGMA {pragma}")


def _prepare_passing(connection: sqlite3.Connection, _record: object) -> None:
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout = {PASSING_MS}")
    # No wait for the disk, so that the write lock is held for a moment only; the next commit of others brings it there.
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute("PRAGMA secure_delete = ON")


def reader_beside(engine: Engine) -> Engine:
    """Return an engine over the same connections whose transactions may not write, on SQLite."""
    reader = engine.execution_options()
    if reader.dialect.name == "sqlite":
        _begins(reader, "BEGIN", query_only="ON")
    return reader


def _begins(engine: Engine, statement: str, query_only: str) -> None:
    """Let an engine's transactions on SQLite begin with a statement, in a connection that may write or not."""

    def begin(pooled: PoolProxiedConnection) -> None:
        connection: Any = pooled.driver_connection
        if pooled.info.get("query_only") != query_only:
            connection.execute(f"PRAGMA query_only = {query_only}")
            pooled.info["query_only"] = query_only
        connection.execute(statement)

    # Not by the event 'begin', which is SQLAlchemy's recipe: with any event of an engine every statement asks for all of them.
    kind, known = type(engine.dialect), engine.dialect.__dict__
    own = {"do_begin": staticmethod(begin), "supports_statement_cache": True}
    dialect: Any = object.__new__(type(kind.__name__, (kind,), own))
    dialect.__dict__ = known  # what is found out of SQLite with the first connection is known to all of them
    engine.dialect = dialect
