"""Composed trials as one dealer may see them: its own, to be read or to be changed."""

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.errors import existing


def composed(session: Session, dealer: str, key: str) -> tuple[tables.Trial, tables.Composition]:
    """Return a composed trial of the dealer, to be read; raises `NotFoundError`."""
    return _composed(session, dealer, key, lock=False)


def claimed(session: Session, dealer: str, key: str) -> tuple[tables.Trial, tables.Composition]:
    """Return a composed trial of the dealer for this transaction alone to change; raises `NotFoundError`."""
    return _composed(session, dealer, key, lock=True)


def _composed(session: Session, dealer: str, key: str, *, lock: bool) -> tuple[tables.Trial, tables.Composition]:
    statement = (
        select(tables.Trial, tables.Composition)
        .join(tables.Composition, tables.Composition.trial == tables.Trial.id)
        .where(tables.Trial.key == key, tables.Composition.dealer == dealer)
    )
    if lock:
        statement = statement.with_for_update(of=tables.Composition, key_share=True)
        statement = statement.execution_options(populate_existing=True)
    found = existing(session.execute(statement).one_or_none())
    return found[0], found[1]
