"""Chances told beforehand beside what came of them: whether bows are rated above the own one as often as was said.

What is told to players is the chance of true liking, which no trial shows. What the same law says of marks does show: that a bow is
rated above the mark which the own bow was given, and that at least one of several is.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from model.domain.records import Run
from model.domain.vocabulary import Criterion
from model.evaluation import reliability
from model.evaluation.metrics import ClusteredMean
from model.evaluation.reliability import NOT_BY_CHANCE, Bin, Forecasts, Goodness, Parts
from model.preference import LIKING, Player, level_to_beat
from model.trial import joint_posterior, one_above

OF_TIER, OF_COPY, BEST = KINDS = ("of_tier", "of_copy", "best")
"""Chances of a copy of the tier not yet played, of this very copy, and that at least one of the copies of a trial is above."""
TESTED = (OF_COPY, BEST)


@dataclass(frozen=True, slots=True)
class Comparison:
    """A chance told, held against the mark that the own bow had, or that stands for it where the player has none.

    ``won``: 1 where it was rated above, 0 below, a half where equal; of several, the best of them.
    """

    kind: str
    player: str
    told: float
    won: float


@dataclass(frozen=True, slots=True)
class Curve:
    """One kind of chance: its bins of a tenth, empty ones left out, and its Brier score with its parts."""

    count: int
    bins: tuple[Bin, ...]
    brier: ClusteredMean
    parts: Parts


@dataclass(frozen=True, slots=True)
class Calibration:
    """All comparisons.

    Attributes
    ----------
    count, players : single bows compared, and of how many players.
    won : share of them that won.
    curves : by kind, as the law has the chances.
    base : Brier score where everybody is told the share won; known afterwards only, in its favour.
    goodness : the test over all bins of `TESTED`; ``mended`` the same with each fold's chances recalibrated by the other folds.
    slope : of the recalibration that is used for every chance told, 1 where none is.
    """

    count: int
    players: int
    won: ClusteredMean
    curves: Mapping[str, Curve]
    base: ClusteredMean
    goodness: Goodness | None
    mended: Goodness | None
    slope: float


def compare(player: Player, name: str, runs: Sequence[Run]) -> list[Comparison]:
    """Return the comparisons of some runs' copies, each run once, with the own bow as told; none where it was not rated."""
    bar, place = level_to_beat(player.answers), {serial: k for k, serial in enumerate(player.suited.serials)}
    rated = {run.copy: run.ratings[Criterion.OVERALL] for run in runs if Criterion.OVERALL in run.ratings}
    marks = {str(copy): mark for copy, mark in rated.items() if copy in place}
    if bar is None or not marks:
        return []
    law = joint_posterior(player, LIKING, list(marks))
    tier = player.suited.tier_of[[place[copy] for copy in marks]]
    mean, cov = law.bows_mean, law.bows_cov + law.noise**2 * np.eye(len(marks))
    of_tier = ndtr((law.mean[tier] - bar) / np.sqrt(np.diag(law.cov)[tier] + law.spread[tier] ** 2 + law.noise**2))
    of_copy = ndtr((mean - bar) / np.sqrt(np.diag(cov)))
    won = [_won(mark, bar) for mark in marks.values()]
    found = [
        Comparison(kind, name, float(told), came)
        for kind, chances in ((OF_TIER, of_tier), (OF_COPY, of_copy))
        for told, came in zip(chances, won, strict=True)
    ]
    if len(marks) > 1:
        found.append(Comparison(BEST, name, one_above(mean, cov, bar), _won(max(marks.values()), bar)))
    return found


def _won(mark: float, bar: float) -> float:
    return 0.5 + 0.5 * float(np.sign(round(mark - bar, 9)))


def calibrate(folds: Sequence[Sequence[Comparison]]) -> Calibration | None:
    """Sum up the comparisons of each fold; None without one."""
    every = [each for fold in folds for each in fold]
    if not every:
        return None
    given = {kind: _forecasts(every, kind) for kind in KINDS}
    single = given[OF_COPY]
    whole = Forecasts(np.full(len(single.came), single.came.mean()), single.came, single.player)
    found, mended = reliability.goodness([given[kind] for kind in TESTED]), _mended(folds)
    return Calibration(
        count=len(single.came),
        players=len(np.unique(single.player)),
        won=ClusteredMean.of(single.came, single.player),
        curves={kind: _curve(of) for kind, of in given.items() if len(of.told)},
        base=reliability.brier(whole),
        goodness=found,
        mended=mended,
        slope=_slope(every) if found is not None and found.p < NOT_BY_CHANCE else 1.0,
    )


def _forecasts(comparisons: Sequence[Comparison], kind: str) -> Forecasts:
    return Forecasts.of([(each.told, each.won, each.player) for each in comparisons if each.kind == kind])


def _curve(given: Forecasts) -> Curve:
    return Curve(len(given.told), reliability.bins(given), reliability.brier(given), reliability.parts(given))


def _slope(comparisons: Sequence[Comparison]) -> float:
    return reliability.slope(
        Forecasts.of([(each.told, each.won, each.player) for each in comparisons if each.kind in TESTED])
    )


def _mended(folds: Sequence[Sequence[Comparison]]) -> Goodness | None:
    """Return the test where each fold's chances are recalibrated by what came of the others'."""
    mapped: dict[str, list[Forecasts]] = {kind: [] for kind in TESTED}
    for place, fold in enumerate(folds):
        others = [each for other, of in enumerate(folds) if other != place for each in of]
        by = _slope(others) if others else 1.0
        for kind in TESTED:
            mapped[kind].append(_forecasts(fold, kind).mapped(by))
    return reliability.goodness([_joined(of) for of in mapped.values()])


def _joined(of: Sequence[Forecasts]) -> Forecasts:
    return Forecasts(
        np.concatenate([each.told for each in of]),
        np.concatenate([each.came for each in of]),
        np.concatenate([each.player for each in of]),
    )
