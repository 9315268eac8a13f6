"""The preference model: fitted, laid over a range, and asked about one player."""

from model.preference import character, report, serialization
from model.preference.batch import BatchPosterior, RatingBatch, Targets, TrialBatch, first_runs, with_own_ratings
from model.preference.catalogue import CataloguePosterior, EligibleItems
from model.preference.chances import LIKING_SLOPE, NO_RECALIBRATION, recalibrated, reported_slope
from model.preference.character import Said
from model.preference.conditioning import effects_among
from model.preference.fitted import FittedModel
from model.preference.kernel import LinearFunctionals
from model.preference.model import MODEL_PARTS, PreferenceModel, PriorSettings
from model.preference.player import Player
from model.preference.predict import (
    LIKING,
    copy_posterior,
    prediction_of,
    tier_posterior,
    trials_behind,
    utility_weights,
)
from model.preference.prediction import TRIALS_FOR_A_BASIS, CopyPosterior, Prediction, TierPosterior
from model.preference.report import (
    FEWEST_COPIES,
    TIER_HALF_WIDTH,
    VARIANCE_PARTS,
    CopyEffects,
    PurchaseEffects,
    TierLevel,
)
from model.preference.serialization import ArtifactError, from_bytes, to_bytes
from model.preference.yardstick import NO_BOW_LEVEL, RatedReference

__all__ = [
    "FEWEST_COPIES",
    "LIKING",
    "LIKING_SLOPE",
    "MODEL_PARTS",
    "NO_BOW_LEVEL",
    "NO_RECALIBRATION",
    "TIER_HALF_WIDTH",
    "TRIALS_FOR_A_BASIS",
    "VARIANCE_PARTS",
    "ArtifactError",
    "BatchPosterior",
    "CataloguePosterior",
    "CopyEffects",
    "CopyPosterior",
    "EligibleItems",
    "FittedModel",
    "LinearFunctionals",
    "Player",
    "Prediction",
    "PreferenceModel",
    "PriorSettings",
    "PurchaseEffects",
    "RatedReference",
    "RatingBatch",
    "Said",
    "Targets",
    "TierLevel",
    "TierPosterior",
    "TrialBatch",
    "character",
    "copy_posterior",
    "effects_among",
    "first_runs",
    "from_bytes",
    "prediction_of",
    "recalibrated",
    "report",
    "reported_slope",
    "serialization",
    "tier_posterior",
    "to_bytes",
    "trials_behind",
    "utility_weights",
    "with_own_ratings",
]
