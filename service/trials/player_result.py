"""What a player is told after a trial: which bow was which letter, the own marks, what was kept. Nothing before it is revealed."""

import datetime as dt
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from model.domain.vocabulary import CRITERIA, OutcomeKind
from service.core import formats
from service.core.errors import NotFoundError, existing
from service.core.language import _
from service.core.signed_links import Signer
from service.dealers import shop_card
from service.dealers.shop_card import ShopCard
from service.players import data_links
from service.tables import Composition, Contact, Dealer, Run, Trial, newest_run
from service.trials import strokes, trial_texts, whole_trial
from service.trials.desk_records import SlotRow
from service.trials.strokes import ProbedBows

PURPOSE = "result"
LIFE = data_links.DATA_LIFE


@dataclass(frozen=True, slots=True)
class LetteredBow:
    """One bow under its letter, '' for the own one; ``marks`` by criterion, the mean where it was played more than once."""

    letter: str
    copy: str | None
    tier_name: str
    marks: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class PlayerResult:
    """A trial as its player is told of it.

    ``bows``: by letter, the own bow last.
    ``outcome``, ``kept``: what came of it, and that in a sentence; None and empty while nothing is recorded.
    ``probed``: what the strokes of the playable range showed, None where none was played.
    ``kept_copy``: the bow that was kept, None where none was.
    """

    key: str
    on: dt.date
    dealer: str
    dealer_name: str
    language: str | None
    bows: tuple[LetteredBow, ...]
    outcome: OutcomeKind | None
    kept: str
    kept_copy: str | None
    card: ShopCard | None
    probed: ProbedBows | None = None


def of_dealer(session: Session, dealer: str, key: str) -> PlayerResult:
    """Return the result of a dealer's trial; raises `NotFoundError` before it is revealed, and where the trial was cancelled."""
    revealed = Composition.revealed_at.is_not(None) & Composition.state.in_(("open", "closed"))
    asked = (
        select(Trial, Dealer.name, Contact.language)
        .join(Composition, Composition.trial == Trial.id)
        .join(Dealer, Dealer.slug == Composition.dealer)
        .outerjoin(Contact, Contact.player == Trial.player)
        .where(Trial.key == key, Composition.dealer == dealer, revealed)
    )
    played, name, language = existing(session.execute(asked).one_or_none())
    order, runs = whole_trial.every_slot(session, played.id), _runs(session, played.id)
    newest = trial_texts.newest_outcome(session, played)
    return PlayerResult(
        key=key,
        on=played.on,
        dealer=dealer,
        dealer_name=name,
        language=language,
        bows=_bows(order, runs),
        outcome=newest.outcome if newest else None,
        kept=trial_texts.kept(session, played),
        kept_copy=newest.copy if newest and newest.outcome is OutcomeKind.KEPT else None,
        card=shop_card.read(session, dealer),
        probed=strokes.side_by_side(played, order, runs, formats.capital(_("your own bow"))),
    )


def _runs(session: Session, trial: int) -> tuple[Run, ...]:
    return tuple(session.scalars(select(Run).where(Run.trial == trial, Run.rater == "player", newest_run())))


def _bows(order: Sequence[SlotRow], runs: Sequence[Run]) -> tuple[LetteredBow, ...]:
    given = {row.position: row for row in runs}
    marks: dict[str, dict[str, list[int]]] = defaultdict(lambda: defaultdict(list))
    for slot in order:
        for name in CRITERIA if slot.position in given else ():
            value = getattr(given[slot.position], name)
            if value is not None:
                marks[slot.letter][str(name)].append(value)
    bows = {slot.letter: (slot.copy, slot.tier_name or "") for slot in order}
    return tuple(
        LetteredBow(letter, *bows[letter], {name: sum(all_) / len(all_) for name, all_ in marks[letter].items()})
        for letter in sorted(bows, key=lambda letter: (not letter, letter))
    )


# The link of a mail


def link(session: Session, signer: Signer, key: str, email: str, now: dt.datetime) -> str | None:
    """Return the path of a trial's result for whoever reads mail at an address; None before it is revealed."""
    revealed = select(Composition.revealed_at).join(Trial, Trial.id == Composition.trial).where(Trial.key == key)
    if session.scalar(revealed) is None:
        return None
    mark, until = data_links.marks(signer, email)[0], int((now + LIFE).timestamp())
    return f"/result/{signer.make(PURPOSE, f'{key}.{mark}.{until}')}"


def of_link(session: Session, signer: Signer, token: str, now: dt.datetime) -> tuple[PlayerResult, bool]:
    """Return what a link leads to, and whether its time is over.

    Raises `NotFoundError` where it was not made here, its reader was erased, or has another address now.
    """
    key, mark, until = [*(signer.read(PURPOSE, token) or "").rsplit(".", 2), "", ""][:3]
    whose = select(Contact.dealer, Contact.email).join(Trial, Trial.player == Contact.player)
    row = session.execute(whose.where(Trial.key == key)).one_or_none()
    if row is None or not row.email or mark not in data_links.marks(signer, row.email):
        raise NotFoundError
    return of_dealer(session, row.dealer, key), int(until) <= now.timestamp()
