"""How well the model does on people and bows it has not seen."""

from model.evaluation.ablation import ablation
from model.evaluation.cross_validation import EvaluationReport, StageScores, cross_validate
from model.evaluation.folds import ModelFactory, TrialHistory, evaluate_fold, make_folds
from model.evaluation.history_summary import HistorySummary, PurchaseCounts, RatingCounts, summarise_history
from model.evaluation.metrics import ClusteredMean
from model.evaluation.policies import POLICIES, PolicyComparison
from model.evaluation.promotion import (
    FEWEST_PLAYERS,
    Decision,
    PlayerLosses,
    PromotionReason,
    log_loss_by_player,
    promote,
)

__all__ = [
    "FEWEST_PLAYERS",
    "POLICIES",
    "ClusteredMean",
    "Decision",
    "EvaluationReport",
    "HistorySummary",
    "ModelFactory",
    "PlayerLosses",
    "PolicyComparison",
    "PromotionReason",
    "PurchaseCounts",
    "RatingCounts",
    "StageScores",
    "TrialHistory",
    "ablation",
    "cross_validate",
    "evaluate_fold",
    "log_loss_by_player",
    "make_folds",
    "promote",
    "summarise_history",
]
