"""Fitted models of many copies that players link, made from the mixed-model equations at known deviations, without a fit."""

from collections.abc import Callable, Iterator, Sequence
from functools import cache, partial

import numpy as np
from scipy import sparse

from model.domain.arrays import Floats, Ints
from model.domain.records import Bench, Copy, Range, Tier
from model.domain.vocabulary import CRITERIA, LEADING, Criterion, Hold, Instrument
from model.features.design import Design
from model.preference.fitted import Correlations, FittedModel, PlayerDistribution, block_of, principal_root
from tests.model.worlds import random_correlation, random_roots

C, TIERS, RUNS, RATINGS, AWAY = len(CRITERIA), 10, 5, 30, 0.1
"""Tiers of each instrument, bows of a trial, ratings of each copy; one trial in ten has a bow of another shop."""
PLAYER_SD, MATCH_SD, NOISE = 0.7, 0.45, 0.8


def linked_range(copies: int, instruments: Sequence[Instrument]) -> Range:
    """Ten tiers of each instrument, and as many copies of each, most of them on the bench's record."""
    rng = np.random.default_rng(5)
    tiers = [Tier(f"{of}-{grade}", of, grade, _holds(of)) for of in instruments for grade in range(1, TIERS + 1)]
    places = np.arange(copies) % len(tiers)
    found = [
        Copy(f"B{k:05d}", tiers[at].slug, next(iter(tiers[at].holds), None), bench=_bench(rng))
        for k, at in enumerate(places.tolist())
    ]
    return Range({tier.slug: tier for tier in tiers}, {copy.serial: copy for copy in found})


def _holds(instrument: Instrument) -> frozenset[Hold]:
    return frozenset({Hold.FRENCH} if instrument is Instrument.DOUBLE_BASS else ())


def _bench(rng: np.random.Generator) -> Bench:
    mass, balance, speed = rng.normal([75.0, 200.0, 5000.0], [1.5, 5.0, 150.0]).tolist()
    return Bench() if rng.random() < 0.2 else Bench(mass_g=mass, balance_mm=balance, speed_of_sound_m_s=speed)


def linked_model(range_: Range, shops: int = 1, laws: int = C) -> FittedModel:
    """A fitted model of a range, each copy rated 30 times on what its instrument is asked first, each player at one of some shops.

    ``laws``: so many criteria differ in the copies' deviation; each takes the time of an inverse and its root.
    """
    rng, design = np.random.default_rng(3), Design.from_range(range_)
    p, K = len(design.columns), len(range_.copies)
    of_copy = np.array([list(Instrument).index(range_.tiers[copy.tier].instrument) for copy in range_.copies.values()])
    copy_sd = np.resize(rng.uniform(0.3, 0.45, laws), C)
    learnt, blocks, trials = np.zeros((C, K)), [], {}
    for at, instrument in enumerate(Instrument):
        members = np.flatnonzero(of_copy == at)
        if len(members):
            asked = [CRITERIA.index(criterion) for criterion in (Criterion.OVERALL, *LEADING[instrument])]
            tried = tried_together(len(members), shops, rng)
            law = cache(partial(_left_open, len(members), tried))
            root = cache(lambda sd, of=law: principal_root(of(sd)))
            blocks.append(block_of(members, partial(_roots, copy_sd.tolist(), asked, root, len(members))))
            for c in asked:
                learnt[c, members] = 1.0 - np.diag(law(copy_sd[c])) / copy_sd[c] ** 2
            trials[str(instrument), ""] = len(tried)
    return FittedModel(
        design=design,
        coef=np.concatenate([rng.normal(4.2, 0.3, (C, 1)), rng.normal(0.0, 0.2, (C, p - 1))], axis=1),
        coef_root=random_roots(rng, p, np.full(C, 0.02)),
        player_sd=np.full(C, PLAYER_SD),
        copy_sd=copy_sd,
        match_sd=np.full(C, MATCH_SD),
        repeat_sd=np.full(C, NOISE),
        correlations=Correlations(*(random_correlation(rng) for _ in range(7))),
        players=PlayerDistribution(
            random_roots(rng, 6, np.full(C, 0.8)), rng.normal(0.1, 0.2, C), rng.uniform(0.1, 0.3, C)
        ),
        levels=tuple((serial, 0) for serial in range_.copies),
        effect=rng.normal(size=(C, K)) * copy_sd[:, None] * np.sqrt(learnt),
        coupling=_columns(design, range_) * learnt[..., None],
        blocks=tuple(blocks),
        rows=np.full(C, RATINGS * K),
        trials=trials,
    )


def _columns(design: Design, range_: Range) -> Floats:
    """Return (K, p) the columns in which copies differ: the intercept and those of the tiers."""
    X = np.zeros((len(range_.copies), len(design.columns)))
    first = X.shape[1] - len(range_.tiers)
    X[:, 0] = 1.0
    X[np.arange(len(X)), [first + design.index[copy.tier] for copy in range_.copies.values()]] = 1.0
    return X


def tried_together(copies: int, shops: int, rng: np.random.Generator) -> Ints:
    """Return (trials, 5) which of so many copies were tried together."""
    trials, at = copies * RATINGS // RUNS, np.arange(copies) % shops
    shelves = [np.flatnonzero(at == shop) for shop in range(shops)]
    out = np.array([rng.choice(shelves[trial % shops], RUNS, replace=False) for trial in range(trials)])
    elsewhere = np.flatnonzero(rng.random(trials) < AWAY)
    out[elsewhere, 0] = rng.integers(0, copies, len(elsewhere))
    return out


def _left_open(copies: int, tried: Ints, copy_sd: float) -> Floats:
    """Return (m, m) what ratings leave open of the copies' effects, the players' levels and the own bow's being unknown too."""
    runs = np.column_stack([tried, np.full(len(tried), copies)])
    trials, each = runs.shape
    Z = sparse.csr_array(
        (np.ones(runs.size), (np.repeat(np.arange(trials), each), runs.ravel())), shape=(trials, copies + 1)
    )
    told, level = 1.0 / (NOISE**2 + MATCH_SD**2), PLAYER_SD**2
    shared = told**2 * level / (1.0 + each * told * level)
    precision = sparse.diags_array(np.asarray(Z.sum(axis=0)).ravel() * told + copy_sd**-2) - shared * (Z.T @ Z)
    return np.asarray(np.linalg.inv(precision.toarray())[:copies, :copies])


def _roots(
    sds: Sequence[float], asked: Sequence[int], root: Callable[[float], Floats], copies: int
) -> Iterator[Floats]:
    for c, sd in enumerate(sds):
        yield root(sd) if c in asked else np.eye(copies) * sd
