"""The last two bows against each other, blind, pair by pair; and how many plays it takes to find the best of several.

Two sequential tests run together on the same pairs: does the player prefer the first bow (p = 1/2 against .85), and the second
(the same with the bows changed over). Each is Wald's (1947, Sequential Analysis, ch. 5): of n pairs r were won; with
D = ln(p1 (1 - p0) / (p0 (1 - p1))) the test says yes from r >= ln((1 - beta) / alpha) / D + s n on, no from
r <= ln(beta / (1 - alpha)) / D + s n on, s = ln((1 - p0) / (1 - p1)) / D. Each keeps its first verdict; a yes ends it, and so do
two no (Sobel & Wald 1949, Ann. Math. Statist. 20: 502, run two such tests for a choice of three).

What is looked for is a clear preference, p1 = .85: at alpha = .10 a side and beta = .20 it is the weakest (from .841 on,
(2 p1)^4 >= (1 - beta) / alpha) with which four pairs to none end the test. `characteristic` has what that costs.

Whether a player can tell two bows *apart* is another question, with another test; nothing here answers it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import binom

from model.domain.arrays import Floats

BLOCK = (0, 0, 1, 1)
"""In every four pairs each bow is played first twice."""
LEFT_OPEN = 1e-13
"""A test without a cap is followed until the probability that it still goes on is below this."""
FIRST_WINS, SECOND_WINS = 0, 1


class Verdict(StrEnum):
    """What the pairs so far say; FIRST and SECOND are the two bows, in whatever order they were played."""

    GO_ON = "go_on"
    FIRST = "first"
    SECOND = "second"
    NO_PREFERENCE = "no_preference"
    NOT_SETTLED = "not_settled"


def _check_sides(sides: int) -> None:
    if sides not in (1, 2):
        msg = f"sides: got {sides}, expected 1 or 2"
        raise ValueError(msg)


@dataclass(frozen=True)
class Rule:
    """When to stop.

    Attributes
    ----------
    p0, p1 : share of pairs won that stand for 'no preference' and for 'preferred', 0 < p0 < p1 < 1.
    alpha, beta : nominal probability, a side, of a wrong yes at p0 and of a wrong no at p1; together below 1.
    cap : most pairs; None: no limit.
    sides : 2: both bows may win, which needs p0 = 1/2; 1: only 'first' is tested.

    Raises
    ------
    ValueError : a number is out of range.
    """

    p0: float = 0.5
    p1: float = 0.85
    alpha: float = 0.10
    beta: float = 0.20
    cap: int | None = 20
    sides: int = 2

    def __post_init__(self) -> None:
        if not 0 < self.p0 < self.p1 < 1:
            msg = f"p0, p1: got {self.p0} and {self.p1}, expected 0 < p0 < p1 < 1"
            raise ValueError(msg)
        if not (self.alpha > 0 and self.beta > 0 and self.alpha + self.beta < 1):
            msg = f"alpha, beta: got {self.alpha} and {self.beta}, expected two numbers above 0 with a sum below 1"
            raise ValueError(msg)
        if self.cap is not None and self.cap < 1:
            msg = f"cap: got {self.cap}, expected at least one pair"
            raise ValueError(msg)
        _check_sides(self.sides)
        if self.sides == 2 and self.p0 != 0.5:
            msg = f"p0: got {self.p0} with two sides, expected 0.5, which is the same from both"
            raise ValueError(msg)

    @cached_property
    def bounds(self) -> tuple[float, float, float]:
        """The lines' s, h0 and h1: yes from r >= h1 + s n on, no from r <= -h0 + s n on."""
        D = math.log(self.p1 * (1 - self.p0) / (self.p0 * (1 - self.p1)))
        h0 = -math.log(self.beta / (1 - self.alpha)) / D
        return math.log((1 - self.p0) / (1 - self.p1)) / D, h0, math.log((1 - self.beta) / self.alpha) / D

    def says_yes(self, won: int, pairs: int) -> bool:
        """Say whether a test sees a preference for the bow that won so many of so many pairs."""
        s, _, h1 = self.bounds
        return won >= h1 + s * pairs

    def says_no(self, won: int, pairs: int) -> bool:
        """Say whether a test sees no preference for the bow that won so many of so many pairs."""
        s, h0, _ = self.bounds
        return won <= -h0 + s * pairs


DEFAULT = Rule()


@dataclass(frozen=True, slots=True)
class _State:
    """Where it stands: pairs won by the first bow, and which of the two tests have said no."""

    won: int = 0
    first_out: bool = False
    second_out: bool = False


def _after(rule: Rule, state: _State, pairs: int, won: int) -> _State | Verdict:
    """Return what one more pair leads to; ``pairs`` and ``won`` count it."""
    lost = pairs - won
    if not state.first_out and rule.says_yes(won, pairs):
        return Verdict.FIRST
    if rule.sides == 2 and not state.second_out and rule.says_yes(lost, pairs):
        return Verdict.SECOND
    first_out = state.first_out or rule.says_no(won, pairs)
    second_out = state.second_out or rule.sides == 1 or rule.says_no(lost, pairs)
    return Verdict.NO_PREFERENCE if first_out and second_out else _State(won, first_out, second_out)


def verdict(preferences: Sequence[int], rule: Rule = DEFAULT) -> Verdict:
    """Say what the pairs so far tell.

    Parameters
    ----------
    preferences : one a pair in the order played, 0: the first of the two bows was preferred, 1: the second. A choice must be
        made in every pair, as in a paired comparison by ISO 5495. What was played after the verdict changes nothing.

    Raises
    ------
    ValueError : a preference is neither 0 nor 1.
    """
    state = _State()
    for pairs, preferred in enumerate(preferences, start=1):
        if preferred not in (FIRST_WINS, SECOND_WINS):
            msg = f"pair {pairs}: got {preferred!r}, expected 0 (the first bow) or 1 (the second)"
            raise ValueError(msg)
        reached = _after(rule, state, pairs, state.won + (preferred == FIRST_WINS))
        if isinstance(reached, Verdict):
            return reached
        if pairs == rule.cap:
            return Verdict.NOT_SETTLED
        state = reached
    return Verdict.GO_ON


@dataclass(frozen=True, slots=True)
class Characteristic:
    """How often each verdict falls, and after how many pairs on average."""

    first: float
    second: float
    no_preference: float
    not_settled: float
    pairs: float


@lru_cache(maxsize=512)
def characteristic(p: float, rule: Rule = DEFAULT) -> Characteristic:
    """Return how the rule fares with a player who prefers the first bow in a share p of pairs, exactly, by recursion over pairs.

    Raises
    ------
    ValueError : p is not within 0 and 1.
    """
    if not 0 <= p <= 1:
        msg = f"p: got {p}, expected a probability"
        raise ValueError(msg)
    going, ended, mean, pairs = {_State(): 1.0}, dict.fromkeys(Verdict, 0.0), 0.0, 0
    while going and pairs != rule.cap and sum(going.values()) > LEFT_OPEN:
        pairs += 1
        mean += sum(going.values())
        going = _next(rule, going, ended, pairs, p)
    open_ = sum(going.values())
    return Characteristic(ended[Verdict.FIRST], ended[Verdict.SECOND], ended[Verdict.NO_PREFERENCE], open_, pairs=mean)


def _next(
    rule: Rule, going: dict[_State, float], ended: dict[Verdict, float], pairs: int, p: float
) -> dict[_State, float]:
    """Return the probabilities of the states after one more pair, and add those of the verdicts to ``ended``."""
    out: dict[_State, float] = {}
    for state, probability in going.items():
        for won, chance in ((1, p), (0, 1 - p)):
            reached = _after(rule, state, pairs, state.won + won)
            if isinstance(reached, Verdict):
                ended[reached] += probability * chance
            else:
                out[reached] = out.get(reached, 0.0) + probability * chance
    return out


def first_in_pair(seed: int, number: int) -> int:
    """Return which of the two bows is played first in a pair, 0 or 1: drawn, each twice in every four pairs.

    Parameters
    ----------
    seed : 0 or more; of this head-to-head.
    number : of the pair, 1, 2, ...

    Raises
    ------
    ValueError : a number out of range.
    """
    if seed < 0 or number < 1:
        msg = f"seed, number: got {seed} and {number}, expected a seed of 0 or more and pairs counted from 1"
        raise ValueError(msg)
    block, place = divmod(number - 1, len(BLOCK))
    return int(np.random.default_rng([seed, block]).permutation(BLOCK)[place])


# A fixed number of pairs


def needed(n: int, alpha: float = 0.05, sides: int = 2) -> int | None:
    """Return the smallest number of n preferences for one bow that shows a preference at the level alpha; None: n are too few.

    The smallest c with P(X >= c) <= alpha / sides, X binomial with n and 1/2 (ISO 5495, paired comparison).

    Raises
    ------
    ValueError : n below 1, alpha not between 0 and 1, or ``sides`` neither 1 nor 2.
    """
    _check_sides(sides)
    if n < 1 or not 0 < alpha < 1:
        msg = f"n, alpha: got {n} and {alpha}, expected at least one pair and a level between 0 and 1"
        raise ValueError(msg)
    c = int(binom.isf(alpha / sides, n, 0.5)) + 1
    return c if c <= n else None


def sign_test(won: int, n: int, sides: int = 2) -> float:
    """Return the probability of at least so many preferences of n if there is no preference; two sides: at least so uneven.

    Raises
    ------
    ValueError : ``won`` not within 0 and n, n below 1, or ``sides`` neither 1 nor 2.
    """
    _check_sides(sides)
    if n < 1 or not 0 <= won <= n:
        msg = f"won, n: got {won} of {n}, expected 0 to n of at least one pair"
        raise ValueError(msg)
    if sides == 1:
        return float(binom.sf(won - 1, n, 0.5))
    return min(1.0, 2 * float(binom.sf(max(won, n - won) - 1, n, 0.5)))


# The best of several


@lru_cache(maxsize=1)
def _normal_nodes() -> tuple[Floats, Floats]:
    """Nodes and weights of E f(Z), Z standard normal."""
    x, w = np.polynomial.hermite_e.hermegauss(80)
    return x, w / w.sum()


def finds_best(k: int, tau: float) -> float:
    """Return the probability that the truly best of k bows has the best mean rating, where it is tau ahead of all the others.

    ``tau`` is in units of the deviation of one bow's mean rating: the integral of phi(x) Phi(x + tau)^(k - 1)
    (Bechhofer 1954, Ann. Math. Statist. 25: 16).

    Raises
    ------
    ValueError : k below 2, or tau not a number.
    """
    if k < 2 or not math.isfinite(tau):
        msg = f"k, tau: got {k} and {tau}, expected at least two bows and a finite number"
        raise ValueError(msg)
    x, w = _normal_nodes()
    return float(w @ ndtr(x + tau) ** (k - 1))


@lru_cache(maxsize=256)
def bechhofer(k: int, p_star: float) -> float:
    """Return tau for which the best of k bows is found with probability P* (Bechhofer 1954, Ann. Math. Statist. 25: 16, Table I).

    Raises
    ------
    ValueError : k below 2, or P* not above 1/k (which guessing reaches) and at most .9999.
    """
    if k < 2 or not 1 / k < p_star <= 0.9999:
        msg = f"k, p_star: got {k} and {p_star}, expected at least two bows and a probability above 1/k, at most .9999"
        raise ValueError(msg)
    return float(brentq(lambda tau: finds_best(k, tau) - p_star, 0.0, 12.0, xtol=1e-12))


def plays_needed(k: int, p_star: float, difference: float, noise: float) -> int:
    """Return how often each of k bows must be rated to find the best with probability P*.

    Parameters
    ----------
    difference : points by which the best is ahead of each other bow; a smaller lead need not be found.
    noise : deviation of one rating, in points.

    Raises
    ------
    ValueError : as `bechhofer`, or a difference or noise that is not above 0.
    """
    if not (difference > 0 and noise > 0 and math.isfinite(noise / difference)):
        msg = f"difference, noise: got {difference} and {noise}, expected numbers above 0"
        raise ValueError(msg)
    return max(1, math.ceil((bechhofer(k, p_star) * noise / difference) ** 2))
