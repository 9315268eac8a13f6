"""How a trial stands: what the sheets so far say of each bow, by letter until the key is revealed, and what to do next."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.orm import Session


@dataclass(frozen=True, slots=True)
class BowStanding:
    """One bow of the trial.

    Attributes
    ----------
    letters : under which it was played; two where the hidden repeat is revealed or of no more use; empty for the own bow.
    plays : how often it was rated. ``mark``: the mean of its overall marks, None while not rated.
    expected, low, high : its posterior liking with an interval of probability .9, within 1 to 7; None while not rated.
    best : probability that it is the best of those here; None while not rated.
    copy, tier_name : once revealed.
    cannot_tell : how often a criterion could not be told.
    """

    letters: tuple[str, ...]
    own: bool
    plays: int
    mark: float | None
    expected: float | None
    low: float | None
    high: float | None
    best: float | None
    copy: str | None
    tier_name: str | None
    cannot_tell: int


@dataclass(frozen=True, slots=True)
class Recommendation:
    """What to do next. ``say``: go_on, replay, bring_more, stop; ``text``: in plain words with its reason."""

    say: str
    text: str
    letters: tuple[str, ...]
    tier: str | None
    tier_name: str | None


@dataclass(frozen=True, slots=True)
class ListenerRow:
    """One listener's sheet, by letter: ratings by criterion, 'cannot_tell' where it could not be told."""

    letter: str
    own: bool
    ratings: Mapping[str, int | str]
    note: str | None


@dataclass(frozen=True, slots=True)
class StandingView:
    """How a trial stands. ``drift``, ``repeat``: sentences, None while there is nothing to say; ``flags``: sentences for staff."""

    bows: tuple[BowStanding, ...]
    recommendation: Recommendation
    drift: str | None
    repeat: str | None
    listener: tuple[ListenerRow, ...]
    revealed: bool
    sheets_in: int
    sheets_of: int
    flags: tuple[str, ...]


def standing(session: Session, dealer: str, key: str) -> StandingView:
    """Return how a trial stands; raises `NotHere`."""
    raise NotImplementedError
