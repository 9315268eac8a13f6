"""Addresses to which no more mail goes: unsubscribed by their reader, or marked at the desk because mail bounced.

Only a keyed digest of an address is kept, by dealer (`address_keys`): it outlives every change of SECRET_KEY. An unsubscribed address still gets what its reader asks for (a link to
the own data); one that bounces gets nothing.
"""

import base64
import datetime as dt
from collections.abc import Iterable

from sqlalchemy import delete, select, true
from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.language import N_
from service.core.signed_links import Signer
from service.mail import address_keys
from service.mail.mail_kinds import ObsoleteError
from service.mail.mail_service import MailService
from service.tables import ClosedAddress, Contact, Dealer, Enquiry, OutboxItem

UNSUBSCRIBE = "unsubscribe"
"""What the link that ends mails is signed for."""
UNSUBSCRIBED, BOUNCED = "unsubscribed", "bounced"


def check(session: Session, mail_service: MailService, row: OutboxItem) -> None:
    """Raise `ObsoleteError` where no mail of this kind may go to the row's address."""
    of_dealer = ClosedAddress.dealer == row.dealer if row.dealer is not None else true()
    known = ClosedAddress.digest.in_(_digests(session, mail_service, row.address))
    states = set(session.scalars(select(ClosedAddress.state).where(known, of_dealer)))
    if BOUNCED in states:
        raise ObsoleteError(N_("This address is marked as bouncing; no mail goes there."))
    if not mail_service.kinds[row.kind].agreed:
        return
    if UNSUBSCRIBED in states or not _agreed(session, row):
        raise ObsoleteError(N_("The reader wants no more mail."))


def _digests(session: Session, mail_service: MailService, address: str) -> tuple[str, ...]:
    return address_keys.of(session).digests(address, mail_service.secrets)


def _agreed(session: Session, row: OutboxItem) -> bool:
    """Say whether the consent to mail, given when it was queued, still stands."""
    if row.player is not None:
        contact = session.get(Contact, row.player)
        return contact is not None and contact.mail_consent
    enquiry = session.get(Enquiry, row.enquiry) if row.enquiry else None
    return enquiry is not None and agreed_in(enquiry)


def agreed_in(enquiry: Enquiry) -> bool:
    """Say whether an enquiry came with the consent to mail."""
    return bool(((enquiry.contact or {}).get("consent") or {}).get("mail"))


# The link that ends the mails


def path(session: Session, mail_service: MailService, row: OutboxItem) -> str:
    """Return where the mails to a row's address are ended. It works for good: all it needs stands in it, signed."""
    dealer = base64.urlsafe_b64encode((row.dealer or "").encode()).decode().rstrip("=")
    digest = address_keys.of(session).digest(row.address)
    return f"/mail/unsubscribe/{_signer(session, mail_service).make(UNSUBSCRIBE, f'{digest}.{dealer}')}"


def _signer(session: Session, mail_service: MailService) -> Signer:
    """Return what signs the links that end mails: the permanent key, since they must work whatever becomes of the others."""
    # Those of earlier versions were signed with the SECRET_KEY of the day. All that one of them can do is to end
    # mails.
    keys = address_keys.of(session)
    return Signer(keys.permanent, (*mail_service.secrets, *keys.retired))


def read(session: Session, mail_service: MailService, token: str) -> tuple[str, str | None] | None:
    """Return the digest of the address and the dealer that a link names, None for any other text."""
    subject = _signer(session, mail_service).read(UNSUBSCRIBE, token)
    if subject is None:
        return None
    digest, _dot, coded = subject.partition(".")
    return digest, base64.urlsafe_b64decode(coded + "=" * (-len(coded) % 4)).decode() or None


def unsubscribe(session: Session, mail_service: MailService, digest: str, dealer: str | None, now: dt.datetime) -> None:
    """End the mails of a dealer to an address; without a dealer those of all. What waits for it is taken back."""
    of_dealer = Dealer.slug == dealer if dealer is not None else true()
    for slug in session.scalars(select(Dealer.slug).where(of_dealer)).all():
        if session.get(ClosedAddress, (digest, slug)) is None:
            session.add(ClosedAddress(digest=digest, dealer=slug, state=UNSUBSCRIBED, at=now))
    if dealer is None:
        # Enquiries made of nobody in particular hold the consent themselves.
        for enquiry in session.scalars(select(Enquiry).where(Enquiry.dealer.is_(None), Enquiry.contact.is_not(None))):
            contact = enquiry.contact or {}
            if agreed_in(enquiry) and digest in _digests(session, mail_service, contact.get("email") or ""):
                enquiry.contact = contact | {"consent": contact["consent"] | {"mail": False}}


# What the desk does


def is_closed(session: Session, mail_service: MailService, dealer: str, address: str) -> str | None:
    """Return why no mail goes to an address, None where it does."""
    return closed(session, mail_service, [(dealer, address)]).get((dealer, address))


def closed(session: Session, mail_service: MailService, asked: Iterable[tuple[str, str]]) -> dict[tuple[str, str], str]:
    """Return why no mail goes to addresses, each of a dealer; one to which it goes is left out. One statement for all."""
    digests = {(dealer, address): _digests(session, mail_service, address) for dealer, address in asked}
    closed_address = ClosedAddress
    known = closed_address.digest.in_({digest for each in digests.values() for digest in each})
    dealers = closed_address.dealer.in_({dealer for dealer, _address in digests})
    rows = (
        session.execute(
            select(closed_address.dealer, closed_address.digest, closed_address.state).where(known, dealers)
        ).all()
        if digests
        else ()
    )
    states = {(row.dealer, row.digest): row.state for row in rows}
    found = {pair: {states.get((pair[0], digest)) for digest in each} for pair, each in digests.items()}
    return {
        pair: next(state for state in (BOUNCED, UNSUBSCRIBED) if state in said)
        for pair, said in found.items()
        if said != {None}
    }


def mark_bounced(session: Session, mail_service: MailService, user: int | None, dealer: str, address: str) -> None:
    """Note that mail to an address comes back; a repeat changes nothing."""
    digests, now = _digests(session, mail_service, address), dt.datetime.now(dt.UTC)
    known = select(ClosedAddress).where(ClosedAddress.digest.in_(digests), ClosedAddress.dealer == dealer)
    rows = session.scalars(known).all()
    for row in rows:
        row.state, row.at = BOUNCED, now
    if not rows:
        session.add(ClosedAddress(digest=digests[0], dealer=dealer, state=BOUNCED, at=now))
    audit.record(session, user, audit_events.ADDRESS_BOUNCES, f"address {digests[0][:12]}", dealer=dealer)


def reopen(session: Session, mail_service: MailService, user: int | None, dealer: str, address: str) -> bool:
    """Let mail go to an address again, its reader having agreed anew; return whether it was closed."""
    digests = _digests(session, mail_service, address)
    known = ClosedAddress.digest.in_(digests)
    gone = session.execute(delete(ClosedAddress).where(known, ClosedAddress.dealer == dealer))
    was_closed = getattr(gone, "rowcount", 0) > 0
    if was_closed:
        audit.record(session, user, audit_events.ADDRESS_OPEN, f"address {digests[0][:12]}", dealer=dealer)
    return was_closed
