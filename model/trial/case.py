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
from model.preference.chances import recalibrated
from model.trial.law import Law
from model.trial.points import normal_points, uniform_points

MOST_BOWS = 6
"""A player keeps four to six bows apart in one sitting (common practice, no source)."""
MOST_TIERS = 3
AT_LEAST_BOWS, AT_LEAST_TIERS = 3, 2
"""Never judge by one bow, nor a tier by one copy (common practice, no source) ..."""
UNLESS_IT_COSTS = 0.05
"""... unless that costs more than so many points."""
SEARCH_LOG2, ROWS_LOG2, CHANCE_LOG2 = 7, 9, 8
"""Points, as powers of two: while cases are compared, for the gains that are told, for the chances."""
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


@dataclass(frozen=True, slots=True)
class Row:
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
    rows: tuple[Row, ...]
    path: tuple[int, ...]
    clearly: float

    @property
    def row(self) -> Row:
        """The row of the recommended case."""
        return self.rows[len(self.bows) - 1]


class _Expectations:
    """What every bow is expected to be liked after sheets still to come: paths (N, n + 1), the own bow's first."""

    def __init__(self, law: Law, log2: int = SEARCH_LOG2, bows: int = MOST_BOWS) -> None:
        self.z = normal_points(bows + 1, log2)
        self.paths = np.repeat(law.mean[None], len(self.z), axis=0)
        self.cov, self.noise = law.cov.copy(), law.noise**2
        self.heard: list[int] = []
        self.sheets = 0
        if law.no_own:
            self.heard.append(0)
        else:
            self.hear(0)

    def hear(self, bow: int) -> None:
        """Rate one more bow: everything moves along with what its sheet says."""
        step = self.cov[:, bow] / np.sqrt(self.cov[bow, bow] + self.noise)
        self.paths = self.paths + np.multiply.outer(self.z[:, self.sheets], step)
        self.cov = self.cov - np.outer(step, step)
        self.heard.append(bow)
        self.sheets += 1

    def best(self) -> float:
        """Return the expected largest of what is expected of the bows rated, the own bow among them."""
        return float(self.paths[:, self.heard].max(axis=1).mean())

    def best_with_each(self) -> Floats:
        """Return (n + 1,) the same with each bow rated besides."""
        variance = np.diag(self.cov)
        steps = self.cov / np.sqrt(variance + self.noise)
        z = self.z[:, self.sheets, None]
        most = self.paths + z * np.diag(steps)
        for bow in self.heard:
            np.maximum(most, self.paths[:, bow, None] + z * steps[bow], out=most)
        return np.asarray(most.mean(axis=0))


def gains(law: Law, path: Sequence[int], log2: int = ROWS_LOG2) -> Floats:
    """Return (n,) what the first 1, 2, ... bows of a path win, in points over the own bow; it never falls."""
    found, paths = (
        np.zeros(len(path)),
        _Expectations(law.only([bow + 1 for bow in path]), log2, max(len(path), MOST_BOWS)),
    )
    for row in range(len(path)):
        paths.hear(row + 1)
        found[row] = paths.best() - law.mean[0]
    # What is left of the points' error, below a thousandth, must not let a row fall.
    return np.asarray(np.maximum.accumulate(np.maximum(found, 0.0)))


def chances(law: Law, path: Sequence[int], by: float = 0.0) -> Floats:
    """Return (n,) the probability that at least one of the first 1, 2, ... bows of a path is better than the own bow ``by`` points.

    By separation of variables (Genz 1992, J. Comput. Graph. Stat. 1: 141), bow after bow in the order of the path: each factor is
    at most 1, so that no row falls. Told as the law's recalibration has it.
    """
    mean, cov = law.only([bow + 1 for bow in path]).ahead()
    n = len(mean)
    if not n:
        return np.zeros(0)
    lower = np.linalg.cholesky(cov + 1e-10 * max(float(np.max(np.diag(cov))), 1e-6) * np.eye(n))
    points = uniform_points(n - 1, CHANCE_LOG2)
    y, none, found = np.zeros((len(points), n)), np.ones(len(points)), np.zeros(n)
    for k in range(n):
        at_most = ndtr((by - mean[k] - y[:, :k] @ lower[k, :k]) / lower[k, k])
        none = none * at_most
        found[k] = 1.0 - none.mean()
        if k < n - 1:
            y[:, k] = ndtri(np.clip(points[:, k] * at_most, 1e-300, 1.0 - 1e-16))
    return recalibrated(np.clip(found, 0.0, 1.0), law.slope)


def choose(law: Law, candidates: Candidates, *, limit: int, carry_cost: float, tiers: Sequence[int] = ()) -> list[int]:
    """Return the places of the bows to bring, in the order in which they were found; none where there are no candidates.

    Parameters
    ----------
    law : that decides, of the candidates in their order.
    limit : most bows that there is time for, at least 1.
    carry_cost : of one more bow, in points.
    tiers : that must have a bow, as far as they have candidates and there is room.
    """
    return _Search(law, candidates, min(limit, MOST_BOWS), carry_cost).case(tiers)


class _Search:
    """Greedy, with exchanges: places among the candidates, so bow k is row k + 1 of the law."""

    def __init__(self, law: Law, candidates: Candidates, limit: int, carry_cost: float) -> None:
        self.law, self.of, self.cost = law, candidates, carry_cost
        self.limit = min(limit, len(candidates.tier))
        self.within = int(np.count_nonzero(~candidates.beyond))

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
        alone = self.of.beyond & bool(self.within) & (self.limit < AT_LEAST_TIERS)
        for bow in np.argsort(-self.law.mean[1:], kind="stable").tolist():
            if (
                self.of.wanted[bow]
                and not alone[bow]
                and len(found) < self.limit
                and self._may_join(found, beside=False)[bow]
            ):
                found.append(bow)
        return found

    def _may_join(self, case: Sequence[int], *, beside: bool = True) -> Flags:
        """Return (n,) which candidates the case may be enlarged by: of three tiers at most, and one beyond the budget."""
        free = np.ones(len(self.of.tier), dtype=bool)
        free[list(case)] = False
        held = set(self.of.tier[list(case)].tolist())
        if len(held) >= MOST_TIERS:
            free &= np.isin(self.of.tier, list(held))
        dear = int(np.count_nonzero(self.of.beyond[list(case)]))
        few = len(case) - dear < min(ENOUGH_WITHIN, self.within)
        if self.within and (dear or (beside and few)):
            free &= ~self.of.beyond
        return free

    def _paths(self, case: Sequence[int]) -> _Expectations:
        paths = _Expectations(self.law)
        for bow in case:
            paths.hear(bow + 1)
        return paths

    def _grown(self, start: Sequence[int]) -> list[int]:
        """Return the greedy case: at least three bows, and then as long as another one wins more than it costs."""
        case, paths = list(start), self._paths(start)
        last, floor = paths.best(), min(AT_LEAST_BOWS, self.limit)
        while len(case) < self.limit:
            may = self._may_join(case)
            if not may.any():
                break
            value = np.where(may, paths.best_with_each()[1:], -np.inf)
            bow = int(np.argmax(value))
            needed = len(case) < floor and (len(case) < AT_LEAST_TIERS or self.cost <= UNLESS_IT_COSTS)
            if not needed and value[bow] - last <= self.cost:
                break
            case.append(bow)
            paths.hear(bow + 1)
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
        value = self._paths(rest).best_with_each()[1:]
        here = value[bow]
        value[~self._may_join(rest)] = -np.inf
        best = int(np.argmax(value))
        return [*rest, best] if value[best] > here + BETTER else case

    def _of_two_tiers(self, case: list[int], kept: Sequence[int]) -> list[int]:
        """Return the best case of two tiers in the place of one of a single tier, unless that costs too much."""
        if len(case) < AT_LEAST_TIERS or len(set(self.of.tier[case].tolist())) >= AT_LEAST_TIERS:
            return case
        other = self.of.tier != self.of.tier[case[0]]
        found, worth = self._best_change(case, kept, other)
        now = self._paths(case).best() - self.cost * len(case)
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
            value = np.where(self._may_join(base) & among, self._paths(base).best_with_each()[1:], -np.inf)
            bow = int(np.argmax(value))
            worth = float(value[bow]) - self.cost * (len(base) + 1)
            if worth > best[1]:
                best = ([*base, bow], worth)
        return best


def path_through(law: Law, candidates: Candidates, case: Sequence[int]) -> list[int]:
    """Return the bows of nested cases through one: a smaller one drops the least useful bow, a larger one adds the most useful."""
    inner, rest = law.only([bow + 1 for bow in case]), list(range(len(case)))
    dropped: list[int] = []
    while len(rest) > 1:
        without = [_value(inner, [other for other in rest if other != bow]) for bow in rest]
        dropped.append(rest.pop(int(np.argmax(np.round(without, 9)))))
    search = _Search(law, candidates, MOST_BOWS, 0.0)
    path = [case[place] for place in [*rest, *reversed(dropped)]]
    paths = search._paths(path)  # noqa: SLF001 - the search and its path are one
    while path and len(path) < MOST_BOWS:
        may = search._may_join(path)  # noqa: SLF001
        if not may.any():
            break
        bow = int(np.argmax(np.where(may, paths.best_with_each()[1:], -np.inf)))
        path.append(bow)
        paths.hear(bow + 1)
    return path


def _value(law: Law, bows: Sequence[int]) -> float:
    paths = _Expectations(law)
    for bow in bows:
        paths.hear(bow + 1)
    return paths.best()
