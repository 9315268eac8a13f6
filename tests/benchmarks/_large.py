"""A made-up range of one instrument, larger than most makers', with trials of it and players who ask."""

import datetime as dt
from collections.abc import Iterator

import numpy as np

from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, HIGHEST, LEADING, LOWEST, Criterion, Instrument, Setting

Generator = np.random.Generator

INSTRUMENT = Instrument.CELLO
TIERS, COPIES, TRIALS, PLAYERS, RUNS = 30, 500, 1_000, 800, 5
FIRST_DAY = dt.date(2024, 1, 1)
CHEAPEST, DEAREST = 400.0, 8_000.0
PLAYER_SD, COPY_SD, NOISE = 0.7, 0.4, 0.8
"""Of the made-up ratings, in points."""
ASKED = (Criterion.OVERALL, *LEADING[INSTRUMENT])


def large_range(rng: Generator) -> Range:
    """Return 30 tiers in ten grades and 500 copies, most of them measured."""
    tiers = [Tier(f"tier-{place}", INSTRUMENT, 1 + place // 3) for place in range(TIERS)]
    copies = [Copy(f"C{k:03d}", f"tier-{k % TIERS}", bench=_bench(rng)) for k in range(COPIES)]
    return Range({tier.slug: tier for tier in tiers}, {copy.serial: copy for copy in copies})


def _bench(rng: Generator) -> Bench:
    if rng.random() < 0.2:
        return Bench()
    mass, balance, speed, loss = rng.normal([81.0, 180.0, 5100.0, 0.0], [1.5, 6.0, 150.0, 0.15]).tolist()
    return Bench(mass_g=mass, balance_mm=balance, speed_of_sound_m_s=speed, loss_factor=0.005 * float(np.exp(loss)))


def large_prices() -> dict[str, float]:
    """Return a price for each tier, rising evenly in its logarithm."""
    return {f"tier-{place}": float(price) for place, price in enumerate(np.geomspace(CHEAPEST, DEAREST, TIERS))}


def large_history(rng: Generator, range_: Range) -> list[Trial]:
    """Return a thousand trials of the own bow and five others each, by 800 players, every copy played."""
    serials = tuple(range_.copies)
    grade = np.array([range_.tiers[copy.tier].grade for copy in range_.copies.values()])
    likings = 3.9 + 0.12 * grade + COPY_SD * rng.normal(size=COPIES)
    lenient = PLAYER_SD * rng.normal(size=PLAYERS)
    order = np.concatenate([rng.permutation(COPIES) for _ in range(TRIALS * RUNS // COPIES)]).reshape(TRIALS, RUNS)
    trials = []
    for number, chosen in enumerate(order):
        player = int(rng.integers(PLAYERS))
        own = Run(1, None, _sheet(rng, 4.4 + lenient[player]))
        others = (
            Run(place, serials[k], _sheet(rng, likings[k] + lenient[player])) for place, k in enumerate(chosen, start=2)
        )
        day = FIRST_DAY + dt.timedelta(days=number)
        trials.append(Trial(f"T{number}", f"P{player}", day, _answers(rng, None), (own, *others)))
    return trials


def _sheet(rng: Generator, liking: float) -> dict[Criterion, float]:
    marks = np.clip(np.rint(liking + NOISE * rng.normal(size=len(ASKED))), LOWEST, HIGHEST)
    return dict(zip(ASKED, marks.tolist(), strict=True))


def _answers(rng: Generator, own_bow: OwnBow | None) -> Answers:
    others = [criterion for criterion in CRITERIA if criterion is not Criterion.OVERALL]
    return Answers(
        instrument=INSTRUMENT,
        settings=frozenset(rng.choice(list(Setting), rng.integers(1, 4), replace=False).tolist()),
        priorities=tuple(rng.choice(others, rng.integers(0, 4), replace=False).tolist()),
        wish_mass=int(rng.integers(-1, 2)),
        wish_tone=int(rng.integers(-1, 2)),
        own_bow=own_bow,
    )


def players(rng: Generator, number: int, *, rated: bool, tried: int) -> Iterator[tuple[Answers, list[Run], float]]:
    """Give so many different players: answers, own ratings of some copies tried already, and a budget.

    Parameters
    ----------
    rated : whether they rate their own bow, or know nothing of it but its mass.
    tried : how many copies they have tried.
    """
    for _ in range(number):
        own = OwnBow(mass_g=float(rng.normal(81.0, 2.0)), ratings=_sheet(rng, 4.4) if rated else {})
        serials = rng.choice(COPIES, tried, replace=False)
        runs = [Run(place, f"C{k:03d}", _sheet(rng, 4.6)) for place, k in enumerate(serials, start=1)]
        yield _answers(rng, own), runs, float(rng.uniform(600.0, DEAREST))
