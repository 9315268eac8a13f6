"""What a single copy has for one player and shares with no other bow: its match, what the bench leaves open, and how sure its profile is.

What is open of a true bench reading x, all of it where it was not taken, is N(0, v) and independent of everything else, so that x times
a slope has the mean 0, is uncorrelated with all that is linear in the slopes, and has over two criteria the covariance
v E[slope_c slope_d]: a slope counts by its mean and by its variance.

Of gamma sum_c w_c q_c, what a player's priorities add to the overall rating (`model.features.profile`), the mean and what gamma's own uncertainty brings
are shared by all bows; the rest of its second moments, by the copy's q and by q's covariance with the other ratings, is counted here.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers
from model.domain.vocabulary import CRITERIA, OVERALL
from model.features import OF_GRADE, OF_TRAITS, TRAIT_COLUMNS, WISH_COLUMNS, ProfileWeight, bench_traits, emphasis
from model.preference.fitted import FittedModel

EVERY: Ints = np.arange(len(CRITERIA), dtype=np.intp)


OF_WISHES: Floats = bench_traits.LOADINGS[[trait for trait, _ in bench_traits.WISHES]]
"""(W, R) of the traits that wishes speak of on the readings."""
WISHED: Ints = np.abs(OF_WISHES).argmax(axis=0)
"""(R,) which wish speaks of a reading; what it adds is 0 where none does."""


def by_reading(answers: Answers) -> Floats:
    """Return (R,) what the player's wishes say of what each reading is of: -1, 0 or 1."""
    return np.asarray(bench_traits.wishes_of(answers)[WISHED] * OF_WISHES.any(axis=0))


@dataclass(frozen=True, slots=True)
class Asked:
    """What n players ask of bows: ``wishes`` (n, R) by reading and ``emphasis`` (n, C), or (R,) and (C,) of one."""

    wishes: Floats
    emphasis: Floats

    @classmethod
    def of(cls, answers: Answers) -> Self:
        """Return what one player asks."""
        return cls(by_reading(answers), emphasis(answers))

    @classmethod
    def of_each(cls, answers: Sequence[Answers]) -> Self:
        """Return what several players ask."""
        each = [cls.of(one) for one in answers]
        return cls(np.array([of.wishes for of in each]), np.array([of.emphasis for of in each]))

    def at(self, places: Ints) -> "Asked":
        """Return those of some players."""
        return Asked(self.wishes[places], self.emphasis[places])


@dataclass(frozen=True, slots=True)
class Open:
    """What is open of n copies.

    Attributes
    ----------
    traits : (n, R) variance that is left of the true bench readings.
    left : (n, C) how much of what those bring to everybody is not in the copy's effect already.
    quality : (n, C, C) covariance of what everybody finds of the copy.
    """

    traits: Floats
    left: Floats
    quality: Floats

    def at(self, places: Ints) -> "Open":
        """Return those of some copies."""
        return Open(self.traits[places], self.left[places], self.quality[places])


@dataclass(frozen=True, slots=True)
class Slopes:
    """Second moments of a liking's slopes on the true bench readings, (R, C, C) each: E[slope_c slope_d] by reading.

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
    def of(cls, posterior: FittedModel) -> Self:
        """Return those of a fit, before anything is known of the player."""
        coef, root, R = posterior.coef, posterior.coef_root, posterior.correlations
        on = {"trait": (TRAIT_COLUMNS, bench_traits.LOADINGS), "wish": (WISH_COLUMNS, OF_WISHES)}
        slopes = {name: np.einsum("ct,tr->cr", coef[:, at], loads) for name, (at, loads) in on.items()}
        roots = {name: np.einsum("ctp,tr->crp", root[:, at], loads) for name, (at, loads) in on.items()}

        def moments(one: str, other: str) -> Floats:
            spread = np.einsum("crp,drp->rcd", roots[one], roots[other]) * R.coefficients
            return np.asarray(spread + slopes[one].T[:, :, None] * slopes[other].T[:, None, :])

        own = np.einsum("ctq,tr->crq", posterior.players.root[:, OF_TRAITS], bench_traits.LOADINGS[bench_traits.FELT])
        level, tastes = (
            np.einsum("crq,drq->rcd", own[..., part], own[..., part])
            for part in (slice(0, OF_GRADE), slice(OF_GRADE, None))
        )
        return cls(
            common=moments("trait", "trait"),
            mixed=moments("trait", "wish"),
            wished=moments("wish", "wish"),
            own=level * R.player + tastes * R.tastes,
        )

    def at(self, criteria: Ints) -> "Slopes":
        """Return those on some criteria."""
        if len(criteria) == self.own.shape[1]:
            return self
        both = (slice(None), criteria[:, None], criteria)
        return Slopes(self.common[both], self.mixed[both], self.wished[both], self.own[both])

    def covariance(self, variance: Floats, left: Floats, wishes: Floats) -> Floats:
        """Return (n, C, C) what is open of n copies' bench readings brings to them.

        Parameters
        ----------
        variance : (n, R) of each true reading.
        left : (n, C) how much of what they bring to everybody is not in the copy's effect already.
        wishes : (R,), or (n, R)
        """
        mixed = _summed(variance * wishes, self.mixed) * left[:, :, None]
        apart = _summed(variance * wishes**2, self.wished) + _summed(variance, self.own)
        return np.asarray(self.of_everybody(variance, left) + mixed + mixed.swapaxes(1, 2) + apart)

    def of_everybody(self, variance: Floats, left: Floats) -> Floats:
        """Return (n, C, C) that part of `covariance` which everybody finds."""
        return np.asarray(_summed(variance, self.common) * left[:, :, None] * left[:, None, :])


def _summed(variance: Floats, moments: Floats) -> Floats:
    """Return (n, u, u) sums over the readings of variances (n, R) times moments (R, u, u)."""
    flat = variance @ moments.reshape(len(moments), -1)
    return np.asarray(flat.reshape(len(variance), *moments.shape[1:]))


@dataclass(frozen=True, slots=True)
class OwnParts:
    """How single copies differ for one player, before any rating of theirs.

    Attributes
    ----------
    match : (C, C)
    slopes : on bench traits.
    profile : what is known of gamma.
    """

    match: Floats
    slopes: Slopes
    profile: ProfileWeight

    @classmethod
    def of(cls, posterior: FittedModel) -> Self:
        """Return those of a fit."""
        match = posterior.correlations.match * np.outer(posterior.match_sd, posterior.match_sd)
        return cls(match, Slopes.of(posterior), posterior.profile)

    def covariance(self, copies: Open, asked: Asked, criteria: Ints = EVERY) -> Floats:
        """Return (n, u, u) the covariance over some criteria (u,), ascending, of what n copies have of their own."""
        both = (criteria[:, None], criteria)
        out = np.repeat(self.match[both][None], len(copies.traits), axis=0)
        if copies.traits.any():
            out += self.slopes.at(criteria).covariance(copies.traits, copies.left[:, criteria], asked.wishes)
        if asked.emphasis.any() and OVERALL in criteria:
            mean, square = self.profile.mean, self.profile.mean**2 + self.profile.sd**2
            w, at = np.broadcast_to(asked.emphasis, copies.left.shape), int(np.searchsorted(criteria, OVERALL))
            shared = (copies.quality @ w[..., None])[..., 0]
            out[:, at] += mean * shared[:, criteria]
            out[:, :, at] += mean * shared[:, criteria]
            out[:, at, at] += square * np.einsum("nc,nc->n", shared, w)
        return out
