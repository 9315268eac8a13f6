"""What new bows are measured against: the own bow, rated or not, or, without one, a good bow."""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from model.domain.arrays import Floats

NO_BOW_LEVEL = 5.0
"""What a bow is measured against where the player has none."""


@dataclass(frozen=True, slots=True)
class RatedReference:
    """The own bow, rated; or no own bow, and then the level that a new one has to beat.

    Attributes
    ----------
    level : r0, what it was rated.
    expected, slope : E[u0 | r0, m] = expected + slope @ (m - mean) with m and mean as the plan is given them (they are
        conditioned on r0 too); slope (T,). The rating alone would overstate the gain: a lenient player rates all bows high.
    """

    level: float
    expected: float
    slope: Floats

    @classmethod
    def none(cls, tiers: int, level: float = NO_BOW_LEVEL) -> "RatedReference":
        """Return the yardstick of a player without a bow, for so many tiers."""
        return cls(level, level, np.zeros(tiers))


@dataclass(frozen=True, slots=True)
class UnratedReference:
    """The own bow, not rated: drawn from the population, jointly with what the player makes of the tiers.

    Attributes
    ----------
    mean, var : law of m0, what this player can be expected to make of an own bow.
    cov : (T,) covariance of m0 with the tier means m.
    spread : deviation of the own bow's liking u0 around m0.
    """

    mean: float
    cov: Floats
    var: float
    spread: float


Reference: TypeAlias = RatedReference | UnratedReference
