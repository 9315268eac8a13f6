"""The links to one's own data, and those that erase it: all they need stands in them, signed.

A link that came by mail opens all that is kept under the address it was sent to, and only while that is the person's address.
The link on an answer's page, which may have been shown to others, opens no more than that answer.
"""

import base64
import binascii
import datetime as dt
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.access.links import Signer
from service.errors import NotHere
from service.mail import addresses
from service.privacy import persons
from service.privacy.persons import Person
from service.tables import Contact, OutboxItem, Player

DATA, ERASE = "data", "erase"
"""What links are signed for."""
ENQUIRY, PLAYER, ANSWER = "enquiry", "player", "answer"
"""How a link names a person: by an enquiry or a player, as mailed; by one answer, as its page shows it."""
LIFE = dt.timedelta(hours=48)
"""How long a link that erases is good."""
_NOBODY = "none"


@dataclass(frozen=True, slots=True)
class Opened:
    """What a link opens.

    Attributes
    ----------
    kind : one of `ENQUIRY`, `PLAYER`, `ANSWER`.
    ident : the enquiry's id or the player's key.
    until : when a link that erases ends; None for one that shows.
    """

    kind: str
    ident: str
    person: Person
    until: dt.datetime | None = None

    @property
    def whole(self) -> bool:
        """Say whether it opens all that is kept: it came by mail, or there is no address that it could come to."""
        return self.kind != ANSWER or not (self.person.email or self.person.players)

    def is_over(self, now: dt.datetime) -> bool:
        """Say whether its time is over."""
        return self.until is not None and self.until <= now


def of_mail(session: Session, signer: Signer, row: OutboxItem) -> str | None:
    """Return the path to their data for the reader of a mail to a player; None where it is known of nobody."""
    if row.player is not None:
        key = session.scalar(select(Player.key).where(Player.id == row.player))
        return _data(signer, PLAYER, key, row.address) if key else None
    return _data(signer, ENQUIRY, row.enquiry, row.address) if row.enquiry else None


def of_person(session: Session, signer: Signer, person: Person) -> str | None:
    """Return the path to a person's data, to be mailed to their address; None where none is known."""
    named = _named(session, person)
    return _data(signer, *named, person.email) if named and person.email else None


def of_answer(signer: Signer, enquiry: str) -> str:
    """Return the path for an answer's own page."""
    return _data(signer, ANSWER, enquiry, None)


def to_erase(session: Session, signer: Signer, opened: Opened, now: dt.datetime) -> str:
    """Return the path that erases what a link opens, good for two days."""
    person = opened.person
    kind, ident = (_named(session, person) if person.email else None) or (opened.kind, opened.ident)
    until = str(int((now + LIFE).timestamp()))
    return f"/erase/{signer.make(ERASE, f'{_about(signer, kind, ident, person.email)}.{until}')}"


def read(session: Session, signer: Signer, purpose: str, token: str) -> Opened:
    """Return what a link opens; raises `NotHere` where it was not made here, or what it led to is gone or another's."""
    about = signer.read(purpose, token)
    kind, coded, mark, *rest = [*(about or "").split("."), "", ""][: 4 if purpose == ERASE else 3]
    ident = _decoded(coded)
    person = _found(session, kind, ident)
    if kind != ANSWER and mark != _mark(signer, person.email):
        raise NotHere
    until = dt.datetime.fromtimestamp(int(rest[0]), dt.UTC) if rest else None
    return Opened(kind, ident, person, until)


def _found(session: Session, kind: str, ident: str) -> Person:
    if kind == PLAYER:
        asked = select(Contact.dealer).join(Player, Player.id == Contact.player).where(Player.key == ident)
        dealer = session.scalar(asked)
        if dealer is None:
            raise NotHere
        return persons.of_player(session, dealer, ident)
    return persons.of_enquiry(session, ident)


def _named(session: Session, person: Person) -> tuple[str, str] | None:
    """Return how a link names a person who has an address."""
    same = func.lower(Contact.email) == (person.email or "").lower()
    of_theirs = select(Player.key).join(Contact, Contact.player == Player.id).where(Player.id.in_(person.players), same)
    key = session.scalar(of_theirs.order_by(Player.id).limit(1))
    if key is not None:
        return PLAYER, key
    return next(((ENQUIRY, each) for each in person.enquiries if _is_of(session, each, person)), None)


def _is_of(session: Session, enquiry: str, person: Person) -> bool:
    email = persons.of_enquiry(session, enquiry).email
    return (email or "").lower() == (person.email or "").lower()


def _data(signer: Signer, kind: str, ident: str, email: str | None) -> str:
    return f"/data/{signer.make(DATA, _about(signer, kind, ident, email))}"


def _about(signer: Signer, kind: str, ident: str, email: str | None) -> str:
    coded = base64.urlsafe_b64encode(ident.encode()).decode().rstrip("=")
    return f"{kind}.{coded}.{_mark(signer, email)}"


def _mark(signer: Signer, email: str | None) -> str:
    """Return what tells one address from another without being one."""
    return addresses.digest(signer.secret, email)[:16] if email else _NOBODY


def _decoded(coded: str) -> str:
    try:
        return base64.urlsafe_b64decode(coded + "=" * (-len(coded) % 4)).decode()
    except (binascii.Error, UnicodeDecodeError):
        raise NotHere from None
