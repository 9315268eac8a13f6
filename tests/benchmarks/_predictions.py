"""Ratings of players held out of the fit, beside what the advice would have told them beforehand.

Each rating is the first that a player gave to a copy; the player's answers and the own bow's first sheet are told, the
other bows' ratings are not. Copies are taken in their present state and a typical place in a blind trial, as the advice
takes them, though some of the trials were open or came before a copy was rehaired.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from model.domain.priorities import rank_order_weights
from model.domain.records import Answers, Ratings, Run, Trial
from model.domain.vocabulary import Blinding, Criterion
from model.preference.batch import with_own_ratings
from model.preference.model import PreferenceModel
from model.preference.prediction import Prediction
from tests.benchmarks._demo import Demo

TRIED = 2
"""So many bows' ratings are known where something is told later."""


@dataclass(frozen=True, slots=True)
class Predicted:
    """One rating held out.

    Attributes
    ----------
    rated : overall, 1 to 7.
    tier_mean : mean overall rating of the copy's tier among the other players.
    of_copy, of_tier : mean and standard deviation told of the overall rating: of this copy, of a copy of its tier.
    later : of this copy, once the player's first two ratings are known too; None where it is one of those.
    """

    player: str
    blind: bool
    rated: float
    tier_mean: float
    of_copy: tuple[float, float]
    of_tier: tuple[float, float]
    later: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Comparison:
    """One copy held out against the own bow.

    Attributes
    ----------
    won : 1 where the copy was rated above the own bow, 0 below, a half where equal.
    of_copy, of_tier : the probability told beforehand: of this copy, of a copy of its tier.
    base_rate : mean of ``won`` among the other players.
    """

    player: str
    won: float
    of_copy: float
    of_tier: float
    base_rate: float


def of_each_copy(outlook: Prediction) -> dict[str, tuple[int, float, float]]:
    """Return by serial the copy's tier, and mean and deviation of the rating that the player would give to the copy."""
    stock = outlook.stock
    mean = outlook.mean[stock.tier] + stock.offset
    deviation = np.sqrt(np.diag(outlook.cov)[stock.tier] + stock.spread**2 + outlook.noise**2)
    values = zip(stock.tier.tolist(), mean.tolist(), deviation.tolist(), strict=True)
    return dict(zip(stock.serials, values, strict=True))


def rating_of_each_copy(outlook: Prediction) -> dict[str, tuple[int, float, float]]:
    """Return the same, the deviation as it is told: of marks that scatter as this player's do."""
    by = float(np.sqrt(outlook.scatter))
    return {serial: (tier, mean, by * deviation) for serial, (tier, mean, deviation) in of_each_copy(outlook).items()}


def compared(answers: Answers, h: float) -> dict[Criterion, float]:
    """Return the weights of the criteria in a comparison with the own bow; empty where it was not rated overall.

    u = (1 - h) overall + h (priorities by rank-order-centroid weights), over the criteria that the own bow was rated on.
    """
    own = answers.own_bow.ratings if answers.own_bow else {}
    if Criterion.OVERALL not in own:
        return {}
    share = h if answers.priorities else 0.0
    weights = {Criterion.OVERALL: 1.0 - share}
    if answers.priorities:
        by_rank = rank_order_weights(len(answers.priorities))
        weights |= {criterion: share * float(w) for criterion, w in zip(answers.priorities, by_rank, strict=True)}
    kept = {criterion: weight for criterion, weight in weights.items() if criterion in own}
    return {criterion: weight / sum(kept.values()) for criterion, weight in kept.items()}


def wins(answers: Answers, h: float, runs: Sequence[Run]) -> Iterator[tuple[Run, float]]:
    """Give the runs rated on all that is compared, and whether they beat the own bow as told: 1, 0, or a half where equal."""
    weights = compared(answers, h)
    if not weights or answers.own_bow is None:
        return
    level = _mark(weights, answers.own_bow.ratings)
    for run in runs:
        if weights.keys() <= run.ratings.keys():
            yield run, 0.5 + 0.5 * float(np.sign(round(_mark(weights, run.ratings) - level, 9)))


def _mark(weights: dict[Criterion, float], ratings: Ratings) -> float:
    return sum(weight * ratings[criterion] for criterion, weight in weights.items())


class Fold:
    """A model fitted without some players, asked for them."""

    def __init__(self, demo: Demo, kept: Sequence[Trial], first: Mapping[str, Sequence[Run]]) -> None:
        self.first = first
        self.model = PreferenceModel(demo.range).fit(kept, demo.events)
        self.h = self.model.posterior_.priority_weight
        self.tier_means = _tier_means(demo, kept)
        self.base_rates = {by_priorities: self._base_rate(kept, by_priorities) for by_priorities in (False, True)}

    def ratings(self, trial: Trial) -> Iterator[Predicted]:
        """Give every overall rating of the trial with its prediction; without priorities u is the overall rating."""
        answers = _answers(trial, by_priorities=False)
        outlook = self.model.outlook(answers)
        rated = [run for run in self.first[trial.key] if Criterion.OVERALL in run.ratings]
        copies, later = rating_of_each_copy(outlook), rating_of_each_copy(self.model.outlook(answers, rated[:TRIED]))
        for number, run in enumerate(rated):
            tier, *told = copies[str(run.copy)]
            yield Predicted(
                player=trial.player,
                blind=trial.blinding is Blinding.BLIND,
                rated=run.ratings[Criterion.OVERALL],
                tier_mean=self.tier_means.get(outlook.tiers[tier].slug, self.tier_means[""]),
                of_copy=(told[0], told[1]),
                of_tier=(float(outlook.mean[tier]), float(outlook.fit_sd[tier])),
                later=later[str(run.copy)][1:] if number >= TRIED else None,
            )

    def comparisons(self, trial: Trial, *, by_priorities: bool) -> Iterator[Comparison]:
        """Give every copy of the trial with the chance told, by the overall rating or by the player's priorities too."""
        answers = _answers(trial, by_priorities=by_priorities)
        outlook = self.model.outlook(answers)
        if not outlook.own_level_given:
            return
        copies = of_each_copy(outlook)
        for run, won in wins(answers, self.h, self.first[trial.key]):
            tier, mean, deviation = copies[str(run.copy)]
            yield Comparison(
                player=trial.player,
                won=won,
                of_copy=float(ndtr((mean - outlook.own_level) / deviation)),
                of_tier=float(
                    ndtr((outlook.mean[tier] - outlook.own_level) / outlook.fit_sd[tier] * np.sqrt(outlook.scatter))
                ),
                base_rate=self.base_rates[by_priorities],
            )

    def _base_rate(self, kept: Sequence[Trial], by_priorities: bool) -> float:
        asked = ((_answers(trial, by_priorities=by_priorities), self.first[trial.key]) for trial in kept)
        return float(np.mean([won for answers, runs in asked for _, won in wins(answers, self.h, runs)]))


def _answers(trial: Trial, *, by_priorities: bool) -> Answers:
    answers = with_own_ratings(trial)
    return answers if by_priorities else replace(answers, priorities=())


def _tier_means(demo: Demo, trials: Sequence[Trial]) -> dict[str, float]:
    """Return the mean overall rating by tier, and of all under the empty name."""
    given: dict[str, list[float]] = {"": []}
    for trial in trials:
        for run in trial.runs:
            if run.copy is not None and Criterion.OVERALL in run.ratings:
                for name in ("", demo.range.copies[run.copy].tier):
                    given.setdefault(name, []).append(run.ratings[Criterion.OVERALL])
    return {name: float(np.mean(values)) for name, values in given.items()}
