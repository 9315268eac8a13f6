"""A trial composed from the stock at hand: which bows, with reasons and the chance of exactly these; then set aside for it."""

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy.orm import Session

from service.forms import Questionnaire
from service.forms.composing import Composing


@dataclass(frozen=True, slots=True)
class BowChoice:
    """One bow that could be brought.

    Attributes
    ----------
    expected, low, high : the mark this player can be expected to give it, and its interval of probability .9, within 1 to 7.
    reason : a sentence on why, or why not.
    blocked : a sentence on why it cannot be had on these days; None where it can.
    """

    copy: str
    tier: str
    tier_name: str
    price: float | None
    currency: str | None
    expected: float
    low: float
    high: float
    reason: str
    chosen: bool
    blocked: str | None


@dataclass(frozen=True, slots=True)
class ByCopies:
    """What so many bows promise, best case each, from the stock at hand."""

    copies: int
    chance: float
    gain: float


@dataclass(frozen=True, slots=True)
class Proposal:
    """What to bring.

    Attributes
    ----------
    bows : the chosen first, best first, then the next best of each tier of the shortlist; at most 30.
    chance, gain : that at least one of exactly the chosen is rated above the own bow; points expected to be won; None without any.
    by_copies : the best case of 1 to 6 bows from the stock at hand.
    runs, minutes : length of the trial with the chosen bows.
    recommended : the serials that the plan would bring, best first.
    lacking, notes : sentences.
    basis : 'trials', or 'prior' where few trials stand behind it and no percentage is shown.
    document : the advice document, for `service.words`.
    """

    bows: tuple[BowChoice, ...]
    chance: float | None
    gain: float | None
    by_copies: tuple[ByCopies, ...]
    runs: int
    minutes: int
    recommended: tuple[str, ...]
    lacking: tuple[str, ...]
    notes: tuple[str, ...]
    basis: str
    model_version: int | None
    document: Mapping[str, Any]


def propose(
    session: Session,
    dealer: str,
    questionnaire: Questionnaire,
    *,
    chosen: Sequence[str] | None = None,
    on: dt.date | None = None,
    due_back: dt.date | None = None,
) -> Proposal:
    """Say which bows of the dealer's stock to bring, and what exactly the ``chosen`` ones promise (None: the recommended).

    Raises
    ------
    Invalid
        A chosen bow that is unknown, another dealer's, or for another instrument or hold; tried bows likewise.
    """
    raise NotImplementedError


def compose(session: Session, user: int | None, dealer: str, request: Composing) -> str:
    """Compose a trial, set its bows aside, and return its key; a repeat with the same id returns the same trial.

    Raises
    ------
    NotHere
        An enquiry, player or earlier trial that is not this dealer's.
    Refused
        A bow is reserved for another trial in these days, or cannot be had; the sentence names trial and days.
    Invalid
        A bow that is unknown here or does not suit the instrument.
    """
    raise NotImplementedError
