"""The one note that a dealer's staff keep on a player: read, and changed in place."""

import hashlib
from collections.abc import Collection

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.core import audit, audit_events, formats
from service.core.errors import ConflictError, FieldProblem, InvalidInputError
from service.core.language import _
from service.core.moments import now
from service.core.row_locks import lock_dealer
from service.players import player_keys, same_person
from service.tables import PlayerNote

LONGEST = 2000
"""Characters of a note."""


def of_players(session: Session, dealer: str, whole: Collection[int]) -> str:
    """Return the note on a person; of keys that were joined, what was noted on each, one below the other."""
    kept = PlayerNote
    rows = select(kept.text).where(kept.dealer == dealer, kept.player.in_(whole)).order_by(kept.at, kept.player)
    return "\n".join(session.scalars(rows))


def seen(text: str) -> str:
    """Return what a form says of the note it was filled in beside, so that a change by somebody else is noticed."""
    return hashlib.sha256(text.encode()).hexdigest()[:16] if text else ""


def keep(session: Session, user: int, dealer: str, key: str, text: str, before: str) -> None:
    """Put a text in the place of the note on a player; an empty one erases it, and the same again changes nothing.

    ``before``: what `seen` said of the note that the text was written for. Raises `NotFoundError`: a player who is not this
    dealer's; `InvalidInputError`: at ``note``: it is too long; `ConflictError`: somebody else changed the note meanwhile.
    """
    lock_dealer(session, dealer)
    player = player_keys.known(session, dealer, key)
    whole = same_person.everybody(session, dealer, [player.id])
    stood, text = of_players(session, dealer, whole), "\n".join(text.split("\r\n")).strip()
    if len(text) > LONGEST:
        sentence = _("Got {count} characters; a note has {most} at most.")
        said = sentence.format(count=formats.number(len(text), 0), most=formats.number(LONGEST, 0))
        raise InvalidInputError([FieldProblem("note", said)])
    if text == stood:
        return
    if before != seen(stood):
        raise ConflictError(_("Somebody else changed this note meanwhile. Below is yours; theirs stands above it."))
    session.execute(delete(PlayerNote).where(PlayerNote.dealer == dealer, PlayerNote.player.in_(whole)))
    if text:
        session.add(PlayerNote(dealer=dealer, player=player.id, text=text, at=now()))
    audit.record(session, user, audit_events.PLAYER_NOTED, f"player {player.key}", dealer=dealer)
