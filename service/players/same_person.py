"""One person under several keys: which players a dealer's staff joined, and who stands for them.

A player's rows stay as they are; what a reader asks for is everybody that the player is, so that a joining can be undone. It
holds at one dealer only.
"""

import datetime as dt
from collections import defaultdict
from collections.abc import Collection, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Row, and_, case, or_, select, update
from sqlalchemy.orm import Session

from service.tables import JoinedPlayer, Player


def joined_at(dealer: Any, player: Any) -> ColumnElement[bool]:
    """Return the condition that joins a player's row of `JoinedPlayer`, where there is one, to a statement."""
    return and_(JoinedPlayer.dealer == dealer, JoinedPlayer.player == player)


def head(player: Any) -> ColumnElement[int]:
    """Return who stands for a player, in a statement to which `joined_at` joins the row."""
    # Not `coalesce`: behind row-level security PostgreSQL 15 looks nothing up in an index by it.
    return case((JoinedPlayer.head.is_(None), player), else_=JoinedPlayer.head)


def head_of(session: Session, dealer: str, player: int) -> int:
    """Return who stands for a player at a dealer: the player, unless joined to another."""
    row = session.get(JoinedPlayer, (dealer, player))
    return row.head if row else player


def everybody(session: Session, dealer: str, players: Collection[int]) -> tuple[int, ...]:
    """Return all players that any of these is at a dealer, in the order of their ids."""
    if not players:
        return ()
    row = JoinedPlayer
    heads = {*players, *session.scalars(select(row.head).where(row.dealer == dealer, row.player.in_(players)))}
    others = session.scalars(select(row.player).where(row.dealer == dealer, row.head.in_(heads)))
    return tuple(sorted({*heads, *others}))


def by_head(session: Session, dealer: str, heads: Collection[int]) -> dict[int, tuple[int, ...]]:
    """Return for each who stands for somebody all players that they are, themselves first."""
    row, found = JoinedPlayer, defaultdict(list)
    joined = select(row.head, row.player).where(row.dealer == dealer, row.head.in_(heads)).order_by(row.at, row.player)
    for head_id, player in session.execute(joined):
        found[head_id].append(player)
    return {each: (each, *found[each]) for each in heads}


def may_help(session: Session, whole: Collection[int]) -> bool:
    """Say whether the ratings of one person may serve beyond their own trial: that was said under a key, and 'no' under none."""
    return agreed(session.execute(select(Player.in_model, Player.asked_at).where(Player.id.in_(whole))).all())


def agreed(said: Sequence[Row[*tuple[Any, ...]]]) -> bool:
    """Say the same of what was said under each key, ``in_model`` and ``asked_at`` of it."""
    return any(row.in_model for row in said) and not any(row.asked_at and not row.in_model for row in said)


def say(
    session: Session, dealer: str | None, player: int, at: dt.datetime, *, may_help: bool, unasked_only: bool = False
) -> None:
    """Note for everybody that a player is whether ratings may help others; ``unasked_only``: only where no 'no' was said before."""
    player_table = Player
    whole = everybody(session, dealer, [player]) if dealer is not None else (player,)
    where: list[ColumnElement[bool]] = [player_table.id.in_(whole)]
    if unasked_only:
        where.append(
            player_table.asked_at.is_(None) if may_help else or_(player_table.asked_at.is_(None), player_table.in_model)
        )
    changed = update(player_table).where(*where).values(in_model=may_help, asked_at=at)
    session.execute(changed.execution_options(synchronize_session=False))
