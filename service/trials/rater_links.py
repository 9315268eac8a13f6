"""Seats: a signed link to one trial's sheets, for the player at home or the listener across the room.

A link is made of the seat's id by the service's own key, so that it can be shown again and none is stored.
"""

import datetime as dt
import secrets
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Place
from service.core import audit, audit_events
from service.core.errors import ConflictError, existing
from service.core.language import _
from service.core.signed_links import Signer
from service.players.trial_access import composed
from service.tables import RATERS, Composition, Dealer, Seat, Trial

PURPOSE = "seat"
LIFE = dt.timedelta(days=60)
"""A link works for so long; a sheet that waited longer on a phone is taken all the same."""


@dataclass(frozen=True, slots=True)
class SeatInfo:
    """What a link leads to: a trial by its key, its dealer, who rates, whether it goes by post and has begun, and whether the link is closed."""

    id: str
    trial: str
    dealer: str
    dealer_name: str
    rater: str
    by_post: bool
    begun: bool
    closed: bool


def open_seat(session: Session, user: int | None, dealer: str, key: str, rater: str, *, signer: Signer) -> str:
    """Return the path of the link for a rater, '/play/…'; the one that is open already, else a new one.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: the trial is over.
    """
    return path(signer, seat_of(session, user, dealer, key, rater))


def seat_of(session: Session, user: int | None, dealer: str, key: str, rater: str) -> str:
    """Return the id of the seat that is open for a rater, of a new one where none is; raises as `open_seat` does."""
    _trial, composition = composed(session, dealer, key)
    if composition.state in ("closed", "cancelled"):
        raise ConflictError(_("This trial is over; no more sheets are handed out for it."))
    seat = _open_one(session, composition.trial, rater)
    if seat is None:
        now = dt.datetime.now(dt.UTC)
        seat = Seat(id=secrets.token_hex(16), trial=composition.trial, rater=rater, made_at=now, expires_at=now + LIFE)
        session.add(seat)
        session.flush()
        audit.record(session, user, audit_events.SEAT_OPENED, f"trial {key}", dealer=dealer, rater=rater)
    return seat.id


def open_paths(session: Session, dealer: str, key: str, *, signer: Signer) -> dict[str, str]:
    """Return by rater the links that are open; raises `NotFoundError`."""
    _trial, composition = composed(session, dealer, key)
    seats = ((rater, _open_one(session, composition.trial, rater)) for rater in RATERS)
    return paths({rater: seat.id for rater, seat in seats if seat is not None}, signer)


def paths(seats: Mapping[str, str], signer: Signer) -> dict[str, str]:
    """Return by rater the links of open seats."""
    return {rater: path(signer, seat) for rater, seat in seats.items()}


def path(signer: Signer, seat: str) -> str:
    """Return the path of a seat's link."""
    return f"/play/{signer.make(PURPOSE, seat)}"


def read(session: Session, token: str, *, signer: Signer, at: dt.datetime | None = None) -> SeatInfo:
    """Return what a link's token leads to; raises `NotFoundError` where it was not made here."""
    asked = (
        select(Seat, Trial.key, Trial.place, Composition, Dealer.name)
        .join(Trial, Seat.trial == Trial.id)
        .join(Composition, Composition.trial == Trial.id)
        .join(Dealer, Composition.dealer == Dealer.slug)
        .where(Seat.id == (signer.read(PURPOSE, token) or ""))
    )
    seat, key, place, composition, name = existing(session.execute(asked).one_or_none())
    now = at or dt.datetime.now(dt.UTC)
    closed = seat.closed_at is not None or seat.expires_at <= now or composition.state in ("closed", "cancelled")
    dealer, begun = composition.dealer, composition.state != "planned"
    return SeatInfo(seat.id, key, dealer, name or dealer, seat.rater, place is Place.POST, begun, closed)


def _open_one(session: Session, trial: int, rater: str) -> Seat | None:
    open_ = (Seat.closed_at.is_(None), Seat.expires_at > dt.datetime.now(dt.UTC))
    return session.scalar(
        select(Seat).where(Seat.trial == trial, Seat.rater == rater, *open_).order_by(Seat.made_at.desc()).limit(1)
    )
