"""Chances told beforehand beside what came of them: whether bows are rated above the own one as often as was said."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from model.outlook import Standing
from model.personal import compared_weights, utility_weights
from model.records import Run
from model.scores import Estimate
from model.vocabulary import CRITERIA
from model.yardstick import KnownBow

Floats = NDArray[np.float64]
BINS = 10


@dataclass(frozen=True, slots=True)
class Comparison:
    """One copy held out against the own bow, or against the mark that stands for it where the player has none.

    Attributes
    ----------
    won : 1 where the copy was rated above, 0 below, a half where equal.
    of_tier, of_copy : the probability told beforehand: of a copy of its tier (`beats_own_bow`), of this very copy.
    """

    player: str
    won: float
    of_tier: float
    of_copy: float


@dataclass(frozen=True, slots=True)
class Bin:
    """Chances from ``low`` to ``high``: how many, the mean told, and the share that won."""

    low: float
    high: float
    count: int
    told: float
    won: Estimate


@dataclass(frozen=True, slots=True)
class Calibration:
    """All comparisons.

    Attributes
    ----------
    count, players : comparisons, and of how many players.
    won : share won.
    of_tier, of_copy : the chances by bins of a tenth, empty ones left out.
    brier_tier, brier_copy : mean squared difference of chance and outcome (Brier 1950, Mon. Weather Rev. 78: 1).
    brier_base : the same where everybody is told the share won; known afterwards only, in its favour.
    """

    count: int
    players: int
    won: Estimate
    of_tier: tuple[Bin, ...]
    of_copy: tuple[Bin, ...]
    brier_tier: Estimate
    brier_copy: Estimate
    brier_base: Estimate


def marks(outlook: Standing, runs: Sequence[Run]) -> Iterator[tuple[Run, float]]:
    """Give the runs that were rated on every criterion of the comparison with the own bow, with their weighted mark."""
    weights, _ = compared_weights(outlook.answers, utility_weights(outlook.answers, outlook.priority_weight))
    counted = {criterion: float(weight) for criterion, weight in zip(CRITERIA, weights, strict=True) if weight}
    for run in runs:
        if counted.keys() <= run.ratings.keys():
            yield run, sum(weight * run.ratings[criterion] for criterion, weight in counted.items())


def compare(outlook: Standing, player: str, runs: Sequence[Run]) -> Iterator[Comparison]:
    """Give the comparisons of some runs' copies with the own bow as told; none where it was not rated."""
    bow, stock = outlook.yardstick, outlook.stock
    if not isinstance(bow, KnownBow):
        return
    place = {serial: k for k, serial in enumerate(stock.serials)}
    for run, mark in marks(outlook, runs):
        if run.copy in place:
            k = place[run.copy]
            tier = stock.tier[k]
            spread = np.sqrt(outlook.cov[tier, tier] + stock.spread[k] ** 2 + outlook.noise**2)
            yield Comparison(
                player=player,
                won=0.5 + 0.5 * float(np.sign(round(mark - bow.level, 9))),
                of_tier=float(outlook.beats_own_bow[tier]),
                of_copy=float(ndtr((outlook.mean[tier] + stock.offset[k] - bow.level) / spread)),
            )


def calibrate(comparisons: Sequence[Comparison]) -> Calibration | None:
    """Sum up comparisons; None without one."""
    if not comparisons:
        return None
    player = np.array([each.player for each in comparisons])
    won, of_tier, of_copy = np.array([(each.won, each.of_tier, each.of_copy) for each in comparisons]).T
    brier = [Estimate.of((told - won) ** 2, player) for told in (of_tier, of_copy, np.full(len(won), won.mean()))]
    return Calibration(
        count=len(won),
        players=len(np.unique(player)),
        won=Estimate.of(won, player),
        of_tier=_bins(of_tier, won, player),
        of_copy=_bins(of_copy, won, player),
        brier_tier=brier[0],
        brier_copy=brier[1],
        brier_base=brier[2],
    )


def _bins(told: Floats, won: Floats, player: NDArray[np.str_]) -> tuple[Bin, ...]:
    number = np.minimum((told * BINS).astype(np.intp), BINS - 1)
    found = []
    for b in np.unique(number).tolist():
        here = number == b
        share = Estimate.of(won[here], player[here])
        found.append(Bin(b / BINS, (b + 1) / BINS, int(here.sum()), float(told[here].mean()), share))
    return tuple(found)
