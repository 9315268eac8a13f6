"""Bench traits that nobody has measured: what they bring to a copy's liking, by the law's second moments.

A trait x that was not measured is N(0, v) in its tier's spread and independent of everything else, so that x times a slope has the
mean 0, is uncorrelated with all that is linear in the slopes, and has over two criteria the covariance v E[slope_c slope_d]: a slope
counts by its mean and by its variance. It is a component of each copy's own, as the match is.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from model.design import OF_GRADE, OF_TRAITS, TRAIT_COLUMNS, TRAITS, WISH_COLUMNS, WISHES
from model.posterior import Posterior
from model.records import Answers

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]


def wishes_of(answers: Answers) -> Floats:
    """Return (3,) what the player wishes of each trait: -1, 0 or 1."""
    out = np.zeros(len(TRAITS))
    for (trait, _), wish in zip(WISHES, (answers.wish_mass, answers.wish_tone), strict=True):
        out[trait] = wish or 0.0
    return out


@dataclass(frozen=True, slots=True)
class Slopes:
    """Second moments of a liking's slopes on the bench traits, (3, C, C) each: E[slope_c slope_d] by trait.

    Attributes
    ----------
    common : of everybody's slopes; ``wished``: of what a wish adds to them; ``mixed``: of the first with the second.
    own : of the player's own.
    """

    common: Floats
    mixed: Floats
    wished: Floats
    own: Floats

    @classmethod
    def of(cls, posterior: Posterior) -> Self:
        """Return those of a fit, before anything is known of the player."""
        coef, root, R = posterior.coef, posterior.coef_root, posterior.correlations
        wish, exists = np.zeros(len(TRAITS), dtype=np.intp), np.zeros((len(TRAITS), 1, 1))
        for (of_trait, _), column in zip(WISHES, WISH_COLUMNS, strict=True):
            wish[of_trait], exists[of_trait] = column, 1.0

        def moments(one: Ints, other: Ints) -> Floats:
            spread = np.einsum("ctp,dtp->tcd", root[:, one], root[:, other]) * R.coefficients
            return np.asarray(spread + coef[:, one].T[:, :, None] * coef[:, other].T[:, None, :])

        trait = np.array(TRAIT_COLUMNS, dtype=np.intp)
        own = posterior.players.root[:, OF_TRAITS]
        level, tastes = (
            np.einsum("ctq,dtq->tcd", own[..., part], own[..., part])
            for part in (slice(0, OF_GRADE), slice(OF_GRADE, None))
        )
        return cls(
            common=moments(trait, trait),
            mixed=exists * moments(trait, wish),
            wished=exists * moments(wish, wish),
            own=level * R.player + tastes * R.tastes,
        )

    def covariance(self, variance: Floats, left: Floats, wishes: Floats) -> Floats:
        """Return (n, C, C) what unmeasured traits bring to n copies.

        Parameters
        ----------
        variance : (n, 3) of each trait.
        left : (n, C) how much of what they bring to everybody is not in the copy's effect already.
        wishes : (3,)
        """
        mixed = np.tensordot(variance * wishes, self.mixed, 1) * left[:, :, None]
        apart = np.tensordot(variance * wishes**2, self.wished, 1) + np.tensordot(variance, self.own, 1)
        common = np.tensordot(variance, self.common, 1) * left[:, :, None] * left[:, None, :]
        return np.asarray(common + mixed + mixed.swapaxes(1, 2) + apart)
