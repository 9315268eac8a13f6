"""What became of promises in the invented world: players held out of the fit, advised at their dealers, beside what they truly like."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats
from model.domain.records import Trial
from model.evaluation.calibration import Comparison, calibrate, compare
from model.evaluation.folds import player_folds
from model.evaluation.reliability import Forecasts
from model.preference.batch import first_runs, with_own_ratings
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.trial import Offer, Proposal, proposal_for
from model.trial.verdict import NOTICEABLE
from seed_data.make import Drawn
from tests.benchmarks._demo import Demo
from tests.benchmarks._winnings import last_trials

TIER, BOW, CASE, VERDICT = KINDS = (
    "a copy of the tier is liked better",
    "the first bow is liked better",
    "one of the case is liked better",
    f"one of the case is better by {NOTICEABLE}",
)


@dataclass(frozen=True, slots=True)
class Brought:
    """One player's case beside the truth: bows carried, and what the truly best of the case, and of all affordable ones, wins."""

    player: str
    bows: int
    won: float
    could: float


@dataclass(frozen=True, slots=True)
class Truths:
    """Chances told and what came of them, by kind; cases; and the slope that the check-up would use on the same folds."""

    told: dict[str, Forecasts]
    brought: list[Brought]
    slope: float


def truths(demo: Demo, drawn: Drawn, folds_: int | None = None) -> Truths:
    """Advise every player at their dealer by a model fitted without them; ``folds_``: in so many of the five folds only."""
    first, last = first_runs(demo.trials), {trial.key for trial in last_trials(demo.trials)}
    rows: dict[str, list[tuple[float, float, str]]] = {kind: [] for kind in KINDS}
    brought: list[Brought] = []
    marks: list[list[Comparison]] = []
    for kept, held in list(player_folds(demo.trials))[:folds_]:
        view = PreferenceModel(demo.range).fit(kept, demo.events).view_
        marks.append(
            [each for t in held for each in compare(Player(view, with_own_ratings(t)), t.player, first[t.key])]
        )
        for trial in (trial for trial in held if trial.key in last and not with_own_ratings(trial).plays_no_bow):
            proposal = proposal_for(view, with_own_ratings(trial), (), _offer(demo, trial))
            world = _World(demo, drawn, trial)
            for kind, chance, came in world.promises(proposal):
                rows[kind].append((chance, came, trial.player))
            brought += world.brought(proposal)
    calibrated = calibrate(marks)
    slope = calibrated.slope if calibrated else 1.0
    return Truths({kind: Forecasts.of(found) for kind, found in rows.items()}, brought, slope)


def _offer(demo: Demo, trial: Trial) -> Offer:
    purse = demo.purses[trial.key]
    return Offer(prices=demo.prices_for(purse), budget=purse.budget, at_hand=demo.stock[purse.dealer])


class _World:
    """What one player truly likes better than the own bow, and by how much."""

    def __init__(self, demo: Demo, drawn: Drawn, trial: Trial) -> None:
        own = drawn.true_own_liking(trial.player)
        self.ahead = {copy: liking - own for copy, liking in drawn.true_liking(trial.player).items()}
        self.demo, self.player, purse = demo, trial.player, demo.purses[trial.key]
        prices, budget = demo.prices_for(purse), math.inf if purse.budget is None else purse.budget
        tier = {copy: demo.range.copies[copy].tier for copy in self.ahead}
        self.affordable = [
            copy
            for copy in self.ahead
            if copy in demo.stock[purse.dealer] and prices.get(tier[copy], math.inf) <= budget
        ]

    def of_tier(self, slug: str) -> Floats:
        """Return how much better every copy of a tier is."""
        return np.array([by for copy, by in self.ahead.items() if self.demo.range.copies[copy].tier == slug])

    def promises(self, proposal: Proposal) -> Iterator[tuple[str, float, float]]:
        """Give each chance told with what is true."""
        for entry in proposal.entries:
            copies = self.of_tier(entry.tier)
            if len(copies):
                yield TIER, entry.beats_own_bow, float(np.mean(copies > 0))
        case, verdict = proposal.case, proposal.verdict
        if case is None or verdict is None or not proposal.bring:
            return
        ahead = [self.ahead[copy] for copy in proposal.bring]
        yield CASE, case.row.chance, float(max(ahead) > 0)
        yield VERDICT, verdict.chance, float(max(ahead) > NOTICEABLE)
        if case.path[0] == case.bows[0]:
            yield BOW, case.rows[0].chance, float(ahead[0] > 0)

    def brought(self, proposal: Proposal) -> Sequence[Brought]:
        """Return the case, nothing where nothing is affordable or brought."""
        if not proposal.bring or not self.affordable:
            return ()
        won = max(0.0, *(self.ahead[copy] for copy in proposal.bring))
        could = max(0.0, *(self.ahead[copy] for copy in self.affordable))
        return (Brought(self.player, len(proposal.bring), won, could),)
