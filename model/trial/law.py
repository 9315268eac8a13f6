"""The joint law of the own bow and of the bows that may be brought, as the case, the verdict and the list read it."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from model.domain.arrays import Floats, Ints
from model.preference import NO_BOW_LEVEL, NO_RECALIBRATION, LinearFunctionals, Player
from model.trial.joint import JointPosterior, joint_posterior


@dataclass(frozen=True, slots=True)
class UtilityDistribution:
    """True likings, jointly normal: row 0 is the own bow's, the n bows' follow.

    Attributes
    ----------
    mean, cov : (n + 1,), (n + 1, n + 1) in points.
    noise : deviation of one rating around the liking.
    no_own : the player has no bow; row 0 is what a bow has to reach, without uncertainty, and is not played.
    slope : of the recalibration of every chance told, see `model.preference.chances`.
    """

    mean: Floats
    cov: Floats
    noise: float
    no_own: bool
    slope: float = NO_RECALIBRATION

    def only(self, bows: Sequence[int] | Ints) -> "UtilityDistribution":
        """Return the law of the own bow and of the bows in these rows (1 is the first), in that order."""
        rows = np.array([0, *bows], dtype=np.intp)
        return UtilityDistribution(
            self.mean[rows], self.cov[rows[:, None], rows], self.noise, no_own=self.no_own, slope=self.slope
        )

    def ahead(self) -> tuple[Floats, Floats]:
        """Return mean (n,) and covariance (n, n) of what each bow is liked better than the own bow."""
        mean = self.mean[1:] - self.mean[0]
        across = self.cov[1:, 0]
        cov = self.cov[1:, 1:] - across[:, None] - across + self.cov[0, 0]
        return mean, cov


def of_copies(player: Player, weights: Floats, serials: Sequence[str]) -> UtilityDistribution:
    """Return the law of named copies' likings, criteria weighed by ``weights`` (C,).

    Raises
    ------
    ValueError : a serial that is not in the range, or does not suit the player's instrument and hold.
    """
    joint = joint_posterior(player, weights, [*_own(player), *serials], tiers=False)
    return _law(joint, joint.mean, joint.cov, player)


def joint_law(player: Player, weights: Floats, serials: Sequence[str] = ()) -> JointPosterior:
    """Return the joint law of tiers, the own bow (where there is one, first among the bows) and named copies."""
    return joint_posterior(player, weights, [*_own(player), *serials])


def _own(player: Player) -> list[None]:
    """Return the own bow as `joint_posterior` names it, where there is one."""
    return [] if player.answers.plays_no_bow else [None]


def of_tiers(player: Player, weights: Floats, tiers: Ints) -> tuple[Floats, Floats]:
    """Return mean (n + 1,) and covariance of the own bow's liking, first, and of what is common to each tier's copies."""
    found = player.tiers(weights)
    picked = found.at(tiers)
    if player.answers.plays_no_bow:
        mean, cov = _given(player, picked)
        whole = np.zeros((len(tiers) + 1, len(tiers) + 1))
        whole[1:, 1:] = cov
        return np.concatenate([[NO_BOW_LEVEL], mean]), whole
    return _given(player, LinearFunctionals.joined(player.own(weights), picked))


def _given(player: Player, of: LinearFunctionals) -> tuple[Floats, Floats]:
    mean, told = player.after(of)
    return mean, player.kernel.covariance(of, of) - told.T @ told


def of_unknown_copies(joint: JointPosterior, tiers: Ints, player: Player) -> UtilityDistribution:
    """Return the law of copies not yet played, each of the tier in ``tiers`` (n,), all different ones."""
    T = len(joint.tiers)
    rows = np.array([*range(T, len(joint.mean)), *tiers], dtype=np.intp)
    cov = joint.cov[rows[:, None], rows]
    new = np.arange(len(joint.mean) - T, len(rows))
    cov[new, new] += joint.spread[tiers] ** 2
    return _law(joint, joint.mean[rows], cov, player)


def _law(joint: JointPosterior, mean: Floats, cov: Floats, player: Player) -> UtilityDistribution:
    if not player.answers.plays_no_bow:
        return UtilityDistribution(mean, cov, joint.noise, no_own=False, slope=player.slope)
    n = len(mean)
    whole = np.zeros((n + 1, n + 1))
    whole[1:, 1:] = cov
    return UtilityDistribution(
        np.concatenate([[NO_BOW_LEVEL], mean]), whole, joint.noise, no_own=True, slope=player.slope
    )
