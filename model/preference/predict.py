"""What one player can be expected to feel: the tiers, the own bow beside them, and every copy by name."""

from collections.abc import Sequence

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, OVERALL, Criterion, Hold, Instrument
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import LIKING
from model.preference.fitted import FittedModel
from model.preference.player import Player
from model.preference.prediction import NO_BOW_LEVEL, CopyPosterior, Prediction


def utility_weights(answers: Answers, priority_weight: float) -> Floats:
    """Return (C,) the weights of what people decide by: (1 - h) overall + h priorities; no priorities: overall alone."""
    weights = np.zeros(len(CRITERIA))
    h = priority_weight if answers.priorities else 0.0
    weights[OVERALL] = 1.0 - h
    if answers.priorities:
        places = [CRITERION_INDEX[criterion] for criterion in answers.priorities]
        weights[places] = h * rank_order_weights(len(places))
    return weights


def level_to_beat(answers: Answers) -> float | None:
    """Return the rating that a new bow is compared with: the own bow's overall, a good bow's without one; None where it was not rated."""
    if answers.plays_no_bow:
        return NO_BOW_LEVEL
    return answers.own_bow.ratings.get(Criterion.OVERALL) if answers.own_bow else None


def predict_player(view: CataloguePosterior, answers: Answers, runs: Sequence[Run] = ()) -> Prediction:
    """Return what the player can be expected to feel, given the answers and own runs (tried bows).

    Raises
    ------
    ValueError
        A run of a copy that is not in the range or does not suit the instrument.
    """
    return prediction_of(Player(view, answers, runs))


def prediction_of(player: Player) -> Prediction:
    """Return what this player can be expected to feel."""
    answers, posterior, tiers = player.answers, player.posterior, player.tiers(LIKING)
    mean, told = player.after(tiers)
    cov = player.kernel.covariance(tiers, tiers) - told.T @ told
    cov = (cov + cov.T) / 2.0
    level = level_to_beat(answers)
    return Prediction(
        answers=answers,
        tiers=player.suited.tiers,
        mean=mean,
        cov=cov,
        spread=np.sqrt(player.spread(LIKING)),
        noise=float(np.sqrt(player.noise(LIKING))),
        scatter=player.scatter,
        own_level=float(player.after(player.own(LIKING))[0][0]) if level is None else level,
        own_level_given=level is not None,
        stock=copy_posterior(player, mean, cov),
        priority_weight=posterior.priority_weight if answers.priorities else 0.0,
        trials=trials_behind(posterior, answers.instrument, answers.hold),
        trials_all=sum(posterior.trials.values()),
    )


def trials_behind(posterior: FittedModel, instrument: Instrument, hold: Hold | None) -> int:
    """Return the number of trials of this instrument and hold (either: of both)."""
    return sum(
        count
        for (of, held), count in posterior.trials.items()
        if of == instrument and (hold in (None, Hold.EITHER) or held in (hold, Hold.EITHER))
    )


def copy_posterior(player: Player, tier_mean: Floats, tier_cov: Floats, places: Ints | None = None) -> CopyPosterior:
    """Return suited copies, each with its own posterior for this player: all, or those at some places.

    Parameters
    ----------
    tier_mean, tier_cov : (T,), (T, T) what is expected of the tiers that suit, given the player's ratings.
    """
    suited = player.suited
    some = np.arange(len(suited.copies)) if places is None else places
    serials, tier = suited.serials if places is None else tuple(suited.serials[k] for k in some), suited.tier_of[some]
    if not len(some):
        return CopyPosterior((), tier, np.zeros(0), np.zeros(0))
    copies = player.copies(LIKING).at(some)
    mean, told = player.after(copies, player.shared_with_ratings(LIKING)[some])
    variance = player.kernel.variance(copies) - np.einsum("oi,oi->i", told, told)
    variance += suited.covariance[some, OVERALL, OVERALL] + player.own_variance(LIKING)[some]
    # The copies' law given the tier mean is taken as independent: each keeps its exact marginal variance.
    own = np.maximum(variance - np.diag(tier_cov)[tier], 1e-6)
    return CopyPosterior(serials, tier, mean - tier_mean[tier], np.sqrt(own))
