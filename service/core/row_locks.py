"""Rows held until the transaction ends, in one order, so that none wait in a ring."""

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from service import tables
from service.core.errors import ConflictError, existing
from service.core.language import _


def lock_dealer(session: Session, dealer: str) -> tables.Dealer:
    """Return the dealer's row, held until the transaction ends: one change of trials at a time at one dealer."""
    # On SQLite a writing transaction holds the whole database already. The lock lets others refer to the row
    # meanwhile.
    return existing(
        session.scalars(
            select(tables.Dealer).where(tables.Dealer.slug == dealer).with_for_update(key_share=True)
        ).one_or_none()
    )


def lock_copies(session: Session, serials: Iterable[str]) -> dict[str, tables.Copy]:
    """Return copies by serial, as they are now, held until the transaction ends; in one order, so that none wait in a ring."""
    statement = (
        select(tables.Copy)
        .where(tables.Copy.serial.in_(sorted(serials)))
        .order_by(tables.Copy.serial)
        .with_for_update(key_share=True)
        .execution_options(populate_existing=True)
    )
    return {row.serial: row for row in session.scalars(statement)}


def require_unchanged(was: str, seen: str) -> None:
    """Raise `ConflictError` where what stands, ``was``, is not what was ``seen`` when its form was opened."""
    if was.split() != seen.split():  # browsers send other line ends than were stored
        raise ConflictError(
            _(
                "Somebody else has changed this since you opened the page. What you typed stands below and is not kept yet: "
                "look at it once more, and keep it again if it is to count."
            )
        )
