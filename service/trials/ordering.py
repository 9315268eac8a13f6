"""How long a trial gets and in which blind order its bows are played: the rules of `model.trial.order` applied to a dealer's row of trials."""

from collections.abc import Sequence

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from model.domain.vocabulary import Blinding, Place
from model.trial import MINUTES_A_RUN, MINUTES_BESIDES, OWN_BOW_RUNS, needs_repeat, order
from service.tables import Composition, Slot, Trial

USUAL_MINUTES = 60
"""Where nobody said how much time there is."""
RECENT = 2
"""Where so many trials in the shop before had no hidden repeat, this one has: one in three at the least."""


def next_number(session: Session, dealer: str) -> int:
    """Return the running number of the dealer's next trial; the dealer's row is to be locked."""
    counted = select(func.max(Composition.number)).where(Composition.dealer == dealer)
    return (session.scalar(counted) or 0) + 1


def wants_repeat(session: Session, dealer: str, place: Place, blinding: Blinding) -> bool:
    """Say whether a bow is to be played twice unannounced in the dealer's next trial; the rule counts trials in the shop.

    Never where the player sees which bow it is, and never by post, where one bow would carry two loops.
    """
    if blinding is Blinding.OPEN or place is Place.POST:
        return False
    in_shop = (Composition.dealer == dealer) & Trial.place.is_distinct_from(Place.POST)
    earlier_trials = select(Composition.repeat).join(Trial, Trial.id == Composition.trial).where(in_shop)
    recent = session.scalars(earlier_trials.order_by(Composition.number.desc()).limit(RECENT)).all()
    played = session.scalar(select(func.count()).select_from(earlier_trials.subquery())) or 0
    return needs_repeat(played) or (len(recent) == RECENT and not any(recent))


def minutes_of(runs: int) -> int:
    """Return how long so many runs take."""
    return MINUTES_A_RUN * runs + MINUTES_BESIDES


def own_plays(copies: int, minutes: int, repeat: bool, plays_no_bow: bool) -> int:
    """Return how often the own bow is rated: twice, once with little time, never where there is none."""
    if plays_no_bow:
        return 0
    return OWN_BOW_RUNS if minutes_of(copies + repeat + OWN_BOW_RUNS) <= minutes else 1


def repeat_fits(copies: int, minutes: int, plays_no_bow: bool) -> bool:
    """Say whether a repeat can be hidden, and there is time for it."""
    own = 0 if plays_no_bow else 1
    return copies + own > 1 and minutes_of(copies + 1 + own) <= minutes


def lay_out(session: Session, composition: Composition, copies: Sequence[str]) -> None:
    """Draw letters and order of a trial's bows anew, in place of those before."""
    session.execute(delete(Slot).where(Slot.trial == composition.trial))
    how = {"rotation": composition.number - 1, "own_plays": composition.own_plays}
    drawn = order(len(copies), composition.seed, repeat=composition.repeat, **how)
    # The order of serials must not depend on the order of clicking: seed and number alone decide.
    bows = sorted(copies)
    for slot in drawn.slots:
        copy = None if slot.bow is None else bows[slot.bow]
        session.add(Slot(trial=composition.trial, position=slot.position, letter=slot.letter, copy=copy))
