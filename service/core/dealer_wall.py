"""The second wall between dealers: who acts for one is shown no row of another by PostgreSQL itself, whatever a statement forgets.

A setting of the transaction says whose rows there are, and policies of the tables read it (PostgreSQL's manual, 5.8, 'Row
Security Policies'). Every connection begins `OPEN`, which is said in words: where the setting is missing there are no rows. On
SQLite all of this does nothing.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from sqlalchemy import Connection, event
from sqlalchemy.orm import Session, SessionTransaction

SETTING = "bows.dealer"
OPEN = "*"
"""Every dealer's rows, and nobody's: no slug has this sign."""
OPENLY = f"-c {SETTING}={OPEN}"
"""What a connection of ours begins with (libpq's `options`)."""
_stands: ContextVar[str] = ContextVar("dealer_wall", default=OPEN)
_SET = f"SELECT set_config('{SETTING}', %s, true)"


def stand(dealer: str) -> None:
    """Let what this request asks of the database from now on be about one dealer's rows, in every transaction that it begins."""
    _stands.set(dealer)


@contextmanager
def within(session: Session, dealer: str) -> Iterator[None]:
    """Show a session one dealer's rows meanwhile, in the transaction that it is in."""
    if session.get_bind().dialect.name != "postgresql":
        yield
        return
    before = session.info.get(SETTING, _stands.get())
    if before == dealer:  # it stands there already, and to say so again is a statement each
        yield
        return
    session.flush()
    connection = session.connection()
    _set(session, connection, dealer)
    try:
        yield
        session.flush()
    finally:
        _set_back(session, connection, before)


@contextmanager
def lifted(session: Session) -> Iterator[None]:
    """Show a session every dealer's rows meanwhile, for what is asked of all of them by its nature."""
    with within(session, OPEN):
        yield


def _set(session: Session, connection: Connection, dealer: str) -> None:
    session.info[SETTING] = dealer
    connection.exec_driver_sql(_SET, (dealer,))


def _set_back(session: Session, connection: Connection, dealer: str) -> None:
    """Set the wall as it stood, after an error too, and put none of its own in that one's place."""
    if connection.closed:  # the transaction has ended, and its setting with it
        return
    session.info[SETTING] = dealer
    # A transaction that failed takes no more statements, and is itself set back to before this one's; a connection may be gone.
    driver: Any = None if connection.invalidated else connection.connection.driver_connection
    if driver is not None and driver.info.transaction_status.name == "INTRANS":
        _set(session, connection, dealer)


@event.listens_for(Session, "after_begin")
def _begin(session: Session, transaction: SessionTransaction, connection: Connection) -> None:
    if connection.dialect.name != "postgresql" or transaction.nested:
        return
    session.info.pop(SETTING, None)
    dealer = _stands.get()
    if dealer != OPEN:
        connection.exec_driver_sql(_SET, (dealer,))
