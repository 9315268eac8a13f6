"""One dealer's rows among all, to be handed over whole or erased whole.

A row is a dealer's where it names the dealer, or hangs on one that does: a run on its trial, a sign-in on its account. What is
nobody's own stays out of both: the range that all share, and what the service keeps for itself. People are erased where no
row of another dealer is about them. A bow that another dealer's trial has played stays, and is nobody's from then on.
"""

from collections.abc import Iterator
from typing import Any

from sqlalchemy import Column, ColumnElement, Table, delete, false, func, null, or_, select, update
from sqlalchemy.orm import Session

from service import tables
from service.core import files_coming
from service.core.database import Database
from service.core.errors import ConflictError
from service.tables import Base

TABLES: tuple[Table, ...] = tuple(Base.metadata.sorted_tables)
SHARED = frozenset({"address_keys", "range_state", "tiers", "tier_characters"})
"""What every dealer's rows need beside them, and what is no dealer's own."""
OF_NOBODY = frozenset(
    {
        *("confirmed_addresses", "drafts", "duties", "first_mails", "load_steps", "mail_counts"),
        *("model_versions", "sign_in_tries", "spendings"),
    }
)
"""What the service keeps for itself: a model is made of all dealers' trials and goes with none of them."""
HANGS_ON = ("trial", "user", "copy", "head_to_head", "key")
"""The columns by which a row that names no dealer hangs on another, the first of them that there is."""
PEOPLE, BOWS = Base.metadata.tables["players"], Base.metadata.tables["copies"]


def belongs(table: Table, dealer: str) -> ColumnElement[bool]:
    """Return the condition that a row of a table is a dealer's own; nothing of what is shared, or nobody's, is."""
    if table.name in SHARED | OF_NOBODY or table is PEOPLE:
        return false()
    if table.name == "dealers":
        return table.c.slug == dealer
    if "dealer" in table.c and table.name != "staff_sessions":
        return table.c.dealer == dealer
    column = next(table.c[name] for name in HANGS_ON if name in table.c and table.c[name].foreign_keys)
    target = _target(column)
    return column.in_(select(target).where(belongs(target.table, dealer)))


def _is_others(table: Table, dealer: str) -> ColumnElement[bool]:
    """Return the condition that a row is not the dealer's: another's, or nobody's."""
    return func.coalesce(belongs(table, dealer), false()).is_(False)


def known(session: Session, dealer: str) -> None:
    """Raise `ConflictError` where there is no such dealer."""
    if session.get(tables.Dealer, dealer) is None:
        raise ConflictError(f"There is no dealer {dealer}; `dealers list` names those that there are.")


def counts(session: Session, dealer: str) -> dict[str, int]:
    """Return how many rows of each table are a dealer's own, by the table's name; raises `ConflictError` for an unknown dealer."""
    known(session, dealer)
    found = {
        table.name: session.scalars(select(func.count()).select_from(table).where(belongs(table, dealer))).one()
        for table in TABLES
    }
    return {name: count for name, count in found.items() if count}


def keep_only(copy: Database, dealer: str) -> None:
    """Take all that is not a dealer's own or shared out of an SQLite copy, its free pages included; `ConflictError`: there is no such dealer."""
    with copy.writing() as session:
        session.connection().exec_driver_sql(
            "PRAGMA defer_foreign_keys = ON"
        )  # until the commit, by when all fits again
        known(session, dealer)
        for table in reversed(TABLES):
            if table is not PEOPLE and table is not BOWS and table.name not in SHARED:
                session.execute(delete(table).where(_is_others(table, dealer)))
        for table, column in _references():
            if table is not BOWS and _target(column).table is not PEOPLE:
                _cut(session, column, column.not_in(select(_target(column))))
        others = _is_others(BOWS, dealer)
        session.execute(delete(BOWS).where(others, *_referred_to_by_nobody(BOWS)))
        session.execute(update(BOWS).where(others).values(dealer=None, status=None))
        session.execute(delete(PEOPLE).where(*_referred_to_by_nobody(PEOPLE)))


def erase(session: Session, dealer: str) -> dict[str, int]:
    """Erase all that is a dealer's own, the log apart; return how many rows of each table went, as `counts`; `ConflictError`: no such dealer."""
    files_coming.wait_for(session)  # what it brings may be of this dealer
    went = counts(session, dealer)
    people = _people(session, dealer)
    _let_go(session, dealer)
    for table in reversed(TABLES):
        if table.name in went:
            _delete(session, table, belongs(table, dealer))
    for start in range(0, len(people), 500):
        some = PEOPLE.c.id.in_(people[start : start + 500])
        alone = session.scalars(select(PEOPLE.c.id).where(some, *_referred_to_by_nobody(PEOPLE))).all()
        _delete(session, PEOPLE, PEOPLE.c.id.in_(alone))
        went["players"] = went.get("players", 0) + len(alone)
    return went


def _let_go(session: Session, dealer: str) -> None:
    """Cut what rows of others hold of this dealer's: its bows become nobody's, its accounts' names are taken off."""
    held = [
        select(column).where(column.is_not(None), _is_others(table, dealer))
        for table, column in _references(BOWS)
        if table.name not in ("bench_readings", "events")
    ]
    bows = or_(*(BOWS.c.serial.in_(each) for each in held))
    session.execute(update(tables.Copy).where(BOWS.c.dealer == dealer, bows).values(dealer=None, status=None))
    accounts = Base.metadata.tables["users"]
    theirs = select(accounts.c.id).where(belongs(accounts, dealer))
    for table, column in _references(accounts):
        _cut(session, column, column.in_(theirs) & _is_others(table, dealer))


def _cut(session: Session, column: Column[Any], which: ColumnElement[bool]) -> None:
    """Take off what a column refers to, with its row where it cannot stand without."""
    if column.nullable:
        session.execute(update(column.table).where(which, column.is_not(None)).values({column.name: null()}))
    else:
        session.execute(delete(column.table).where(which))


def _people(session: Session, dealer: str) -> list[int]:
    """Return whom the dealer's rows are about."""
    found = set[int]()
    for table, column in _references(PEOPLE):
        found |= set(session.scalars(select(column).where(column.is_not(None), belongs(table, dealer))))
    return sorted(found)


def _delete(session: Session, table: Table, which: ColumnElement[bool]) -> None:
    """Delete rows by their class, so that the range is marked as changed where it is."""
    session.execute(delete(_class_of(table)).where(which).execution_options(synchronize_session=False))


def _class_of(table: Table) -> type[Base]:
    return next(mapper.class_ for mapper in Base.registry.mappers if mapper.local_table is table)


def _references(to: Table | None = None) -> Iterator[tuple[Table, Column[Any]]]:
    """Yield every column that refers to a row of another table, of ``to`` where one is named."""
    for table in TABLES:
        for column in table.columns:
            if column.foreign_keys and (to is None or _target(column).table is to):
                yield table, column


def _referred_to_by_nobody(table: Table) -> Iterator[ColumnElement[bool]]:
    """Yield a condition for each column that may refer to a row of a table: that it does not."""
    for _table, column in _references(table):
        yield _target(column).not_in(select(column).where(column.is_not(None)))


def _target(column: ColumnElement[Any]) -> Column[Any]:
    (key,) = column.foreign_keys
    target: Column[Any] = key.column
    return target
