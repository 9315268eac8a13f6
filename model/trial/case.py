"""Which bows to bring: the case that is expected to win most, chosen among bows by name under their joint law.

At the trial every bow of the case is rated once, the own bow too, and the one with the highest expected liking after that is taken,
the own bow included. What a case wins is then E[max of the expectations after the trial] - the own bow's, which one bow more never
lowers: there is one more to take, and one sheet more to learn from. The expectations after the trial are jointly normal; their
largest is averaged over points that are the same for all cases, so that cases are compared without noise of their own.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from model.domain.arrays import Flags, Floats, Ints
from model.preference import recalibrated
from model.trial.law import UtilityDistribution
from model.trial.points import normal_points, uniform_points

MOST_BOWS = 6
"""A player keeps four to six bows apart in one sitting (common practice, no source)."""
MOST_TIERS = 3
AT_LEAST_BOWS, AT_LEAST_TIERS = 3, 2
"""Never judge by one bow, nor a tier by one copy (common practice, no source) ..."""
UNLESS_IT_COSTS = 0.05
"""... unless that costs more than so many points."""
SEARCH_LOG2, ROWS_LOG2, CHANCE_LOG2 = 8, 9, 8
"""Points, as powers of two: while cases are compared (with 128 they err by up to .007 points, more than an exchange wins), for the
gains that are told, for the chances."""
BETTER = 1e-4
"""An exchange has to win so many points, so that the search ends."""
ENOUGH_WITHIN = 2
"""A bow dearer than the budget comes beside so many within it, as far as there are that many."""
SWEEPS = 2
"""How often every bow of the case is tried against every other candidate."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """The n bows that may be brought.

    Attributes
    ----------
    tier : (n,) a number for each one's tier.
    beyond : (n,) dearer than the budget, within the stretch.
    wanted : (n,) comes whatever it wins: the player rated it above the own bow.
    """

    tier: Ints
    beyond: Flags
    wanted: Flags

    def at(self, bows: Sequence[int]) -> "Candidates":
        """Return some of them."""
        places = np.array(bows, dtype=np.intp)
        return Candidates(self.tier[places], self.beyond[places], self.wanted[places])


@dataclass(frozen=True, slots=True)
class CaseValue:
    """The case of so many bows: the chance that at least one is truly liked better than the own bow, and the gain in points."""

    copies: int
    chance: float
    gain: float


@dataclass(frozen=True, slots=True)
class Case:
    """The bows to bring.

    Attributes
    ----------
    bows : places among the candidates of the recommended case, the most useful first.
    rows : of 1, 2, ... bows, each one bow more than the one before, through the recommended case; neither figure ever falls.
    path : (rows,) the bow that each row adds, as a place among the candidates.
    clearly : probability that at least one of the recommended bows is better by a difference one would notice.
    """

    bows: tuple[int, ...]
    rows: tuple[CaseValue, ...]
    path: tuple[int, ...]
    clearly: float

    @property
    def row(self) -> CaseValue:
        """The row of the recommended case."""
        return self.rows[len(self.bows) - 1]


class _Expectations:
    """What every bow is expected to be liked after sheets still to come: paths (n + 1, N), the own bow's first; never changed."""

    __slots__ = ("cov", "heard", "noise", "paths", "z")

    def __init__(self, z: Floats, paths: Floats, cov: Floats, noise: float, heard: tuple[int, ...]) -> None:
        self.z, self.paths, self.cov, self.noise, self.heard = z, paths, cov, noise, heard

    @classmethod
    def before(cls, law: UtilityDistribution, log2: int = SEARCH_LOG2, bows: int = MOST_BOWS) -> "_Expectations":
        """Return them after a sheet of the own bow alone, where there is one; ``z`` has a row for each sheet to come."""
        z = normal_points(bows + 1, log2).T
        start = cls(z, np.repeat(law.mean[:, None], z.shape[1], axis=1), law.cov, law.noise**2, ())
        if law.no_own:
            start.heard = (0,)
            return start
        return start.after(0)

    def after(self, bow: int) -> "_Expectations":
        """Return them with one more bow rated: everything moves along with what its sheet says."""
        step = self.cov[:, bow] / np.sqrt(self.cov[bow, bow] + self.noise)
        paths = np.multiply.outer(step, self.z[0])
        paths += self.paths
        return _Expectations(self.z[1:], paths, self.cov - step[:, None] * step, self.noise, (*self.heard, bow))

    def best(self) -> float:
        """Return the expected largest of what is expected of the bows rated, the own bow among them."""
        return float(np.add.reduce(np.maximum.reduce(self.paths[list(self.heard)])) / self.paths.shape[1])

    def best_with_each(self, bows: Ints) -> Floats:
        """Return (m,) the same with each of some bows (m,) rated besides."""
        variance, z = self.cov[bows, bows], self.z[0]
        root = np.sqrt(variance + self.noise)
        most = np.multiply.outer(variance / root, z)
        most += self.paths[bows]
        other = np.empty_like(most)
        for bow in self.heard:
            np.multiply.outer(self.cov[bow, bows] / root, z, out=other)
            other += self.paths[bow]
            np.maximum(most, other, out=most)
        return np.asarray(most.mean(axis=1))


def expected_gains(law: UtilityDistribution, path: Sequence[int], log2: int = ROWS_LOG2) -> Floats:
    """Return (n,) what the first 1, 2, ... bows of a path win, in points over the own bow; it never falls."""
    found = np.zeros(len(path))
    paths = _Expectations.before(law.only([bow + 1 for bow in path]), log2, max(len(path), MOST_BOWS))
    for row in range(len(path)):
        paths = paths.after(row + 1)
        found[row] = paths.best() - law.mean[0]
    # What is left of the points' error, below a thousandth, must not let a row fall.
    return np.asarray(np.maximum.accumulate(np.maximum(found, 0.0)))


def win_probabilities(law: UtilityDistribution, path: Sequence[int], by: float = 0.0) -> Floats:
    """Return (n,) the probability that at least one of the first 1, 2, ... bows of a path is better than the own bow ``by`` points.

    By separation of variables (Genz 1992, J. Comput. Graph. Stat. 1: 141), bow after bow in the order of the path: each factor is
    at most 1, so that no row falls. Told as the law's recalibration has it.
    """
    mean, cov = law.only([bow + 1 for bow in path]).ahead()
    n = len(mean)
    if not n:
        return np.zeros(0)
    lower = np.linalg.cholesky(cov + 1e-10 * max(float(cov.diagonal().max()), 1e-6) * np.eye(n))
    points = uniform_points(n - 1, CHANCE_LOG2)
    y, none, found = np.zeros((len(points), n)), np.ones(len(points)), np.zeros(n)
    for k in range(n):
        at_most = ndtr((by - mean[k] - y[:, :k] @ lower[k, :k]) / lower[k, k])
        none = none * at_most
        found[k] = 1.0 - np.add.reduce(none) / len(none)
        if k < n - 1:
            y[:, k] = ndtri(np.minimum(np.maximum(points[:, k] * at_most, 1e-300), 1.0 - 1e-16))
    return recalibrated(np.minimum(np.maximum(found, 0.0), 1.0), law.slope)


def choose(
    law: UtilityDistribution, candidates: Candidates, *, limit: int, carry_cost: float, tiers: Sequence[int] = ()
) -> list[int]:
    """Return the places of the bows to bring: `Cases.choose`."""
    return Cases(law, candidates).choose(limit=limit, carry_cost=carry_cost, tiers=tiers)


def path_through(law: UtilityDistribution, candidates: Candidates, case: Sequence[int]) -> list[int]:
    """Return the bows of nested cases through one: `Cases.path_through`."""
    return Cases(law, candidates).path_through(case)


class Cases:
    """The cases that can be made of some candidates: bow k is row k + 1 of the law. What a case is worth is computed once."""

    def __init__(self, law: UtilityDistribution, candidates: Candidates) -> None:
        self.law, self.of = law, candidates
        self.within = int(np.count_nonzero(~candidates.beyond))
        self._paths: dict[tuple[int, ...], _Expectations] = {}
        self._worth: dict[tuple[int, ...], Floats] = {}

    def choose(self, *, limit: int, carry_cost: float, tiers: Sequence[int] = ()) -> list[int]:
        """Return the places of the bows to bring, in the order in which they were found; none where there are no candidates.

        Parameters
        ----------
        limit : most bows that there is time for, at least 1.
        carry_cost : of one more bow, in points.
        tiers : that must have a bow, as far as they have candidates and there is room.
        """
        return _Search(self, min(limit, MOST_BOWS), carry_cost).case(tiers)

    def path_through(self, case: Sequence[int]) -> list[int]:
        """Return the bows of nested cases through one: a smaller one drops the least useful bow, a larger one adds the most useful."""
        inner, rest = Cases(self.law.only([bow + 1 for bow in case]), self.of.at(case)), list(range(len(case)))
        dropped: list[int] = []
        while len(rest) > 1:
            without = [inner.worth([other for other in rest if other != bow]) for bow in rest]
            dropped.append(rest.pop(int(np.argmax(np.round(without, 9)))))
        path = [case[place] for place in [*rest, *reversed(dropped)]]
        while path and len(path) < MOST_BOWS:
            may = self.may_join(path)
            if not may.any():
                break
            path.append(_first_best(self.worth_with_each(path, may)))
        return path

    def may_join(self, case: Sequence[int], *, beside: bool = True) -> Flags:
        """Return (n,) which candidates the case may be enlarged by: of three tiers at most, and one beyond the budget."""
        of, chosen = self.of, list(case)
        free = np.ones(len(of.tier), dtype=bool)
        free[chosen] = False
        held = list(set(of.tier[chosen].tolist()))
        if len(held) >= MOST_TIERS:
            free &= (of.tier[:, None] == held).any(axis=1)
        dear = int(np.count_nonzero(of.beyond[chosen]))
        few = len(chosen) - dear < min(ENOUGH_WITHIN, self.within)
        if self.within and (dear or (beside and few)):
            free &= ~of.beyond
        return free

    def worth(self, case: Sequence[int]) -> float:
        """Return what is expected of the bow taken from a case after its trial, in points of the scale."""
        return self._after(tuple(case)).best()

    def worth_with_each(self, case: Sequence[int], among: Flags) -> Floats:
        """Return (n,) the worth of the case with each of some candidates (n,) besides; -inf for the others."""
        key = tuple(case)
        if key not in self._worth:
            self._worth[key] = np.full(len(self.of.tier), np.nan)
        known = self._worth[key]
        new = (among & np.isnan(known)).nonzero()[0]
        if len(new):
            known[new] = self._after(key).best_with_each(new + 1)
        return np.where(among, known, -np.inf)

    def _after(self, case: tuple[int, ...]) -> _Expectations:
        """Return what is expected after sheets of the bows of a case, in their order; one case goes on from another."""
        if case not in self._paths:
            before = self._after(case[:-1]).after(case[-1] + 1) if case else _Expectations.before(self.law)
            self._paths[case] = before
        return self._paths[case]


def _first_best(worth: Floats) -> int:
    """Return the place of the largest, of those that differ by rounding alone the first."""
    return int(worth.round(9).argmax())


class _Search:
    """Greedy, with exchanges: places among the candidates."""

    def __init__(self, cases: Cases, limit: int, carry_cost: float) -> None:
        self.cases, self.of, self.cost = cases, cases.of, carry_cost
        self.limit = min(limit, len(cases.of.tier))

    def case(self, tiers: Sequence[int]) -> list[int]:
        """Return the recommended case."""
        wanted = self._wanted()
        found = self._exchanged(self._grown(wanted), wanted)
        found = self._exchanged(self._grown(found), wanted)
        found = self._of_two_tiers(found, wanted)
        for tier in tiers:
            found = self._with_tier(found, {*wanted, *self._only_of(found, tiers)}, tier)
        return found

    def _wanted(self) -> list[int]:
        """Return the bows that come whatever they win, highest expectation first, as far as bows, tiers and budget allow.

        Where there is time for one bow only it is not one beyond the budget in the place of those within.
        """
        found: list[int] = []
        alone = self.of.beyond & bool(self.cases.within) & (self.limit < AT_LEAST_TIERS)
        some = np.flatnonzero(self.of.wanted & ~alone)
        for bow in some[np.argsort(-self.cases.law.mean[some + 1], kind="stable")].tolist():
            if len(found) < self.limit and self.cases.may_join(found, beside=False)[bow]:
                found.append(bow)
        return found

    def _grown(self, start: Sequence[int]) -> list[int]:
        """Return the greedy case: at least three bows, and then as long as another one wins more than it costs."""
        case, floor = list(start), min(AT_LEAST_BOWS, self.limit)
        last = self.cases.worth(case)
        while len(case) < self.limit:
            may = self.cases.may_join(case)
            if not may.any():
                break
            value = self.cases.worth_with_each(case, may)
            bow = _first_best(value)
            needed = len(case) < floor and (len(case) < AT_LEAST_TIERS or self.cost <= UNLESS_IT_COSTS)
            if not needed and value[bow] - last <= self.cost:
                break
            case.append(bow)
            last = float(value[bow])
        return case

    def _exchanged(self, case: list[int], kept: Sequence[int]) -> list[int]:
        for _ in range(SWEEPS):
            before = list(case)
            for bow in before:
                if bow not in kept:
                    case = self._best_in_place_of(case, bow)
            if case == before:
                break
        return case

    def _best_in_place_of(self, case: list[int], bow: int) -> list[int]:
        rest = [other for other in case if other != bow]
        may = self.cases.may_join(rest)
        looked_at = may.copy()
        looked_at[bow] = True
        value = self.cases.worth_with_each(rest, looked_at)
        here = value[bow]
        best = _first_best(np.where(may, value, -np.inf))
        return [*rest, best] if may[best] and value[best] > here + BETTER else case

    def _of_two_tiers(self, case: list[int], kept: Sequence[int]) -> list[int]:
        """Return the best case of two tiers in the place of one of a single tier, unless that costs too much."""
        if len(case) < AT_LEAST_TIERS or len(set(self.of.tier[case].tolist())) >= AT_LEAST_TIERS:
            return case
        other = self.of.tier != self.of.tier[case[0]]
        found, worth = self._best_change(case, kept, other)
        now = self.cases.worth(case) - self.cost * len(case)
        return found if found and now - worth <= UNLESS_IT_COSTS else case

    def _with_tier(self, case: list[int], kept: set[int], tier: int) -> list[int]:
        if not case or tier in self.of.tier[case]:
            return case
        found, _ = self._best_change(case, kept, self.of.tier == tier)
        return found or case

    def _only_of(self, case: Sequence[int], tiers: Sequence[int]) -> list[int]:
        """Return the bows of a case that are the only ones of a tier that must have one."""
        of = self.of.tier[list(case)].tolist()
        return [bow for bow, tier in zip(case, of, strict=True) if tier in tiers and of.count(tier) == 1]

    def _best_change(self, case: list[int], kept: Sequence[int] | set[int], among: Flags) -> tuple[list[int], float]:
        """Return the best case with one of some candidates in the place of another bow or besides, and its worth; empty if none."""
        bases = [[other for other in case if other != bow] for bow in case if bow not in kept]
        if len(case) < self.limit:
            bases.append(list(case))
        best: tuple[list[int], float] = ([], -np.inf)
        for base in bases:
            value = self.cases.worth_with_each(base, self.cases.may_join(base) & among)
            bow = _first_best(value)
            worth = float(value[bow]) - self.cost * (len(base) + 1)
            if worth > best[1]:
                best = ([*base, bow], worth)
        return best
