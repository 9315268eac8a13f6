"""Told chances beside what came of them: bins, a test over all bins, the parts of the Brier score, and one map that mends them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, logit

from model.domain.arrays import Floats, Ints
from model.evaluation.metrics import ClusteredMean
from model.preference import recalibrated

BINS = 10
FEWEST_IN_A_BIN = 20
"""Neighbouring bins are joined for the test until each holds so many."""
NOT_BY_CHANCE = 0.01
"""Below this probability the deviations of all bins together are taken for more than chance."""
STEEPEST = 4.0
"""The map makes chances at most so many times as sure, or as unsure, on the logit's scale."""
SURE = 1e-6
"""Chances nearer to 0 or 1 are taken as so near: a sure one has no logit."""


@dataclass(frozen=True, slots=True)
class Forecasts:
    """Chances told (n,), what came of them (n,): 1, 0, or a half; and whose (n,), since those of one player hang together."""

    told: Floats
    came: Floats
    player: NDArray[np.str_]

    @classmethod
    def of(cls, rows: Sequence[tuple[float, float, str]]) -> "Forecasts":
        """Return forecasts from (told, came, player)."""
        told, came = np.array([row[:2] for row in rows], dtype=np.float64).reshape(-1, 2).T
        return cls(told, came, np.array([row[2] for row in rows], dtype=np.str_))

    def mapped(self, slope: float) -> "Forecasts":
        """Return them with the chances recalibrated."""
        return Forecasts(recalibrated(self.told, slope), self.came, self.player)


@dataclass(frozen=True, slots=True)
class Bin:
    """Chances from ``low`` to ``high``: how many, the mean told, and the share that came true."""

    low: float
    high: float
    count: int
    told: float
    won: ClusteredMean


@dataclass(frozen=True, slots=True)
class Parts:
    """The Brier score in parts: reliability - resolution + uncertainty + within.

    As Murphy 1973 (J. Appl. Meteor. 12: 595) for chances of which there are few different ones; ``within`` is what the chances of one
    bin differ among themselves (Stephenson, Coelho & Jolliffe 2008, Weather Forecast. 23: 752), 0 where they are all alike.
    """

    reliability: float
    resolution: float
    uncertainty: float
    within: float


@dataclass(frozen=True, slots=True)
class Goodness:
    """Whether the chances told differ from what came of them by more than chance, all bins together.

    Attributes
    ----------
    statistic : chi-square with as many degrees of freedom as ``bins``, of the kind of chances that is furthest off.
    p : probability of as much or more where all chances are right, the number of kinds allowed for.
    """

    statistic: float
    bins: int
    p: float


def _number(told: Floats) -> Ints:
    """Return (n,) the bin of each chance: a tenth each, 1 in the last."""
    return np.minimum((told * BINS).astype(np.intp), BINS - 1)


def bins(given: Forecasts, *, joined: bool = False) -> tuple[Bin, ...]:
    """Return the bins of a tenth that hold any; ``joined`` with their neighbours as for the test, until each holds enough."""
    number, found = _number(given.told), []
    code = _joined(number) if joined else number
    for b in np.unique(code).tolist():
        here = code == b
        low, high, share = (
            number[here].min(),
            number[here].max(),
            ClusteredMean.of(given.came[here], given.player[here]),
        )
        found.append(Bin(low / BINS, (high + 1) / BINS, int(here.sum()), float(given.told[here].mean()), share))
    return tuple(found)


def spread_if_right(given: Forecasts) -> float:
    """Return the share of the variance told (1 - told) that outcomes have: 1 of wins and losses, less where halves or shares came."""
    variance = np.maximum(given.told * (1.0 - given.told), SURE)
    return min(1.0, max(float(((given.came - given.told) ** 2).sum() / variance.sum()), SURE))


def brier(given: Forecasts) -> ClusteredMean:
    """Return the mean squared difference of chance and outcome (Brier 1950, Mon. Weather Rev. 78: 1)."""
    return ClusteredMean.of((given.told - given.came) ** 2, given.player)


def parts(given: Forecasts) -> Parts:
    """Return the parts of the Brier score by bins of a tenth; half an outcome counts as it is."""
    _, code = np.unique(_number(given.told), return_inverse=True)
    count = np.bincount(code)
    told, came = np.bincount(code, given.told) / count, np.bincount(code, given.came) / count
    share, whole = count / count.sum(), given.came.mean()
    apart = given.told - told[code]
    return Parts(
        reliability=float(share @ (told - came) ** 2),
        resolution=float(share @ (came - whole) ** 2),
        uncertainty=float(np.mean((given.came - whole) ** 2)),
        within=float(np.mean(apart**2) - 2.0 * np.mean(apart * (given.came - came[code]))),
    )


def goodness(sets: Sequence[Forecasts]) -> Goodness | None:
    """Test all bins of one or several kinds of forecasts; None where there are too few players.

    Each kind by itself; of several the one that is furthest off, its probability times their number (Bonferroni), since kinds hang
    together in ways that are not known well enough for one test of all.
    """
    found = [each for each in map(_tested, sets) if each is not None]
    if not found:
        return None
    worst = min(found, key=lambda each: each.p)
    return Goodness(worst.statistic, worst.bins, min(1.0, len(found) * worst.p))


def _tested(given: Forecasts) -> Goodness | None:
    """Test all bins of one kind of forecasts.

    The sums by bin of came - told are compared with their covariance if all chances were right: each deviation has the variance
    told (1 - told), less so far as halves came (for a tie), and deviations of one player correlate by one number, found from them.
    Bins with fewer than `FEWEST_IN_A_BIN` are joined with the next.
    """
    names, whose = np.unique(given.player, return_inverse=True)
    code = _joined(_number(given.told))
    bins_ = int(code.max(initial=-1)) + 1
    if len(names) <= bins_ + 1:
        return None
    apart, variance = given.came - given.told, np.maximum(given.told * (1.0 - given.told), SURE)
    deviation = np.sqrt(variance * spread_if_right(given))
    scaled, sizes = np.bincount(whose, apart / deviation), np.bincount(whose)
    pairs = float(sizes @ sizes - len(whose))
    products = float(scaled @ scaled - ((apart / deviation) ** 2).sum())
    alike = min(max(products / pairs, 0.0), 1.0) if pairs else 0.0
    by_player = np.zeros((len(names), bins_))
    np.add.at(by_player, (whose, code), deviation)
    cov = alike * by_player.T @ by_player + (1.0 - alike) * np.diag(np.bincount(code, deviation**2))
    total = np.bincount(code, apart)
    statistic = float(total @ np.linalg.pinv(cov, hermitian=True) @ total)
    return Goodness(statistic, bins_, float(chdtrc(bins_, statistic)))


def _joined(number: Ints) -> Ints:
    """Return (n,) ascending numbers of bins, each with enough forecasts; the last ones are joined backwards."""
    count, at, code = np.bincount(number, minlength=BINS), 0, np.zeros(BINS, dtype=np.intp)
    here = 0
    for b in range(BINS):
        code[b] = at
        here += int(count[b])
        if here >= FEWEST_IN_A_BIN and count[b + 1 :].sum() >= FEWEST_IN_A_BIN:
            at, here = at + 1, 0
    return code[number]


def slope(given: Forecasts) -> float:
    """Return the slope on the logit's scale under which the outcomes are most likely: below 1 where chances are told too boldly."""
    from scipy.optimize import minimize_scalar  # noqa: PLC0415 - only a check-up needs it, and it is slow to load

    z = logit(np.clip(given.told, SURE, 1.0 - SURE))

    def loss(log_slope: float) -> float:
        by = np.exp(log_slope) * z
        return float(np.mean(given.came * np.logaddexp(0.0, -by) + (1.0 - given.came) * np.logaddexp(0.0, by)))

    found = minimize_scalar(
        loss, bounds=(-np.log(STEEPEST), np.log(STEEPEST)), method="bounded", options={"xatol": 1e-6}
    )
    return float(np.exp(found.x))
