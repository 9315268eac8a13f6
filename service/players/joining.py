"""Two keys of one person joined by a dealer's staff, and parted again; an enquiry said to be a player's, and taken from them.

What anybody typed identifies nobody: only staff, who know the person, say who is who. Each is put on record and can be undone.
"""

import datetime as dt
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, delete, exists, func, select, update
from sqlalchemy.orm import Session

from service.core import audit, audit_events
from service.core.errors import ConflictError
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_dealer
from service.players import enquiry_access, player_keys, same_person
from service.tables import Composition, Contact, JoinedPlayer, Player, Trial

MOST = 20
"""So many players may be one person; more are a mistake."""


@dataclass(frozen=True, slots=True)
class Joined:
    """One key that was joined: whose, and when."""

    key: str
    name: str | None
    at: dt.datetime
    trials: int


def join(session: Session, user: int | None, dealer: str, key: str, other: str) -> str:
    """Join two players as one person; return the key of who stands for both. `NotFoundError`: no player here; `ConflictError`: joined, or too many."""
    lock_dealer(session, dealer)
    one, two = (player_keys.known(session, dealer, each) for each in (key, other))
    if one.id == two.id:
        raise ConflictError(_("These are one player already."))
    stands, goes = sorted((one, two), key=lambda row: _rank(session, row.id))
    both = same_person.everybody(session, dealer, [stands.id, goes.id])
    if len(both) > MOST:
        raise ConflictError(_("These are more players than one person can be; part some of them first."))
    for row in session.scalars(_rows(dealer).where(JoinedPlayer.head == goes.id)):
        row.head = stands.id
    whom = {"player": goes.id, "whom": stands.id, "head": stands.id}
    session.add(JoinedPlayer(dealer=dealer, **whom, at=now(), by=user, before=_settle(session, both)))
    session.flush()
    audit.record(session, user, audit_events.PLAYERS_JOINED, f"player {stands.key}", dealer=dealer, other=goes.key)
    return stands.key


def part(session: Session, user: int | None, dealer: str, key: str) -> str:
    """Undo a joining of a player and who was joined to them; return who stood for them. `NotFoundError`: no player here; `ConflictError`: alone."""
    lock_dealer(session, dealer)
    goes = player_keys.of_key(session, dealer, key)
    row = session.get(JoinedPlayer, (dealer, goes.id))
    if row is None:
        raise ConflictError(_("This player is joined to nobody; there is nothing to part."))
    stood, whole = row.head, list(session.scalars(_rows(dealer).where(JoinedPlayer.head == row.head)))
    for each in sorted(whole, key=lambda each: each.at, reverse=True):
        _unsettle(session, each)
    gone = _below(whole, goes.id)
    for each in gone:
        each.head = goes.id
    session.delete(row)
    session.flush()
    for rows in (gone, [each for each in whole if each not in (row, *gone)]):
        if rows:
            rows[0].before = _settle(session, same_person.everybody(session, dealer, [rows[0].player]))
    session.flush()
    previous_key = session.get_one(Player, stood).key
    audit.record(session, user, audit_events.PLAYERS_PARTED, f"player {previous_key}", dealer=dealer, other=goes.key)
    return previous_key


def joined(session: Session, dealer: str, player: int) -> tuple[Joined, ...]:
    """Return the keys that were joined to who stands for a player, the latest last."""
    trials = select(func.count()).where(Trial.player == Player.id, Trial.dealer == dealer).scalar_subquery()
    rows = session.execute(
        select(Player.key, Contact.name, JoinedPlayer.at, trials)
        .join(Player, Player.id == JoinedPlayer.player)
        .outerjoin(Contact, (Contact.player == Player.id) & (Contact.dealer == dealer))
        .where(JoinedPlayer.dealer == dealer, JoinedPlayer.head == player)
        .order_by(JoinedPlayer.at, Player.id)
    )
    return tuple(Joined(*row) for row in rows)


def give(session: Session, user: int | None, dealer: str, enquiry: str, key: str) -> None:
    """Say that an enquiry is a player's. `NotFoundError`: either is not this dealer's; `ConflictError`: it is another player's already."""
    lock_dealer(session, dealer)
    row, player = enquiry_access.own(session, dealer, enquiry), player_keys.known(session, dealer, key)
    if row.player is not None:
        if same_person.head_of(session, dealer, row.player) != player.id:
            raise ConflictError(_("This enquiry is another player’s already; join the two players instead."))
        return
    row.player = player.id
    session.flush()
    audit.record(session, user, audit_events.ENQUIRY_GIVEN, f"enquiry {enquiry}", dealer=dealer, player=player.key)


def take_away(session: Session, user: int | None, dealer: str, enquiry: str) -> None:
    """Undo `give`; raises `ConflictError` where a trial was composed from the enquiry, which has its player by that."""
    lock_dealer(session, dealer)
    row = enquiry_access.own(session, dealer, enquiry)
    if row.player is None:
        return
    if session.scalar(select(exists().where(Composition.enquiry == enquiry))):
        raise ConflictError(
            _("A trial was composed from this enquiry, so it is its player’s; part the two players instead.")
        )
    key = enquiry_access.player_key(session, row)
    row.player = None
    session.flush()
    audit.record(session, user, audit_events.ENQUIRY_TAKEN_AWAY, f"enquiry {enquiry}", dealer=dealer, player=key)


def forget(session: Session, dealer: str, gone: Collection[int], nameless: Collection[int]) -> None:
    """Erase every joining that one of the players who go is in; of those who stay without a name, what they had said and who did it."""
    row = JoinedPlayer
    same_dealer = row.dealer == dealer
    session.execute(delete(row).where(same_dealer, row.player.in_(gone) | row.whom.in_(gone) | row.head.in_(gone)))
    session.execute(update(row).where(same_dealer, row.player.in_(nameless)).values(before={}, by=None))


def alike(
    session: Session, dealer: str, names: Collection[str], emails: Collection[str], but: Collection[int]
) -> tuple[int, ...]:
    """Return the dealer's players of the same address or name, but for some: for staff to look at, it says nothing of who they are."""
    plain, addresses = ({each.lower() for each in texts} for texts in (names, emails))
    rows = session.scalars(
        select(Contact.player)
        .where(Contact.dealer == dealer, Contact.player.not_in(but))
        .where(func.lower(Contact.email).in_(addresses) | func.lower(Contact.name).in_(plain))
        .order_by(Contact.player)
        .limit(MOST)
    )
    return tuple(rows)


def _rows(dealer: str) -> Select[JoinedPlayer]:
    return select(JoinedPlayer).where(JoinedPlayer.dealer == dealer)


def _rank(session: Session, player: int) -> tuple[bool, bool, int]:
    """Return what puts one before another: an address to write to, then a name, then having been here longer."""
    contact = session.get(Contact, player)
    return contact is None or not contact.email, contact is None, player


def _below(rows: Sequence[JoinedPlayer], player: int) -> list[JoinedPlayer]:
    """Return the rows of those who were joined to a player, or to one who was."""
    next_ones = [row for row in rows if row.whom == player]
    return [*next_ones, *(descendant for row in next_ones for descendant in _below(rows, row.player))]


def _settle(session: Session, both: Collection[int]) -> dict[str, Any]:
    """Let a 'no' that was said under one key hold for all; return how it stood where that changes something."""
    # A key is not the dealer's alone, so a 'yes' goes to no other: what was said under it may have been said
    # elsewhere.
    rows = session.scalars(select(Player).where(Player.id.in_(both)).order_by(Player.id)).all()
    asked_at = max((row.asked_at for row in rows if row.asked_at and not row.in_model), default=None)
    if asked_at is None:
        return {}
    changed = [row for row in rows if row.in_model or row.asked_at is None]
    earlier = {str(row.id): [row.in_model, row.asked_at and row.asked_at.isoformat()] for row in changed}
    for row in changed:
        row.in_model, row.asked_at = False, asked_at
    session.flush()
    return {"said": earlier, "then": [False, asked_at.isoformat()]} if earlier else {}


def _unsettle(session: Session, joining: JoinedPlayer) -> None:
    """Let each say again what they said before, unless something was said since."""
    word, moment = joining.before.get("then") or [None, None]
    for player, (was, asked) in (joining.before.get("said") or {}).items():
        row = session.get(Player, int(player))
        if row is not None and row.asked_at is not None and [row.in_model, row.asked_at.isoformat()] == [word, moment]:
            row.in_model, row.asked_at = was, dt.datetime.fromisoformat(asked) if asked else None
    joining.before = {}
    session.flush()
