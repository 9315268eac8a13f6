"""One player: everything is Gaussian, so the player's own ratings update the outlook in closed form.

A face of the engine (`model.preference.conditioning`) for one player or a few who are alike in what suits them; what is asked for
again is kept.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from copy import copy
from functools import cache, cached_property
from typing import Any, Self, TypeVar

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Run
from model.domain.vocabulary import CRITERION_INDEX, OVERALL, Blinding, Criterion
from model.features import (
    OF_TRAITS,
    PLACE_COLUMNS,
    POSITION_OF,
    SEEN_COLUMNS,
    TRAIT_COLUMNS,
    WISH_COLUMNS,
    bench_traits,
    place_values,
)
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import LIKING, Layout, RatingsPosterior, explained, place_in_group, scatter
from model.preference.kernel import LinearFunctionals
from model.preference.own_parts import Asked
from model.preference.utilities import Sheet, Utilities, rating_features

Kept = TypeVar("Kept")


class Players:
    """Players who share instrument and hold, side by side: what they may find of all that suits them, and what their ratings tell."""

    def __init__(
        self, view: CataloguePosterior, answers: Sequence[Answers], runs: Sequence[Sequence[Run]], blinding: Blinding
    ) -> None:
        self.view, self.answers, self.blinding = view, answers, blinding
        self.utilities = Utilities.of(view, answers)
        self.suited = self.utilities.suited
        self.ratings = self._observe(runs)
        self.tiers = cache(self.utilities.tiers)
        self.copies = cache(lambda c: self.utilities.copies(c, self.tiers(c)))
        self._with_copies: dict[bytes, Floats] = {}
        self.counted, self.root = self.ratings.counted(self.ratings.layout.given, self.leads())

    def with_copies(self, weights: Floats) -> Floats:
        """Return (T, K, O) covariance with the ratings of each copy's own effect and match, and of traits not measured; kept."""
        key = weights.tobytes()
        if key not in self._with_copies:
            self._with_copies[key] = self.ratings.with_copies(weights)
        return self._with_copies[key]

    @cached_property
    def residual(self) -> Floats:
        """(T, O) how far each rating is from what is expected before any."""
        return np.asarray(self.ratings.layout.value - self.ratings.mean)

    def leads(self) -> list[tuple[Ints, Floats]]:
        """Return the covariance of all leads with the ratings, of the players who rated an own bow."""
        layout = self.ratings.layout
        own = np.flatnonzero((layout.given & (layout.copy < 0)).any(axis=1))
        if not len(own):
            return []
        tiers, copies = self.tiers(OVERALL)[own], self.copies(OVERALL)[own]
        effects = self.with_copies(LIKING)[own]
        return [(own, self.ratings.with_leads(tiers, copies, self.utilities.own(OVERALL)[own], effects, own))]

    def _observe(self, runs: Sequence[Sequence[Run]]) -> RatingsPosterior:
        """Lay the ratings out: of each player those of the own bow first, then those of the runs."""
        given = [sheet for at, answers in enumerate(self.answers) for sheet in self._given(at, answers, runs[at])]
        picked = [
            (number, CRITERION_INDEX[criterion], value)
            for number, (*_, ratings) in enumerate(given)
            for criterion, value in ratings.items()
        ]
        sheet, criterion = np.array([each[:2] for each in picked], dtype=np.intp).reshape(-1, 2).T
        value = np.array([value for *_, value in picked], dtype=np.float64)
        player, copy, position = np.array([each[:3] for each in given], dtype=np.intp).T
        sheets = self._sheets(player, copy, position)
        features, mean = rating_features(self.view.posterior, self.suited, sheets, sheet, criterion)
        row = player[sheet]
        count = np.bincount(row, minlength=len(self.answers))
        at = row, place_in_group(row, len(count))
        shape = len(count), int(count.max())

        def beside(values: NDArray[Any], none: float = 0) -> NDArray[Any]:
            out = np.full((*shape, *values.shape[1:]), none, dtype=values.dtype)
            out[at] = values
            return out

        layout = Layout(beside(sheet, -1), beside(copy[sheet], -1), beside(criterion), beside(value))
        asked = self.utilities.asked
        return RatingsPosterior(self.view, self.suited, layout, asked, beside(features), beside(mean))

    def _given(
        self, at: int, answers: Answers, runs: Sequence[Run]
    ) -> Iterator[tuple[int, int, int, Mapping[Criterion, float]]]:
        """Give a player's sheets: whose, the place of the copy or -1, the position and the ratings."""
        yield at, -1, 0, answers.own_bow.ratings if answers.own_bow else {}
        for run in runs:
            place = -1 if run.copy is None else int(self.suited.places([run.copy], answers.instrument)[0])
            yield at, place, run.position, run.ratings

    def _sheets(self, player: Ints, copy: Ints, position: Ints) -> Sheet:
        """Return sheets (S,) of these players, copies and positions."""
        of, tier_of = self.utilities, self.suited.tier_of
        X, Z = of.own_X[player], of.own_Z[player]
        emphasised = np.zeros(len(copy))
        away, k = np.flatnonzero(copy >= 0), copy[copy >= 0]
        by = player[away]
        X[away], Z[away] = of.tier_X[by, tier_of[k]], of.tier_Z[by, tier_of[k]]
        Z[away, OF_TRAITS] += self.suited.traits[k][:, bench_traits.FELT]
        X[away[:, None], WISH_COLUMNS] += of.wish[by, k]
        if seen := SEEN_COLUMNS[self.blinding]:
            grade = of.tier_X[by, tier_of[k], POSITION_OF["grade"]]
            X[away[:, None], seen] += np.column_stack([np.ones(len(k)), grade])
        X[:, PLACE_COLUMNS] += place_values(position)
        emphasised[away] = of.emphasised[by, k]
        return Sheet(X, Z, copy, emphasised)


class Player:
    """A player before the model: the prior law of every tier, copy and the own bow, and what own ratings make of it.

    Tiers and copies are taken as played blind; ``blinding`` says what the player saw of the bows of ``runs``.
    """

    def __init__(
        self,
        view: CataloguePosterior,
        answers: Answers,
        runs: Sequence[Run] = (),
        blinding: Blinding = Blinding.BLIND,
        among: tuple[Players, int] | None = None,
    ) -> None:
        players, at = among or (Players(view, [answers], [runs], blinding), 0)
        of = players.utilities
        self.players, self.answers, self.posterior, self.blinding = players, answers, view.posterior, blinding
        self.slope, self.own_parts, self.kernel = view.slope, view.own_parts, view.kernel
        self.asked, self.suited, self.wish = Asked.of(answers), of.suited, of.wish[at]
        self.emphasised, self.tiers_emphasised = of.emphasised[at], of.tiers_emphasised[at]
        self._utilities, self._at, self._only = of, at, slice(at, at + 1)
        self._kept: dict[tuple[str, bytes], Any] = {}
        self.counted, self.root = players.counted[self._only], players.root[self._only]

    @classmethod
    def each(
        cls,
        view: CataloguePosterior,
        asked: Sequence[tuple[Answers, Sequence[Run]]],
        blinding: Blinding = Blinding.BLIND,
    ) -> list[Self]:
        """Return players of these answers and runs who share instrument and hold; what they have in common is computed once."""
        players = Players(view, [answers for answers, _ in asked], [runs for _, runs in asked], blinding)
        return [cls(view, *one, blinding, (players, at)) for at, one in enumerate(asked)]

    def with_every_mark(self) -> Self:
        """Return this player conditioned on every mark given, those of the own bow among them that chances leave out.

        What is said of single criteria rests on it: who gave the own bow a 7 for steadiness is not told of a steadier one.
        """
        ratings = self.players.ratings
        given = ratings.layout.given
        if self.counted.sum() == given[self._only].sum():
            return self
        whole = copy(self)
        whole.counted = given[self._only]
        whole.root = ratings.root(given)[self._only]
        return whole

    # Quantities

    def tiers(self, weights: Floats) -> LinearFunctionals:
        """Return the expected liking of each tier (T), without what single copies add; kept once made."""
        return self._once("tiers", weights, self._tiers)

    def _once(self, name: str, weights: Floats, make: Callable[[Floats], Kept]) -> Kept:
        key = (name, weights.tobytes())
        if key not in self._kept:
            self._kept[key] = make(weights)
        kept: Kept = self._kept[key]
        return kept

    def _tiers(self, weights: Floats) -> LinearFunctionals:
        used = weights.nonzero()[0]
        features = np.array([weights[c] * self.players.tiers(c)[self._at] for c in used.tolist()])
        mean = (
            self._utilities.tier_X[self._at] @ (weights @ self.posterior.coef)
            + self._gamma(weights) * self.tiers_emphasised
        )
        return LinearFunctionals(mean, used, features)

    def _gamma(self, weights: Floats) -> float:
        """Return what is expected of gamma, times the weight of the overall rating."""
        return float(weights[OVERALL] * self.posterior.profile.mean)

    def own(self, weights: Floats) -> LinearFunctionals:
        """Return the liking of the own bow, one row; kept once made."""
        return self._once("own", weights, self._own)

    def _own(self, weights: Floats) -> LinearFunctionals:
        used = weights.nonzero()[0]
        features = np.array([weights[c] * self._utilities.own(c)[self._only] for c in used.tolist()])
        mean = weights @ (self.posterior.coef @ self._utilities.own_X[self._at] + self.posterior.players.own_shift)
        return LinearFunctionals(np.array([mean]), used, features)

    def copies(self, weights: Floats) -> LinearFunctionals:
        """Return the liking of each suited copy (K); its own effect enters the mean only, see `Suited.covariance`."""
        return self._once("copies", weights, self._copies)

    def _copies(self, weights: Floats) -> LinearFunctionals:
        used = weights.nonzero()[0]
        features = np.array([weights[c] * self.players.copies(c)[self._at] for c in used.tolist()])
        mean = self._copy_means(weights @ self.posterior.coef, weights @ self.suited.effect)
        return LinearFunctionals(mean + self._gamma(weights) * self.emphasised, used, features)

    def _copy_means(self, coef: Floats, effect: Floats) -> Floats:
        """Return (K,) x'coef + effect (K,) of the suited copies."""
        suited = self.suited
        own = suited.traits @ coef[TRAIT_COLUMNS] + self.wish @ coef[WISH_COLUMNS]
        return np.asarray((self._utilities.tier_X[self._at] @ coef)[suited.tier_of] + own + effect)

    # The law after the ratings

    def after(self, quantities: LinearFunctionals, extra: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the mean (n,) given the ratings, and what they explain (O, n): covariance falls by its Gram.

        ``extra`` (n, O) is covariance with the ratings that is not in the features.
        """
        if not self.counted.any():
            return quantities.mean, np.zeros((0, len(quantities.mean)))
        cross = np.zeros((len(quantities.mean), self.counted.shape[1])) if extra is None else extra.copy()
        for c, features in zip(quantities.criteria.tolist(), quantities.features, strict=True):
            cross += features @ self.players.ratings.towards(c)[self._at].T
        residual = self.players.residual[self._only]
        moved, told = explained(self.root, self.counted, cross[None], residual)
        return quantities.mean + moved[0], told[0]

    def shared_with_ratings(self, weights: Floats) -> Floats:
        """Return (K, O) covariance with the ratings given of each copy's own effect and match, and of traits not measured."""
        return np.asarray(self.players.with_copies(weights)[self._at])

    @cached_property
    def scatter(self) -> float:
        """How much larger than most players' the variance of this player's marks to come is; 1 before any rating."""
        return float(scatter(self.root, self.counted, self.players.residual[self._only])[0])

    # Variances without the ratings

    def noise(self, weights: Floats) -> float:
        """Return the variance of the repeat noise of a weighted sum of one sheet's ratings."""
        return _weighed(weights, self.posterior.repeat_sd, self.posterior.correlations.repeat)

    def own_variance(self, weights: Floats) -> Floats:
        """Return (K,) the variance of what each suited copy has of its own, of a weighted sum of criteria."""
        return self._once("own variance", weights, self._own_variance)

    def _own_variance(self, weights: Floats) -> Floats:
        used = weights.nonzero()[0]
        return np.asarray(self.own_parts.covariance(self.suited.open, self.asked, used) @ weights[used] @ weights[used])

    def spread(self, weights: Floats) -> Floats:
        """Return (T,) the variance of one unknown copy around its tier's mean: its effect, and what it has of its own."""
        return self._once("spread", weights, self._spread)

    def _spread(self, weights: Floats) -> Floats:
        used = weights.nonzero()[0]
        own = self.own_parts.covariance(self.suited.open_of_tiers, self.asked, used)
        copies = _weighed(weights, self.posterior.copy_sd, self.posterior.correlations.copy)
        return np.asarray(own @ weights[used] @ weights[used] + copies)


def _weighed(weights: Floats, sd: Floats, correlation: Floats) -> float:
    """Return the variance of a weighted sum of criteria with deviations ``sd`` (C,)."""
    return float((weights * sd) @ correlation @ (weights * sd))
