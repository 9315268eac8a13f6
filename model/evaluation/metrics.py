"""How good predictions were: errors, right pairs, log losses, intervals and first choices, each with its standard error."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Self

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr

from model.domain.arrays import Flags, Floats, Ints
from model.domain.intervals import SCALE, interval_on_scale, likely_marks

LEVELS = (0.5, 0.9)
"""Probabilities of the intervals that are looked at."""
TINY = 1e-9
NONE = np.zeros(0, dtype=np.intp)


@dataclass(frozen=True, slots=True)
class ClusteredMean:
    """A mean and its standard error."""

    mean: float
    error: float

    @classmethod
    def of(cls, values: ArrayLike, cluster: ArrayLike | None = None) -> Self:
        """Return the mean of (n,) values, its error counted by clusters of values that belong together.

        The error is the cluster-robust one, sqrt(sum over clusters of (sum of deviations)^2) / n (Liang & Zeger 1986,
        Biometrika 73: 13), times sqrt(g / (g - 1)) for g clusters: with one value a cluster, the usual one. With one
        cluster it is infinite, without a value both are NaN.
        """
        given = np.asarray(values, dtype=np.float64)
        if not len(given):
            return cls(np.nan, np.nan)
        labels = np.arange(len(given)) if cluster is None else np.asarray(cluster)
        _, code = np.unique(labels, return_inverse=True)
        sums = np.bincount(code, weights=given - given.mean())
        groups = len(sums)
        scale = np.sqrt(groups / (groups - 1)) if groups > 1 else np.inf
        spread = np.sqrt((sums**2).sum()) if groups > 1 else 1.0
        return cls(float(given.mean()), float(scale * spread / len(given)))

    def __str__(self) -> str:
        return f"{self.mean:.3f} ± {self.error:.3f}"

    def signed(self) -> str:
        """Return it with the sign of the mean, for a difference."""
        return f"{self.mean:+.3f} ± {self.error:.3f}"


@dataclass(frozen=True, slots=True)
class Predictions:
    """Ratings of one trial and what M methods foretold of them, G of which tell a joint normal law.

    Attributes
    ----------
    copy, tier : (n,) serial and slug of each rated bow.
    tried : (n,) whether the ratings told before hold one of the same copy.
    value : (n,) as rated.
    mean : (M, n) as foretold, the G first.
    cov : (G, n, n) of the ratings to come, noise included.
    """

    player: str
    copy: tuple[str, ...]
    tier: tuple[str, ...]
    tried: Flags
    value: Floats
    mean: Floats
    cov: Floats


@dataclass(frozen=True, slots=True)
class Inside:
    """How many ratings lay in what was told as holding them with a probability near ``level``, and how wide that was, in points.

    ``told`` : the mean probability told: the level itself but of whole marks, which seldom meet it.
    """

    level: float
    share: ClusteredMean
    width: float
    told: float


@dataclass(frozen=True, slots=True)
class Score:
    """One method's figures; for all but `pair_accuracy` less is better.

    Attributes
    ----------
    rmse : root mean squared error, in points.
    log_loss : minus the log of the normal density at the rating; for a method that tells no deviation, with the one that
        turned out, known afterwards only: in its favour.
    pair_accuracy : share of pairs of two bows of a trial, not rated alike, that were foretold the right way round; a pair
        foretold alike counts a half.
    pair_log_loss : minus the log of the probability of the right way round, given that the two are not rated alike.
    regret : best rating of the bows ahead minus that of the method's first choice, in points.
    inside : by level.
    better : by how much the first method is better than this one, by figure, positive where it is.
    """

    method: str
    rmse: ClusteredMean
    log_loss: ClusteredMean
    pair_accuracy: ClusteredMean
    pair_log_loss: ClusteredMean
    regret: ClusteredMean
    inside: tuple[Inside, ...]
    better: Mapping[str, ClusteredMean]


@dataclass(frozen=True, slots=True)
class Part:
    """A part of the ratings, as the first method foretold them."""

    name: str
    ratings: int
    rmse: ClusteredMean
    inside: tuple[Inside, ...]


def _codes(labels: Iterable[str]) -> Ints:
    """Return (n,) a number for each label, the same for the same."""
    table: dict[str, int] = {}
    return np.array([table.setdefault(label, len(table)) for label in labels], dtype=np.intp)


@lru_cache(maxsize=64)
def _places(n: int) -> tuple[Ints, Ints]:
    """Return the places of every two of n."""
    one, other = np.triu_indices(n, 1)
    return one.astype(np.intp), other.astype(np.intp)


def _with_own(told: Floats, found: Floats) -> Floats:
    """Return deviations (M, n): the G told ones (G, n), and for the others the root mean square of the errors (M, N)."""
    untold = found[len(told) :]
    rest = np.sqrt((untold**2).sum(axis=1, keepdims=True) / max(untold.shape[1], 1))
    return np.asarray(np.maximum(np.vstack([told, np.broadcast_to(rest, (len(untold), told.shape[1]))]), TINY))


class ScoreTable:
    """Foretold ratings joined: N ratings, P pairs, and one choice a trial; ``ends`` of the scale that they are given on.

    ``whole``: they are whole marks, and likely ones are told in the place of an interval, as the advice does. ``of_copies``: copies were held out, so errors of single ratings go together by copy, not by player.
    """

    def __init__(
        self,
        methods: Sequence[str],
        foretold: Sequence[Predictions],
        ends: tuple[float, float] = SCALE,
        of_copies: bool = False,
        whole: bool = False,
    ) -> None:
        self.methods, self.ends, self.of_copies, self.whole = tuple(methods), ends, of_copies, whole
        self.foretold = tuple(each for each in foretold if len(each.value))

    @cached_property
    def player(self) -> Ints:
        """(N,) number of each rating's player."""
        return np.repeat(_codes(each.player for each in self.foretold), [len(each.value) for each in self.foretold])

    @cached_property
    def value(self) -> Floats:
        """(N,) as rated."""
        return np.concatenate([np.zeros(0), *(each.value for each in self.foretold)])

    @cached_property
    def mean(self) -> Floats:
        """(M, N) as foretold."""
        return np.hstack([np.zeros((len(self.methods), 0)), *(each.mean for each in self.foretold)])

    @cached_property
    def error(self) -> Floats:
        """(M, N) rated less foretold."""
        return np.asarray(self.value - self.mean)

    @cached_property
    def deviation(self) -> Floats:
        """(M, N) standard deviations as told, or as they turned out where none was told."""
        told = [np.sqrt(np.diagonal(each.cov, axis1=1, axis2=2)) for each in self.foretold]
        return _with_own(np.hstack(told), self.error) if told else np.zeros((len(self.methods), 0))

    @cached_property
    def inside(self) -> dict[float, tuple[Flags, Floats, Floats]]:
        """By level, whether each rating lay in its interval (M, N), how wide that was (M, N), and its probability (M, N)."""
        return {level: self._inside(level) for level in LEVELS}

    def _inside(self, level: float) -> tuple[Flags, Floats, Floats]:
        if self.whole:
            low, high, told = likely_marks(self.mean, self.deviation, level)
        else:
            low, high = interval_on_scale(self.mean, self.deviation, level, self.ends)
            told = np.full_like(low, level)
        value = np.clip(self.value, *self.ends)
        return (low <= value) & (value <= high), high - low, told

    @cached_property
    def _couples(self) -> tuple[Ints, Ints, Floats]:
        """Ratings (Q,), (Q,) of two different copies of one trial, and their covariance (G, Q)."""
        if not self.foretold:
            return NONE, NONE, np.zeros((0, 0))
        start = np.cumsum([0, *(len(each.value) for each in self.foretold)])
        places = [_places(len(each.value)) for each in self.foretold]
        one, other = (
            np.concatenate([*(at[of] + first for at, first in zip(places, start, strict=False))]) for of in (0, 1)
        )
        copy = _codes([name for each in self.foretold for name in each.copy])
        different = copy[one] != copy[other]
        cov = np.hstack([each.cov[:, *at] for each, at in zip(self.foretold, places, strict=True)])
        return one[different], other[different], cov[:, different]

    @cached_property
    def _pairs(self) -> tuple[Ints, Floats, Floats]:
        """Players (P,), foretold lead of the better rated bow (M, P) and its deviation (M, P), of pairs not rated alike."""
        one, other, cov = self._couples
        lead, expected = self.value[one] - self.value[other], self.mean[:, one] - self.mean[:, other]
        unlike, variance = np.abs(lead) > TINY, self.deviation[: len(cov)] ** 2
        spread = np.sqrt(variance[:, one] + variance[:, other] - 2.0 * cov)
        deviation = _with_own(spread[:, unlike], lead - expected)
        return self.player[one[unlike]], (np.sign(lead) * expected)[:, unlike], deviation

    @cached_property
    def step(self) -> float:
        """The least difference of two ratings of a trial that are not alike: what the scale tells apart."""
        one, other, _ = self._couples
        found = np.abs(self.value[one] - self.value[other])
        return float(found[found > TINY].min(initial=np.inf))

    def _pair_log_loss(self, lead: Floats, spread: Floats) -> Floats:
        """Minus the log of the probability (M, P) that the difference has the sign it has, given that it has one.

        A difference of less than half a step is rounded to none. Where half of all pairs are alike, Phi(lead / spread),
        which leaves that out, is far from the share of the others that come the right way round.
        """
        right, wrong = (log_ndtr((of - self.step / 2.0) / spread) for of in (lead, -lead))
        return np.asarray(np.logaddexp(right, wrong) - right)

    @property
    def pairs(self) -> int:
        """P."""
        return len(self._pairs[0])

    @cached_property
    def _regrets(self) -> tuple[Ints, Floats]:
        """Players (T,) and regrets (M, T) of the trials with at least two bows to choose from.

        The regret is the best copy's mean rating less that of the first choice; of equal first choices, the mean.
        """
        copy = _codes([name for each in self.foretold for name in each.copy])
        trial = np.repeat(np.arange(len(self.foretold)), [len(each.value) for each in self.foretold])
        bows, bow = np.unique(trial * len(copy) + copy, return_inverse=True)
        of_trial, count = bows // max(len(copy), 1), np.bincount(bow)
        start = np.flatnonzero(np.diff(of_trial, prepend=-1))
        value = np.bincount(bow, self.value) / count
        mean = np.array([np.bincount(bow, of) / count for of in self.mean]).reshape(len(self.methods), -1)
        if not len(start):
            return NONE, mean
        first = mean >= np.maximum.reduceat(mean, start, axis=1)[:, of_trial] - TINY
        chosen = np.add.reduceat(first * value, start, axis=1) / np.add.reduceat(first, start, axis=1, dtype=np.float64)
        several = np.diff(start, append=len(of_trial)) > 1
        player = self.player[np.searchsorted(trial, of_trial[start[several]])]
        return player, (np.maximum.reduceat(value, start) - chosen)[:, several]

    @property
    def choices(self) -> int:
        """T, trials with a first choice."""
        return len(self._regrets[0])

    def _figures(self) -> dict[str, tuple[Floats, Ints]]:
        """By name a figure's terms (M, n), less being better, and their players (n,); `rmse` as squares."""
        pair_player, lead, spread = self._pairs
        regret_player, regret = self._regrets
        by = _codes(name for each in self.foretold for name in each.copy) if self.of_copies else self.player
        density = np.log(2.0 * np.pi * self.deviation**2) / 2.0 + (self.error / self.deviation) ** 2 / 2.0
        return {
            "rmse": (self.error**2, by),
            "log_loss": (density, by),
            "pair_accuracy": (0.5 - 0.5 * np.sign(np.round(lead, 9)), pair_player),
            "pair_log_loss": (self._pair_log_loss(lead, spread), pair_player),
            "regret": (regret, regret_player),
        }

    def scores(self) -> tuple[Score, ...]:
        """Return every method's figures."""
        figures = self._figures()
        return tuple(self._score(m, name, figures) for m, name in enumerate(self.methods))

    def _score(self, m: int, name: str, figures: Mapping[str, tuple[Floats, Ints]]) -> Score:
        found = {figure: ClusteredMean.of(terms[m], player) for figure, (terms, player) in figures.items()}
        right = found["pair_accuracy"]
        return Score(
            method=name,
            rmse=_root(found["rmse"]),
            log_loss=found["log_loss"],
            pair_accuracy=ClusteredMean(1.0 - right.mean, right.error),
            pair_log_loss=found["pair_log_loss"],
            regret=found["regret"],
            inside=self.intervals(m),
            better={} if m == 0 else {figure: _ahead(figure, terms, m, by) for figure, (terms, by) in figures.items()},
        )

    def intervals(self, m: int = 0, rows: Flags | None = None) -> tuple[Inside, ...]:
        """Return a method's intervals on some of the ratings (N,)."""
        rows = np.ones(len(self.value), dtype=bool) if rows is None else rows
        return tuple(
            Inside(
                level,
                ClusteredMean.of(of[0][m, rows], self.player[rows]),
                *(float(np.mean(each[m, rows])) for each in of[1:]),
            )
            for level, of in self.inside.items()
            if rows.any()
        )

    def parts(self) -> tuple[Part, ...]:
        """Return the first method's errors and intervals by whether the player had tried the copy before, and by tier."""
        if not self.foretold:
            return ()
        tried = np.concatenate([each.tried for each in self.foretold])
        tier = np.array([tier for each in self.foretold for tier in each.tier])
        rows = {"not tried before": ~tried, "tried before": tried}
        rows |= {f"tier {slug}": tier == slug for slug in np.unique(tier).tolist()}
        return tuple(self._part(name, of) for name, of in rows.items() if of.any())

    def _part(self, name: str, rows: Flags) -> Part:
        rmse = _root(ClusteredMean.of(self.error[0, rows] ** 2, self.player[rows]))
        return Part(name, int(rows.sum()), rmse, self.intervals(0, rows))


def _root(square: ClusteredMean) -> ClusteredMean:
    """Return the square root of a mean square, its error by the delta method."""
    root = float(np.sqrt(square.mean))
    return ClusteredMean(root, square.error / (2.0 * root) if root > 0 else 0.0)


def _ahead(figure: str, terms: Floats, m: int, player: Ints) -> ClusteredMean:
    """Return by how much the first method's figure is less than method ``m``'s, paired."""
    if figure != "rmse" or not terms.shape[1]:
        return ClusteredMean.of(terms[m] - terms[0], player)
    first, other = np.sqrt(terms[0].mean()), np.sqrt(terms[m].mean())
    linear = terms[m] / (2.0 * max(other, TINY)) - terms[0] / (2.0 * max(first, TINY))
    return ClusteredMean(float(other - first), ClusteredMean.of(linear, player).error)
