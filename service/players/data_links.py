"""The links to one's own data, and those that erase it: all they need stands in them, signed.

A link that came by mail opens all that is kept under the address it was sent to, and only while that is the person's address.
The link on an answer's page, which may have been shown to others, opens no more than that answer. Each ends: a mailbox may be
another's one day, and mails are forwarded.
"""

import base64
import binascii
import datetime as dt
from dataclasses import dataclass
from urllib.parse import quote

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.core.errors import NotFoundError, existing
from service.core.signed_links import Signer
from service.mail import addresses
from service.players import persons
from service.players.persons import Person
from service.tables import Contact, OutboxItem, Player

DATA, ERASE = "data", "erase"
"""What links are signed for."""
ENQUIRY, PLAYER, ANSWER = "enquiry", "player", "answer"
"""How a link names a person: by an enquiry or a player, as mailed; by one answer, as its page shows it."""
LIFE = dt.timedelta(hours=48)
"""How long a link that erases is good."""
DATA_LIFE = dt.timedelta(days=180)
"""How long a link that shows is good: well beyond the last mail that comes by itself, six weeks after a bow was kept. Every
mail brings a new one, and one that is over sends a new one to the address at the press of a button."""
ENDLESS_UNTIL = dt.datetime(2027, 6, 1, tzinfo=dt.UTC)
"""When links end that were made before they said when: half a year after the last of them."""
_NOBODY = "none"


@dataclass(frozen=True, slots=True)
class Opened:
    """What a link opens."""

    kind: str  # one of `ENQUIRY`, `PLAYER`, `ANSWER`
    ident: str  # the enquiry's id or the player's key
    person: Person
    until: dt.datetime  # when the link ends

    @property
    def whole(self) -> bool:
        """Say whether it opens all that is kept: it came by mail, or there is no address that it could come to."""
        return self.kind != ANSWER or not (self.person.email or self.person.players)

    def is_over(self, now: dt.datetime) -> bool:
        """Say whether its time is over."""
        return self.until <= now


def in_mail(session: Session, signer: Signer, row: OutboxItem, now: dt.datetime) -> dict[str, str | None]:
    """Return the path to their data for the reader of a mail to a player; None where it is known of nobody."""
    return {"own_data": _of_mail(session, signer, row, now)}


def _of_mail(session: Session, signer: Signer, row: OutboxItem, now: dt.datetime) -> str | None:
    if row.player is not None:
        key = session.scalar(select(Player.key).where(Player.id == row.player))
        return _data(signer, PLAYER, key, row.address, now) if key else None
    return _data(signer, ENQUIRY, row.enquiry, row.address, now) if row.enquiry else None


def of_person(session: Session, signer: Signer, person: Person, now: dt.datetime) -> str | None:
    """Return the path to a person's data, to be mailed to their address; None where none is known."""
    named = _named(session, person)
    return _data(signer, *named, person.email, now) if named and person.email else None


def of_answer(signer: Signer, enquiry: str, now: dt.datetime) -> str:
    """Return the path for an answer's own page."""
    return _data(signer, ANSWER, enquiry, None, now)


def to_erase(session: Session, signer: Signer, opened: Opened, now: dt.datetime) -> str:
    """Return the path that erases what a link opens, good for two days."""
    person = opened.person
    kind, ident = (_named(session, person) if person.email else None) or (opened.kind, opened.ident)
    return f"/erase/{signer.make(ERASE, _about(signer, kind, ident, person.email, now + LIFE))}"


def read(session: Session, signer: Signer, purpose: str, token: str) -> Opened:
    """Return what a link opens; raises `NotFoundError` where it was not made here, or what it led to is gone or another's."""
    subject = signer.read(purpose, token)
    kind, coded, mark, expiry = [*(subject or "").split("."), "", "", ""][:4]
    ident = _decoded(coded)
    person = _found(session, kind, ident)
    if kind != ANSWER and mark not in marks(signer, person.email):
        raise NotFoundError
    return Opened(kind, ident, person, dt.datetime.fromtimestamp(int(expiry), dt.UTC) if expiry else ENDLESS_UNTIL)


def _found(session: Session, kind: str, ident: str) -> Person:
    if kind == PLAYER:
        asked = select(Contact.dealer).join(Player, Player.id == Contact.player).where(Player.key == ident)
        dealer = existing(session.scalar(asked))
        return persons.of_player(session, dealer, ident)
    return persons.of_enquiry(session, ident)


def _named(session: Session, person: Person) -> tuple[str, str] | None:
    """Return how a link names a person who has an address."""
    same = func.lower(Contact.email) == (person.email or "").lower()
    their_contact = Player.id.in_(person.players) & (Contact.dealer == person.dealer)
    of_theirs = select(Player.key).join(Contact, Contact.player == Player.id).where(their_contact, same)
    key = session.scalar(of_theirs.order_by(Player.id).limit(1))
    if key is not None:
        return PLAYER, key
    return next(((ENQUIRY, each) for each in person.enquiries if _is_of(session, each, person)), None)


def _is_of(session: Session, enquiry: str, person: Person) -> bool:
    email = persons.of_enquiry(session, enquiry).email
    return (email or "").lower() == (person.email or "").lower()


def _data(signer: Signer, kind: str, ident: str, email: str | None, now: dt.datetime) -> str:
    # To the day: a page that is shown twice is the same page.
    expiry = (now + DATA_LIFE).astimezone(dt.UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    return f"/data/{signer.make(DATA, _about(signer, kind, ident, email, expiry))}"


def _about(signer: Signer, kind: str, ident: str, email: str | None, until: dt.datetime) -> str:
    coded = base64.urlsafe_b64encode(ident.encode()).decode().rstrip("=")
    return f"{kind}.{coded}.{marks(signer, email)[0]}.{int(until.timestamp())}"


def marks(signer: Signer, email: str | None) -> list[str]:
    """Return what tells one address from another without being one: as links are made now, and as older ones were."""
    return [addresses.digest(key, email)[:16] if email else _NOBODY for key in (signer.secret, *signer.older)]


def _decoded(coded: str) -> str:
    try:
        return base64.urlsafe_b64decode(coded + "=" * (-len(coded) % 4)).decode()
    except (binascii.Error, UnicodeDecodeError):
        raise NotFoundError from None


def privacy_path(dealer: str | None) -> str:
    """Return where it stands what is kept, why and how long."""
    return f"/privacy?dealer={quote(dealer, safe='')}" if dealer else "/privacy"
