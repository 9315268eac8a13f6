"""Crossed mixed models of several responses: no word of bows but player and copy."""

from model.mixed.joint_prediction import EffectCovariances, Ratings, joint_effects

__all__ = ["EffectCovariances", "Ratings", "joint_effects"]
