"""What a player's priorities add to the overall rating: the weight of a bow's character in what the player cares about.

Of a bow, q_c is what everybody finds of it on criterion c beyond the mean of its instrument: grade, tier, bench traits and the copy's effect.
A player with the priorities pi (rank-order weights, adding up to 1) rates overall by gamma sum_c (pi_c - 1/7) (q_c - the mean) more.
Without priorities that is nothing. How far gamma is from 0 trials tell (`fitted`).
"""

from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, OVERALL
from model.features.design import FIXED, POSITION_OF, Design

BELIEVED_WEIGHT, BELIEVED_SD = 0.2, 0.1
"""Mean and deviation of gamma before any trial (a judgement: what trial worlds unlike the model gave was .2 to .3)."""


@dataclass(frozen=True, slots=True)
class ProfileWeight:
    """What is known of gamma: its ``mean`` and standard deviation ``sd``."""

    mean: float = BELIEVED_WEIGHT
    sd: float = BELIEVED_SD


def emphasis(answers: Answers) -> Floats:
    """Return (C,) how much more than evenly the player cares about each criterion; zeros without priorities, and of overall."""
    out = np.zeros(len(CRITERIA))
    if answers.priorities:
        places = [CRITERION_INDEX[criterion] for criterion in answers.priorities]
        out += -1.0 / (len(CRITERIA) - 1)
        out[places] += rank_order_weights(len(places))
        out[OVERALL] = 0.0
    return out


def tiers_beyond_their_mean(design: Design) -> Floats:
    """Return (T, p) the columns of what everybody finds of each tier's mean, less the mean of its instrument's tiers."""
    tiers = len(design.tiers)
    X = np.zeros((tiers, len(design.columns)))
    X[:, POSITION_OF["grade"]] = [design.grade(tier) for tier in design.tiers]
    X[:, len(FIXED) :] = np.eye(tiers)
    of = np.array([str(tier.instrument) for tier in design.tiers])
    for instrument in dict.fromkeys(of.tolist()):
        X[of == instrument] -= X[of == instrument].mean(axis=0)
    return X
