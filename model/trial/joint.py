"""The joint law of one player's liking of the tiers and of single bows, the own bow among them: nothing taken as independent."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from model.domain.arrays import Floats, Ints
from model.preference import LinearFunctionals, Player, effects_among


@dataclass(frozen=True, slots=True)
class JointPosterior:
    """The law given the player's ratings: the T tiers' means first, then the B bows.

    Attributes
    ----------
    mean, cov : (T + B,), (T + B, T + B) of the true liking u, in points.
    tiers : (T,) slugs.
    spread : (T,) deviation of an unknown copy's liking around its tier's mean.
    bows : (B,) serials, None: the own bow.
    noise : deviation of the repeat noise of one rating of u.
    """

    mean: Floats
    cov: Floats
    tiers: tuple[str, ...]
    spread: Floats
    bows: tuple[str | None, ...]
    noise: float

    @property
    def of_bows(self) -> slice:
        """The slice of ``mean`` and ``cov`` that holds the bows."""
        return slice(len(self.tiers), len(self.mean))

    def first(self, count: int) -> "JointPosterior":
        """Return the law of the tiers and of the first so many bows."""
        kept = slice(0, len(self.tiers) + count)
        return replace(self, mean=self.mean[kept], cov=self.cov[kept, kept], bows=self.bows[:count])

    @property
    def bows_mean(self) -> Floats:
        """Return (B,) the bows' expected liking."""
        return self.mean[self.of_bows]

    @property
    def bows_cov(self) -> Floats:
        """Return (B, B) the covariance of the bows' liking."""
        return self.cov[self.of_bows, self.of_bows]


def joint_posterior(
    player: Player, weights: Floats, bows: Sequence[str | None], *, tiers: bool = True
) -> JointPosterior:
    """Return the law of u with these weights (C,) for the tiers that suit (none, if not ``tiers``) and for some bows, each once.

    Raises
    ------
    ValueError : a serial that is not in the range, or does not suit the player's instrument and hold.
    """
    copies = [bow for bow in bows if bow is not None]
    places, T = player.suited.places(copies, player.answers.instrument), len(player.suited.tiers) if tiers else 0
    # The copies' rows come last while the law is made; the own bow's, where it is asked for, before them.
    own = len(copies) < len(bows)
    parts = [*([player.tiers(weights)] if tiers else []), *([player.own(weights)] if own else [])]
    if len(places) or not parts:
        parts.append(player.copies(weights).at(places))
    joint = LinearFunctionals.joined(*parts)
    first = T + own
    extra = np.zeros((len(joint.mean), player.counted.shape[1]))
    if len(places):
        extra[first:] = player.shared_with_ratings(weights)[places]
    mean, told = player.after(joint, extra)
    cov = player.kernel.covariance(joint, joint) - told.T @ told
    if len(places):
        cov[first:, first:] += _effects(player, weights, places) + np.diag(player.own_variance(weights)[places])
    order = np.array([*range(T), *_order(bows, T, own)], dtype=np.intp)
    return JointPosterior(
        mean=mean[order],
        cov=(cov + cov.T)[order[:, None], order] / 2,
        tiers=tuple(tier.slug for tier in player.suited.tiers[:T]),
        spread=np.sqrt(player.spread(weights)[:T]),
        bows=tuple(bows),
        noise=float(np.sqrt(player.noise(weights))),
    )


def _order(bows: Sequence[str | None], first: int, own: bool) -> list[int]:
    """Return where each bow's row is: the own bow's at ``first``, the copies' after it in their order."""
    at = iter(range(first + own, first + len(bows)))
    return [first if bow is None else next(at) for bow in bows]


def _effects(player: Player, weights: Floats, places: Ints) -> Floats:
    """Return (n, n) the covariance of copies' own effects before the player's ratings, criteria weighed together."""
    used = np.flatnonzero(weights)
    copy, criterion = np.repeat(places, len(used)), np.tile(used, len(places))
    among = effects_among(player.suited, copy[None], criterion[None])[0]
    alike = among * player.posterior.correlations.copy[criterion[:, None], criterion]
    weighed = alike * np.outer(weights[criterion], weights[criterion])
    shape = (len(places), len(used), len(places), len(used))
    return np.asarray(weighed.reshape(shape).sum(axis=(1, 3)))
