"""Whose things a use case sees and changes: one dealer's, or every dealer's. None means neither, so nothing is open by omission."""

from dataclasses import dataclass

from sqlalchemy import ColumnElement, true
from sqlalchemy.orm import InstrumentedAttribute

Column = ColumnElement[str] | ColumnElement[str | None] | InstrumentedAttribute[str] | InstrumentedAttribute[str | None]


@dataclass(frozen=True, slots=True)
class OneDealer:
    """The things of one dealer; ``unassigned``: with those that are no dealer's yet."""

    slug: str
    unassigned: bool = False

    def covers(self, dealer: str | None) -> bool:
        """Say whether a thing of a dealer, None for nobody's, lies within."""
        return self.unassigned if dealer is None else dealer == self.slug

    def holds(self, column: Column) -> ColumnElement[bool]:
        """Return the condition that a row, whose dealer a column names, lies within."""
        return (column == self.slug) | column.is_(None) if self.unassigned else column == self.slug

    def within(self, other: "Scope") -> bool:
        """Say whether all of this lies within another scope."""
        return other.covers(self.slug) and (not self.unassigned or other.covers(None))


@dataclass(frozen=True, slots=True)
class AllDealers:
    """The things of every dealer, and those that are no dealer's."""

    @property
    def slug(self) -> None:
        """No dealer in particular: what stands on record beside what was done with this scope."""
        return

    def covers(self, dealer: str | None) -> bool:
        """Say that a thing lies within, whoever's it is."""
        del dealer
        return True

    def holds(self, column: Column) -> ColumnElement[bool]:
        """Return the condition that every row meets."""
        del column
        return true()

    def within(self, other: "Scope") -> bool:
        """Say whether another scope is as wide."""
        return isinstance(other, AllDealers)


Scope = OneDealer | AllDealers


def bound_to(dealer: str | None) -> Scope:
    """Return the scope of an account: bound to a dealer, or to none."""
    return AllDealers() if dealer is None else OneDealer(dealer)
