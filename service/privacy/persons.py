"""Whose data it is: one person is all enquiries and players of one dealer that share an address."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, func, or_, select
from sqlalchemy.orm import Session

from service.errors import NotHere
from service.tables import Contact, Enquiry, Player
from service.trials import players


@dataclass(frozen=True, slots=True)
class Person:
    """One person, as one dealer knows them.

    Attributes
    ----------
    dealer : slug; None where the enquiry was made of nobody in particular.
    email : None where none is known: then the one enquiry or player it was found by, and what belongs to it, is all.
    """

    dealer: str | None
    email: str | None
    name: str | None
    language: str | None
    enquiries: tuple[str, ...]
    players: tuple[int, ...]


def of_enquiry(session: Session, enquiry: str) -> Person:
    """Return whose enquiry it is; raises `NotHere`."""
    row = session.get(Enquiry, enquiry)
    if row is None:
        raise NotHere
    contact = row.contact or {}
    found = [row.player] if row.player is not None else []
    return _person(session, row.dealer, contact.get("email"), contact.get("name"), row.language, [row.id], found)


def of_player(session: Session, dealer: str, key: str) -> Person:
    """Return who a dealer's player is; raises `NotHere`."""
    player = players.known(session, dealer, key)
    contact = session.get(Contact, player.id)
    if contact is None or contact.dealer != dealer:
        return _person(session, dealer, None, None, None, [], [player.id])
    return _person(session, dealer, contact.email, contact.name, contact.language, [], [player.id])


def _person(
    session: Session,
    dealer: str | None,
    email: str | None,
    name: str | None,
    language: str | None,
    enquiries: Sequence[str],
    found: Sequence[int],
) -> Person:
    theirs = _players(session, dealer, email, found)
    return Person(dealer, email, name, language, _enquiries(session, dealer, email, enquiries, theirs), theirs)


def _players(session: Session, dealer: str | None, email: str | None, found: Sequence[int]) -> tuple[int, ...]:
    if not email or dealer is None:
        return tuple(sorted(found))
    same = select(Contact.player).where(Contact.dealer == dealer, func.lower(Contact.email) == email.lower())
    return tuple(sorted({*found, *session.scalars(same)}))


def _enquiries(
    session: Session, dealer: str | None, email: str | None, found: Sequence[str], theirs: Sequence[int]
) -> tuple[str, ...]:
    here = Enquiry.dealer == dealer if dealer is not None else Enquiry.dealer.is_(None)
    conditions: list[ColumnElement[bool]] = [Enquiry.id.in_(found), Enquiry.player.in_(theirs)]
    if email:
        conditions.append(here & (func.lower(Enquiry.contact["email"].as_string()) == email.lower()))
    return tuple(session.scalars(select(Enquiry.id).where(or_(*conditions)).order_by(Enquiry.created_at, Enquiry.id)))


def key_of(session: Session, player: int) -> str:
    """Return a player's key."""
    return session.scalars(select(Player.key).where(Player.id == player)).one()
