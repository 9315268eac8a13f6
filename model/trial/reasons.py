"""Why a tier is in the list: what is true of it, and its own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

import numpy as np
from scipy.special import ndtr

from model.domain.arrays import Floats, Ints
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, LEADING, Criterion
from model.preference import Player
from model.trial.law import of_tiers

LIKELY, PROBABLY = 0.8, 0.65
"""From which probability on a difference is told as likely, and as probable."""
MOST_SAID = 3
"""So many differences of one kind are told at most: more are no reason but a list."""
SMALLEST = 0.1
"""A difference below so many points is not told, however sure it is (a judgement)."""
OWN_BOW = "own_bow"


class Fact(StrEnum):
    """What speaks for a tier beside the criteria: what the maker says of it, its weight, its price, the liking as a whole."""

    NOTE = "note"
    MASS = "mass"
    PRICE = "price"
    WHOLE = "whole"


@dataclass(frozen=True, slots=True)
class Reason:
    """A difference.

    Attributes
    ----------
    criterion, fact : what differs, one of the two.
    against : 'own_bow', a tier's slug, or None where there is nothing to compare with.
    effect : by how much, below 0 to its disadvantage: points of the scale; grams; the price.
    probability : that it is so; 1 for facts.
    """

    criterion: Criterion | None
    fact: Fact | None
    against: str | None
    effect: float
    probability: float = 1.0

    @property
    def sure(self) -> str:
        """How sure it is, in a word: 'likely', or 'probably'."""
        return "likely" if self.probability >= LIKELY else "probably"


@dataclass(frozen=True, slots=True)
class Differences:
    """How some tiers differ on every criterion but the whole, joint with the own bow: K tiers, C - 1 criteria.

    Attributes
    ----------
    criteria : asked for first, the most important first, then those that lead, then the others.
    weight : (C - 1,) of each.
    mean : (C - 1, K + 1) the own bow's first; cov : (C - 1, K + 1, K + 1).
    """

    criteria: tuple[Criterion, ...]
    weight: Floats
    mean: Floats
    cov: Floats

    def between(self, one: int, other: int) -> tuple[Floats, Floats]:
        """Return (C - 1,) how much better one is than another (0 is the own bow), and the probability that it is better."""
        mean = self.mean[:, one] - self.mean[:, other]
        variance = self.cov[:, one, one] + self.cov[:, other, other] - 2 * self.cov[:, one, other]
        return mean, np.asarray(ndtr(mean / np.sqrt(np.maximum(variance, 1e-12))))


ASKED_WEIGHT, LEADING_WEIGHT, OTHER_WEIGHT = 1.0, 0.1, 0.05
"""What the player asked for is told first, then what leads on the instrument, then the rest (a judgement)."""


def differences(player: Player, tiers: Ints) -> Differences:
    """Return how these tiers (places among the suited ones) and the own bow differ on single criteria."""
    criteria, weight = _weights(player.answers)
    means, covs = [], []
    for criterion in criteria:
        unit = np.zeros(len(CRITERIA))
        unit[CRITERION_INDEX[criterion]] = 1.0
        mean, cov = of_tiers(player, unit, tiers)
        means.append(mean)
        covs.append(cov)
    return Differences(criteria, weight, np.array(means), np.array(covs))


def _weights(answers: Answers) -> tuple[tuple[Criterion, ...], Floats]:
    asked = answers.priorities
    weight = dict.fromkeys(CRITERIA[1:], OTHER_WEIGHT)
    leading = LEADING[answers.instrument]
    weight |= dict(zip(leading, LEADING_WEIGHT + rank_order_weights(len(leading)) * LEADING_WEIGHT, strict=True))
    if asked:
        weight |= dict(zip(asked, ASKED_WEIGHT * rank_order_weights(len(asked)), strict=True))
    order = sorted(weight, key=lambda criterion: -weight[criterion])
    return tuple(order), np.array([weight[criterion] for criterion in order])


@dataclass(frozen=True, slots=True)
class ListedTier:
    """What is known of a listed tier beside the law: its price, its notes' being there, its typical weight, its liking ahead."""

    tier: str
    price: float
    has_note: bool
    mass_g: float | None
    ahead: float


def reasons(
    of: Differences, place: int, other: int | None, told: Sequence[ListedTier], own_mass_g: float | None, no_own: bool
) -> list[Reason]:
    """Return why the tier at a place of the list is there: never empty, the first kind that holds, its own beside the others'.

    Differences from the own bow that are likely, else those that are probable; for all but the first also what sets it apart from
    the tier at the place ``other``, its neighbour in the list; where nothing of that holds the maker's word with the weight; the liking as a whole in the end.
    """
    found = _better(of, place + 1, 0, None if no_own else OWN_BOW)
    beside: list[Reason] = []
    if other is not None and (place or not found):
        beside = _better(of, place + 1, other + 1, told[other].tier)[:1]
    found += beside
    if not found:
        found = _facts(told[place], own_mass_g)
    if other is not None and place and not beside:  # beside a difference from it the price is told with that
        found += _cheaper(told[place], told[other])
    return found or [Reason(None, Fact.WHOLE, None if no_own else OWN_BOW, told[place].ahead)]


def _better(of: Differences, one: int, other: int, against: str | None) -> list[Reason]:
    """Return the criteria on which one is likely to be better, else probably, weightiest first."""
    mean, probability = of.between(one, other)
    for enough in (LIKELY, PROBABLY):
        here = np.flatnonzero((probability >= enough) & (mean >= SMALLEST))
        if len(here):
            order = here[np.argsort(-of.weight[here] * mean[here], kind="stable")][:MOST_SAID]
            return [
                Reason(of.criteria[c], None, against, float(mean[c]), float(probability[c])) for c in order.tolist()
            ]
    return []


def _cheaper(tier: ListedTier, other: ListedTier) -> list[Reason]:
    return [Reason(None, Fact.PRICE, other.tier, tier.price - other.price)] if tier.price < other.price else []


def _facts(tier: ListedTier, own_mass_g: float | None) -> list[Reason]:
    found = [Reason(None, Fact.NOTE, None, 0.0)] if tier.has_note else []
    if tier.mass_g is not None and own_mass_g is not None:
        found.append(Reason(None, Fact.MASS, OWN_BOW, tier.mass_g - own_mass_g))
    elif tier.mass_g is not None:
        found.append(Reason(None, Fact.MASS, None, tier.mass_g))
    return found


def weaknesses(of: Differences, place: int, asked: Sequence[Criterion], no_own: bool) -> list[Reason]:
    """Return what the player asked for and the tier is likely to be worse at than the own bow, weightiest first."""
    mean, probability = of.between(place + 1, 0)
    worse = [
        Reason(criterion, None, None if no_own else OWN_BOW, float(mean[c]), float(1.0 - probability[c]))
        for c, criterion in enumerate(of.criteria)
        if criterion in asked and 1.0 - probability[c] >= LIKELY and mean[c] <= -SMALLEST
    ]
    return sorted(worse, key=lambda reason: of.weight[of.criteria.index(reason.criterion)] * reason.effect)


def typical(values: Mapping[str, Sequence[float]], tier: str) -> float | None:
    """Return the median of a tier's readings, None without any."""
    found = values.get(tier, ())
    return float(median(found)) if len(found) else None
