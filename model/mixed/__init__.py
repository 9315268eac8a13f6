"""Crossed mixed models of several responses: no word of bows but player and copy."""

from model.mixed.correlations import CorrelationEstimates, correlations
from model.mixed.joint_equations import EffectCovariances, Ratings
from model.mixed.joint_prediction import joint_effects
from model.mixed.linalg import solve_lower
from model.mixed.mixed_model import fit_mixed_model
from model.mixed.priors import Prior
from model.mixed.result import RemlFit, StartingPoint

__all__ = [
    "CorrelationEstimates",
    "EffectCovariances",
    "Prior",
    "Ratings",
    "RemlFit",
    "StartingPoint",
    "correlations",
    "fit_mixed_model",
    "joint_effects",
    "solve_lower",
]
