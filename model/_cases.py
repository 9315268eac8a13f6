"""The cases of bows that may be brought: which of them is recommended, and the rows of 1, 2, ... bows that lead through it."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

AT_LEAST = 2
"""Never judge a tier by one copy: two of the best fit (common practice, no source) ..."""
UNLESS_IT_COSTS = 0.03
"""... unless that costs more than so many points."""


@dataclass(frozen=True, slots=True)
class Row:
    """One case of bows, and the row of the plan that it fills.

    Attributes
    ----------
    copies : the row's number: the case holds at most so many bows, and fewer where one more would promise less.
    allocation : (T,) how many of each tier the case holds.
    chance : probability that at least one is rated above the own bow.
    gain : expected true advantage in points of the bow taken home, 0 where the own bow stays.
    """

    copies: int
    allocation: tuple[int, ...]
    chance: float
    gain: float

    @property
    def bows(self) -> int:
        """How many bows the case holds."""
        return sum(self.allocation)


@dataclass(frozen=True, slots=True)
class Cases:
    """Every case that may be brought, none first: ``rows`` (R, T), ``gain``, ``chance``, ``net`` of price (R,)."""

    rows: Ints
    gain: Floats
    chance: Floats
    net: Floats

    @property
    def total(self) -> Ints:
        """(R,) how many bows each case holds."""
        return np.asarray(self.rows.sum(axis=1))

    def row(self, case: int, copies: int | None = None) -> Row:
        """Return a case as the row of so many copies, by default of its own number."""
        allocation = tuple(int(count) for count in self.rows[case])
        number = sum(allocation) if copies is None else copies
        return Row(number, allocation, float(self.chance[case]), float(self.gain[case]))


NO_CASE = 0
"""The place of the case without a bow."""


def _highest(score: Floats, among: NDArray[np.bool_]) -> int:
    """Return the first of the highest scores; what differs by rounding only counts as equal."""
    return int(np.argmax(np.where(among, np.round(score, 9), -np.inf)))


def recommended(cases: Cases, carry_cost: float, best: int, held: int, limit: int) -> int:
    """Return the case of the highest score within the limit, with two copies of the best fit unless that costs too much.

    A case that is expected to lose is never brought; nor are two of the best fit where more bows would then win less.
    """
    total = cases.total
    score, fits = cases.net - carry_cost * total, (total >= 1) & (total <= limit) & (cases.gain >= 0)
    if not fits.any():
        return NO_CASE
    free = _highest(score, fits)
    wins_no_less = (total <= total[free]) | (cases.gain >= cases.gain[free])
    with_two = fits & (cases.rows[:, best] >= min(AT_LEAST, held)) & wins_no_less
    if not with_two.any():
        return free
    chosen = _highest(score, with_two)
    return chosen if score[free] - score[chosen] <= UNLESS_IT_COSTS else free


def path(cases: Cases, chosen: int) -> tuple[Row, ...]:
    """Return the rows of 1, 2, ... copies through the chosen case: the best of at most so many on which neither chance nor gain falls.

    Bows of unlike tiers may win a little more and be a little less likely to: so the next row is looked for among the cases that
    promise no less of either, and the one before among those that promise no more.
    """
    total, number = cases.total, int(cases.total[chosen])
    found = {number: chosen}
    for copies in range(number - 1, 0, -1):
        no_more = (cases.gain <= cases.gain[found[copies + 1]]) & (cases.chance <= cases.chance[found[copies + 1]])
        found[copies] = _highest(cases.net, (total <= copies) & no_more & (cases.gain >= 0))
    for copies in range(number + 1, int(total.max()) + 1):
        before = found.get(copies - 1, NO_CASE)
        no_less = (cases.gain >= cases.gain[before]) & (cases.chance >= cases.chance[before])
        found[copies] = _highest(cases.net, (total <= copies) & no_less)
    return tuple(cases.row(found[copies], copies) for copies in sorted(found) if copies)


def with_guest(rows: Ints, held: list[int], best: int, guest: int | None) -> Ints:
    """Return the rows in which the guest stays away, or comes alone of its tier beside two of the best."""
    if guest is None:
        return rows
    accompanied = (rows[:, guest] == 1) & (rows[:, best] >= min(AT_LEAST, held[best]))
    return np.asarray(rows[(rows[:, guest] == 0) | accompanied], dtype=np.intp)
