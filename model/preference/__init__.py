"""The preference model: fitted, laid over a range, and asked about one player."""

from model.preference import character, report, serialization
from model.preference.batch import BatchPosterior, RatingBatch, Targets, TrialBatch, first_runs, with_own_ratings
from model.preference.catalogue import CataloguePosterior, EligibleItems
from model.preference.chances import LIKING_SLOPE, NO_RECALIBRATION, recalibrated, reported_slope
from model.preference.character import Said
from model.preference.conditioning import LIKING, effects_among
from model.preference.fitted import FittedModel
from model.preference.kernel import LinearFunctionals
from model.preference.model import MODEL_PARTS, PreferenceModel, PriorSettings
from model.preference.player import Player
from model.preference.predict import (
    copy_posterior,
    level_to_beat,
    predict_player,
    prediction_of,
    trials_behind,
    utility_weights,
)
from model.preference.prediction import NO_BOW_LEVEL, TRIALS_FOR_A_BASIS, CopyPosterior, Prediction
from model.preference.report import (
    FEWEST_COPIES,
    TIER_HALF_WIDTH,
    VARIANCE_PARTS,
    CopyEffects,
    PurchaseEffects,
    TierLevel,
)
from model.preference.serialization import ArtifactError, from_bytes, to_bytes

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
    "RatingBatch",
    "Said",
    "Targets",
    "TierLevel",
    "TrialBatch",
    "character",
    "copy_posterior",
    "effects_among",
    "first_runs",
    "from_bytes",
    "level_to_beat",
    "predict_player",
    "prediction_of",
    "recalibrated",
    "report",
    "reported_slope",
    "serialization",
    "to_bytes",
    "trials_behind",
    "utility_weights",
    "with_own_ratings",
]
