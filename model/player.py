"""One player: everything is Gaussian, so the player's own ratings update the outlook in closed form.

A latent quantity (the liking of a tier, a copy or the own bow, on one criterion) has features in which covariances are inner
products: the coefficients in coordinates of their root, the player's leniency and own bow, tiers that the fit had no column
for. Two criteria c, d of two items covary by R_cd f_c . f_d. Copies' own effects and matches come on top.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular

from model.design import (
    PLACE_COLUMNS,
    TIER_SD,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    WISHES,
    own_rows,
    place_values,
    tier_rows,
    wished_beyond,
)
from model.records import Answers, Run
from model.view import View
from model.vocabulary import CRITERION_INDEX, Criterion

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

OVERALL = CRITERION_INDEX[Criterion.OVERALL]
PRIOR_REPEAT_SD = 0.7
"""The repeat noise at which the coefficients' prior deviations are meant, in points."""
EVERY = slice(None)


@dataclass(frozen=True, slots=True)
class Observations:
    """The ratings this player has given, one row a rating.

    Attributes
    ----------
    features : (O, q) on the row's criterion, without the copy's effect and match.
    mean, value : (O,) expected and given rating.
    criterion : (O,) index of the criterion.
    copy : (O,) index of the copy among the suited ones, -1 for the own bow.
    run : (O,) number of the run that the rating belongs to.
    """

    features: Floats
    mean: Floats
    value: Floats
    criterion: Ints
    copy: Ints
    run: Ints


@dataclass(frozen=True, slots=True)
class Quantities:
    """Latent quantities, sums over u criteria: ``mean`` (n,), ``criteria`` (u,), ``features`` (u, n, q), weights in."""

    mean: Floats
    criteria: Ints
    features: Floats

    def __sub__(self, other: "Quantities") -> "Quantities":
        """Subtract quantities over the same criteria, one or as many."""
        return Quantities(self.mean - other.mean, self.criteria, self.features - other.features)

    def mixed(self, criteria: Ints, correlation: Floats) -> Floats:
        """Return (len(criteria), n, q) the features that meet those of other criteria."""
        return np.asarray(np.tensordot(correlation[np.ix_(criteria, self.criteria)], self.features, axes=1))

    def covariance(self, other: "Quantities", correlation: Floats) -> Floats:
        """Return (n, m) the covariance with other quantities."""
        there = other.mixed(self.criteria, correlation)
        return np.asarray((self.features @ there.swapaxes(1, 2)).sum(axis=0))

    def variance(self, correlation: Floats) -> Floats:
        """Return (n,) the variance of each."""
        return np.asarray(np.einsum("unq,unq->n", self.features, self.mixed(self.criteria, correlation)))


class Player:
    """A player before the model: the prior law of every tier, copy and the own bow, and what own ratings make of it."""

    def __init__(self, view: View, answers: Answers, runs: Sequence[Run] = ()) -> None:
        self.answers, self.posterior = answers, view.posterior
        self.suited = view.suited(answers.instrument, answers.hold)
        design = self.posterior.design
        rows = tier_rows(design, answers, self.suited.tiers)
        self.unknown = np.flatnonzero(rows.tier < 0)
        self.tier_X = design.matrix(rows)
        self.own_x = design.matrix(own_rows(answers, [0]))[0]
        self.wish = wished_beyond(rows, self.suited.tier_of, self.suited.traits)
        self._of_tiers: dict[int, Floats] = {}
        self.seen = self._observe(runs)
        self.factor = self._factor()

    # Features, criterion by criterion

    def _tier_features(self, c: int) -> Floats:
        """Return (T, q) = coefficients, leniency and own bow, tiers without a column."""
        if c not in self._of_tiers:
            posterior, unknown = self.posterior, np.zeros((len(self.tier_X), len(self.unknown)))
            unknown[self.unknown, np.arange(len(self.unknown))] = self.unknown_sd()[c]
            leniency = np.tile(posterior.own.root[c, 0], (len(self.tier_X), 1))
            self._of_tiers[c] = np.hstack([self.tier_X @ posterior.coef_root[c], leniency, unknown])
        return self._of_tiers[c]

    def _copy_features(self, c: int, k: Ints | slice) -> Floats:
        """Return (n, q) of the suited copies ``k``."""
        out = self._tier_features(c)[self.suited.tier_of[k]]
        p = self.tier_X.shape[1]
        out[:, :p] += self.suited.apart[c, k] + self.wish[k] @ self.posterior.coef_root[c, WISH_COLUMNS]
        return out

    def _own_features(self, c: int) -> Floats:
        """Return (q,) of the own bow."""
        posterior = self.posterior
        return np.concatenate(
            [self.own_x @ posterior.coef_root[c], posterior.own.root[c, 1], np.zeros(len(self.unknown))]
        )

    def unknown_sd(self) -> Floats:
        """Return (C,) the deviation of a tier that the fit had no column for from the line through the grades."""
        return TIER_SD * self.posterior.repeat_sd / PRIOR_REPEAT_SD

    # Quantities

    def tiers(self, weights: Floats) -> Quantities:
        """Return the expected liking of each tier (T), without what single copies add."""
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._tier_features(c) for c in used.tolist()])
        return Quantities(self.tier_X @ (weights @ self.posterior.coef), used, features)

    def own(self, weights: Floats) -> Quantities:
        """Return the liking of the own bow, one row."""
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._own_features(c)[None] for c in used.tolist()])
        mean = weights @ (self.posterior.coef @ self.own_x + self.posterior.own.shift)
        return Quantities(np.array([mean]), used, features)

    def copies(self, weights: Floats) -> Quantities:
        """Return the liking of each suited copy (K); its own effect enters the mean only, see `Suited.covariance`."""
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._copy_features(c, EVERY) for c in used.tolist()])
        return Quantities(self._copy_means(weights @ self.posterior.coef, weights @ self.suited.effect), used, features)

    def _copy_means(self, coef: Floats, effect: Floats, k: Ints | slice = EVERY) -> Floats:
        """Return (n,) x'coef + effect of the suited copies ``k``; ``effect`` (K,)."""
        suited = self.suited
        own = suited.traits[k] @ coef[TRAIT_COLUMNS] + self.wish[k] @ coef[WISH_COLUMNS]
        return np.asarray((self.tier_X @ coef)[suited.tier_of[k]] + own + effect[k])

    # What the player has rated

    def _observe(self, runs: Sequence[Run]) -> Observations:
        own = self.answers.own_bow.ratings if self.answers.own_bow else {}
        sheets = [(-1, 0, own), *((self._place(run), run.position, run.ratings) for run in runs)]
        picked = [
            (CRITERION_INDEX[criterion], copy, number, position, value)
            for number, (copy, position, ratings) in enumerate(sheets)
            for criterion, value in ratings.items()
        ]
        table = np.array([row[:4] for row in picked], dtype=np.intp)
        criterion, copy, number, position = table.reshape(-1, 4).T
        value = np.array([value for *_, value in picked], dtype=np.float64)
        features, mean = self._observed(criterion, copy, position)
        return Observations(features, mean, value, criterion, copy, number)

    def _place(self, run: Run) -> int:
        if run.copy is None:
            return -1
        if run.copy not in self.suited.serials:
            msg = f"got the copy {run.copy!r}, expected one of the range that suits the {self.answers.instrument}"
            raise ValueError(msg)
        return self.suited.serials.index(run.copy)

    def _observed(self, criterion: Ints, copy: Ints, position: Ints) -> tuple[Floats, Floats]:
        """Return features (O, q) and expected ratings (O,) of the ratings given."""
        posterior, p = self.posterior, self.tier_X.shape[1]
        placed = place_values(position)
        features, mean = np.zeros((len(criterion), p + 2 + len(self.unknown))), np.zeros(len(criterion))
        for c in np.unique(criterion):
            own, away = (np.flatnonzero((criterion == c) & (copy < 0)), np.flatnonzero((criterion == c) & (copy >= 0)))
            coef, k = posterior.coef[c], copy[away]
            features[own], mean[own] = self._own_features(c), self.own_x @ coef + posterior.own.shift[c]
            features[away] = self._copy_features(c, k)
            mean[away] = self._copy_means(coef, self.suited.effect[c], k)
            here = criterion == c
            features[here, :p] += placed[here] @ posterior.coef_root[c, PLACE_COLUMNS]
            mean[here] += placed[here] @ coef[PLACE_COLUMNS]
        return features, mean

    def _factor(self) -> tuple[Floats, Floats]:
        """Return the root of the ratings' covariance and the solved residuals, both empty without ratings."""
        seen, posterior = self.seen, self.posterior
        if not len(seen.value):
            return np.zeros((0, 0)), seen.value
        match, noise = posterior.match_sd[seen.criterion], posterior.repeat_sd[seen.criterion]
        same_run = seen.run[:, None] == seen.run
        gram = seen.features @ seen.features.T + same_run * np.outer(noise, noise)
        away = np.flatnonzero(seen.copy >= 0)
        k, c = seen.copy[away], seen.criterion[away]
        same_copy = k[:, None] == k
        gram[np.ix_(away, away)] += self.suited.effects_alike(k, c) + same_copy * np.outer(match[away], match[away])
        lower = np.linalg.cholesky(gram * posterior.correlation[np.ix_(seen.criterion, seen.criterion)])
        return lower, np.asarray(cho_solve((lower, True), seen.value - seen.mean))

    # The law after the ratings

    def after(self, quantities: Quantities, extra: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the mean (n,) given the ratings, and what they explain (O, n): covariance falls by its Gram.

        ``extra`` (n, O) is covariance with the ratings that is not in the features.
        """
        lower, solved = self.factor
        if not len(lower):
            return quantities.mean, np.zeros((0, len(quantities.mean)))
        by = self.posterior.correlation[np.ix_(quantities.criteria, self.seen.criterion)]
        cross = np.einsum("uno,uo->no", quantities.features @ self.seen.features.T, by)
        if extra is not None:
            cross = cross + extra
        return quantities.mean + cross @ solved, np.asarray(solve_triangular(lower, cross.T, lower=True))

    def shared_with_ratings(self, weights: Floats) -> Floats:
        """Return (K, O) covariance of each copy's own effect and match with the ratings given."""
        seen, posterior = self.seen, self.posterior
        out = np.zeros((len(self.suited.copies), len(seen.value)))
        away = np.flatnonzero(seen.copy >= 0)
        k, c = seen.copy[away], seen.criterion[away]
        out[:, away] = self.suited.effects_shared(weights, k, c, posterior.correlation)
        out[k, away] += ((weights * posterior.match_sd) @ posterior.correlation)[c] * posterior.match_sd[c]
        return out

    # Variances without the ratings

    def variance(self, quantities: Quantities) -> Floats:
        """Return (n,) the variance of quantities before the ratings."""
        return quantities.variance(self.posterior.correlation)

    def noise(self, weights: Floats, sd: Floats) -> float:
        """Return the variance of a weighted sum of components with deviations ``sd`` (C,), correlated by R."""
        return float((weights * sd) @ self.posterior.correlation @ (weights * sd))

    def spread(self, weights: Floats) -> Floats:
        """Return (T,) the variance of one unknown copy around its tier's mean: effect, match and bench traits."""
        posterior = self.posterior
        slopes = posterior.coef[:, TRAIT_COLUMNS].T.copy()
        wishes = (self.answers.wish_mass or 0, self.answers.wish_tone or 0)
        for (trait, _), wish, column in zip(WISHES, wishes, WISH_COLUMNS, strict=True):
            slopes[trait] += wish * posterior.coef[:, column]
        traits = self.suited.trait_variance @ (slopes @ weights) ** 2
        return np.asarray(traits + self.noise(weights, posterior.copy_sd) + self.noise(weights, posterior.match_sd))
