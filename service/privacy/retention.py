"""How long anything is kept: what has had its time is erased, once a day, by the service itself."""

import datetime as dt
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, CursorResult, and_, delete, func, or_, select
from sqlalchemy.orm import Session

from service import drafts
from service.errors import Refused
from service.privacy import persons
from service.privacy.erasing import erase
from service.tables import (
    Composition,
    Contact,
    Dealer,
    Door,
    Draft,
    Enquiry,
    PasswordLink,
    Player,
    Seat,
    StaffSession,
    TabletCode,
    Trial,
)

KEEP_MONTHS = 24
"""How many months a person's data is kept after the last contact, where the dealer has not said."""
A_MONTH = dt.timedelta(days=30.4375)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many persons, drafts and spent links and sessions were erased."""

    persons: int
    drafts: int
    spent: int


def sweep(session: Session, now: dt.datetime) -> Swept:
    """Erase what has had its time, in the caller's transaction."""
    return Swept(_persons(session, now), _drafts(session, now), _spent(session, now))


def _persons(session: Session, now: dt.datetime) -> int:
    months = {
        dealer: keep or KEEP_MONTHS
        for dealer, keep in session.execute(
            select(Dealer.slug, Door.keep_months).outerjoin(Door, Door.dealer == Dealer.slug)
        )
    }
    count = 0
    for dealer in (None, *months):
        until = now - months.get(dealer or "", KEEP_MONTHS) * A_MONTH
        count += _old_enquiries(session, dealer, until) + _old_players(session, dealer, until)
    return count


def _old_enquiries(session: Session, dealer: str | None, until: dt.datetime) -> int:
    here = Enquiry.dealer == dealer if dealer is not None else Enquiry.dealer.is_(None)
    old = select(Enquiry.id).where(here, Enquiry.player.is_(None), Enquiry.created_at < until)
    return sum(
        _erased(session, persons.of_enquiry(session, id_), until)
        for id_ in session.scalars(old).all()
        if session.get(Enquiry, id_)
    )


def _old_players(session: Session, dealer: str | None, until: dt.datetime) -> int:
    if dealer is None:
        return 0
    last = func.max(Trial.on)
    old = (
        select(Player.key)
        .join(Contact, Contact.player == Player.id)
        .outerjoin(Trial, Trial.player == Player.id)
        .where(Contact.dealer == dealer, Contact.created_at < until)
        .group_by(Player.key)
        .having(or_(last.is_(None), last < until.date()))
    )
    keys = session.scalars(old).all()
    return sum(
        _erased(session, persons.of_player(session, dealer, key), until) for key in keys if _is_there(session, key)
    )


def _is_there(session: Session, key: str) -> bool:
    return (
        session.scalar(select(Contact.player).join(Player, Player.id == Contact.player).where(Player.key == key))
        is not None
    )


def _erased(session: Session, person: persons.Person, until: dt.datetime) -> int:
    """Erase a person unless something younger is kept of them; return how many were."""
    younger = or_(
        and_(Trial.player.in_(person.players), Trial.on >= until.date()),
    )
    if session.scalar(select(Trial.id).where(younger).limit(1)) is not None or _asked_since(session, person, until):
        return 0
    try:
        erase(session, None, person)
    except Refused:
        return 0  # a bow is still out: whoever has it must be known, and the desk shows it as overdue
    return 1


def _asked_since(session: Session, person: persons.Person, until: dt.datetime) -> bool:
    since: ColumnElement[bool] = and_(Enquiry.id.in_(person.enquiries), Enquiry.created_at >= until)
    return session.scalar(select(Enquiry.id).where(since).limit(1)) is not None


def _drafts(session: Session, now: dt.datetime) -> int:
    return _deleted(session, delete(Draft).where(Draft.updated_at < now - drafts.LIFE))


def _spent(session: Session, now: dt.datetime) -> int:
    over = (
        delete(PasswordLink).where(PasswordLink.expires_at < now),
        delete(StaffSession).where(StaffSession.expires_at < now),
        delete(TabletCode).where(TabletCode.expires_at < now),
        delete(Seat).where(
            Seat.expires_at < now, Seat.trial.in_(select(Composition.trial).where(Composition.state != "open"))
        ),
    )
    return sum(_deleted(session, statement) for statement in over)


def _deleted(session: Session, statement: Any) -> int:
    result = session.execute(statement)
    assert isinstance(result, CursorResult)  # noqa: S101 - what a DELETE gives
    return result.rowcount
