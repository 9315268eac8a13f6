"""Players as one dealer knows them: a key that the history knows, and who that is."""

import datetime as dt
import uuid
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Integer, func, select
from sqlalchemy.orm import Session, aliased

from service import tables
from service.core import clock_watch
from service.core.errors import existing
from service.core.moments import now
from service.players import same_person
from service.questionnaire.forms import Contact


@dataclass(frozen=True, slots=True)
class Said:
    """What a player said of whether the ratings, without a name, may help to advise others, and when."""

    yes: bool
    at: dt.datetime


def of_dealer(dealer: str) -> ColumnElement[bool]:
    """Return the condition that a player is known to a dealer: by a trial there, or by name."""
    # Aliases, so that a query which joins the same tables is not taken for their source.
    trial, contact = aliased(tables.Trial), aliased(tables.Contact)
    # A value and no EXISTS, for which PostgreSQL may go through all trials.
    tried = select(trial.id).where(trial.player == tables.Player.id, trial.dealer == dealer).limit(1)
    named = select(contact.player).where(contact.player == tables.Player.id, contact.dealer == dealer)
    either = (each.correlate(tables.Player).scalar_subquery() for each in (tried, named))
    return func.coalesce(*either, type_=Integer).is_not(None)


def known(session: Session, dealer: str, key: str) -> tables.Player:
    """Return a player of the dealer, for one who was joined to another whoever stands for both; raises `NotFoundError`."""
    found = of_key(session, dealer, key)
    return session.get_one(tables.Player, same_person.head_of(session, dealer, found.id))


def of_key(session: Session, dealer: str, key: str) -> tables.Player:
    """Return the very player of a key at the dealer; raises `NotFoundError`."""
    return existing(
        session.scalars(select(tables.Player).where(tables.Player.key == key, of_dealer(dealer))).one_or_none()
    )


def found_or_made(
    session: Session,
    dealer: str,
    key: str | None,
    contact: Contact | None,
    language: str | None,
    said: Said | None = None,
) -> tables.Player:
    """Return the player of a key, else a new one, and keep what the contact tells; raises `NotFoundError`: no player of this dealer."""
    # What is typed as a name or an address identifies nobody. Ratings enter a fit as the player last said; until
    # anything was said they do not.
    row = known(session, dealer, key) if key else tables.Player(key=str(uuid.uuid4()), in_model=False)
    if not key:
        session.add(row)
        session.flush()
    if said is not None and (row.asked_at is None or row.asked_at < said.at):
        same_person.say(session, dealer, row.id, said.at, may_help=said.yes)
        session.refresh(row)
    if contact is not None:
        _keep(session, dealer, row.id, contact, language)
    return row


def said_with_sheet(session: Session, trial: int, *, yes: bool) -> None:
    """Note what a player said beside a sheet: 'no' always, 'yes' only where nothing was said before."""
    # Sheets may wait for days on a device without network: one that comes late must not undo a later 'no'.
    row = session.get_one(tables.Trial, trial)
    same_person.say(session, row.dealer, row.player, now(), may_help=yes, unasked_only=True)


def contact_of(stored: Mapping[str, Any] | None) -> Contact | None:
    """Return the contact that an enquiry kept, None where there is none."""
    return Contact.model_validate(dict(stored)) if stored else None


def _keep(session: Session, dealer: str, player: int, contact: Contact, language: str | None) -> None:
    row = session.get(tables.Contact, player)
    if row is None:
        row = tables.Contact(player=player, dealer=dealer, created_at=now(), mail_consent=False)
        row.doubted = clock_watch.is_behind(session, row.created_at)
        session.add(row)
    elif row.dealer != dealer:
        return  # a player of two shops, by a file: the name stays with the shop that asked for it
    for name in ("name", "email", "phone"):
        if getattr(contact, name):
            setattr(row, name, getattr(contact, name))
    row.language = language or row.language
    row.mail_consent = contact.consent.mail
