"""What one player can be expected to feel about the range: the preference model's answer, before any price is looked at."""

from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Tier
from model.domain.vocabulary import Basis

NO_BOW_LEVEL = 5.0
"""What a bow is measured against where the player has none."""
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

    def at(self, places: Ints) -> "CopyPosterior":
        """Return the copies at some places."""
        serials = tuple(self.serials[k] for k in places.tolist())
        return CopyPosterior(serials, self.tier[places], self.offset[places], self.spread[places])


@dataclass(frozen=True, slots=True, kw_only=True)
class Prediction:
    """The joint law of how one player likes the T tiers that suit the player, u, beside the own bow.

    All on the 1 to 7 scale, of the overall mark: what the player cares about is in it (`model.features.profile`).

    Attributes
    ----------
    tiers : (T,) the tiers that suit the player's instrument and hold.
    mean, cov : (T,), (T, T) joint normal law of the tier means m (leniency, taste and what is known of tiers are shared).
    spread : (T,) s_t, deviation of one copy around its tier's mean (copy and match with this player).
    noise : repeat noise of one rated u.
    scatter : how much larger than most players' the variance of this player's marks to come is.
    own_level : what the own bow was rated, else what it can be expected to be liked; without one `NO_BOW_LEVEL`.
    own_level_given : whether that is no expectation.
    stock : every copy of the tiers that suits the player.
    priority_weight : h, how much priorities weigh beside the whole in what people decide by; 0 without priorities.
    trials, trials_all : behind it, of this instrument (and hold), and all.
    """

    answers: Answers
    tiers: tuple[Tier, ...]
    mean: Floats
    cov: Floats
    spread: Floats
    noise: float
    scatter: float
    own_level: float
    own_level_given: bool
    stock: CopyPosterior
    priority_weight: float
    trials: int
    trials_all: int

    @property
    def fit_sd(self) -> Floats:
        """(T,) deviation of the rating that the player would give to a copy not yet played, all noise in; its mean is ``mean``."""
        return np.asarray(np.sqrt(self.scatter * (np.diag(self.cov) + self.spread**2 + self.noise**2)))

    @property
    def basis(self) -> Basis:
        """What the answer rests on."""
        return Basis.TRIALS if self.trials >= TRIALS_FOR_A_BASIS else Basis.PRIOR
