"""One player: everything is Gaussian, so the player's own ratings update the outlook in closed form.

A thin face of the engine (`model.preference.conditioning`) for one player, in which what is asked for again is kept.
"""

from collections.abc import Callable, Sequence
from copy import copy
from functools import cached_property
from typing import Self

import numpy as np

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERION_INDEX, OVERALL, Blinding
from model.features.design import (
    OF_TRAITS,
    PLACE_COLUMNS,
    POSITION_OF,
    SEEN_COLUMNS,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    place_values,
)
from model.preference.catalogue import View
from model.preference.conditioning import Layout, RatingsPosterior, explained, scatter
from model.preference.kernel import Quantities
from model.preference.own_parts import Asked
from model.preference.utilities import Sheet, Utilities, rating_features

FIRST: Ints = np.zeros(1, dtype=np.intp)
"""The one player of a batch of one."""


class Player:
    """A player before the model: the prior law of every tier, copy and the own bow, and what own ratings make of it.

    Tiers and copies are taken as played blind; ``blinding`` says what the player saw of the bows of ``runs``.
    """

    def __init__(
        self, view: View, answers: Answers, runs: Sequence[Run] = (), blinding: Blinding = Blinding.BLIND
    ) -> None:
        self.answers, self.posterior, self.blinding = answers, view.posterior, blinding
        self.slope, self.own_parts, self.kernel = view.slope, view.own_parts, view.kernel
        self.asked, self.utilities = Asked.of(answers), Utilities.of(view, [answers])
        self.suited, self.wish = self.utilities.suited, self.utilities.wish[0]
        self.emphasised, self.tiers_emphasised = self.utilities.emphasised[0], self.utilities.tiers_emphasised[0]
        self._features: dict[tuple[str, int], Floats] = {}
        self._made: dict[tuple[str, bytes], Quantities] = {}
        self._found: dict[tuple[str, bytes], Floats] = {}
        self.ratings = self._observe(view, runs)
        self.counted, self.root = self.ratings.counted(self.ratings.layout.given, self._leads())

    def with_every_mark(self) -> Self:
        """Return this player conditioned on every mark given, those of the own bow among them that chances leave out.

        What is said of single criteria rests on it: who gave the own bow a 7 for steadiness is not told of a steadier one.
        """
        if self.counted.all():
            return self
        whole = copy(self)
        whole.counted = np.ones_like(self.counted)
        whole.root = self.ratings.root(whole.counted)
        return whole

    # Quantities

    def _tier_features(self, c: int) -> Floats:
        """Return (n, q), kept once made."""
        if ("tiers", c) not in self._features:
            self._features["tiers", c] = self.utilities.tiers(c)[0]
        return self._features["tiers", c]

    def _copy_features(self, c: int) -> Floats:
        """Return (K, q), kept once made."""
        if ("copies", c) not in self._features:
            self._features["copies", c] = self.utilities.copies(c, self._tier_features(c)[None])[0]
        return self._features["copies", c]

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
        mean = self.utilities.tier_X[0] @ (weights @ self.posterior.coef) + self._gamma(weights) * self.tiers_emphasised
        return Quantities(mean, used, features)

    def _gamma(self, weights: Floats) -> float:
        """Return what is expected of gamma, times the weight of the overall rating."""
        return float(weights[OVERALL] * self.posterior.profile.mean)

    def own(self, weights: Floats) -> Quantities:
        """Return the liking of the own bow, one row; kept once made."""
        return self._once("own", weights, self._own)

    def _own(self, weights: Floats) -> Quantities:
        used = np.flatnonzero(weights)
        features = np.array([weights[c] * self.utilities.own(c) for c in used.tolist()])
        mean = weights @ (self.posterior.coef @ self.utilities.own_X[0] + self.posterior.players.own_shift)
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
        return np.asarray((self.utilities.tier_X[0] @ coef)[suited.tier_of] + own + effect)

    # What the player has rated

    def _observe(self, view: View, runs: Sequence[Run]) -> RatingsPosterior:
        own = self.answers.own_bow.ratings if self.answers.own_bow else {}
        given = [(-1, 0, own), *((self._place(run), run.position, run.ratings) for run in runs)]
        picked = [
            (CRITERION_INDEX[criterion], number, value)
            for number, (_, _, ratings) in enumerate(given)
            for criterion, value in ratings.items()
        ]
        criterion, sheet = np.array([each[:2] for each in picked], dtype=np.intp).reshape(-1, 2).T
        value = np.array([value for *_, value in picked], dtype=np.float64)
        copy, position = (np.array([each[of] for each in given], dtype=np.intp) for of in (0, 1))
        sheets = self._sheets(copy, position)
        features, mean = rating_features(self.posterior, self.suited, sheets, sheet, criterion)
        layout = Layout(sheet[None], copy[sheet][None], criterion[None], value[None])
        return RatingsPosterior(view, self.suited, layout, self.utilities.asked, features[None], mean[None])

    def _place(self, run: Run) -> int:
        if run.copy is None:
            return -1
        if run.copy not in self.suited.place:
            msg = f"got the copy {run.copy!r}, expected one of the range that suits the {self.answers.instrument}"
            raise ValueError(msg)
        return self.suited.place[run.copy]

    def _sheets(self, copy: Ints, position: Ints) -> Sheet:
        """Return sheets of these copies (S,) at these positions."""
        of, tier_of = self.utilities, self.suited.tier_of
        X, Z = np.tile(of.own_X, (len(copy), 1)), np.tile(of.own_Z, (len(copy), 1))
        emphasised = np.zeros(len(copy))
        away, k = np.flatnonzero(copy >= 0), copy[copy >= 0]
        X[away], Z[away] = of.tier_X[0, tier_of[k]], of.tier_Z[0, tier_of[k]]
        Z[away, OF_TRAITS] += self.suited.traits[k]
        X[away[:, None], WISH_COLUMNS] += self.wish[k]
        if seen := SEEN_COLUMNS[self.blinding]:
            grade = of.tier_X[0, tier_of[k], POSITION_OF["grade"]]
            X[away[:, None], seen] += np.column_stack([np.ones(len(k)), grade])
        X[:, PLACE_COLUMNS] += place_values(position)
        emphasised[away] = self.emphasised[k]
        return Sheet(X, Z, copy, emphasised)

    def _leads(self) -> list[tuple[Ints, Floats]]:
        """Return the covariance of all leads with the ratings, where there are any of the own bow."""
        if not (self.ratings.layout.copy < 0).any():
            return []
        tiers, copies = self._tier_features(OVERALL)[None], self._copy_features(OVERALL)[None]
        places = np.arange(len(self.suited.serials))
        return [(FIRST, self.ratings.with_leads(tiers, copies, self.utilities.own(OVERALL), places, FIRST))]

    # The law after the ratings

    def after(self, quantities: Quantities, extra: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the mean (n,) given the ratings, and what they explain (O, n): covariance falls by its Gram.

        ``extra`` (n, O) is covariance with the ratings that is not in the features.
        """
        if not self.counted.any():
            return quantities.mean, np.zeros((0, len(quantities.mean)))
        cross = np.zeros((len(quantities.mean), self.counted.shape[1])) if extra is None else extra.copy()
        for c, features in zip(quantities.criteria.tolist(), quantities.features, strict=True):
            cross += features @ self.ratings.towards(c)[0].T
        residual = self.ratings.layout.value - self.ratings.mean
        moved, told = explained(self.root, self.counted, cross[None], residual)
        return quantities.mean + moved[0], told[0]

    def shared_with_ratings(self, weights: Floats) -> Floats:
        """Return (K, O) covariance with the ratings given of each copy's own effect and match, and of traits not measured."""
        return self._kept_once("shared", weights, lambda of: self.ratings.with_copies(of)[0])

    def _kept_once(self, name: str, weights: Floats, make: Callable[[Floats], Floats]) -> Floats:
        key = (name, weights.tobytes())
        if key not in self._found:
            self._found[key] = make(weights)
        return self._found[key]

    @cached_property
    def scatter(self) -> float:
        """How much larger than most players' the variance of this player's marks to come is; 1 before any rating."""
        residual = self.ratings.layout.value - self.ratings.mean
        return float(scatter(self.root, self.counted, residual)[0])

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
