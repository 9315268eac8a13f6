"""The last two bows of a trial against each other, blind, pair by pair.

The player hears 'first' and 'second' only; which bow is handed over first is drawn, and known to the adviser alone.
"""

import datetime as dt
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from model.trial import DEFAULT_RULE, Compared, PairsVerdict, paired_comparison
from service import tables
from service.core import audit, audit_events, formats
from service.core.errors import ConflictError, NotFoundError
from service.core.language import N_, _, ngettext
from service.core.prepared import prepared
from service.players.trial_access import claimed, composed
from service.questionnaire.sheet_fields import PairIn
from service.trials import standing_words

Round = tuple[tables.HeadToHead, tuple[tables.Pair, ...]]
"""A head-to-head with its pairs."""
MOST_PAIRS = DEFAULT_RULE.cap or 20
OWN_LETTER = ""
_ENDED = {
    PairsVerdict.NO_PREFERENCE: N_("No settled preference: take the cheaper, or the one that lies better in the hand."),
    PairsVerdict.NOT_SETTLED: N_("Not settled after {pairs} pairs: the two are close for this player."),
}


@dataclass(frozen=True, slots=True)
class Handing:
    """What the adviser sees: which bow to hand over first, and what the pairs so far say.

    ``id``: the head-to-head's.
    ``letters``: the two bows by letter, empty for the own bow, in the order in which they were named.
    ``number``: the next pair, from 1; None once it is over.
    ``first``, ``second``: letters in the order of handing over for that pair; None once it is over.
    ``pairs``: how many were answered.
    ``preferred``: how often each of ``letters`` was.
    ``ahead``: letters handed over first in the pairs to come, should the tablet lose the network.
    ``verdict``: one word of `model.trial.paired_comparison.PairsVerdict`.
    ``text``: the verdict as a sentence, empty while it goes on.
    """

    id: str
    letters: tuple[str, str]
    number: int | None
    first: str | None
    second: str | None
    pairs: int
    preferred: tuple[int, int]
    ahead: tuple[str, ...]
    verdict: str
    text: str


def start(session: Session, user: int | None, dealer: str, key: str, letters: tuple[str, str]) -> str:
    """Begin a head-to-head of two letters, the own bow's being empty, and return its id; one that goes on is ended first.

    Raises `NotFoundError`: the dealer has no such trial; `ConflictError`: the trial is not open, a letter is not in it,
    or both letters are of one bow.
    """
    _trial, composition = claimed(session, dealer, key)
    if composition.state != "open":
        raise ConflictError(_("Only bows of an open trial can be put against each other."))
    first, second = (_copy(session, composition.trial, letter) for letter in letters)
    if first == second:
        raise ConflictError(_("These two letters stand for one and the same bow, played twice; choose another one."))
    now = dt.datetime.now(dt.UTC)
    for going in _going_on(session, composition.trial):
        going.ended_at = now
    drawn = {"id": secrets.token_hex(16), "seed": secrets.randbelow(2**31), "started_at": now, "started_by": user}
    head = tables.HeadToHead(trial=composition.trial, first=first, second=second, **drawn)
    session.add(head)
    session.flush()
    audit.record(session, user, audit_events.HEAD_TO_HEAD_BEGUN, f"trial {key}", dealer=dealer)
    return head.id


def state(session: Session, dealer: str, key: str) -> dict[str, Any] | None:
    """Return what the player's screen is told of the newest head-to-head: its id, the next pair, whether it is over; no letter.

    Raises `NotFoundError`: the dealer has no such trial.
    """
    head = _newest(session, composed(session, dealer, key)[0].id)
    if head is None:
        return None
    pairs = _pairs(session, head.id)
    return {
        "id": head.id,
        "number": max((pair.number for pair in pairs), default=0) + 1,
        "most": MOST_PAIRS,
        "ended": head.ended_at is not None,
    }


def record_pair(
    session: Session, dealer: str, key: str, pair_id: str, pair: PairIn, at: dt.datetime | None = None
) -> dict[str, Any]:
    """Keep one answer; the same one again changes nothing. Returns what `state` does of this head-to-head.

    Raises `NotFoundError`: the dealer has no such trial, or the trial no such head-to-head; `ConflictError`: another
    device answered this pair, or the same answer came before with other content.
    """
    _trial, composition = claimed(session, dealer, key)
    head = session.get(tables.HeadToHead, pair.head_to_head)
    if head is None or head.trial != composition.trial:
        raise NotFoundError
    known = session.get(tables.Pair, pair_id) or session.scalar(
        select(tables.Pair).where(tables.Pair.head_to_head == head.id, tables.Pair.number == pair.number)
    )
    if known is None:
        now = at or dt.datetime.now(dt.UTC)
        session.add(tables.Pair(id=pair_id, received_at=now, **pair.model_dump(exclude={"sent_at"})))
        session.flush()
        _end_where_settled(session, head, now)
    elif not _same(known, pair_id, pair):
        raise ConflictError(_("Pair {number} was answered already, on another screen.").format(number=pair.number))
    return {"number": pair.number, "ended": head.ended_at is not None}


def handing(session: Session, dealer: str, key: str) -> Handing | None:
    """Return what the adviser is told of the newest head-to-head; None where none was begun. Raises `NotFoundError`."""
    trial, slot = composed(session, dealer, key)[0].id, tables.Slot
    placed = session.execute(select(slot.letter, slot.copy).where(slot.trial == trial).order_by(slot.position))
    return handed(rounds(session, trial), {copy: letter for letter, copy in reversed(placed.all())})


def handed(played: Sequence[Round], letter_of: Mapping[str | None, str]) -> Handing | None:
    """Return the same from what was read already; ``letter_of``: by copy the letter under which it is first played."""
    if not played:
        return None
    head, pairs = max(played, key=lambda each: (each[0].started_at, each[0].ended_at is None))
    letters = tuple(OWN_LETTER if copy is None else letter_of[copy] for copy in (head.first, head.second))
    return _handing(head, pairs, (letters[0], letters[1]))


def _handing(head: tables.HeadToHead, pairs: Sequence[tables.Pair], letters: tuple[str, str]) -> Handing:
    wins = [_won_by(head, pair) for pair in pairs]
    verdict = paired_comparison.verdict(wins)
    number = None if head.ended_at else max((pair.number for pair in pairs), default=0) + 1
    ahead = (
        ()
        if number is None
        else tuple(letters[paired_comparison.first_in_pair(head.seed, n)] for n in range(number, MOST_PAIRS + 1))
    )
    return Handing(
        id=head.id,
        letters=letters,
        number=number,
        first=ahead[0] if ahead else None,
        second=letters[1 - letters.index(ahead[0])] if ahead else None,
        pairs=len(pairs),
        preferred=(wins.count(0), wins.count(1)),
        ahead=ahead[1:],
        verdict=str(verdict),
        text=_sentence(verdict, letters, wins, over=head.ended_at is not None),
    )


def end(session: Session, user: int | None, dealer: str, key: str) -> None:
    """End a head-to-head before its verdict; what was answered stays. Raises `NotFoundError`."""
    _trial, composition = claimed(session, dealer, key)
    for going in _going_on(session, composition.trial):
        going.ended_at = dt.datetime.now(dt.UTC)
        audit.record(session, user, audit_events.HEAD_TO_HEAD_ENDED, f"trial {key}", dealer=dealer)


def _sentence(verdict: PairsVerdict, letters: tuple[str, str], wins: Sequence[int], *, over: bool) -> str:
    """Say how it ended and how much that is worth; empty while it goes on, or where nothing was answered."""
    if verdict in _ENDED:
        return _(_ENDED[verdict]).format(pairs=len(wins))
    if not wins or (verdict is PairsVerdict.GO_ON and not over):
        return ""
    ahead = _ahead(verdict, wins)
    bow, won, pairs = standing_words.bow(letters[ahead]), wins.count(ahead), len(wins)
    if verdict is PairsVerdict.GO_ON:
        sentence = ngettext(
            "Ended after one pair, before a verdict: {bow} was preferred.",
            "Ended after {pairs} pairs, before a verdict: {bow} was preferred in {won} of them.",
            pairs,
        )
        return sentence.format(bow=bow, won=formats.counted(won), pairs=formats.counted(pairs))
    sentence = _(
        "The player preferred {bow} in {won} of {pairs} pairs. With no preference at all, about {mistaken} in 100 "
        "head-to-heads would end for one of the two bows."
    )
    by_chance = paired_comparison.operating_characteristic(0.5)
    mistaken = round(100 * (by_chance.first + by_chance.second))
    return sentence.format(bow=bow, won=won, pairs=pairs, mistaken=mistaken)


def _ahead(verdict: PairsVerdict, wins: Sequence[int]) -> int:
    """Return which of the two bows, 0 or 1, the verdict is for; without one, which was preferred more often."""
    if verdict is PairsVerdict.GO_ON:
        return int(2 * wins.count(1) > len(wins))
    return int(verdict is PairsVerdict.SECOND)


def rounds(session: Session, trial: int) -> tuple[Round, ...]:
    """Return the head-to-heads of a trial with their pairs, in order."""
    grouped = groupby(session.execute(*_rounds_of(trial)), key=lambda row: row[0])
    return tuple((key, tuple(pair for _head, pair in group if pair is not None)) for key, group in grouped)


@prepared
def _rounds_of(trial: int) -> Select[tables.HeadToHead, tables.Pair]:
    head, pair = tables.HeadToHead, tables.Pair
    asked = select(head, pair).outerjoin(pair, pair.head_to_head == head.id).where(head.trial == trial)
    return asked.order_by(head.started_at, head.id, pair.number)


def compared(played: Sequence[Round], revealed_at: dt.datetime | None = None) -> tuple[Compared, ...]:
    """Return what all pairs of a trial say, by head-to-head; those answered after the key was revealed were not blind."""
    found = []
    for head, answered in played:
        blind = [each for each in answered if revealed_at is None or (each.rated_at or each.received_at) < revealed_at]
        first = sum(_won_by(head, each) == 0 for each in blind)
        if blind:
            found.append(Compared(head.first, head.second, first, len(blind) - first))
    return tuple(found)


def _won_by(head: tables.HeadToHead, pair: tables.Pair) -> int:
    """Return which of the two bows, 0 or 1, was preferred in a pair: it depends on which was played first."""
    played_first = paired_comparison.first_in_pair(head.seed, pair.number)
    return played_first if pair.preferred == "first" else 1 - played_first


def _end_where_settled(session: Session, head: tables.HeadToHead, now: dt.datetime) -> None:
    wins = [_won_by(head, pair) for pair in _pairs(session, head.id)]
    if head.ended_at is None and paired_comparison.verdict(wins) is not PairsVerdict.GO_ON:
        head.ended_at = now
        session.flush()


def _same(known: tables.Pair, pair_id: str, pair: PairIn) -> bool:
    told = (known.id, known.head_to_head, known.number, known.preferred)
    return told == (pair_id, pair.head_to_head, pair.number, pair.preferred)


def _pairs(session: Session, head: str) -> list[tables.Pair]:
    pair = tables.Pair
    return list(session.scalars(select(pair).where(pair.head_to_head == head).order_by(pair.number)))


def _newest(session: Session, trial: int) -> tables.HeadToHead | None:
    head = tables.HeadToHead
    return session.scalar(
        select(head).where(head.trial == trial).order_by(head.started_at.desc(), head.ended_at.is_not(None)).limit(1)
    )


def _going_on(session: Session, trial: int) -> list[tables.HeadToHead]:
    head = tables.HeadToHead
    return list(session.scalars(select(head).where(head.trial == trial, head.ended_at.is_(None))))


def _copy(session: Session, trial: int, letter: str) -> str | None:
    slot = tables.Slot
    row = session.execute(select(slot.copy).where(slot.trial == trial, slot.letter == letter).limit(1)).one_or_none()
    if row is None:
        sentence = _("There is no bow {letter} in this trial.") if letter else _("There is no own bow in this trial.")
        raise ConflictError(sentence.format(letter=letter))
    copy: str | None = row[0]
    return copy
