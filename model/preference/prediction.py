"""What one player can be expected to feel about the range: the preference model's answer, before any price is looked at."""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Tier
from model.domain.vocabulary import Basis
from model.preference.yardstick import Reference

TRIALS_FOR_A_BASIS = 20
"""With fewer trials of the instrument (and hold), the prior speaks and no percentage is shown."""


@dataclass(frozen=True, slots=True)
class CopyPosterior:
    """Named copies that could be brought, each with its own posterior for this player.

    Attributes
    ----------
    serials : (K,) keys of the copies.
    tier : (K,) index of each copy's tier in ``Prediction.tiers``.
    offset : (K,) expected liking of the copy minus that of an unknown copy of its tier, in points.
    spread : (K,) standard deviation of the copy's own part (its effect and its match), in points.
    """

    serials: tuple[str, ...]
    tier: Ints
    offset: Floats
    spread: Floats

    def only(self, serials: Collection[str]) -> "CopyPosterior":
        """Return the copies that are among ``serials``, in the same order."""
        wanted = set(serials)
        keep = np.array([serial in wanted for serial in self.serials], dtype=bool)
        kept = tuple(serial for serial, chosen in zip(self.serials, keep, strict=True) if chosen)
        return CopyPosterior(kept, self.tier[keep], self.offset[keep], self.spread[keep])

    def at(self, places: Ints) -> "CopyPosterior":
        """Return the copies at some places."""
        serials = tuple(self.serials[k] for k in places.tolist())
        return CopyPosterior(serials, self.tier[places], self.offset[places], self.spread[places])


@dataclass(frozen=True, slots=True, kw_only=True)
class TierPosterior:
    """The joint law of how one player likes the T tiers that suit the player, u, beside the own bow.

    All on the 1 to 7 scale, of the overall mark: what the player cares about is in it (`model.features.profile`).

    Attributes
    ----------
    tiers : (T,) the tiers that suit the player's instrument and hold.
    mean, cov : (T,), (T, T) joint normal law of the tier means m (leniency, taste and what is known of tiers are shared).
    spread : (T,) s_t, deviation of one copy around its tier's mean (copy and match with this player).
    noise : repeat noise of one rated u.
    scatter : how much larger than most players' the variance of this player's marks to come is.
    yardstick : the own bow's mark, or its law where it was not rated.
    beats_own_bow : (T,) probability that a copy of the tier not yet played is rated above the own bow.
    stock : every copy of the tiers that suits the player.
    priority_weight : h, how much priorities weigh beside the whole in what people decide by; 0 without priorities.
    """

    answers: Answers
    tiers: tuple[Tier, ...]
    mean: Floats
    cov: Floats
    spread: Floats
    noise: float
    scatter: float
    yardstick: Reference
    beats_own_bow: Floats
    stock: CopyPosterior
    priority_weight: float

    @property
    def fit_sd(self) -> Floats:
        """(T,) deviation of the rating that the player would give to a copy not yet played, all noise in; its mean is ``mean``."""
        return np.asarray(np.sqrt(self.scatter * (np.diag(self.cov) + self.spread**2 + self.noise**2)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction(TierPosterior):
    """A standing, with how much stands behind it.

    Attributes
    ----------
    trials, trials_all : trials of this instrument (and hold), and all.
    """

    trials: int
    trials_all: int

    @property
    def basis(self) -> Basis:
        """What the answer rests on."""
        return Basis.TRIALS if self.trials >= TRIALS_FOR_A_BASIS else Basis.PRIOR
