"""Small invented ranges, trials and fitted models for the tests of the preference model."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise

import numpy as np

from model.domain.arrays import Floats
from model.domain.records import Answers, Bench, Copy, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, Criterion, Hold, Instrument
from model.features.copy_history import Level
from model.features.design import Design
from model.preference.fitted import CopyBlock, Correlations, FittedModel, PlayerDistribution

C = len(CRITERIA)
OVERALL = Criterion.OVERALL
VIOLIN = Answers(Instrument.VIOLIN)
START = date(2031, 3, 1)


def violins(copies_of_tier: Sequence[int], bench: bool = True) -> Range:
    """Tiers 'a', 'b', ... of grades 1, 2, ... with so many copies each: 'a0', 'a1', ..."""
    slugs = "abcdefghij"[: len(copies_of_tier)]
    tiers = {slug: Tier(slug, Instrument.VIOLIN, grade) for grade, slug in enumerate(slugs, start=1)}
    rng = np.random.default_rng(11)
    copies = [
        Copy(f"{slug}{number}", slug, bench=_bench(rng) if bench else Bench())
        for slug, count in zip(slugs, copies_of_tier, strict=True)
        for number in range(count)
    ]
    return Range(tiers, {copy.serial: copy for copy in copies})


def _bench(rng: np.random.Generator) -> Bench:
    mass, balance, speed = rng.normal([60.0, 250.0, 5000.0], [1.0, 4.0, 120.0])
    return Bench(
        mass_g=mass, balance_mm=balance, speed_of_sound_m_s=speed, loss_factor=0.004 * np.exp(rng.normal(0, 0.1))
    )


def joined(*ranges: Range) -> Range:
    """All tiers and copies of several ranges."""
    tiers = {slug: tier for of in ranges for slug, tier in of.tiers.items()}
    return Range(tiers, {serial: copy for of in ranges for serial, copy in of.copies.items()})


def basses() -> Range:
    """Three double-bass tiers: German, French, and one built for both."""
    holds = {"g": {Hold.GERMAN}, "f": {Hold.FRENCH}, "gf": {Hold.GERMAN, Hold.FRENCH}}
    tiers = {
        slug: Tier(slug, Instrument.DOUBLE_BASS, grade, frozenset(held))
        for grade, (slug, held) in enumerate(holds.items(), start=1)
    }
    copies = [
        Copy("g0", "g", Hold.GERMAN),
        Copy("f0", "f", Hold.FRENCH),
        Copy("gf0", "gf", Hold.GERMAN),
        Copy("gf1", "gf", Hold.FRENCH),
    ]
    return Range(tiers, {copy.serial: copy for copy in copies})


def runs(sheets: Iterable[tuple[str | None, Mapping[Criterion, float]]]) -> tuple[Run, ...]:
    """Runs at positions 1, 2, ...: (serial or None for the own bow, ratings)."""
    return tuple(Run(place, copy, ratings) for place, (copy, ratings) in enumerate(sheets, start=1))


def trial(
    number: int,
    sheets: Iterable[tuple[str | None, Mapping[Criterion, float]]],
    answers: Answers = VIOLIN,
    player: str = "",
) -> Trial:
    """A trial with the key and the player 'p<number>', one day after the one before."""
    return Trial(f"t{number}", player or f"p{number}", START + timedelta(days=number), answers, runs(sheets))


def drawn_trials(range_: Range, players: int, bows: int, seed: int, own: bool = True) -> list[Trial]:
    """Trials drawn from crossed effects, all criteria rated now and then, ratings rounded to 1 ... 7."""
    rng = np.random.default_rng(seed)
    serials, effect = list(range_.copies), rng.normal(0.0, 0.5, len(range_.copies))
    out = []
    for number in range(players):
        level = 4.0 + rng.normal(0.0, 0.8)
        picked = rng.choice(len(serials), bows, replace=False)
        sheets: list[tuple[str | None, Mapping[Criterion, float]]] = [
            (serials[k], _sheet(rng, level + effect[k])) for k in picked
        ]
        if own:
            sheets.append((None, _sheet(rng, level)))
        out.append(trial(number, sheets))
    return out


def _sheet(rng: np.random.Generator, level: float) -> dict[Criterion, float]:
    marks = np.clip(np.round(level + rng.normal(0.0, 0.7, C)), 1, 7)
    return {criterion: float(mark) for criterion, mark in zip(CRITERIA, marks, strict=True) if rng.random() < 0.8}


def random_covariance(rng: np.random.Generator, size: int, scale: float) -> Floats:
    """A covariance of full rank whose largest eigenvalue is ``scale``."""
    half = rng.normal(size=(size, size + 2))
    covariance = half @ half.T
    return np.asarray(scale * covariance / np.linalg.eigvalsh(covariance)[-1])


def random_correlation(rng: np.random.Generator) -> Floats:
    """A correlation matrix over the criteria, all of them alike to some degree."""
    half = rng.normal(size=(C, C + 3))
    R = half @ half.T + 2.0
    return np.asarray(R / np.sqrt(np.outer(np.diag(R), np.diag(R))))


def random_roots(rng: np.random.Generator, size: int, scales: Floats) -> Floats:
    """Lower roots (C, size, size) of covariances of these largest eigenvalues."""
    return np.asarray(np.linalg.cholesky([random_covariance(rng, size, scale) for scale in scales]), dtype=np.float64)


def made_up_posterior(range_: Range, blocks: Sequence[Sequence[Level]], seed: int) -> FittedModel:
    """A posterior with every part filled with random numbers; nothing in it is zero, equal or diagonal by luck."""
    rng = np.random.default_rng(seed)
    design = Design.from_range(range_)
    p, levels = len(design.columns), [level for block in blocks for level in block]
    copy_sd = rng.uniform(0.3, 0.5, C)
    ends = np.cumsum([0, *(len(block) for block in blocks)])
    return FittedModel(
        design=design,
        coef=np.concatenate([rng.normal(4.2, 0.3, (C, 1)), rng.normal(0.0, 0.2, (C, p - 1))], axis=1),
        coef_root=random_roots(rng, p, np.full(C, 0.2)),
        player_sd=rng.uniform(0.5, 0.8, C),
        copy_sd=copy_sd,
        match_sd=rng.uniform(0.3, 0.6, C),
        repeat_sd=rng.uniform(0.5, 0.9, C),
        correlations=Correlations(*(random_correlation(rng) for _ in range(7))),
        players=PlayerDistribution(
            random_roots(rng, 6, np.full(C, 0.8)), rng.normal(0.1, 0.2, C), rng.uniform(0.1, 0.3, C)
        ),
        levels=tuple(levels),
        effect=rng.normal(0.0, 0.3, (C, len(levels))),
        coupling=rng.normal(0.0, 0.1, (C, len(levels), p)),
        blocks=tuple(
            CopyBlock(
                np.arange(start, end),
                random_roots(rng, end - start, 0.9 * copy_sd**2),
            )
            for start, end in pairwise(ends.tolist())
        ),
        rows=np.full(C, 50),
        trials={("violin", ""): 30},
    )


@dataclass(frozen=True)
class BenchWorld:
    """Violin bows whose true mass and stiffness everybody feels, as a bench sees them, with trials of some of them.

    ``liked`` : by serial what everybody finds of a copy, overall; ``new``: the copies that nobody has rated.
    """

    range: Range
    trials: tuple[Trial, ...]
    liked: Mapping[str, float]
    new: tuple[str, ...]


def bench_world(slope: float, players: int, seed: int, rated: int = 40, new: int = 20) -> BenchWorld:
    """Three tiers of copies read with an error of .7 of their spread, every fourth reading missing; overall marks alone.

    A spread of stiffness is worth ``slope`` points to everybody, one of mass half as much.
    """
    rng = np.random.default_rng(seed)
    tiers = {slug: Tier(slug, Instrument.VIOLIN, grade) for grade, slug in enumerate("abc", start=1)}
    copies, liked = {}, {}
    for slug, tier in tiers.items():
        for number in range(rated + new):
            mass, stiffness = rng.normal(size=2)
            read = [60.0 + mass, 150.0 + 10.0 * stiffness] + 0.7 * np.array([1.0, 10.0]) * rng.normal(size=2)
            there = rng.random(2) > 0.25
            bench = Bench(
                mass_g=float(read[0]) if there[0] else None,
                stiffness_n_per_m=float(read[1]) if there[1] else None,
                sd={"mass_g": 0.7, "stiffness_n_per_m": 7.0},
            )
            serial = f"{slug}{number}"
            copies[serial] = Copy(serial, slug, bench=bench)
            liked[serial] = 4.0 + 0.3 * tier.grade + slope * (stiffness + 0.5 * mass) + rng.normal(0.0, 0.3)
    known = [serial for serial in copies if int(serial[1:]) < rated]
    trials = []
    for number in range(players):
        level, picked = rng.normal(0.0, 0.7), rng.choice(known, 5, replace=False).tolist()
        marks = {serial: liked[serial] + level + rng.normal(0.0, np.hypot(0.3, 0.6)) for serial in picked}
        trials.append(
            trial(number, [(serial, {OVERALL: float(np.clip(mark, 1, 7))}) for serial, mark in marks.items()])
        )
    return BenchWorld(
        Range(tiers, copies), tuple(trials), liked, tuple(serial for serial in copies if serial not in known)
    )
