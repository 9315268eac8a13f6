"""What people keep: which bow of a trial was taken home, told from its ratings and its price by a conditional logit.

V = gamma_1 overall + gamma_2 priorities + gamma_3 log(price / reference) + gamma_4 own bow, without the price for the own
bow; each bow of the trial is kept with probability proportional to exp(V) (McFadden 1974, Conditional logit analysis of
qualitative choice behavior, in Zarembka, Frontiers in Econometrics). The reference is the budget, else the median price of
the copies tried, as asked. A bow's price is what was paid for it; where that is not known, what is usually paid of such a
price (`_PricesPaid`).
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from enum import StrEnum
from math import log
from statistics import fmean, median
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from model.choice.conditional_logit import ChoicePrior, fit_conditional_logit
from model.domain.arrays import Floats
from model.domain.priorities import rank_order_weights
from model.domain.records import Outcome, Range, Ratings, Trial
from model.domain.vocabulary import Criterion, OutcomeKind

TERMS = ("overall", "priorities", "price", "own")
"""The columns of V, in the order of every array of coefficients."""
BELIEFS = ChoicePrior(mean=[0.9, 0.9, -0.5, 0.5], sd=[0.5, 0.5, 0.5, 1.0])
"""What is believed before the first outcome: a judgement, no source, not tuned to data.

Of two bows a point apart in everything the better one is kept six times as often (exp 1.8), and the mark as a whole and the
priorities count alike, so that h = 1/2; twice the price counts like a fifth of a point; of two equals the own bow stays
rather more often (the status quo: Samuelson & Zeckhauser 1988, J. Risk Uncertain. 1: 7).
"""
MIN_LIKING_WEIGHT = 0.1
"""gamma_1 + gamma_2 below this (odds of 1.1 a point): ratings hardly tell what is kept, and price is not put into points."""

MAX_PRICE_WEIGHT = 1.0
"""Twice the price never weighs more than 0.7 points (a judgement, no source)."""
MAX_LOG_PRICE_RATIO = float(np.log(4.0))
"""Beyond four times the reference, or a quarter, a price counts no further: hardly an outcome tells of such (a judgement).

Nor does a price paid that is so far from the one asked: more was paid for than the bow, or less than the whole.
"""


class ExclusionReason(StrEnum):
    """Why a trial's outcome tells the choice model nothing; the values are sentences for readers."""

    UNDECIDED = "more bows were asked for, and nothing was decided"
    NO_TRIAL = "there is no sheet of its player"
    NO_COPY = "it is not said which bow was kept or brought back"
    NOT_PLAYED = "the bow kept or brought back was not played in the trial"
    NOT_RATED = "the bow kept was not rated overall"
    NO_PRICE = "the price of the bow kept is not known"
    OWN_NOT_RATED = "the own bow stayed, but was not rated overall"
    ONE_OPTION = "only one bow could be compared"
    CONTRADICTION = "a bow was kept, and on that day or later none"


@dataclass(frozen=True, slots=True)
class Offer:
    """What the player of a trial could pay, and had to.

    Attributes
    ----------
    prices : by tier, as this player is asked to pay them, in the currency of the budget.
    budget : None where none was named.
    paid : by serial what was paid for a bow that was kept, in the same currency; empty where it is not known.
    """

    prices: Mapping[str, float]
    budget: float | None = None
    paid: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        named = {f"the price of {which}": price for which, price in (*self.prices.items(), *self.paid.items())}
        for where, value in (named | ({} if self.budget is None else {"the budget": self.budget})).items():
            if not 0 < value < float("inf"):
                raise ValueError(f"{where}: got {value}, expected a number above 0")


@dataclass(frozen=True, eq=False)
class ChoiceSets:
    """Outcomes as sets of options.

    Attributes
    ----------
    Z : (n, 4) the columns of V.
    choice : (n,) number of the choice that each option belongs to.
    chosen : (n,) whether it was the one.
    outcomes : trials behind them; a trial in which two bows were kept holds two choices.
    left_out : why the outcome of each other trial is not used, by its key.
    """

    Z: Floats
    choice: np.ndarray[Any, np.dtype[np.int64]]
    chosen: np.ndarray[Any, np.dtype[np.bool_]]
    outcomes: int
    left_out: Mapping[str, ExclusionReason]


@dataclass(frozen=True, eq=False)
class PurchaseModel:
    """What makes a bow be kept, learnt from outcomes; nothing here names a player or a trial.

    Attributes
    ----------
    prior : what was believed before.
    coef, covariance : (4,), (4, 4) gamma and its posterior covariance (normal approximation), in the order of `TERMS`;
        the first two per point of rating, 0 or more.
    outcomes, choices : trials whose outcome was used, and the choices in them; with few of them the prior rules.
    left_out : how many trials' outcomes were not used, by reason.
    loglik : of the choices, without the prior; 0.0 without choices.
    """

    prior: ChoicePrior
    coef: Floats
    covariance: Floats
    outcomes: int
    choices: int
    left_out: Mapping[ExclusionReason, int]
    loglik: float

    @property
    def per_point(self) -> float:
        """gamma_1 + gamma_2: logarithm of the odds for a bow that is a point better in everything; 0.1 at least."""
        return max(float(self.coef[0] + self.coef[1]), MIN_LIKING_WEIGHT)

    @property
    def priority_weight(self) -> float:
        """The share h = gamma_2 / (gamma_1 + gamma_2) of the priorities in u; the prior's where both are 0."""
        overall, priorities = self.coef[:2] if self.coef[:2].any() else np.asarray(self.prior.mean)[:2]
        return float(priorities / (overall + priorities))

    @property
    def priority_weight_se(self) -> float:
        """Standard error of h by the delta method, at most 0.5."""
        return min(self._deviation(np.array([-self.priority_weight, 1.0 - self.priority_weight, 0.0, 0.0])), 0.5)

    @property
    def price_sensitivity(self) -> float:
        """-gamma_3 / (gamma_1 + gamma_2): points of liking that weigh as much as a price e times as high; may be below 0."""
        return -float(self.coef[2]) / self.per_point

    @property
    def price_sensitivity_se(self) -> float:
        """Its standard error by the delta method."""
        return self._deviation(np.array([-self.price_sensitivity, -self.price_sensitivity, -1.0, 0.0]))

    @property
    def price_shrinkage(self) -> float:
        """Share of what is known of gamma_3 that outcomes told: 1 - its variance now / before; 0 without outcomes, below 1."""
        before = float(np.asarray(self.prior.sd)[2]) ** 2
        return min(max(1.0 - float(self.covariance[2, 2]) / before, 0.0), 1.0)

    @property
    def price_weight(self) -> float:
        """Points by which a proposal counts a price e times as high: the sensitivity, times the share of it that was told.

        The ratio of two uncertain coefficients has no mean (Daly, Hess & Train 2012, Transportation 39: 19), so it is held
        within 0 and `MAX_PRICE_WEIGHT`; what is only believed counts nothing, since the budget is known and tiers lie so
        far apart in price that the belief alone would often name the cheapest. In 448 simulated histories (five tiers 0.2
        points apart, each at twice the price of the one below, true sensitivity 0 to 0.6) the belief's 0.28 named the
        cheapest tier for 38 to 47 % of players before any outcome, liking alone for 10 to 25 %, and lost .06 points where
        price did not matter; weighted so it lost nothing there, and after 100 outcomes the loss from leaving price out had
        fallen from .08 to .01 (true 0.3) and from .33 to .02 (true 0.6).
        """
        return min(max(self.price_sensitivity, 0.0), MAX_PRICE_WEIGHT) * self.price_shrinkage

    def _deviation(self, slope: Floats) -> float:
        """Return the deviation of a ratio whose derivatives are ``slope`` (4,) / (gamma_1 + gamma_2)."""
        return float(np.sqrt(slope @ self.covariance @ slope)) / self.per_point


def prior_only(prior: ChoicePrior = BELIEFS) -> PurchaseModel:
    """Return what is believed before the first outcome."""
    sd = np.asarray(prior.sd, dtype=np.float64)
    return PurchaseModel(prior, np.array(prior.mean), np.diag(sd**2), 0, 0, MappingProxyType({}), 0.0)


def price_penalty(weight: float, price: ArrayLike, reference: float) -> Floats:
    """Return the points that prices weigh against liking: weight log(price / reference), within a factor of 4 either way.

    Parameters
    ----------
    weight : points for a price e times as high, `PurchaseModel.price_weight`.
    price : (T,) each above 0, in one currency.
    reference : what 0 points stand for: the budget, else the median price.

    Raises
    ------
    ValueError
        A price or a reference that is not above 0.
    """
    values = np.asarray(price, dtype=np.float64)
    if not (np.isfinite(values) & (values > 0)).all() or not 0 < reference < np.inf:
        raise ValueError(f"price: got {values.tolist()} and the reference {reference}, expected numbers above 0")
    return np.asarray(weight * np.clip(np.log(values / reference), -MAX_LOG_PRICE_RATIO, MAX_LOG_PRICE_RATIO))


def fit_purchase_model(
    trials: Iterable[Trial],
    outcomes: Iterable[Outcome],
    offers: Mapping[str, Offer],
    range_: Range,
    prior: ChoicePrior = BELIEFS,
) -> PurchaseModel:
    """Learn from outcomes what people keep; without usable ones the prior remains.

    Parameters
    ----------
    trials, outcomes : as read from the history; outcomes of trials that are not among ``trials`` are counted as left out.
    offers : by trial key; a trial that is missing counts as one without prices.
    range_ : tells the tier of each copy.
    prior : beliefs about the four coefficients.

    Raises
    ------
    ValueError
        A prior of another length.
    """
    sd = np.asarray(prior.sd, dtype=np.float64)
    if sd.shape != (len(TERMS),):
        raise ValueError(f"prior: got deviations {sd.tolist()}, expected {len(TERMS)}, for {', '.join(TERMS)}")
    told = build_choice_sets(trials, outcomes, offers, range_)
    left_out = MappingProxyType(dict(Counter(told.left_out.values())))
    if not told.outcomes:
        return replace(prior_only(prior), left_out=left_out)
    fit = fit_conditional_logit(told.Z, told.choice, told.chosen, prior, nonnegative=(0, 1))
    return PurchaseModel(prior, fit.coef, fit.covariance, told.outcomes, int(told.chosen.sum()), left_out, fit.loglik)


def build_choice_sets(
    trials: Iterable[Trial], outcomes: Iterable[Outcome], offers: Mapping[str, Offer], range_: Range
) -> ChoiceSets:
    """Turn outcomes into sets of options; see `fit_purchase_model`.

    A bow without an overall rating or a price is left out of its set, and so is an own bow not rated; a trial whose own bow
    was not rated counts only where a copy was kept, as a choice among the copies. Where one option follows another with
    odds that do not depend on the rest, as they do here, this leaves the coefficients as they are (McFadden 1978,
    Modelling the choice of residential location, in Karlqvist et al., Spatial Interaction Theory).
    """
    by_trial: dict[str, list[Outcome]] = defaultdict(list)
    for outcome in outcomes:
        by_trial[outcome.trial].append(outcome)
    known = {trial.key: trial for trial in trials}
    used: list[_Choice] = []
    left_out: dict[str, ExclusionReason] = {}
    for key, told in by_trial.items():
        found = (
            _choices_of(known[key], told, offers.get(key, Offer({})), range_)
            if key in known
            else ExclusionReason.NO_TRIAL
        )
        if isinstance(found, ExclusionReason):
            left_out[key] = found
        else:
            used += found
    size = [len(each.options) for each in used]
    prices = _PricesPaid.of(used)
    return ChoiceSets(
        Z=np.array([prices.row(option) for each in used for option in each.options]).reshape(-1, len(TERMS)),
        choice=np.repeat(np.arange(len(used)), size),
        chosen=np.array([place == each.chosen for each in used for place in range(len(each.options))], dtype=bool),
        outcomes=len(by_trial) - len(left_out),
        left_out=left_out,
    )


Row = tuple[float, float, float, float]
Bow = str | None
"""A copy's serial, None the own bow."""


@dataclass(frozen=True, slots=True)
class _Option:
    """A bow that could be chosen.

    Attributes
    ----------
    row : the columns of V, at the price asked.
    level : logarithm of the price asked over the median of all that is on sale there; 0 for the own bow.
    share : logarithm of what was paid over what was asked, None where it is not known.
    """

    row: Row
    level: float = 0.0
    share: float | None = None


@dataclass(frozen=True, slots=True)
class _Choice:
    """The options of one set, and the place of the one chosen."""

    options: tuple[_Option, ...]
    chosen: int


@dataclass(frozen=True, slots=True)
class _PricesPaid:
    """What is usually paid of what is asked: log(paid / asked) = usual + steeper * level, by least squares over bows kept.

    What somebody paid is known of what they kept alone. Were the other bows left at what is asked, a discount that everybody
    gets would make the bow kept look cheap beside them each time, and price would seem to weigh what it does not.

    Both coefficients have the prior N(0, s ** 2) and single shares scatter by the same s (s cancels; a judgement: near .1), so
    that few prices say little, and none nothing.
    """

    usual: float
    steeper: float

    @classmethod
    def of(cls, choices: Iterable[_Choice]) -> _PricesPaid:
        """Learn from the bows chosen whose price paid is known."""
        kept = [each.options[each.chosen] for each in choices]
        told = [(option.level, option.share) for option in kept if option.share is not None]
        X = np.array([(1.0, level) for level, _share in told]).reshape(-1, 2)
        usual, steeper = np.linalg.solve(X.T @ X + np.eye(2), X.T @ np.array([share for _level, share in told]))
        return cls(float(usual), float(steeper))

    def row(self, option: _Option) -> Row:
        """Return the columns of V at the price that was paid, or would be."""
        overall, priorities, price, own = option.row
        if own:
            return option.row
        share = self.usual + self.steeper * option.level if option.share is None else option.share
        return overall, priorities, price + share, own


def _choices_of(
    trial: Trial, outcomes: Sequence[Outcome], offer: Offer, range_: Range
) -> tuple[_Choice, ...] | ExclusionReason:
    decided = _decided(outcomes)
    if isinstance(decided, ExclusionReason):
        return decided
    played = _played(trial)
    options = _options(trial, played, offer, range_)
    touched = {outcome.copy for outcome in outcomes if outcome.kind in {OutcomeKind.KEPT, OutcomeKind.RETURNED}}
    if not touched <= played.keys():
        return ExclusionReason.NOT_PLAYED
    for bow in decided:
        if bow not in options:
            return _why_not(bow, played)
    sets = [_choice(options, decided[:place], bow) for place, bow in enumerate(decided)]
    return tuple(each for each in sets if len(each.options) > 1) or ExclusionReason.ONE_OPTION


def _why_not(bow: Bow, played: Mapping[Bow, Ratings]) -> ExclusionReason:
    """Say why a bow that was chosen is no option."""
    if bow is None:
        return ExclusionReason.OWN_NOT_RATED
    return ExclusionReason.NO_PRICE if Criterion.OVERALL in played[bow] else ExclusionReason.NOT_RATED


def _choice(options: Mapping[Bow, _Option], gone: Sequence[Bow], bow: Bow) -> _Choice:
    left = [each for each in options if each not in gone]
    return _Choice(tuple(options[each] for each in left), left.index(bow))


def _decided(outcomes: Sequence[Outcome]) -> tuple[Bow, ...] | ExclusionReason:
    """Return the bows chosen, one after the other, (None,) where the own bow stayed; a bow brought back was not chosen."""
    kept: dict[str, date] = {}
    none: list[date] = []
    for outcome in sorted(outcomes, key=lambda each: (each.on, each.kind is OutcomeKind.RETURNED)):
        if outcome.kind is OutcomeKind.KEPT:
            if outcome.copy is None:
                return ExclusionReason.NO_COPY
            kept.setdefault(outcome.copy, outcome.on)
        elif outcome.kind is OutcomeKind.RETURNED:
            if outcome.copy is None:
                return ExclusionReason.NO_COPY
            kept.pop(outcome.copy, None)
            none.append(date.min)
        elif outcome.kind is OutcomeKind.NONE:
            none.append(outcome.on)
    if kept and max(none, default=date.min) >= min(kept.values()):
        return ExclusionReason.CONTRADICTION
    return tuple(kept) or ((None,) if none else ExclusionReason.UNDECIDED)


def _played(trial: Trial) -> dict[Bow, Ratings]:
    """Return what each bow was rated, the mean of its runs; the own bow, if not played, as the answers have it."""
    sheets: dict[Bow, dict[Criterion, list[float]]] = {}
    for run in trial.runs:
        sheet = sheets.setdefault(run.copy, defaultdict(list))
        for criterion, value in run.ratings.items():
            sheet[criterion].append(value)
    played: dict[Bow, Ratings] = {
        bow: {c: values[0] if len(values) == 1 else fmean(values) for c, values in sheet.items()}
        for bow, sheet in sheets.items()
    }
    own = trial.answers.own_bow
    if own is not None and Criterion.OVERALL not in played.get(None, {}):
        played[None] = own.ratings
    return played


def _options(trial: Trial, played: Mapping[Bow, Ratings], offer: Offer, range_: Range) -> dict[Bow, _Option]:
    """Return every bow that can be an option."""
    rated = {bow: ratings for bow, ratings in played.items() if Criterion.OVERALL in ratings}
    tiers = {bow: range_.copies[bow].tier for bow in rated if bow is not None and bow in range_.copies}
    price = {bow: offer.prices[tier] for bow, tier in tiers.items() if tier in offer.prices}
    reference = offer.budget or median(price.values() or [1.0])
    options = {bow: ratings for bow, ratings in rated.items() if bow is None or bow in price}
    shared = tuple(c for c in trial.answers.priorities if all(c in ratings for ratings in options.values()))
    middle = median(offer.prices.values() or [1.0])

    def option(bow: Bow, ratings: Ratings) -> _Option:
        liking = ratings[Criterion.OVERALL], _priorities(trial.answers.priorities, shared, ratings)
        if bow is None:
            return _Option((*liking, 0.0, 1.0))
        asked, share = price[bow], log(offer.paid.get(bow, np.nan) / price[bow])
        known = share if abs(share) <= MAX_LOG_PRICE_RATIO else None
        return _Option((*liking, log(asked / reference), 0.0), log(asked / middle), known)

    return {bow: option(bow, ratings) for bow, ratings in options.items()}


def _priorities(ranked: Sequence[Criterion], shared: Sequence[Criterion], ratings: Ratings) -> float:
    """Return the weighted priorities over those that every bow was rated on, weights rescaled; none: the overall."""
    if not shared:
        return ratings[Criterion.OVERALL]
    weights = dict(zip(ranked, rank_order_weights(len(ranked)).tolist(), strict=True))
    return float(sum(weights[c] * ratings[c] for c in shared) / sum(weights[c] for c in shared))
