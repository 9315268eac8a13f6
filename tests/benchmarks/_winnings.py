"""What the advice wins for players held out of the fit, by the true likings of the invented world."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers, Trial
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, Criterion
from model.preference.batch import with_own_ratings
from model.preference.model import PreferenceModel
from model.preference.prediction import Prediction
from seed_data import catalogue
from seed_data.make import Drawn
from tests.benchmarks._cases import Advice, Shelf, Truth, advised, shelf
from tests.benchmarks._demo import Demo

NOISE = 0.75
"""Deviation of one rating of one criterion in the invented world, about; see the README of the demo data."""
SHARED = 0.5
"""Correlation of the noise of two criteria rated in one run."""
DRAWS = 400
SEED = 20261125
MEASURES = ("overall", "utility")
"""The true overall liking; and u = (1 - h) overall + h priorities, the player then picking by a rated u."""

TIERS, NAMED, AT_DEALER = GROUPS = ("tiers", "copies", "copies at the dealer")
"""What is advised: how many copies of which tiers; which of all copies; which of those in stock at the player's dealer."""
NAMED_COPIES, SAME_TIERS, DEAREST, THREE_TIERS, TRULY_BEST_TIER, CEILING = CASES = (
    "the copies named",
    "random copies of the tiers advised",
    "as many of the dearest affordable tier",
    "as many of three affordable tiers",
    "as many of the truly best affordable tier",
    "the truly best affordable copy",
)


@dataclass(frozen=True, slots=True)
class Won:
    """What a case of so many bows won a player.

    Attributes
    ----------
    price : mean price of its bows as a share of that of the dearest affordable tier; NaN for the ceiling.
    gain, chance : by measure; for the ceiling, where nothing is rated, the chance is NaN.
    """

    player: str
    group: str
    case: str
    bows: int
    price: float
    gain: Floats
    chance: Floats


@dataclass(frozen=True, slots=True)
class Promise:
    """What the plan told a player in a group, and whether it brought a bow above the budget, as a step up may be."""

    player: str
    group: str
    gain: float
    chance: float
    above_budget: bool


class World:
    """The truth behind the demo data."""

    def __init__(self, drawn: Drawn) -> None:
        if tuple(map(str, CRITERIA)) != catalogue.CRITERIA:
            msg = f"criteria of the demo data: got {catalogue.CRITERIA}, expected {tuple(map(str, CRITERIA))}"
            raise ValueError(msg)
        self.drawn = drawn
        self.player = {key: place for place, key in enumerate(drawn.players)}
        self.copy = {serial: place for place, serial in enumerate(drawn.copies)}

    def truth(self, trial: Trial, outlook: Prediction) -> Truth:
        """Return the true likings of one player, with noise from a stream of the player's own."""
        i = self.player[trial.player]
        rng = np.random.default_rng([SEED, i])
        columns = [self.copy[serial] for serial in outlook.stock.serials]
        weights = np.column_stack([_weights(trial.answers, h) for h in (0.0, outlook.priority_weight)])
        together = np.full((len(CRITERIA), len(CRITERIA)), SHARED) + (1 - SHARED) * np.eye(len(CRITERIA))
        return Truth(
            liking=self.drawn.liking_by_criterion[i, columns] @ weights,
            own=self.drawn.own_liking_by_criterion[i] @ weights,
            noise=rng.normal(size=(DRAWS, len(columns))),
            own_noise=rng.normal(size=DRAWS),
            deviation=NOISE * np.sqrt(np.einsum("cm,cd,dm->m", weights, together, weights)),
        )


def _weights(answers: Answers, h: float) -> Floats:
    """Return (C,) the weights of u."""
    weights = np.zeros(len(CRITERIA))
    weights[CRITERION_INDEX[Criterion.OVERALL]] = 1.0 - h
    if answers.priorities:
        places = [CRITERION_INDEX[criterion] for criterion in answers.priorities]
        weights[places] = h * rank_order_weights(len(places))
    return weights


def last_trials(trials: Sequence[Trial]) -> list[Trial]:
    """Return every player's last trial."""
    return list({trial.player: trial for trial in sorted(trials, key=lambda trial: (trial.on, trial.key))}.values())


class Visit:
    """One player held out, of whom the model knows the answers and the own bow's ratings only."""

    def __init__(self, demo: Demo, world: World, model: PreferenceModel, trial: Trial) -> None:
        self.demo, self.player = demo, trial.player
        self.purse = demo.purses[trial.key]
        self.prices = demo.prices_for(self.purse)
        self.view, self.answers = model.view_, with_own_ratings(trial)
        self.outlook = model.outlook(self.answers)
        self.truth = world.truth(trial, self.outlook)
        self.luck = np.random.default_rng([SEED, 1, world.player[trial.player]]).random(self.truth.noise.shape)

    def group(self, name: str) -> tuple[list[Won], list[Promise]]:
        """Let the player choose from the cases of a group; empty where nothing that the shortlist names is in stock."""
        outlook = self.outlook
        serials = self.demo.stock[self.purse.dealer] if name == AT_DEALER else outlook.stock.serials
        stock = (
            None if name == TIERS else outlook.stock.at(np.flatnonzero(np.isin(outlook.stock.serials, list(serials))))
        )
        advice = advised(self.view, self.answers, outlook, self.prices, self.purse.budget, stock)
        if advice.shortlist.case is None or (stock is not None and not len(advice.named)):
            return [], []
        there = shelf(outlook, self.prices, self.purse.budget, serials)
        cases = {NAMED_COPIES: advice.named} if stock is not None else {}
        counted = _drawn_cases(there, advice.counts) | {TRULY_BEST_TIER: self._truly_best(there, advice.counts)}
        cases |= {case: there.draw(counts, self.luck) for case, counts in counted.items()}
        won = [
            Won(self.player, name, case, bows.shape[-1], there.dearness(bows), *self.truth.won(bows))
            for case, bows in cases.items()
        ]
        best = self.truth.ceiling(np.concatenate([there.held(tier) for tier in there.affordable()]))
        won.append(Won(self.player, name, CEILING, 1, np.nan, best, np.full(len(MEASURES), np.nan)))
        return won, [self._promise(name, advice)]

    def _truly_best(self, there: Shelf, counts: Mapping[int, int]) -> dict[int, int]:
        """Return as many bows of the affordable tier whose copies here the player truly likes best on average."""
        liking = {tier: float(self.truth.liking[there.held(tier), 0].mean()) for tier in there.affordable()}
        bows = sum(counts.values())
        return there.filled({max(liking, key=lambda tier: liking[tier]): bows}, bows)

    def _promise(self, name: str, advice: Advice) -> Promise:
        case = advice.shortlist.case
        if case is None:
            msg = f"player {self.player}: got no case, expected one over the tiers that suit and have a price"
            raise ValueError(msg)
        dear = any(entry.copies and entry.price > (self.purse.budget or np.inf) for entry in advice.shortlist.entries)
        return Promise(self.player, name, case.row.gain, case.row.chance, dear)


def _drawn_cases(there: Shelf, counts: Mapping[int, int]) -> dict[str, dict[int, int]]:
    """Return as many bows of the tiers advised, of the dearest affordable tier, and of three tiers."""
    bows = sum(counts.values())
    return {
        SAME_TIERS: there.filled(counts, bows),
        DEAREST: there.dearest(bows),
        THREE_TIERS: there.spread(bows),
    }
