"""Enquiries as one dealer may see them: its own, and those made of nobody in particular where there is one dealer only."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Select, and_, func, or_, select
from sqlalchemy.orm import Session

from service.core.errors import existing
from service.core.prepared import prepared
from service.players import same_person
from service.tables import Dealer, Enquiry, Player


@dataclass(frozen=True, slots=True)
class Agreed:
    """What a player agreed to with one enquiry, by name of the consent, and in which language they were asked."""

    at: dt.datetime
    language: str
    given: Mapping[str, Any]


def of_dealer(dealer: str) -> ColumnElement[bool]:
    """Return the condition that an enquiry is a dealer's to see."""
    shops = select(func.count()).select_from(Dealer).scalar_subquery()
    return or_(Enquiry.dealer == dealer, and_(Enquiry.dealer.is_(None), shops == 1))


def own(session: Session, dealer: str, id_: str) -> Enquiry:
    """Return an enquiry of the dealer; raises `NotFoundError`."""
    found: Enquiry | None = session.scalar(*_own(dealer, id_))
    return existing(found)


@prepared
def _own(dealer: str, id_: str) -> Select[Enquiry]:
    return select(Enquiry).where(Enquiry.id == id_, of_dealer(dealer))


def of_nobody() -> ColumnElement[bool]:
    """Return the condition that an enquiry waits for one of several dealers: who may act for any of them hands it on."""
    shops = select(func.count()).select_from(Dealer).scalar_subquery()
    return and_(Enquiry.dealer.is_(None), shops > 1)


def nobodys(session: Session, id_: str, *, claim: bool = False) -> Enquiry | None:
    """Return an enquiry that is no dealer's yet, None for any other; ``claim``: for this transaction alone to change."""
    found = select(Enquiry).where(Enquiry.id == id_, of_nobody())
    if claim:
        found = found.with_for_update().execution_options(populate_existing=True)
    return session.scalars(found).one_or_none()


def player_key(session: Session, enquiry: Enquiry | None) -> str | None:
    """Return the key of the player whom an enquiry is known to be of, or of who stands for them."""
    if enquiry is None or enquiry.player is None:
        return None
    stands = same_person.head_of(session, enquiry.dealer, enquiry.player) if enquiry.dealer else enquiry.player
    return session.get_one(Player, stands).key


def agreed(session: Session, dealer: str, whole: Sequence[int]) -> tuple[Agreed, ...]:
    """Return what somebody with these keys agreed to with their enquiries at a dealer, newest first."""
    rows = session.execute(
        select(Enquiry.created_at, Enquiry.language, Enquiry.contact)
        .where(Enquiry.player.in_(whole), of_dealer(dealer), Enquiry.contact.is_not(None))
        .order_by(Enquiry.created_at.desc(), Enquiry.id)
    )
    return tuple(Agreed(at, language, contact.get("consent") or {}) for at, language, contact in rows)
