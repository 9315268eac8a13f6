"""One player: everything is Gaussian, so the player's own ratings update the outlook in closed form.

A latent quantity (the liking of a tier, a copy or the own bow, on one criterion) has features in which covariances are inner
products, in parts: what is known of x'beta (the coefficients in coordinates of their root, those of tiers that came after the
fit last), the player's level and own bow, the player's tastes, and the own bow's match. Two criteria c, d of two items covary by the sum
over the parts of R_cd f_c . f_d, R that part's correlations. Copies' own effects and matches come on top.
"""

from collections.abc import Callable, Sequence
from copy import copy
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, OVERALL, Blinding
from model.features.design import (
    OF_GRADE,
    OF_TRAITS,
    PLACE_COLUMNS,
    PLAYER_COLUMNS,
    POSITION_OF,
    SEEN_COLUMNS,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    own_rows,
    place_values,
    player_columns,
    tier_rows,
    wished_beyond,
)
from model.mixed.linalg import inverse_of_root, root_inverse
from model.preference.catalogue import View
from model.preference.fitted import Posterior
from model.preference.own_marks import kept_of
from model.preference.own_parts import Asked


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

    def at(self, kept: NDArray[np.bool_]) -> "Observations":
        """Return some of them (O,)."""
        return Observations(*(getattr(self, name)[kept] for name in self.__slots__))


@dataclass(frozen=True, slots=True)
class Quantities:
    """Latent quantities, sums over u criteria: ``mean`` (n,), ``criteria`` (u,), ``features`` (u, n, q), weights in."""

    mean: Floats
    criteria: Ints
    features: Floats

    def __sub__(self, other: "Quantities") -> "Quantities":
        """Subtract quantities over the same criteria, one or as many."""
        return Quantities(self.mean - other.mean, self.criteria, self.features - other.features)

    def at(self, places: Ints) -> "Quantities":
        """Return some of them."""
        return Quantities(self.mean[places], self.criteria, self.features[:, places])


@dataclass(frozen=True, slots=True)
class Parts:
    """Which features belong together, and how the criteria correlate in each part: pairs of places and R (C, C)."""

    pairs: tuple[tuple[slice, Floats], ...]

    @classmethod
    def of(cls, posterior: Posterior) -> "Parts":
        """Return the parts of features: the fitted coefficients, those of tiers that came later, the player's own, the own bow's match, gamma."""
        correlations, fixed = posterior.correlations, len(posterior.design.columns)
        coefficients = fixed - posterior.design.late
        tastes, match = fixed + OF_GRADE, fixed + len(PLAYER_COLUMNS)
        return cls(
            (
                (slice(0, coefficients), correlations.coefficients),
                (slice(coefficients, fixed), correlations.prior_coefficients),
                (slice(fixed, tastes), correlations.player),
                (slice(tastes, match), correlations.tastes),
                (slice(match, match + 1), correlations.match),
                (slice(match + 1, match + 2), np.eye(len(correlations.match))),
            )
        )

    def covariance(self, one: Quantities, other: Quantities) -> Floats:
        """Return (n, m) the covariance of quantities."""
        out = np.zeros((len(one.mean), len(other.mean)))
        for part, R in self.pairs:
            there = _mixed(R[one.criteria[:, None], other.criteria], other.features[..., part])
            out += (one.features[..., part] @ there.swapaxes(1, 2)).sum(axis=0)
        return out

    def variance(self, of: Quantities) -> Floats:
        """Return (n,) the variance of each."""
        out = np.zeros(len(of.mean))
        for part, R in self.pairs:
            there = _mixed(R[of.criteria[:, None], of.criteria], of.features[..., part])
            out += np.einsum("unq,unq->n", of.features[..., part], there)
        return out

    def with_ratings(self, of: Quantities, seen: Observations) -> Floats:
        """Return (n, O) the covariance of quantities with the ratings given."""
        out = np.zeros((len(of.mean), len(seen.value)))
        for part, R in self.pairs:
            alike = of.features[..., part] @ seen.features[:, part].T
            out += (alike * R[of.criteria[:, None], seen.criterion][:, None]).sum(axis=0)
        return out

    def among_ratings(self, features: Floats, criterion: Ints) -> Floats:
        """Return (O, O) the covariance of ratings with these features on these criteria."""
        out = np.zeros((len(features), len(features)))
        for part, R in self.pairs:
            out += features[:, part] @ features[:, part].T * R[criterion[:, None], criterion]
        return out


def _mixed(R: Floats, features: Floats) -> Floats:
    """Return (u, n, q) sums over criteria of R (u, v) times features (v, n, q)."""
    return (R @ features.reshape(len(features), -1)).reshape(len(R), *features.shape[1:])


class Player:
    """A player before the model: the prior law of every tier, copy and the own bow, and what own ratings make of it.

    Tiers and copies are taken as played blind; ``blinding`` says what the player saw of the bows of ``runs``.
    """

    def __init__(
        self, view: View, answers: Answers, runs: Sequence[Run] = (), blinding: Blinding = Blinding.BLIND
    ) -> None:
        self.answers, self.posterior, self.blinding = answers, view.posterior, blinding
        self.slope = view.slope
        self.suited, self.own_parts = view.suited(answers.instrument, answers.hold), view.own_parts
        self.asked = Asked.of(answers)
        self.emphasised = self.suited.character @ self.asked.emphasis
        self.tiers_emphasised = self.suited.tiers_character @ self.asked.emphasis
        design = self.posterior.design
        rows = tier_rows(design, answers, self.suited.tiers)
        self.tier_X, self.tier_Z = design.matrix(rows), player_columns(rows)
        own = own_rows([answers], [0])
        self.own_x, self.own_z = design.matrix(own, own=True)[0], player_columns(own, own=True)[0]
        self.parts = Parts.of(self.posterior)
        self.wish = wished_beyond(rows, self.suited.tier_of, self.suited.traits)
        self._of_tiers: dict[int, Floats] = {}
        self._made: dict[tuple[str, bytes], Quantities] = {}
        self._found: dict[tuple[str, bytes], Floats] = {}
        self.seen = self._observe(runs)
        self._given, self.counted = self.seen, np.arange(len(self.seen.value))
        self._given_gram = self._gram()
        kept = self._kept(self._given_gram)
        self.counted = np.flatnonzero(kept)
        self.seen = self._given.at(kept)
        self.factor = _factor(self.seen, self._given_gram[np.ix_(kept, kept)])

    def with_every_mark(self) -> Self:
        """Return this player conditioned on every mark given, those of the own bow among them that chances leave out.

        What is said of single criteria rests on it: who gave the own bow a 7 for steadiness is not told of a steadier one.
        """
        if len(self.seen.value) == len(self._given.value):
            return self
        whole = copy(self)
        whole.seen, whole.counted = self._given, np.arange(len(self._given.value))
        whole.factor = _factor(self._given, self._given_gram)
        return whole

    # Features, criterion by criterion

    def _tier_features(self, c: int) -> Floats:
        """Return (T, q) = coefficients, the player's own effects, the own bow's match, gamma."""
        if c not in self._of_tiers:
            posterior, no_match = self.posterior, np.zeros(len(self.tier_X))
            own = self.tier_Z @ posterior.players.root[c]
            gamma = posterior.profile.sd * self.tiers_emphasised if c == OVERALL else no_match
            self._of_tiers[c] = np.column_stack([self.tier_X @ posterior.coef_root[c], own, no_match, gamma])
        return self._of_tiers[c]

    def _copy_features(self, c: int) -> Floats:
        """Return (K, q) of the suited copies."""
        out = self._tier_features(c)[self.suited.tier_of]
        p = self.tier_X.shape[1]
        out[:, :p] += self.suited.apart[c] + self.wish @ self.posterior.coef_root[c, WISH_COLUMNS]
        own = slice(p, p + len(PLAYER_COLUMNS))
        out[:, own] += self.suited.traits @ self.posterior.players.root[c, OF_TRAITS]
        if c == OVERALL:
            out[:, -1] = self.posterior.profile.sd * self.emphasised
        return out

    def _own_features(self, c: int) -> Floats:
        """Return (q,) of the own bow."""
        players = self.posterior.players
        fixed = self.own_x @ self.posterior.coef_root[c]
        return np.concatenate([fixed, self.own_z @ players.root[c], players.own_match[c : c + 1], np.zeros(1)])

    # Quantities

    def tiers(self, weights: Floats) -> Quantities:
        """Return the expected liking of each tier (T), without what single copies add; kept once made."""
        return self._once("tiers", weights, self._tiers)

    def _once(self, name: str, weights: Floats, make: Callable[[Floats], Quantities]) -> Quantities:
        key = (name, weights.tobytes())
        if key not in self._made:
            self._made[key] = make(weights)
        return self._made[key]

    def _tiers(self, weights: Floats) -> Quantities:
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._tier_features(c) for c in used.tolist()])
        mean = self.tier_X @ (weights @ self.posterior.coef) + self._gamma(weights) * self.tiers_emphasised
        return Quantities(mean, used, features)

    def _gamma(self, weights: Floats) -> float:
        """Return what is expected of gamma, times the weight of the overall rating."""
        return float(weights[OVERALL] * self.posterior.profile.mean)

    def own(self, weights: Floats) -> Quantities:
        """Return the liking of the own bow, one row."""
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._own_features(c)[None] for c in used.tolist()])
        mean = weights @ (self.posterior.coef @ self.own_x + self.posterior.players.own_shift)
        return Quantities(np.array([mean]), used, features)

    def copies(self, weights: Floats) -> Quantities:
        """Return the liking of each suited copy (K); its own effect enters the mean only, see `Suited.covariance`."""
        return self._once("copies", weights, self._copies)

    def _copies(self, weights: Floats) -> Quantities:
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self._copy_features(c) for c in used.tolist()])
        mean = self._copy_means(weights @ self.posterior.coef, weights @ self.suited.effect)
        return Quantities(mean + self._gamma(weights) * self.emphasised, used, features)

    def _copy_means(self, coef: Floats, effect: Floats) -> Floats:
        """Return (K,) x'coef + effect (K,) of the suited copies."""
        suited = self.suited
        own = suited.traits @ coef[TRAIT_COLUMNS] + self.wish @ coef[WISH_COLUMNS]
        return np.asarray((self.tier_X @ coef)[suited.tier_of] + own + effect)

    # What the player has rated

    def _observe(self, runs: Sequence[Run]) -> Observations:
        own = self.answers.own_bow.ratings if self.answers.own_bow else {}
        sheets = [(-1, 0, own), *((self._place(run), run.position, run.ratings) for run in runs)]
        picked = [
            (CRITERION_INDEX[criterion], number, value)
            for number, (_, _, ratings) in enumerate(sheets)
            for criterion, value in ratings.items()
        ]
        criterion, run = np.array([each[:2] for each in picked], dtype=np.intp).reshape(-1, 2).T
        value = np.array([value for *_, value in picked], dtype=np.float64)
        copy, position = (np.array([sheet[of] for sheet in sheets], dtype=np.intp) for of in (0, 1))
        features, mean = self._observed(copy, position, run, criterion)
        return Observations(features, mean, value, criterion, copy[run], run)

    def _place(self, run: Run) -> int:
        if run.copy is None:
            return -1
        if run.copy not in self.suited.place:
            msg = f"got the copy {run.copy!r}, expected one of the range that suits the {self.answers.instrument}"
            raise ValueError(msg)
        return self.suited.place[run.copy]

    def _observed(self, copy: Ints, position: Ints, run: Ints, criterion: Ints) -> tuple[Floats, Floats]:
        """Return features (O, q) and expected ratings (O,) of sheets (n,) on one criterion each, at (run, criterion) (O,)."""
        posterior, suited = self.posterior, self.suited
        X, Z = self._columns(copy, position)
        mean, fixed = X @ posterior.coef.T, (X @ posterior.coef_root)[criterion, run]
        away, k = np.flatnonzero(copy >= 0), copy[copy >= 0]
        mean[away] += suited.traits[k] @ posterior.coef[:, TRAIT_COLUMNS].T + suited.effect[:, k].T
        mean[away, OVERALL] += posterior.profile.mean * self.emphasised[k]
        mean[copy < 0] += posterior.players.own_shift
        of_copy = np.flatnonzero(copy[run] >= 0)
        k, c = copy[run[of_copy]], criterion[of_copy]
        fixed[of_copy] += suited.apart[c, k]
        own = (Z @ posterior.players.root)[criterion, run]
        match = np.where(copy[run] < 0, posterior.players.own_match[criterion], 0.0)
        gamma = np.zeros(len(run))
        gamma[of_copy] = posterior.profile.sd * self.emphasised[k] * (c == OVERALL)
        return np.column_stack([fixed, own, match, gamma]), mean[run, criterion]

    def _columns(self, copy: Ints, position: Ints) -> tuple[Floats, Floats]:
        """Return the columns (n, p) and the player's own (n, Q) of sheets; a copy's traits are in the latter only."""
        X, Z = np.tile(self.own_x, (len(copy), 1)), np.tile(self.own_z, (len(copy), 1))
        away, k = np.flatnonzero(copy >= 0), copy[copy >= 0]
        X[away], Z[away] = self.tier_X[self.suited.tier_of[k]], self.tier_Z[self.suited.tier_of[k]]
        Z[away, OF_TRAITS] += self.suited.traits[k]
        X[away[:, None], WISH_COLUMNS] += self.wish[k]
        if seen := SEEN_COLUMNS[self.blinding]:
            X[away[:, None], seen] += self._sight(k)
        X[:, PLACE_COLUMNS] += place_values(position)
        return X, Z

    def _sight(self, k: Ints) -> Floats:
        """Return (n, 2) the `SEEN_COLUMNS` of the suited copies ``k`` where they were seen."""
        return np.column_stack([np.ones(len(k)), self.tier_X[self.suited.tier_of[k], POSITION_OF["grade"]]])

    def _gram(self) -> Floats:
        """Return (O, O) the covariance of the ratings given."""
        seen, posterior = self.seen, self.posterior
        noise = posterior.repeat_sd[seen.criterion]
        R, every = posterior.correlations, np.ix_(seen.criterion, seen.criterion)
        same_run = seen.run[:, None] == seen.run
        gram = (
            self.parts.among_ratings(seen.features, seen.criterion)
            + same_run * np.outer(noise, noise) * R.repeat[every]
        )
        away = np.flatnonzero(seen.copy >= 0)
        k, c = seen.copy[away], seen.criterion[away]
        both = self._own_covariance(k)[np.arange(len(k))[:, None], c[:, None], c]
        gram[np.ix_(away, away)] += self.suited.effects_alike(k, c) * R.copy[np.ix_(c, c)] + (k[:, None] == k) * both
        return np.asarray(gram)

    def _kept(self, gram: Floats) -> NDArray[np.bool_]:
        """Return (O,) which ratings to condition on, so that no better mark of the own bow speaks for another."""
        own = self.seen.copy < 0
        if not own.any():
            return np.ones(len(own), dtype=bool)
        alone = np.zeros(len(CRITERIA))
        alone[OVERALL] = 1.0
        liked = self.own(alone)
        of_tiers = self.parts.with_ratings(self.tiers(alone) - liked, self.seen)
        of_copies = self.parts.with_ratings(self.copies(alone) - liked, self.seen) + self.shared_with_ratings(alone)
        return kept_of(np.vstack([of_tiers, of_copies]), gram, own)

    # The law after the ratings

    def after(self, quantities: Quantities, extra: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the mean (n,) given the ratings, and what they explain (O, n): covariance falls by its Gram.

        ``extra`` (n, O) is covariance with the ratings that is not in the features.
        """
        lower, solved = self.factor
        if not len(lower):
            return quantities.mean, np.zeros((0, len(quantities.mean)))
        cross = self.parts.with_ratings(quantities, self.seen)
        if extra is not None:
            cross = cross + extra
        return quantities.mean + cross @ solved, root_inverse(lower, cross.T)

    def shared_with_ratings(self, weights: Floats) -> Floats:
        """Return (K, O) covariance with the ratings given of each copy's own effect and match, and of traits not measured."""
        return self._kept_once("shared", weights, self._shared_with_all)[:, self.counted]

    def _kept_once(self, name: str, weights: Floats, make: Callable[[Floats], Floats]) -> Floats:
        key = (name, weights.tobytes())
        if key not in self._found:
            self._found[key] = make(weights)
        return self._found[key]

    def _shared_with_all(self, weights: Floats) -> Floats:
        """Return the same with every rating given."""
        given = self._given
        out = np.zeros((len(self.suited.copies), len(given.value)))
        away = np.flatnonzero(given.copy >= 0)
        k, c = given.copy[away], given.criterion[away]
        out[:, away] = self.suited.effects_shared(weights, k, c, self.posterior.correlations.copy)
        out[k, away] += (self._own_covariance(k) @ weights)[np.arange(len(k)), c]
        return out

    def _own_covariance(self, k: Ints) -> Floats:
        """Return (n, C, C) the covariance of what the suited copies ``k`` have of their own for this player."""
        return self.own_parts.covariance(self.suited.open.at(k), self.asked)

    # Variances without the ratings

    def noise(self, weights: Floats) -> float:
        """Return the variance of the repeat noise of a weighted sum of one sheet's ratings."""
        return _weighed(weights, self.posterior.repeat_sd, self.posterior.correlations.repeat)

    def own_variance(self, weights: Floats) -> Floats:
        """Return (K,) the variance of what each suited copy has of its own, of a weighted sum of criteria."""
        return self._kept_once("own", weights, self._own_variance)

    def _own_variance(self, weights: Floats) -> Floats:
        used = np.flatnonzero(weights)
        return np.asarray(self.own_parts.covariance(self.suited.open, self.asked, used) @ weights[used] @ weights[used])

    def spread(self, weights: Floats) -> Floats:
        """Return (T,) the variance of one unknown copy around its tier's mean: its effect, and what it has of its own."""
        return self._kept_once("spread", weights, self._spread)

    def _spread(self, weights: Floats) -> Floats:
        used = np.flatnonzero(weights)
        own = self.own_parts.covariance(self.suited.open_of_tiers, self.asked, used)
        copies = _weighed(weights, self.posterior.copy_sd, self.posterior.correlations.copy)
        return np.asarray(own @ weights[used] @ weights[used] + copies)


def _weighed(weights: Floats, sd: Floats, correlation: Floats) -> float:
    """Return the variance of a weighted sum of criteria with deviations ``sd`` (C,)."""
    return float((weights * sd) @ correlation @ (weights * sd))


def _factor(seen: Observations, gram: Floats) -> tuple[Floats, Floats]:
    """Return the root of the ratings' covariance and the solved residuals, both empty without ratings."""
    if not len(gram):
        return np.zeros((0, 0)), seen.value
    lower = np.asarray(np.linalg.cholesky(gram), dtype=np.float64)
    return lower, inverse_of_root(lower, seen.value - seen.mean)
