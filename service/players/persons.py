"""Whose data it is: one person is all enquiries and players of one dealer that share an address, or that its staff joined.

The address is the one that the person's mail goes to, and no other: what a joined player typed as theirs may be a stranger's, and
leads nowhere.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import ColumnElement, and_, func, or_, select
from sqlalchemy.orm import Session

from service.core.errors import existing
from service.players import enquiry_access, player_keys, same_person
from service.tables import Contact, Dealer, Draft, Enquiry, OutboxItem, Player


@dataclass(frozen=True, slots=True)
class Person:
    """One person, as one dealer knows them.

    ``email``: None where none is known: then the one enquiry or player it was found by, and what belongs to it, is all.
    ``addresses``: under which they are known, the one above first; nobody is found by the others, which may be a stranger's.
    """

    dealer: str | None  # slug; None where the enquiry was made of nobody in particular, and there are several dealers
    email: str | None
    names: tuple[str, ...]  # under which they are known, each once; more than one where several share an address
    language: str | None
    enquiries: tuple[str, ...]
    players: tuple[int, ...]
    drafts: tuple[str, ...]  # questionnaires on their way that hold the address, or became one of the enquiries
    addresses: tuple[str, ...] = ()

    @property
    def name(self) -> str | None:
        """The first of the names."""
        return next(iter(self.names), None)


def of_enquiry(session: Session, enquiry: str) -> Person:
    """Return whose enquiry it is; raises `NotFoundError`."""
    row = existing(session.get(Enquiry, enquiry))
    contact = row.contact or {}
    found = [row.player] if row.player is not None else []
    return _person(session, _whose(session, row.dealer), contact.get("email"), row.language, [row.id], found)


def of_player(session: Session, dealer: str, key: str) -> Person:
    """Return who a dealer's player is; raises `NotFoundError`."""
    player = player_keys.of_key(session, dealer, key)
    whole = [player.id, *same_person.everybody(session, dealer, [player.id])]
    known = (session.get(Contact, each) for each in whole)
    contact = next((each for each in known if each is not None and each.dealer == dealer and each.email), None)
    contact = contact or session.get(Contact, player.id)
    if contact is None or contact.dealer != dealer:
        return _person(session, dealer, None, None, [], [player.id])
    return _person(session, dealer, contact.email, contact.language, [], [player.id])


def of_address(session: Session, dealer: str | None, email: str) -> Person | None:
    """Return who is known under an address, None where nobody is."""
    person = _person(session, _whose(session, dealer), email, None, [], [])
    return person if person.enquiries or person.players else None


def _whose(session: Session, dealer: str | None) -> str | None:
    """Return the dealer; the only one there is stands in where none was named."""
    if dealer is not None:
        return dealer
    slugs = session.scalars(select(Dealer.slug).limit(2)).all()
    return slugs[0] if len(slugs) == 1 else None


def _person(
    session: Session,
    dealer: str | None,
    email: str | None,
    language: str | None,
    enquiries: Sequence[str],
    players: Sequence[int],
) -> Person:
    theirs = _players(session, dealer, email, players)
    conditions: list[ColumnElement[bool]] = [Enquiry.id.in_(enquiries), Enquiry.player.in_(theirs)]
    if email:
        same_dealer = enquiry_access.of_dealer(dealer) if dealer is not None else Enquiry.dealer.is_(None)
        given = func.lower(Enquiry.contact["email"].as_string()) == email.lower()
        conditions.append(and_(same_dealer, given))
    asked = tuple(session.scalars(select(Enquiry.id).where(or_(*conditions)).order_by(Enquiry.created_at, Enquiry.id)))
    names = (" ".join(name.split()) for name in _told(session, dealer, asked, theirs, "name"))
    found = (email, *_told(session, dealer, asked, theirs, "email"))
    return Person(
        dealer=dealer,
        email=email,
        names=tuple(dict.fromkeys(names)),
        language=language,
        enquiries=asked,
        players=theirs,
        drafts=_drafts(session, dealer, email, asked, theirs),
        addresses=tuple({each.lower(): each for each in reversed(found) if each}.values())[::-1],
    )


def _players(session: Session, dealer: str | None, email: str | None, found: Sequence[int]) -> tuple[int, ...]:
    """Return the players that these are and those of the address, with everybody that staff joined them to."""
    theirs = set(found)
    if dealer is None:
        return tuple(sorted(theirs))
    if email:
        of_address = select(Contact.player).where(Contact.dealer == dealer, func.lower(Contact.email) == email.lower())
        theirs |= set(session.scalars(of_address))
    return same_person.everybody(session, dealer, theirs)


def _told(session: Session, dealer: str | None, asked: Sequence[str], theirs: Sequence[int], name: str) -> list[str]:
    """Return what was told under a name, 'name' or 'email', with contacts and with enquiries."""
    of_person = Contact.player.in_(theirs) & (Contact.dealer == dealer)
    known = session.scalars(select(getattr(Contact, name)).where(of_person).order_by(Contact.player)).all()
    given = session.scalars(select(Enquiry.contact).where(Enquiry.id.in_(asked)).order_by(Enquiry.created_at))
    return [each for each in (*known, *((contact or {}).get(name) for contact in given)) if each]


def _drafts(
    session: Session, dealer: str | None, email: str | None, enquiries: Sequence[str], theirs: Sequence[int]
) -> tuple[str, ...]:
    """Return the drafts of an address at a dealer, of one of the enquiries, or of one of the players."""
    kept = Draft.answers
    keys = select(Player.key).where(Player.id.in_(theirs))
    conditions: list[ColumnElement[bool]] = [
        kept["enquiry"].as_string().in_(enquiries),
        kept["player"].as_string().in_(keys),
    ]
    if email:
        slug = kept["dealer"].as_string()
        same_address = func.lower(kept[("typed", "contact", "email", 0)].as_string()) == email.lower()
        conditions.append(and_(same_address, slug.is_(None) | (slug == dealer) if dealer else slug.is_(None)))
    return tuple(session.scalars(select(Draft.id).where(or_(*conditions)).order_by(Draft.id)))


def mail_to(person: Person) -> ColumnElement[bool]:
    """Return the condition that something in the outbox goes to a person: to their address, or to another about themselves."""
    row = OutboxItem
    same_dealer = row.dealer == person.dealer if person.dealer is not None else row.dealer.is_(None)
    theirs = row.player.in_(person.players) | row.enquiry.in_(person.enquiries)
    to_person = theirs & func.lower(row.address).in_([each.lower() for each in person.addresses])
    return same_dealer & (to_person | (func.lower(row.address) == person.email.lower()) if person.email else to_person)
