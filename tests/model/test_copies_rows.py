"""The rows of a plan, whatever it is drawn up for: no figure ever falls, none is below 0, and each row is of a case that can be had."""

from dataclasses import dataclass
from itertools import product

import numpy as np
import pytest
from numpy.typing import NDArray

from model._cases import Row
from model.copies import AtHand, KnownBow, Plan, UnratedBow, Yardstick, gain_and_chance, plan

Floats = NDArray[np.float64]
CLOSE = 1e-6
"""Two integrals over other nodes agree so far."""


@dataclass(frozen=True)
class Drawn:
    """The arguments of a plan, drawn."""

    mean: Floats
    cov: Floats
    sd: float
    own: Yardstick
    noise: float
    stock: list[AtHand] | None
    limit: int
    carry_cost: float
    guest: int | None
    cost: Floats | None

    def plan(self) -> Plan:
        return plan(
            self.mean,
            self.cov,
            self.sd,
            self.own,
            self.noise,
            stock=self.stock,
            limit=self.limit,
            carry_cost=self.carry_cost,
            guest=self.guest,
            cost=self.cost,
        )

    def worth(self, allocation: tuple[int, ...]) -> tuple[float, float]:
        return gain_and_chance(self.mean, self.cov, self.sd, self.own, self.noise, allocation, stock=self.stock)


def drawn(seed: int) -> Drawn:
    """Draw a plan: own bows from poor to hardly to be bettered, alike and unlike tiers, few copies or many, dear and cheap carrying."""
    rng = np.random.default_rng(seed)
    T = int(rng.integers(1, 4))
    root = rng.normal(0, 0.3, (T, T + 1))
    cov = root @ root.T + rng.choice([0.0, 0.4])
    level = float(rng.choice([3.0, 5.0, 6.0, 7.0]))
    owns: list[Yardstick] = [
        KnownBow(level, level - 0.3, np.full(T, 0.1)),
        UnratedBow(level - 1.0, cov @ np.full(T, 0.1), 1.0 + cov.max(), 0.5),
    ]
    held = [int(n) for n in rng.integers(0, 4, T)]
    if not any(held):
        held[0] = 1
    stock = [AtHand(-np.sort(rng.normal(0, 0.6, n)), rng.uniform(0.2, 0.7, n)) for n in held]
    return Drawn(
        mean=rng.uniform(3.0, 6.0, T),
        cov=cov,
        sd=0.5,
        own=owns[seed % 2],
        noise=0.7,
        stock=stock if seed % 4 else None,
        limit=int(rng.integers(1, 7)),
        carry_cost=float(rng.choice([0.0, 0.01, 0.05, 0.3])),
        guest=1 if T > 1 and seed % 3 == 0 else None,
        cost=rng.uniform(-0.3, 0.3, T) if seed % 5 == 0 else None,
    )


@pytest.mark.parametrize("seed", range(120))
def test_neither_chance_nor_gain_ever_falls_with_one_more_bow_and_no_gain_is_negative(seed: int) -> None:
    rows = drawn(seed).plan().rows
    assert [row.copies for row in rows] == list(range(1, len(rows) + 1))
    assert rows[0].gain >= 0
    assert np.all(np.diff([row.gain for row in rows]) >= 0)
    assert np.all(np.diff([row.chance for row in rows]) >= 0)


@pytest.mark.parametrize("seed", range(0, 120, 3))
def test_each_row_tells_the_figures_of_its_own_case_which_holds_no_more_than_its_number(seed: int) -> None:
    case = drawn(seed)
    for row in case.plan().rows:
        assert sum(row.allocation) == row.bows <= row.copies
        assert (row.gain, row.chance) == pytest.approx(case.worth(row.allocation), abs=CLOSE)


@pytest.mark.parametrize("seed", range(120))
def test_the_rows_lead_through_the_recommended_case_which_never_loses(seed: int) -> None:
    case = drawn(seed)
    made = case.plan()
    assert made.recommended.gain >= 0
    assert made.recommended.copies == made.recommended.bows <= case.limit
    if made.recommended.copies:
        assert made.rows[made.recommended.copies - 1] == made.recommended
    else:
        within = [case.worth(allocation)[0] for allocation in every_case(case) if sum(allocation) <= case.limit]
        assert max(within) < 0


def every_case(case: Drawn) -> list[tuple[int, ...]]:
    held = [len(tier.offset) for tier in case.stock] if case.stock else [6] * len(case.mean)
    return [
        each
        for each in product(*(range(min(6, n) + 1) for n in held))
        if 1 <= sum(each) <= 6 and (case.guest is None or each[case.guest] == 0 or each[0] >= min(2, held[0]))
    ]


def test_a_poor_bow_more_is_left_at_home_and_the_row_says_so() -> None:
    # One good bow and two bad ones beside an own bow that is hard to better: who takes the best-rated of three is misled by noise.
    stock = [AtHand(np.array([0.9, -2.5, -2.6]), np.full(3, 0.3))]
    rows = plan([5.2], [[0.05]], 0.5, KnownBow(5.8, 5.6, np.zeros(1)), 0.9, stock=stock, carry_cost=0.0).rows
    assert [row.bows for row in rows] == [1, 1, 1]
    assert {(row.chance, row.gain) for row in rows} == {(rows[0].chance, rows[0].gain)}
    forced = gain_and_chance([5.2], [[0.05]], 0.5, KnownBow(5.8, 5.6, np.zeros(1)), 0.9, (3,), stock=stock)
    assert forced[0] < rows[0].gain


def test_an_own_bow_beyond_reach_leaves_nothing_to_bring() -> None:
    made = plan([3.0], [[0.05]], 0.4, KnownBow(7.0, 6.9, np.zeros(1)), 0.7)
    assert made.recommended == Row(0, (0,), 0.0, 0.0)
    assert [(row.copies, row.bows, row.gain) for row in made.rows] == [(n, 0, 0.0) for n in range(1, 7)]
