"""How many copies of which tiers to bring to a trial, and which of those at hand.

Every copy of a tier plays a little differently, and the player will take home the one that is rated best, the own bow
included. So the worth of a case of bows is the expected worth of its best-rated one; `plan` looks at every case of at most six
bows, none among them, and recommends the one with the highest gain less the cost of carrying it. No heuristics: the cases are few
enough. A poor bow can make a case worse, since its mark may be high by chance: so a row is the best case of *at most* its number.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr

from model._best_rated import (
    SHARPEST,
    Bows,
    Law,
    allocations,
    density,
    gains_alone,
    gains_and_chances,
    line,
    threshold,
)
from model._cases import AT_LEAST, Cases, Row, path, recommended, with_guest

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

MOST_BOWS = 6
"""A player keeps four to six bows apart in one sitting (common practice, no source)."""
MOST_TIERS = 3
NO_BOW_LEVEL = 5.0
"""What a bow is measured against where the player has none."""


def rank_order_weights(n: int) -> Floats:
    """Return the rank-order-centroid weights of n ranked criteria, most important first, (n,); they add up to 1.

    w_i = (1 / n) sum over j = i .. n of 1 / j (Barron & Barrett 1996, Management Science 42: 1515).

    Raises
    ------
    ValueError : n below 1.
    """
    if n < 1:
        msg = f"n: got {n}, expected at least one criterion"
        raise ValueError(msg)
    return np.asarray(np.cumsum(1.0 / np.arange(n, 0, -1))[::-1] / n)


def expected_best(n: int, sd: float = 1.0) -> float:
    """Return the expected maximum of n independent normal deviates with mean 0 and standard deviation ``sd``.

    E = sd times the integral of x n phi(x) Phi(x) ** (n - 1) (Tippett 1925, Biometrika 17: 364).

    Raises
    ------
    ValueError : n below 1, or ``sd`` negative or not finite.
    """
    if n < 1:
        msg = f"n: got {n}, expected at least one"
        raise ValueError(msg)
    _check_deviation(sd, "sd")
    x, dx = line(np.array(-9.0), np.array(9.0), 0.1)
    return float(sd * n * np.sum(x * density(x) * np.exp((n - 1) * log_ndtr(x)) * dx))


@dataclass(frozen=True, slots=True)
class KnownBow:
    """The own bow, rated; or no own bow, and then the level that a new one has to beat.

    Attributes
    ----------
    level : r0, what it was rated.
    expected, slope : E[u0 | r0, m] = expected + slope @ (m - mean) with m and mean as the plan is given them (they are
        conditioned on r0 too); slope (T,). The rating alone would overstate the gain: a lenient player rates all bows high.
    """

    level: float
    expected: float
    slope: Floats

    @classmethod
    def none(cls, tiers: int, level: float = NO_BOW_LEVEL) -> "KnownBow":
        """Return the yardstick of a player without a bow, for so many tiers."""
        return cls(level, level, np.zeros(tiers))

    def take(self, indices: ArrayLike, cov: ArrayLike) -> "KnownBow":
        """Restrict to a subset of the T tiers, whose joint covariance is ``cov`` (T, T): E[u0 | r0, m of the subset]."""
        keep, full = np.asarray(indices, dtype=np.intp), np.asarray(cov, dtype=np.float64)
        slope = np.linalg.pinv(full[np.ix_(keep, keep)], hermitian=True) @ (full[keep] @ self.slope)
        return KnownBow(self.level, self.expected, slope)


@dataclass(frozen=True, slots=True)
class UnratedBow:
    """The own bow, not rated: drawn from the population, jointly with what the player makes of the tiers.

    Attributes
    ----------
    mean, var : law of m0, what this player can be expected to make of an own bow.
    cov : (T,) covariance of m0 with the tier means m.
    spread : deviation of the own bow's liking u0 around m0.
    """

    mean: float
    cov: Floats
    var: float
    spread: float

    def take(self, indices: ArrayLike, cov: ArrayLike) -> "UnratedBow":  # noqa: ARG002 - the call is one for both yardsticks
        """Restrict to a subset of the T tiers, whose joint covariance is ``cov`` (T, T)."""
        return UnratedBow(self.mean, self.cov[np.asarray(indices, dtype=np.intp)], self.var, self.spread)


Yardstick: TypeAlias = KnownBow | UnratedBow


@dataclass(frozen=True, slots=True)
class AtHand:
    """The copies of one tier that could be brought, best first.

    Attributes
    ----------
    offset : (K,) expected liking of each copy minus that of an unknown copy of the tier, in points.
    spread : (K,) deviation of each copy's own part, in points.
    """

    offset: Floats
    spread: Floats


@dataclass(frozen=True, slots=True)
class Plan:
    """How many bows to bring.

    Attributes
    ----------
    rows : the best case of at most 1, 2, ... bows, none allowed, as far as there are copies; at the recommended number the
        recommended case. Chance and gain never fall from row to row, and the gain is never below 0.
    recommended : the case to bring; without a bow where every case is expected to lose against the own bow.
    unlimited : the case that would be recommended without the limit.
    """

    rows: tuple[Row, ...]
    recommended: Row
    unlimited: Row


def _check_deviation(value: float, where: str) -> None:
    if not (math.isfinite(value) and value >= 0):
        msg = f"{where}: got {value}, expected a standard deviation of 0 or more"
        raise ValueError(msg)


def _finite(value: ArrayLike, shape: tuple[int, ...], where: str) -> Floats:
    array = np.asarray(value, dtype=np.float64)
    if array.shape != shape or not np.isfinite(array).all():
        msg = f"{where}: got {array.tolist()}, expected finite numbers of shape {shape}"
        raise ValueError(msg)
    return array


def _covariance(value: ArrayLike, tiers: int) -> Floats:
    cov = _finite(value, (tiers, tiers), "cov")
    scale = float(np.max(np.abs(cov), initial=0.0))
    if not np.allclose(cov, cov.T, rtol=0, atol=1e-9 * scale) or np.linalg.eigvalsh(cov)[0] < -1e-9 * scale:
        msg = f"cov: got {cov.tolist()}, expected a symmetric matrix without negative eigenvalues"
        raise ValueError(msg)
    return np.asarray((cov + cov.T) / 2)


def _relative_to_unrated(mean: Floats, cov: Floats, own: UnratedBow, noise: float) -> Law:
    """Measure the tiers from what the player makes of the own bow given them: then the own bow is independent of them."""
    shared = _finite(own.cov, mean.shape, "own.cov")
    slope = np.linalg.pinv(cov, hermitian=True) @ shared
    left = own.var - float(shared @ slope)
    if not left >= -1e-9 * max(own.var, 1.0):
        msg = f"own: got a variance of {own.var}, expected at least {own.var - left:.6g}, which its covariance with the tiers asks for"
        raise ValueError(msg)
    turn = np.eye(len(mean)) - slope
    spread = math.sqrt(max(left, 0.0) + own.spread**2)
    return Law(mean - own.mean, turn @ cov @ turn.T, noise, 0.0, 0.0, np.zeros(len(mean)), spread)


def _law(mean: ArrayLike, cov: ArrayLike, own: Yardstick, noise: float, plays: int) -> Law:
    """Check the arguments that all entrances share, and put them into the form of the integrals."""
    tiers = np.size(mean)
    if plays < 1:
        msg = f"plays: got {plays}, expected at least 1"
        raise ValueError(msg)
    _check_deviation(noise, "noise")
    m, C = _finite(mean, (tiers,), "mean"), _covariance(cov, tiers)
    mark = noise / math.sqrt(plays)
    if isinstance(own, KnownBow):
        level, expected = _finite([own.level, own.expected], (2,), "own")
        return Law(m, C, mark, float(level), float(expected), _finite(own.slope, (tiers,), "own.slope"))
    _finite([own.mean, own.var], (2,), "own")
    _check_deviation(own.spread, "own.spread")
    law = _relative_to_unrated(m, C, own, mark)
    if law.own_spread == 0 and mark == 0:
        msg = "own: got an own bow without any uncertainty, expected a spread or noise above 0, or a KnownBow"
        raise ValueError(msg)
    return law


def _bows(law: Law, sd: ArrayLike, stock: Sequence[AtHand] | None, most: int) -> list[Bows]:
    """Return the copies of each tier that may be brought, best first."""
    tiers = len(law.mean)
    if stock is None:
        return [Bows(np.zeros(most), np.full(most, value)) for value in _spreads(law, sd)]
    if len(stock) != tiers:
        msg = f"stock: got {len(stock)} tiers, expected {tiers}"
        raise ValueError(msg)
    return [_some(tier, most, law.noise) for tier in stock]


def _spreads(law: Law, sd: ArrayLike) -> Floats:
    """Check the deviation of each tier's copies, one number or one a tier, and return it: (T,)."""
    tiers = len(law.mean)
    return _checked_spread(np.full(tiers, sd) if np.ndim(sd) == 0 else sd, tiers, law.noise, "sd")


def _checked_spread(spread: ArrayLike, count: int, noise: float, where: str) -> Floats:
    array = _finite(spread, (count,), where)
    if (array < 0).any() or (np.hypot(array, noise) == 0).any():
        msg = (
            f"{where}: got {array.tolist()} with noise {noise}, expected 0 or more, and above 0 where there is no noise"
        )
        raise ValueError(msg)
    return array


def _some(tier: AtHand, most: int, noise: float) -> Bows:
    count = np.size(tier.offset)
    spread = _checked_spread(tier.spread, count, noise, "stock spread")
    return Bows(_finite(tier.offset, (count,), "stock offset")[:most], spread[:most])


def gain_and_chance(
    mean: ArrayLike,
    cov: ArrayLike,
    sd: ArrayLike,
    own: Yardstick,
    noise: float,
    allocation: Sequence[int],
    *,
    stock: Sequence[AtHand] | None = None,
    plays: int = 1,
) -> tuple[float, float]:
    """Return what one case of bows is expected to win, and the chance that one of them is rated above the own bow.

    Parameters
    ----------
    mean, cov, sd, own, noise, stock, plays : as for `plan`.
    allocation : (T,) how many copies of each tier; all 0 gives (0, 0).

    Raises
    ------
    ValueError : an argument is out of range, or more copies are asked for than the stock holds.
    """
    law = _law(mean, cov, own, noise, plays)
    row = np.asarray(allocation, dtype=np.intp)
    if row.shape != law.mean.shape or (row < 0).any():
        msg = f"allocation: got {list(allocation)}, expected {len(law.mean)} counts of 0 or more"
        raise ValueError(msg)
    if not row.any():
        return 0.0, 0.0
    bows = _bows(law, sd, stock, int(row.max()))
    held = [len(tier.offset) for tier in bows]
    if (row > held).any():
        msg = f"allocation: got {row.tolist()}, expected at most the {held} copies at hand"
        raise ValueError(msg)
    gain, chance = gains_and_chances(law, bows, row[None, :])
    return float(gain[0]), float(chance[0])


def gain_of_each(
    mean: ArrayLike,
    cov: ArrayLike,
    sd: ArrayLike,
    own: Yardstick,
    noise: float,
    *,
    copies: int = AT_LEAST,
    plays: int = 1,
) -> Floats:
    """Return what ``copies`` unknown copies of each tier alone are expected to win, (T,), for any number of tiers at once.

    Parameters and errors are those of `plan`; each value is `gain_and_chance` of that tier alone.
    """
    if copies < 1:
        msg = f"copies: got {copies}, expected at least 1"
        raise ValueError(msg)
    law = _law(mean, cov, own, noise, plays)
    spread = _spreads(law, sd)
    C = np.asarray(cov, dtype=np.float64)
    one = _Alone.of(law, C) if isinstance(own, KnownBow) else _Alone.of_unrated(law, C, own)
    sharpest = SHARPEST * np.hypot(spread, law.noise)
    edge = threshold(law.level, one.var, one.keep, one.own_spread, law.noise, sharpest)
    return gains_alone(law.mean, spread, law.noise, edge, law.expected, copies)


@dataclass(frozen=True, slots=True)
class _Alone:
    """Each of T tiers alone beside the own bow: ``var`` of m, ``keep`` = slope of u0 on m, (T,) each, ``own_spread`` or None."""

    var: Floats
    keep: Floats
    own_spread: Floats | None

    @classmethod
    def of(cls, law: Law, cov: Floats) -> "_Alone":
        return cls(np.diag(cov), _ratio(cov @ law.slope, np.diag(cov)), None)

    @classmethod
    def of_unrated(cls, law: Law, cov: Floats, own: UnratedBow) -> "_Alone":
        slope = _ratio(own.cov, np.diag(cov))
        left = np.maximum(own.var - slope * own.cov, 0.0)
        return cls((1 - slope) ** 2 * np.diag(cov), np.zeros(len(law.mean)), np.sqrt(left + own.spread**2))


def _ratio(top: Floats, bottom: Floats) -> Floats:
    """Divide, with 0 where there is nothing to divide by."""
    return np.divide(top, bottom, out=np.zeros_like(top), where=bottom > 0)


def _check_plan(tiers: int, limit: int, carry_cost: float, best: int, guest: int | None) -> None:
    if not 1 <= tiers <= MOST_TIERS:
        msg = f"mean: got {tiers} tiers, expected 1 to {MOST_TIERS}"
        raise ValueError(msg)
    if limit < 1:
        msg = f"limit: got {limit}, expected at least one bow"
        raise ValueError(msg)
    if not (math.isfinite(carry_cost) and carry_cost >= 0):
        msg = f"carry_cost: got {carry_cost}, expected 0 points or more"
        raise ValueError(msg)
    if not 0 <= best < tiers:
        msg = f"best: got {best}, expected the place of one of the {tiers} tiers"
        raise ValueError(msg)
    if guest is not None and (guest == best or not 0 <= guest < tiers):
        msg = f"guest: got {guest}, expected the place of another tier than the best fit"
        raise ValueError(msg)


def _net_gain(
    mean: ArrayLike,
    cov: ArrayLike,
    own: Yardstick,
    noise: float,
    plays: int,
    cost: ArrayLike,
    bows: list[Bows],
    rows: Ints,
) -> Floats:
    """Return the rows' gains where a tier's copies are liked less by what its price weighs."""
    tiers = np.size(mean)
    net = np.asarray(mean, dtype=np.float64) - _finite(cost, (tiers,), "cost")
    gain, _chance = gains_and_chances(_law(net, cov, own, noise, plays), bows, rows)
    return gain


def plan(
    mean: ArrayLike,
    cov: ArrayLike,
    sd: ArrayLike,
    own: Yardstick,
    noise: float,
    *,
    stock: Sequence[AtHand] | None = None,
    limit: int = MOST_BOWS,
    carry_cost: float = 0.05,
    best: int = 0,
    guest: int | None = None,
    cost: ArrayLike | None = None,
    plays: int = 1,
) -> Plan:
    """Say how many copies of each of at most three tiers to bring.

    Parameters
    ----------
    mean, cov : (T,), (T, T) joint normal law of the tier means m, in points.
    sd : (T,) or one number: deviation of a copy's liking around its tier's mean (its effect and its match), in points.
    own : the own bow; its arrays are over the same T tiers.
    noise : standard deviation of the noise in one rating, in points.
    stock : the copies at hand of each tier, best first; then the rows are of those. None: unknown copies, as many as needed.
    limit : most bows there is time for, 1 or more; the rows above it are still told.
    carry_cost : what carrying one more bow costs, in points.
    best : place of the tier of which two are brought unless that costs more than 0.03 points.
    guest : place of a tier that comes as a single copy only, and only beside two of the best; None: no tier is one.
    cost : (T,) points that each tier's price weighs against its liking when cases are compared; the rows tell the liking.
    plays : how often each bow is rated; its rating is the mean.

    Raises
    ------
    ValueError : an argument is out of range, or the stock holds no copy at all.
    """
    _check_plan(np.size(mean), limit, carry_cost, best, guest)
    law = _law(mean, cov, own, noise, plays)
    bows = _bows(law, sd, stock, MOST_BOWS)
    held = [len(tier.offset) for tier in bows]
    if not any(held):
        msg = "stock: got no copy at all, expected at least one"
        raise ValueError(msg)
    rows = with_guest(allocations(held, MOST_BOWS), held, best, guest)
    gain, chance = gains_and_chances(law, bows, rows)
    net = gain if cost is None else _net_gain(mean, cov, own, noise, plays, cost, bows, rows)
    nothing = np.zeros((1, rows.shape[1]), dtype=np.intp)
    cases = Cases(np.vstack([nothing, rows]), *(np.concatenate([[0.0], each]) for each in (gain, chance, net)))
    chosen, free = (recommended(cases, carry_cost, best, held[best], most) for most in (limit, MOST_BOWS))
    return Plan(path(cases, chosen), cases.row(chosen), cases.row(free))
