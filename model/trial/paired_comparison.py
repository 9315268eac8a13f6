"""The last two bows against each other, blind, pair by pair.

Two sequential tests run together on the same pairs: does the player prefer the first bow (p = 1/2 against .85), and the second
(the same with the bows changed over). Each is Wald's (1947, Sequential Analysis, ch. 5): of n pairs r were won; with
D = ln(p1 (1 - p0) / (p0 (1 - p1))) the test says yes from r >= ln((1 - beta) / alpha) / D + s n on, no from
r <= ln(beta / (1 - alpha)) / D + s n on, s = ln((1 - p0) / (1 - p1)) / D. Each keeps its first verdict; a yes ends it, and so do
two no (Sobel & Wald 1949, Ann. Math. Statist. 20: 502, run two such tests for a choice of three).

What is looked for is a clear preference, p1 = .85: at alpha = .10 a side and beta = .20 it is the weakest (from .841 on,
(2 p1)^4 >= (1 - beta) / alpha) with which four pairs to none end the test. `operating_characteristic` has what that costs.

Whether a player can tell two bows *apart* is another question, with another test; nothing here answers it.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property, lru_cache

import numpy as np

BLOCK = (0, 0, 1, 1)
"""In every four pairs each bow is played first twice."""
LEFT_OPEN = 1e-13
"""A test without a cap is followed until the probability that it still goes on is below this."""
FIRST_WINS, SECOND_WINS = 0, 1


class PairsVerdict(StrEnum):
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
class SprtRule:
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


DEFAULT_RULE = SprtRule()


@dataclass(frozen=True, slots=True)
class _State:
    """Where it stands: pairs won by the first bow, and which of the two tests have said no."""

    won: int = 0
    first_out: bool = False
    second_out: bool = False


def _after(rule: SprtRule, state: _State, pairs: int, won: int) -> _State | PairsVerdict:
    """Return what one more pair leads to; ``pairs`` and ``won`` count it."""
    lost = pairs - won
    if not state.first_out and rule.says_yes(won, pairs):
        return PairsVerdict.FIRST
    if rule.sides == 2 and not state.second_out and rule.says_yes(lost, pairs):
        return PairsVerdict.SECOND
    first_out = state.first_out or rule.says_no(won, pairs)
    second_out = state.second_out or rule.sides == 1 or rule.says_no(lost, pairs)
    return PairsVerdict.NO_PREFERENCE if first_out and second_out else _State(won, first_out, second_out)


def verdict(preferences: Sequence[int], rule: SprtRule = DEFAULT_RULE) -> PairsVerdict:
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
        if isinstance(reached, PairsVerdict):
            return reached
        if pairs == rule.cap:
            return PairsVerdict.NOT_SETTLED
        state = reached
    return PairsVerdict.GO_ON


@dataclass(frozen=True, slots=True)
class OperatingCharacteristic:
    """How often each verdict falls, and after how many pairs on average."""

    first: float
    second: float
    no_preference: float
    not_settled: float
    pairs: float


@lru_cache(maxsize=512)
def operating_characteristic(p: float, rule: SprtRule = DEFAULT_RULE) -> OperatingCharacteristic:
    """Return how the rule fares with a player who prefers the first bow in a share p of pairs, exactly, by recursion over pairs.

    Raises
    ------
    ValueError : p is not within 0 and 1.
    """
    if not 0 <= p <= 1:
        msg = f"p: got {p}, expected a probability"
        raise ValueError(msg)
    going, ended, mean, pairs = {_State(): 1.0}, dict.fromkeys(PairsVerdict, 0.0), 0.0, 0
    while going and pairs != rule.cap and sum(going.values()) > LEFT_OPEN:
        pairs += 1
        mean += sum(going.values())
        going = _next(rule, going, ended, pairs, p)
    open_ = sum(going.values())
    return OperatingCharacteristic(
        ended[PairsVerdict.FIRST], ended[PairsVerdict.SECOND], ended[PairsVerdict.NO_PREFERENCE], open_, pairs=mean
    )


def _next(
    rule: SprtRule, going: dict[_State, float], ended: dict[PairsVerdict, float], pairs: int, p: float
) -> dict[_State, float]:
    """Return the probabilities of the states after one more pair, and add those of the verdicts to ``ended``."""
    out: dict[_State, float] = {}
    for state, probability in going.items():
        for won, chance in ((1, p), (0, 1 - p)):
            reached = _after(rule, state, pairs, state.won + won)
            if isinstance(reached, PairsVerdict):
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
