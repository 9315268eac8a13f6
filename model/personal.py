"""One player: everything is Gaussian, so the player's own ratings update the outlook in closed form.

A latent quantity (the liking of a tier, a copy or the own bow, on one criterion or on a weighted sum of them) is a row of
coordinates in which covariances are inner products: with R = A A', criterion c of an item with features f_c has the
coordinates (A_c1 f_c, ..., A_cC f_c), so that two criteria covary by R_cc' f_c . f_c'.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import cho_solve, solve_triangular
from scipy.special import ndtr

from model.copies import NO_BOW_LEVEL, KnownBow, UnratedBow, Yardstick, rank_order_weights
from model.design import POSITION_OF, TIER_SD, TRAITS, WISHES, own_rows, take, tier_rows
from model.outlook import Outlook, Stock
from model.posterior import Posterior, root
from model.records import Answers, Run
from model.view import Suited, View
from model.vocabulary import CRITERIA, CRITERION_INDEX, LEADING, Criterion, Hold, Instrument

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

OVERALL = CRITERION_INDEX[Criterion.OVERALL]
SHARE_OF_ITS_OWN = 0.98
"""Share of an unrated own bow's independent variance that is integrated on the fine grid; the rest keeps its law proper."""


@dataclass(frozen=True, slots=True)
class Observations:
    """The ratings this player has given, one row a rating.

    Attributes
    ----------
    coordinates : (O, D) without the copies' effects.
    mean, value : (O,) expected and given rating.
    criterion : (O,) index of the criterion.
    copy : (O,) index of the copy among the suited ones, -1 for the own bow.
    run : (O,) number of the run that the rating belongs to.
    """

    coordinates: Floats
    mean: Floats
    value: Floats
    criterion: Ints
    copy: Ints
    run: Ints


@dataclass(frozen=True, slots=True)
class Quantities:
    """Latent quantities in coordinates: ``mean`` (n,), ``coordinates`` (n, D)."""

    mean: Floats
    coordinates: Floats

    def __sub__(self, other: "Quantities") -> "Quantities":
        return Quantities(self.mean - other.mean, self.coordinates - other.coordinates)


class Player:
    """A player before the model: the prior law of every tier, copy and the own bow, and what own ratings make of it."""

    def __init__(self, view: View, answers: Answers, runs: Sequence[Run] = ()) -> None:
        self.view, self.answers, self.posterior = view, answers, view.posterior
        self.suited = view.suited(answers.instrument, answers.hold)
        self.mix = root(self.posterior.correlation)
        design = self.posterior.design
        self.tier_rows = tier_rows(design, answers, self.suited.tiers)
        self.tier_X = design.matrix(self.tier_rows)
        self.own_x = design.matrix(own_rows(answers, [0]))[0]
        self.seen = self._observe(runs)
        self.factor = self._factor()

    # Features and coordinates

    def _coordinates(self, weights: Floats, X: Floats, own: bool, coupling: Floats | None = None) -> Floats:
        """Return (n, D) for the sums over criteria with ``weights`` (C,) of items with rows X (n, p)."""
        C, n = len(CRITERIA), len(X)
        scaled = weights[:, None] * self.mix
        used = np.flatnonzero(weights)
        player = self.posterior.own.root[:, 1 if own else 0]
        out = np.zeros((n, C, X.shape[1] + 2))
        for c in used:
            shifted = X if coupling is None else X - coupling[c]
            features = np.hstack([shifted @ self.posterior.coef_root[c], np.tile(player[c], (n, 1))])
            out += scaled[c][None, :, None] * features[:, None, :]
        return out.reshape(n, -1)

    def tiers(self, weights: Floats) -> Quantities:
        """Return the expected liking of each tier (T), without what single copies add."""
        mean = self.tier_X @ (weights @ self.posterior.coef)
        return Quantities(mean, self._coordinates(weights, self.tier_X, own=False))

    def own(self, weights: Floats) -> Quantities:
        """Return the liking of the own bow, one row."""
        mean = weights @ (self.posterior.coef @ self.own_x + self.posterior.own.shift)
        return Quantities(np.array([mean]), self._coordinates(weights, self.own_x[None], own=True))

    def copies(self, weights: Floats) -> Quantities:
        """Return the liking of each suited copy (K); its own effect enters the mean only, see `_copy_variance`."""
        suited = self.suited
        X = self.posterior.design.matrix(take(self.tier_rows, suited.tier_of, suited.traits))
        mean = X @ (weights @ self.posterior.coef) + weights @ suited.effect
        return Quantities(mean, self._coordinates(weights, X, own=False, coupling=suited.coupling))

    # What the player has rated

    def _observe(self, runs: Sequence[Run]) -> Observations:
        own = self.answers.own_bow.ratings if self.answers.own_bow else {}
        sheets = [(-1, 0, own), *((self._place(run), run.position, run.ratings) for run in runs)]
        picked = [
            (CRITERION_INDEX[criterion], copy, number, position, value)
            for number, (copy, position, ratings) in enumerate(sheets)
            for criterion, value in ratings.items()
        ]
        table = np.array([(c, copy, number, position) for c, copy, number, position, _ in picked], dtype=np.intp)
        criterion, copy, number, position = table.reshape(-1, 4).T
        value = np.array([value for *_, value in picked], dtype=np.float64)
        coordinates, mean = self._observed(criterion, copy, position)
        return Observations(coordinates, mean, value, criterion, copy, number)

    def _place(self, run: Run) -> int:
        if run.copy is None:
            return -1
        if run.copy not in self.suited.serials:
            msg = f"got the copy {run.copy!r}, expected one of the range that suits the {self.answers.instrument}"
            raise ValueError(msg)
        return self.suited.serials.index(run.copy)

    def _observed(self, criterion: Ints, copy: Ints, position: Ints) -> tuple[Floats, Floats]:
        """Return coordinates (O, D) and expected ratings (O,) of the ratings given."""
        posterior, suited, C = self.posterior, self.suited, len(CRITERIA)
        X = np.tile(self.own_x, (len(criterion), 1))
        away = copy >= 0
        if away.any():
            k = copy[away]
            X[away] = posterior.design.matrix(take(self.tier_rows, suited.tier_of[k], suited.traits[k]))
        moved = posterior.design.matrix(own_rows(self.answers, position.tolist()))
        placed = [POSITION_OF["position"], POSITION_OF["first bow"]]
        X[:, placed] = moved[:, placed]
        mean = np.einsum("op,op->o", X, posterior.coef[criterion])
        mean += np.where(away, 0.0, posterior.own.shift[criterion])
        shifted = X.copy()
        if away.any():
            mean[away] += suited.effect[criterion[away], copy[away]]
            shifted[away] -= suited.coupling[criterion[away], copy[away]]
        features = np.einsum("op,opq->oq", shifted, posterior.coef_root[criterion])
        player = posterior.own.root[criterion, np.where(away, 0, 1)]
        features = np.hstack([features, player])
        return (self.mix[criterion][:, :, None] * features[:, None, :]).reshape(
            len(criterion), C * features.shape[1]
        ), mean

    def _factor(self) -> tuple[Floats, Floats]:
        """Return the root of the ratings' covariance and the solved residuals, both empty without ratings."""
        seen, posterior = self.seen, self.posterior
        R = posterior.correlation[np.ix_(seen.criterion, seen.criterion)]
        same_copy = (seen.copy[:, None] == seen.copy) & (seen.copy >= 0)
        same_run = seen.run[:, None] == seen.run
        match, noise = posterior.match_sd[seen.criterion], posterior.repeat_sd[seen.criterion]
        gram = seen.coordinates @ seen.coordinates.T
        gram += R * (same_copy * np.outer(match, match) + same_run * np.outer(noise, noise))
        for o in np.flatnonzero(seen.copy >= 0):
            unit = np.eye(len(CRITERIA))
            away = np.flatnonzero(seen.copy >= 0)
            for c in np.unique(seen.criterion[away]):
                of = away[seen.criterion[away] == c]
                shared = self.suited.shared(seen.copy[o], seen.criterion[o], unit[c], posterior.correlation)
                gram[o, of] += shared[seen.copy[of]]
        lower = root(gram)
        if not len(lower):
            return lower, np.zeros(0)
        return lower, np.asarray(cho_solve((lower, True), seen.value - seen.mean))

    # The law after the ratings

    def after(self, quantities: Quantities, extra: Floats | None = None) -> tuple[Floats, Floats]:
        """Return the mean (n,) given the ratings, and what they explain (O, n): covariance falls by its Gram.

        ``extra`` (n, O) is covariance with the ratings that is not in the coordinates.
        """
        lower, solved = self.factor
        if not len(lower):
            return quantities.mean, np.zeros((0, len(quantities.mean)))
        cross = quantities.coordinates @ self.seen.coordinates.T
        if extra is not None:
            cross = cross + extra
        return quantities.mean + cross @ solved, np.asarray(solve_triangular(lower, cross.T, lower=True))

    def shared_with_ratings(self, weights: Floats) -> Floats:
        """Return (K, O) covariance of each copy's own effect and match with the ratings given."""
        seen, posterior = self.seen, self.posterior
        out = np.zeros((len(self.suited.copies), len(seen.value)))
        for o in np.flatnonzero(seen.copy >= 0):
            c, k = int(seen.criterion[o]), int(seen.copy[o])
            out[:, o] = self.suited.shared(k, c, weights, posterior.correlation)
            out[k, o] += (weights * posterior.match_sd * posterior.correlation[:, c]).sum() * posterior.match_sd[c]
        return out

    def noise(self, weights: Floats, sd: Floats) -> float:
        """Return the variance of a weighted sum of components with deviations ``sd`` (C,), correlated by R."""
        return float((weights * sd) @ self.posterior.correlation @ (weights * sd))

    def spread(self, weights: Floats) -> Floats:
        """Return (T,) the variance of one unknown copy around its tier's mean: effect, match and bench traits."""
        posterior = self.posterior
        slopes = posterior.coef[:, [POSITION_OF[trait] for trait in TRAITS]].T.copy()
        wishes = (self.answers.wish_mass or 0, self.answers.wish_tone or 0)
        for which, (trait, wish) in enumerate(WISHES):
            slopes[trait] += wishes[which] * posterior.coef[:, POSITION_OF[f"{wish} x {TRAITS[trait]}"]]
        traits = self.suited.trait_variance @ (slopes @ weights) ** 2
        return traits + self.noise(weights, posterior.copy_sd) + self.noise(weights, posterior.match_sd)

    def unknown_tiers(self, weights: Floats) -> Floats:
        """Return (T,) the variance that a tier adds which the fit had no column for."""
        scaled = TIER_SD * self.posterior.repeat_sd / PRIOR_REPEAT_SD
        return np.where(self.tier_rows.tier < 0, self.noise(weights, scaled), 0.0)


PRIOR_REPEAT_SD = 0.7
"""The repeat noise at which the coefficients' prior deviations are meant, in points."""


def utility_weights(answers: Answers, priority_weight: float) -> Floats:
    """Return (C,) the weights of u = (1 - h) overall + h priorities; no priorities: overall alone."""
    weights = np.zeros(len(CRITERIA))
    h = priority_weight if answers.priorities else 0.0
    weights[OVERALL] = 1.0 - h
    if answers.priorities:
        places = [CRITERION_INDEX[criterion] for criterion in answers.priorities]
        weights[places] = h * rank_order_weights(len(places))
    return weights


def compared_weights(answers: Answers, weights: Floats) -> tuple[Floats, float | None]:
    """Return the weights of the comparison with the own bow (C,), and the own bow's u as rated.

    A criterion that the own bow was not rated on is left out for both sides alike, the others' weights rescaled. The own
    bow counts as rated when its overall is; otherwise the weights stay and the level is None.
    """
    ratings = answers.own_bow.ratings if answers.own_bow else {}
    if Criterion.OVERALL not in ratings:
        return weights, None
    rated = np.array([criterion in ratings for criterion in CRITERIA])
    kept = np.where(rated, weights, 0.0)
    kept /= kept.sum()
    return kept, float(sum(kept[CRITERION_INDEX[criterion]] * value for criterion, value in ratings.items()))


def reason_criteria(answers: Answers) -> tuple[tuple[Criterion, ...], Floats]:
    """Return the criteria that reasons may be given in, with weights: the priorities, else those that lead."""
    criteria = answers.priorities or LEADING[answers.instrument]
    return criteria, rank_order_weights(len(criteria))


def outlook(view: View, answers: Answers, runs: Sequence[Run] = ()) -> Outlook:
    """Return what the player can be expected to feel, given the answers and own runs (tried bows).

    Raises
    ------
    ValueError
        A run of a copy that is not in the range or does not suit the instrument.
    """
    player = Player(view, answers, runs)
    posterior = view.posterior
    weights = utility_weights(answers, posterior.priority_weight)
    compared, level = compared_weights(answers, weights)
    fit_mean, fit_var = _fit(player, weights)
    tiers = player.tiers(compared)
    mean, told = player.after(tiers)
    cov = tiers.coordinates @ tiers.coordinates.T - told.T @ told + np.diag(player.unknown_tiers(compared))
    spread = np.sqrt(player.spread(compared))
    noise = float(np.sqrt(player.noise(compared, posterior.repeat_sd)))
    yardstick = _yardstick(player, compared, level, tiers, told, cov)
    criteria, reason_weights = reason_criteria(answers)
    advantage_mean, advantage_sd = _advantages(player, criteria)
    return Outlook(
        answers=answers,
        tiers=player.suited.tiers,
        fit_mean=fit_mean,
        fit_sd=np.sqrt(fit_var),
        mean=mean,
        cov=cov,
        spread=spread,
        noise=noise,
        yardstick=yardstick,
        beats_own_bow=_beats(mean, np.diag(cov) + spread**2 + noise**2, yardstick, noise),
        criteria=criteria,
        weights=reason_weights,
        advantage_mean=advantage_mean,
        advantage_sd=advantage_sd,
        priority_weight=posterior.priority_weight if answers.priorities else 0.0,
        trials=trials_behind(posterior, answers.instrument, answers.hold),
        trials_all=sum(posterior.trials.values()),
        stock=_stock(player, compared, mean, cov),
    )


def trials_behind(posterior: Posterior, instrument: Instrument, hold: Hold | None) -> int:
    """Return the number of trials of this instrument and hold (either: of both)."""
    return sum(
        count
        for (of, held), count in posterior.trials.items()
        if of == instrument and (hold in (None, Hold.EITHER) or held in (hold, Hold.EITHER))
    )


def _fit(player: Player, weights: Floats) -> tuple[Floats, Floats]:
    """Return mean and variance (T,) of the rating to come of a copy not yet played."""
    tiers = player.tiers(weights)
    mean, told = player.after(tiers)
    variance = np.einsum("ij,ij->i", tiers.coordinates, tiers.coordinates) - np.einsum("oi,oi->i", told, told)
    variance += (
        player.spread(weights) + player.unknown_tiers(weights) + player.noise(weights, player.posterior.repeat_sd)
    )
    return mean, variance


def _yardstick(
    player: Player, weights: Floats, level: float | None, tiers: Quantities, told: Floats, cov: Floats
) -> Yardstick:
    """Return the own bow's law, given the ratings, jointly with the tiers'."""
    if player.answers.plays_no_bow:
        return KnownBow.none(len(cov))
    own = player.own(weights)
    own_mean, own_told = player.after(own)
    shared = tiers.coordinates @ own.coordinates[0] - told.T @ own_told[:, 0]
    slope = np.linalg.pinv(cov, hermitian=True) @ shared
    if level is not None:
        return KnownBow(level, float(own_mean[0]), slope)
    variance = float(own.coordinates[0] @ own.coordinates[0] - own_told[:, 0] @ own_told[:, 0])
    alone = max(variance - float(shared @ slope), 0.0) * SHARE_OF_ITS_OWN
    return UnratedBow(float(own_mean[0]), shared, variance - alone, float(np.sqrt(alone)))


def _beats(mean: Floats, variance: Floats, yardstick: Yardstick, noise: float) -> Floats:
    """Return (T,) the probability that one copy's rating exceeds the own bow's."""
    if isinstance(yardstick, KnownBow):
        return np.asarray(ndtr((mean - yardstick.level) / np.sqrt(variance)))
    apart = variance + yardstick.var + yardstick.spread**2 + noise**2 - 2.0 * yardstick.cov
    return np.asarray(ndtr((mean - yardstick.mean) / np.sqrt(apart)))


def _advantages(player: Player, criteria: Sequence[Criterion]) -> tuple[Floats, Floats]:
    """Return mean and deviation (T, n) of each tier's advantage over the own bow on each criterion."""
    T = len(player.suited.tiers)
    mean, sd = np.zeros((T, len(criteria))), np.zeros((T, len(criteria)))
    for place, criterion in enumerate(criteria):
        unit = np.zeros(len(CRITERIA))
        unit[CRITERION_INDEX[criterion]] = 1.0
        ahead = player.tiers(unit)
        if player.answers.plays_no_bow:
            ahead = Quantities(ahead.mean - NO_BOW_LEVEL, ahead.coordinates)
        else:
            ahead = ahead - player.own(unit)
        mean[:, place], told = player.after(ahead)
        variance = np.einsum("ij,ij->i", ahead.coordinates, ahead.coordinates) - np.einsum("oi,oi->i", told, told)
        sd[:, place] = np.sqrt(np.maximum(variance + player.unknown_tiers(unit), 0.0))
    return mean, sd


def _stock(player: Player, weights: Floats, tier_mean: Floats, tier_cov: Floats) -> Stock:
    """Return every suited copy with its own posterior for this player."""
    suited, posterior = player.suited, player.posterior
    if not suited.copies:
        empty = np.zeros(0)
        return Stock((), np.zeros(0, dtype=np.intp), empty, empty)
    copies = player.copies(weights)
    mean, told = player.after(copies, player.shared_with_ratings(weights))
    variance = np.einsum("ij,ij->i", copies.coordinates, copies.coordinates) - np.einsum("oi,oi->i", told, told)
    variance += np.einsum("c,kcd,d->k", weights, suited.covariance, weights)
    variance += player.noise(weights, posterior.match_sd) + player.unknown_tiers(weights)[suited.tier_of]
    # The copies' law given the tier mean is taken as independent: each keeps its exact marginal variance.
    own = np.maximum(variance - np.diag(tier_cov)[suited.tier_of], 1e-6)
    return Stock(suited.serials, suited.tier_of, mean - tier_mean[suited.tier_of], np.sqrt(own))
