"""What one player can be expected to like of a tier's bows, by two of their bench values: the model asked about bows that could be."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import ndtr
from sqlalchemy.orm import Session

from model.domain.arrays import Floats, Ints
from model.domain.records import Bench, Copy, Range
from model.domain.vocabulary import Basis
from model.preference import LIKING, CataloguePosterior, Player, prediction_of
from service.advice import advise
from service.modelling import catalogue
from service.players import known, overview
from service.players.enquiry_access import own

STEPS = 9
"""Bows that could be, each way."""
LEAST_TOLD = 0.1
"""Points of liking from end to end below which nothing is said to be liked better (a judgement, no source)."""
Span = tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class LikingMap:
    """What is expected of the overall mark over two quantities.

    ``across``, ``up``: (n,) values of the two. ``liking``: (n, n) by ``up`` and ``across``.
    ``chance``: that the best liked of these bows is truly liked better than the least.
    ``trials``: that they speak, and not the beliefs before them alone.
    """

    across: Floats
    up: Floats
    liking: Floats
    chance: float
    trials: bool

    @property
    def told(self) -> float:
        """From the least liked to the best, in points."""
        return float(np.ptp(self.liking))


@dataclass(frozen=True, slots=True)
class Whose:
    """Over whose liking a picture is laid: who made an enquiry, or a player by key; '' where not."""

    enquiry: str = ""
    player: str = ""


def of_whom(
    session: Session, dealer: str, whose: Whose, tier: str, quantities: Sequence[str], spans: Sequence[Span]
) -> LikingMap | None:
    """Return what a dealer's player can be expected to like of a tier's bows; None where it does not suit their instrument or hold.

    Raises `NotFoundError`: it is no enquiry, or no player, of this dealer.
    """
    if whose.enquiry:
        answers = known.read(own(session, dealer, whose.enquiry).answers)
    else:
        answers = overview.newest_answers(session, dealer, whose.player)
    if answers is None:
        return None
    marks = known.gathered(session, dealer, answers, enquiry=whose.enquiry or None, player=whose.player or None)
    considered = advise.consider(session, answers, at_hand=(), known=marks)
    outlook = considered.outlook
    if tier not in {each.slug for each in outlook.tiers}:
        return None
    across, up = (np.linspace(*span, STEPS) for span in spans)
    bows = {
        f"\x1f{place}": Copy(f"\x1f{place}", tier, None, Bench(**{quantities[0]: x, quantities[1]: y}))
        for place, (y, x) in enumerate(product(up.tolist(), across.tolist()))
    }
    view, range_ = considered.view, considered.now_on_sale.range
    rated = {run.copy for run in considered.runs}
    copies = {serial: copy for serial, copy in range_.copies.items() if copy.tier == tier or serial in rated}
    stretches = catalogue.current(session).stretches
    over = CataloguePosterior(view.posterior, Range(range_.tiers, copies | bows), stretches, view.slope)
    player = Player(over, outlook.answers, considered.runs)
    there = np.array([over.suited(outlook.answers.instrument, outlook.answers.hold).place[serial] for serial in bows])
    prediction = prediction_of(player)
    liking = prediction.mean[prediction.stock.tier[there]] + prediction.stock.offset[there]
    ends = there[[int(liking.argmax()), int(liking.argmin())]]
    return LikingMap(across, up, liking.reshape(STEPS, STEPS), _chance(player, ends), prediction.basis is Basis.TRIALS)


def _chance(player: Player, ends: Ints) -> float:
    """Return how likely the first of two bows is truly liked better by its bench values than the second."""
    two = player.copies(LIKING).at(ends)
    mean, told = player.after(two, player.shared_with_ratings(LIKING)[ends])
    law = player.kernel.covariance(two, two) - told.T @ told
    variance = float(law[0, 0] + law[1, 1] - 2.0 * law[0, 1])
    return float(ndtr((mean[0] - mean[1]) / math.sqrt(variance))) if variance > 0.0 else 0.5
