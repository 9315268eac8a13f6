"""What a person asks for behind their links: the link itself, the mail that lets them erase, and what ratings may be used for."""

import datetime as dt

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.errors import ConflictError, NotFoundError
from service.core.language import _, spoken
from service.form import drafts
from service.mail import address_keys, mailboxes, outbox
from service.mail.addresses import greeting_name
from service.mail.mail_service import MailService
from service.mail.outbox import To
from service.players import data_links, overview, persons
from service.players.data_links import Opened
from service.players.overview import Overview
from service.players.persons import Person
from service.privacy import privacy_mails
from service.privacy.erasure import would_erase
from service.tables import Player


def send_link(
    session: Session, mail_service: MailService, dealer: str | None, email: str, now: dt.datetime, *, client: str | None
) -> None:
    """Mail the link to all that is kept under an address, where anything is, and tell no asker; ``client``: a stranger's network address."""
    person = persons.of_address(session, dealer, email)
    if person is not None:
        mail_link(session, mail_service, person, now, client=client)


def mail_link(
    session: Session, mail_service: MailService, person: Person, now: dt.datetime, *, client: str | None
) -> None:
    """Mail a person the link to their data, so many times a day and no more, and so many asked for by one client."""
    path = data_links.of_person(session, mail_service.signer, person, now)
    recipient = _to(person)
    if not path or not person.email or outbox.too_many(session, "data_link", recipient):
        return
    if mailboxes.may_ask(session, client):
        privacy_mails.send_data_link(session, recipient, greeting_name(person.name), path, _about(session, person, now))


def mail_erasure(session: Session, mail_service: MailService, opened: Opened, now: dt.datetime) -> str | None:
    """Mail the link that erases what a link opens, or return its path where there is no address; `ConflictError`: not now, or asked too often."""
    person = opened.person
    would_erase(session, person)
    confirm(session, opened, now)
    path = data_links.to_erase(session, mail_service.signer, opened, now)
    if not person.email:
        return path
    recipient = _to(person)
    if outbox.too_many(session, "erasure_link", recipient):
        raise ConflictError(
            _("This mail was sent several times today; look for it among the unwanted ones, or wait a day.")
        )
    privacy_mails.send_erasure_link(session, recipient, greeting_name(person.name), path, _about(session, person, now))
    return None


def confirm(session: Session, opened: Opened, now: dt.datetime) -> None:
    """Take an address as confirmed: whoever presses a button behind a link that came by mail reads that mailbox."""
    if opened.person.email and opened.kind != data_links.ANSWER:
        mailboxes.confirm(session, *mailboxes.names(session, opened.person.email), now)


def may_help(session: Session, person: Person) -> bool | None:
    """Return whether all of a person's ratings may help to advise others; None where there are no players of theirs."""
    said = session.scalars(select(Player.in_model).where(Player.id.in_(person.players))).all()
    return all(said) if said else None


def say(session: Session, user: int | None, person: Person, now: dt.datetime, *, may_help: bool) -> None:
    """Note whether a person's ratings may help to advise others; the next fit goes by it."""
    changed = update(Player).where(Player.id.in_(person.players)).values(in_model=may_help, asked_at=now)
    session.execute(changed.execution_options(synchronize_session=False))
    did = audit_events.RATINGS_MAY_HELP if may_help else audit_events.RATINGS_MAY_NOT_HELP
    audit.record(session, user, did, "person", dealer=person.dealer, players=len(person.players))


def played(session: Session, person: Person) -> tuple[tuple[str, Overview], ...]:
    """Return what the person made of bows here, under each player that they are."""
    if person.dealer is None:
        return ()
    stand = overview.stand(session, person.dealer, person.players)
    found = [(key, overview.of_player(session, person.dealer, player, revealed=True)) for player, key in stand]
    return tuple((key, each) for key, each in found if each.bows or each.withheld or each.blind)


def begin(session: Session, person: Person, key: str) -> drafts.Draft:
    """Begin a questionnaire for one of the players that a person is; raises `NotFoundError` for any other."""
    stand = overview.stand(session, person.dealer, person.players) if person.dealer is not None else ()
    player = next((each for each, owner in stand if owner == key), None)
    if player is None or person.dealer is None:
        raise NotFoundError
    return drafts.begin_for(session, person.dealer, player, key)


def _to(person: Person) -> To:
    player = person.players[0] if person.players else None
    enquiry = person.enquiries[0] if person.enquiries else None
    return To(person.email or "", person.language or spoken(), person.dealer, player, enquiry)


def _about(session: Session, person: Person, now: dt.datetime) -> str:
    """Return what makes two askings of one minute one mail."""
    return f"{address_keys.of(session).digest(person.email or '')[:16]}:{person.dealer or ''}:{now:%Y%m%d%H%M}"
