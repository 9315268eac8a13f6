"""What one player can be expected to feel: the tiers, the own bow beside them, and every copy by name."""

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtr

from model.domain.arrays import Floats, Ints
from model.domain.priorities import rank_order_weights
from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, OVERALL, Criterion, Hold, Instrument
from model.preference.catalogue import CataloguePosterior
from model.preference.fitted import FittedModel
from model.preference.kernel import LinearFunctionals
from model.preference.player import Player
from model.preference.prediction import CopyPosterior, Prediction, TierPosterior
from model.preference.yardstick import RatedReference, Reference, UnratedReference

SHARE_OF_ITS_OWN = 0.98
"""Share of an unrated own bow's independent variance that is integrated on the fine grid; the rest keeps its law proper."""


LIKING: Floats = np.eye(len(CRITERIA))[OVERALL]
"""The weights of u, what is liked: the overall mark alone, since what a player cares about is in it (`model.features.profile`)."""


def utility_weights(answers: Answers, priority_weight: float) -> Floats:
    """Return (C,) the weights of what people decide by: (1 - h) overall + h priorities; no priorities: overall alone."""
    weights = np.zeros(len(CRITERIA))
    h = priority_weight if answers.priorities else 0.0
    weights[OVERALL] = 1.0 - h
    if answers.priorities:
        places = [CRITERION_INDEX[criterion] for criterion in answers.priorities]
        weights[places] = h * rank_order_weights(len(places))
    return weights


def own_bow_rating(answers: Answers) -> float | None:
    """Return the own bow's overall mark, None where it was not rated."""
    ratings = answers.own_bow.ratings if answers.own_bow else {}
    return ratings.get(Criterion.OVERALL)


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
    answers, posterior, stands = player.answers, player.posterior, _standing(player)
    return Prediction(
        **{name: getattr(stands, name) for name in TierPosterior.__slots__},
        trials=trials_behind(posterior, answers.instrument, answers.hold),
        trials_all=sum(posterior.trials.values()),
    )


def tier_posterior(view: CataloguePosterior, answers: Answers) -> TierPosterior:
    """Return how tiers and copies stand beside the own bow, without what is told of it."""
    return _standing(Player(view, answers))


def _standing(player: Player) -> TierPosterior:
    answers = player.answers
    tiers = player.tiers(LIKING)
    mean, told = player.after(tiers)
    cov = player.kernel.covariance(tiers, tiers) - told.T @ told
    cov = (cov + cov.T) / 2.0
    spread = np.sqrt(player.spread(LIKING))
    noise = float(np.sqrt(player.noise(LIKING)))
    yardstick = _yardstick(player, tiers, told, cov)
    return TierPosterior(
        answers=answers,
        tiers=player.suited.tiers,
        mean=mean,
        cov=cov,
        spread=spread,
        noise=noise,
        scatter=player.scatter,
        yardstick=yardstick,
        beats_own_bow=_beats(mean, np.diag(cov) + spread**2 + noise**2, yardstick, noise),
        stock=copy_posterior(player, mean, cov),
        priority_weight=player.posterior.priority_weight if answers.priorities else 0.0,
    )


def trials_behind(posterior: FittedModel, instrument: Instrument, hold: Hold | None) -> int:
    """Return the number of trials of this instrument and hold (either: of both)."""
    return sum(
        count
        for (of, held), count in posterior.trials.items()
        if of == instrument and (hold in (None, Hold.EITHER) or held in (hold, Hold.EITHER))
    )


def _yardstick(player: Player, tiers: LinearFunctionals, told: Floats, cov: Floats) -> Reference:
    """Return the own bow's law, given the ratings, jointly with the tiers'."""
    if player.answers.plays_no_bow:
        return RatedReference.none(len(cov))
    own, level = player.own(LIKING), own_bow_rating(player.answers)
    own_mean, own_told = player.after(own)
    shared = player.kernel.covariance(tiers, own)[:, 0] - told.T @ own_told[:, 0]
    slope = np.linalg.pinv(cov, hermitian=True) @ shared
    if level is not None:
        return RatedReference(level, float(own_mean[0]), slope)
    variance = float(player.kernel.variance(own)[0] - own_told[:, 0] @ own_told[:, 0])
    alone = max(variance - float(shared @ slope), 0.0) * SHARE_OF_ITS_OWN
    return UnratedReference(float(own_mean[0]), shared, variance - alone, float(np.sqrt(alone)))


def _beats(mean: Floats, variance: Floats, yardstick: Reference, noise: float) -> Floats:
    """Return (T,) the probability that one copy's rating exceeds the own bow's."""
    if isinstance(yardstick, RatedReference):
        return np.asarray(ndtr((mean - yardstick.level) / np.sqrt(variance)))
    apart = variance + yardstick.var + yardstick.spread**2 + noise**2 - 2.0 * yardstick.cov
    return np.asarray(ndtr((mean - yardstick.mean) / np.sqrt(apart)))


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
