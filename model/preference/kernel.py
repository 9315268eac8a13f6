"""Covariances from features: the one place that says how two latent quantities, or a quantity and a rating, go together.

A latent quantity (the utility of a tier, a copy or the own bow, on one criterion) has features in which covariances are inner
products, in components: what is known of x'beta (the coefficients in coordinates of their root, those of tiers that came after the
fit last), the player's level and own bow, the player's slopes, the own bow's interaction with the player, gamma. Two criteria c, d of
two items covary by the sum over the components of R_cd f_c . f_d, R that component's correlations. Effects of copies and what a copy
has of its own for one player come on top (`model.preference.conditioning`).
"""

from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.features import OF_GRADE, PLAYER_COLUMNS
from model.preference.fitted import FittedModel


@dataclass(frozen=True, slots=True)
class LinearFunctionals:
    """Latent quantities, sums over u criteria: ``mean`` (n,), ``criteria`` (u,), ``features`` (u, n, q), weights in."""

    mean: Floats
    criteria: Ints
    features: Floats

    def at(self, places: Ints) -> "LinearFunctionals":
        """Return some of them."""
        return LinearFunctionals(self.mean[places], self.criteria, self.features[:, places])

    @classmethod
    def joined(cls, *parts: "LinearFunctionals") -> "LinearFunctionals":
        """Return several, over the same criteria, one after the other."""
        features = np.concatenate([part.features for part in parts], axis=1)
        return cls(np.concatenate([part.mean for part in parts]), parts[0].criteria, features)


@dataclass(frozen=True, slots=True)
class ComponentKernel:
    """Which features belong to which component, and how the criteria correlate in each.

    Attributes
    ----------
    components : P slices of the features, in order.
    component_of : (q,) number of each feature's.
    R : (P, C, C)
    """

    components: tuple[slice, ...]
    component_of: Ints
    R: Floats

    @classmethod
    def of(cls, posterior: FittedModel) -> "ComponentKernel":
        """Return that of a fit: fitted coefficients, those of tiers that came later, level and own bow, slopes, the own bow's interaction, gamma."""
        correlations, fixed = posterior.correlations, len(posterior.design.columns)
        slopes, interaction = fixed + OF_GRADE, fixed + len(PLAYER_COLUMNS)
        ends = [fixed - posterior.design.late, fixed, slopes, interaction, interaction + 1, interaction + 2]
        components = tuple(slice(start, end) for start, end in zip([0, *ends], ends, strict=False))
        R = np.array(
            [
                correlations.coefficients,
                correlations.prior_coefficients,
                correlations.player,
                correlations.tastes,
                correlations.match,
                np.eye(len(correlations.match)),
            ]
        )
        sizes = [part.stop - part.start for part in components]
        return cls(components, np.repeat(np.arange(len(sizes)), sizes), R)

    def towards(self, criterion: int, features: Floats, criteria: Ints) -> Floats:
        """Return (..., O, q) features of ratings on these criteria (..., O) whose inner products with features on one criterion are covariances."""
        return np.asarray(features * np.moveaxis(self.R[:, criterion, criteria], 0, -1)[..., self.component_of])

    def among(self, features: Floats, criteria: Ints) -> Floats:
        """Return (..., O, O) the covariance of ratings with features (..., O, q) on criteria (..., O)."""
        out = np.zeros((*features.shape[:-1], features.shape[-2]))
        for part, R in zip(self.components, self.R, strict=True):
            if part.stop > part.start:
                of = features[..., part]
                out += of @ of.swapaxes(-1, -2) * R[criteria[..., :, None], criteria[..., None, :]]
        return out

    def covariance(self, one: LinearFunctionals, other: LinearFunctionals) -> Floats:
        """Return (n, m) the covariance of quantities."""
        out = np.zeros((len(one.mean), len(other.mean)))
        for c, of in zip(one.criteria.tolist(), one.features, strict=True):
            for d, beside in zip(other.criteria.tolist(), other.features, strict=True):
                out += of @ (beside if c == d else beside * self.R[self.component_of, c, d]).T
        return out

    def variance(self, of: LinearFunctionals) -> Floats:
        """Return (n,) the variance of each."""
        out = np.zeros(len(of.mean))
        for c, one in zip(of.criteria.tolist(), of.features, strict=True):
            for d, other in zip(of.criteria.tolist(), of.features, strict=True):
                out += np.einsum("nq,nq->n", one, other if c == d else other * self.R[self.component_of, c, d])
        return out
