"""Crossed mixed models of several responses: no word of bows but player and copy."""

from model.mixed.joint_prediction import EffectCovariances, Ratings, cross_fitted_moments, joint_effects

__all__ = ["EffectCovariances", "Ratings", "cross_fitted_moments", "joint_effects"]
