"""What the fitted model has learnt, taken apart for its maker: where a rating comes from, how copies differ, how surely.

Nothing here decides anything: every figure follows from the posterior.
"""

from collections.abc import Iterator, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from model.choice import TERMS, PurchaseModel
from model.domain.arrays import Flags, Floats
from model.domain.records import Answers, Tier
from model.domain.vocabulary import CRITERIA, OVERALL, Hold, Instrument
from model.features import (
    FIXED,
    INSTRUMENTS,
    OF_GRADE,
    OF_OWN,
    OF_TRAITS,
    PLAYER_COLUMNS,
    TIER_SD,
    TRAIT_COLUMNS,
    ProfileWeight,
    bench_traits,
    player_columns,
    tier_rows,
)
from model.preference.catalogue import CataloguePosterior, EligibleItems
from model.preference.conditioning import effects_among
from model.preference.fitted import FittedModel
from model.preference.model import PriorSettings
from model.preference.player import Player

VARIANCE_PARTS = ("player", "copy", "match", "repeat")
"""What the variance of one rating is made of, in the order of every array of shares."""
LEVEL = 0.9
"""Probability that every interval here holds."""
TIER_HALF_WIDTH = 0.5
"""A tier is judged once its level is known to within so many points either way, at `LEVEL` (a judgement, no source)."""
FEWEST_COPIES = 2
"""Never judge a tier by one copy (common practice, no source)."""
RELIABILITY_TARGET = 0.5
"""A player's leniency counts as known once ratings tell this share of its variance (a judgement, no source)."""

SPOKEN_OF = frozenset({"intercept", "grade", "own bow"})
"""Columns of the design whose coefficients are among the starting values of `prior_vs_posterior`."""


def variance_parts(view: CataloguePosterior) -> Floats:
    """Return (C, 4) the variance of one rating of a copy around its tier's level, in points squared, by `VARIANCE_PARTS`.

    Averaged over the tiers of the range. The player's part is that of the level and of the tastes, z' Sigma z; the copy's that
    of its own effect and of what the bench tells of it.
    """
    posterior, (Z, traits) = view.posterior, _tiers_of(view)
    root = posterior.players.root
    level = ((Z @ root) ** 2).sum(axis=2).mean(axis=1)
    own = np.einsum("ctq,tr->crq", root[:, OF_TRAITS], bench_traits.LOADINGS[bench_traits.FELT])
    tastes = (own**2).sum(axis=2) @ traits.mean(axis=0)
    told = (posterior.coef[:, TRAIT_COLUMNS] @ bench_traits.LOADINGS) ** 2 @ traits.mean(axis=0)
    parts = (level + tastes, told + posterior.copy_sd**2, posterior.match_sd**2, posterior.repeat_sd**2)
    return np.column_stack(parts)


def _tiers_of(view: CataloguePosterior) -> tuple[Floats, Floats]:
    """Return the players' columns (T, Q) of every tier of the range, and the variance (T, R) of its copies' true bench readings."""
    Z, traits = [], []
    for instrument in INSTRUMENTS:
        suited = _all_of(view, instrument)
        Z.append(player_columns(tier_rows(view.posterior.design, _anybody(instrument), suited.tiers)))
        traits.append(suited.trait_variance)
    return np.concatenate(Z), np.concatenate(traits)


def variance_shares(view: CataloguePosterior) -> Floats:
    """Return (C, 4) the share of each of `VARIANCE_PARTS` in the variance of one rating; every row adds up to 1."""
    parts = variance_parts(view)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


def copy_share(view: CataloguePosterior) -> float:
    """Return which share of what a copy is to one player holds for everyone: copy / (copy + match), overall."""
    _player, copy, match, _repeat = variance_parts(view)[OVERALL]
    return float(copy / (copy + match))


def reliability(share: float, ratings: int) -> float:
    """Return the share of variance that the mean of so many ratings tells, ``share`` being that of one.

    Spearman (1910, Br. J. Psychol. 3: 271) and Brown (1910, Br. J. Psychol. 3: 296): n s / (1 + (n - 1) s).
    """
    return ratings * share / (1.0 + (ratings - 1) * share)


def ratings_for_reliability(view: CataloguePosterior) -> int | None:
    """Return how many bows a player has to rate before the own leniency counts as known; None if players do not differ.

    By the reliability of their mean overall rating, each bow another one of its tier; `RELIABILITY_TARGET` is reached.
    """
    total = float(variance_parts(view)[OVERALL].sum())
    share = float(view.posterior.player_sd[OVERALL]) ** 2 / total
    if share <= 0:
        return None
    # n s / (1 + (n - 1) s) >= k solved for n; the rounding keeps an exact n from being pushed up by its last digit.
    needed = RELIABILITY_TARGET / (1.0 - RELIABILITY_TARGET) * (1.0 - share) / share
    return max(int(np.ceil(round(needed, 9))), 1)


@dataclass(frozen=True, slots=True)
class CopyEffects:
    """How the copies of one tier differ from what their tier promises, in overall liking by everyone.

    Bench traits as far as they tell, and the copy's own effect at present. In points; 0 is a copy like the tier's mean.

    Attributes
    ----------
    serials : (K,) of the copies.
    mean, sd : (K,) posterior mean and deviation.
    rated : (K,) whether the fit holds ratings of the copy; the others have only their traits and the belief.
    covariance : (K, K) of the effects of the rated copies, 0 elsewhere; its diagonal is ``sd`` squared.
    """

    serials: tuple[str, ...]
    mean: Floats
    sd: Floats
    rated: Flags
    covariance: Floats

    @property
    def low(self) -> Floats:
        """(K,) lower ends of the intervals."""
        return np.asarray(self.mean - ndtri(0.5 + LEVEL / 2) * self.sd)

    @property
    def high(self) -> Floats:
        """(K,) upper ends of the intervals."""
        return np.asarray(self.mean + ndtri(0.5 + LEVEL / 2) * self.sd)

    @property
    def order(self) -> tuple[int, ...]:
        """Places of the rated copies, the best liked first; the serial decides between equals."""
        rated = np.flatnonzero(self.rated).tolist()
        return tuple(sorted(rated, key=lambda k: (-self.mean[k], self.serials[k])))

    def of(self, serials: AbstractSet[str]) -> "CopyEffects":
        """Return the same of some copies only."""
        kept = [place for place, serial in enumerate(self.serials) if serial in serials]
        return CopyEffects(
            serials=tuple(self.serials[place] for place in kept),
            mean=self.mean[kept],
            sd=self.sd[kept],
            rated=self.rated[kept],
            covariance=self.covariance[np.ix_(kept, kept)],
        )

    def chance_ahead(self, better: int, worse: int) -> float:
        """Return the probability that one rated copy is really liked better than another, by people at large."""
        V = self.covariance
        apart = np.sqrt(max(V[better, better] + V[worse, worse] - 2.0 * V[better, worse], 0.0))
        ahead = self.mean[better] - self.mean[worse]
        return float(ndtr(ahead / apart)) if apart > 0 else float(np.heaviside(ahead, 0.5))


def copy_effects(view: CataloguePosterior) -> dict[str, CopyEffects]:
    """Return the effects of every copy by its tier's slug; tiers without a copy are left out."""
    out: dict[str, CopyEffects] = {}
    for instrument in INSTRUMENTS:
        suited = _all_of(view, instrument)
        for place, tier in enumerate(suited.tiers):
            here = np.flatnonzero(suited.tier_of == place)
            if here.size:
                out[tier.slug] = _effects(view.posterior, suited, here)
    return out


def _all_of(view: CataloguePosterior, instrument: Instrument) -> EligibleItems:
    """Return all tiers and copies of an instrument, whatever the hold."""
    return view.suited(instrument, _any_hold(instrument))


def _any_hold(instrument: Instrument) -> Hold | None:
    return Hold.EITHER if instrument is Instrument.DOUBLE_BASS else None


def _anybody(instrument: Instrument) -> Answers:
    return Answers(instrument, _any_hold(instrument))


def _effects(posterior: FittedModel, suited: EligibleItems, here: NDArray[np.intp]) -> CopyEffects:
    serials = tuple(suited.serials[k] for k in here)
    apart = suited.apart[OVERALL, here]
    rated = np.array([serial in posterior.stretches_of for serial in serials])
    overall = np.full((1, here.size), OVERALL, dtype=np.intp)
    covariance = apart @ apart.T + effects_among(suited, here[None], overall)[0]
    mean = suited.effect[OVERALL, here] + suited.traits[here] @ posterior.coef[OVERALL, TRAIT_COLUMNS]
    both = np.outer(rated, rated) | np.eye(here.size, dtype=bool)
    return CopyEffects(serials, mean, np.sqrt(np.diag(covariance)), rated, np.where(both, covariance, 0.0))


@dataclass(frozen=True, slots=True)
class TierLevel:
    """What people at large would rate a tier, overall, blind and in the middle of a trial: mean and interval, in points."""

    mean: float
    low: float
    high: float

    @property
    def within(self) -> float:
        """Half the width of the interval."""
        return (self.high - self.low) / 2


def tier_levels(view: CataloguePosterior) -> dict[str, TierLevel]:
    """Return the level of every tier by its slug; a tier that came after the fit has what its grade promises."""
    out: dict[str, TierLevel] = {}
    for instrument in INSTRUMENTS:
        tiers = _all_of(view, instrument).tiers
        mean, sd = _levels(view.posterior, instrument, tiers)
        half = ndtri(0.5 + LEVEL / 2) * sd
        for tier, at, within in zip(tiers, mean.tolist(), half.tolist(), strict=True):
            out[tier.slug] = TierLevel(at, at - within, at + within)
    return out


def _levels(posterior: FittedModel, instrument: Instrument, tiers: Sequence[Tier]) -> tuple[Floats, Floats]:
    """Return mean and deviation (T,) of the tiers' levels."""
    rows = tier_rows(posterior.design, _anybody(instrument), tiers)
    X = posterior.design.matrix(rows)
    return X @ posterior.coef[OVERALL], np.linalg.norm(X @ posterior.coef_root[OVERALL], axis=1)


@dataclass(frozen=True, slots=True)
class ParameterSummary:
    """One starting value beside what the data made of it, in points; a deviation is None where none is stated.

    ``name`` is 'level', 'grade', 'tier', 'own', one of `VARIANCE_PARTS`, 'taste for' a column, 'correlation' (no unit), or a column
    of the design.
    """

    name: str
    before: float
    before_sd: float | None
    after: float
    after_sd: float | None


def prior_vs_posterior(view: CataloguePosterior, beliefs: PriorSettings) -> tuple[ParameterSummary, ...]:
    """Return the starting values of overall, and of what joins the criteria, beside what the data made of them."""
    posterior, believed = view.posterior, ProfileWeight()
    columns = {each.name: each for each in coefficients(posterior)}
    level = columns["intercept"]
    return (
        replace(level, name="level"),
        columns["grade"],
        ParameterSummary("tier", TIER_SD, None, _tier_spread(posterior), None),
        *_deviations(posterior, beliefs),
        ParameterSummary(
            "own", beliefs.own_level, _believed_own_sd(posterior, beliefs), _own_level(view), _own_sd(posterior)
        ),
        ParameterSummary("correlation", beliefs.correlation, None, _mean_correlation(posterior), None),
        ParameterSummary("profile", believed.mean, believed.sd, posterior.profile.mean, posterior.profile.sd),
    )


def _deviations(posterior: FittedModel, beliefs: PriorSettings) -> Iterator[ParameterSummary]:
    """Give the standard deviations of `VARIANCE_PARTS`, and of players' tastes where there are any."""
    for part in VARIANCE_PARTS:
        yield ParameterSummary(
            part, getattr(beliefs, f"{part}_sd"), None, float(getattr(posterior, f"{part}_sd")[OVERALL]), None
        )
    if _has_tastes(posterior):
        slopes = np.linalg.norm(posterior.players.root[OVERALL], axis=1).tolist()
        for place in range(OF_GRADE, len(PLAYER_COLUMNS)):
            before = beliefs.grade_taste_sd if place == OF_GRADE else beliefs.trait_taste_sd
            yield ParameterSummary(f"taste for {PLAYER_COLUMNS[place]}", before, None, slopes[place], None)


def _has_tastes(posterior: FittedModel) -> bool:
    """Return whether players might have tastes; then the fit has told the own bow, which has a match of its own."""
    return bool(posterior.players.own_match.any())


def _own_level(view: CataloguePosterior) -> float:
    """Return what players at large give the bow they own, the instruments counted alike."""
    overall = np.eye(len(CRITERIA))[OVERALL]
    return float(np.mean([Player(view, _anybody(each)).own(overall).mean for each in INSTRUMENTS]))


def _believed_own_sd(posterior: FittedModel, beliefs: PriorSettings) -> float:
    """Return the starting value of `_own_sd`; with tastes it follows from those of its parts."""
    if not _has_tastes(posterior):
        return beliefs.own_sd
    return float(np.linalg.norm([beliefs.player_sd, beliefs.own_taste_sd, beliefs.match_sd]))


def _own_sd(posterior: FittedModel) -> float:
    """Return how far players' likings of the bow they own lie apart: the level, the own bow's slope and its match."""
    players = posterior.players
    apart = players.root[OVERALL, 0] + players.root[OVERALL, OF_OWN]
    return float(np.sqrt(apart @ apart + players.own_match[OVERALL] ** 2))


def _mean_correlation(posterior: FittedModel) -> float:
    """Return the mean over pairs of criteria, and over `VARIANCE_PARTS`, of the correlations."""
    matrices = np.array([getattr(posterior.correlations, part) for part in VARIANCE_PARTS])
    return float(matrices[:, *np.triu_indices(len(CRITERIA), 1)].mean())


def _tier_spread(posterior: FittedModel) -> float:
    """Return the root mean square of what tiers add to the straight line through the grades, as far as it is known."""
    of_tiers = slice(len(FIXED), len(posterior.design.columns) - posterior.design.late)
    mean, sd = posterior.coef[OVERALL, of_tiers], _coef_sd(posterior)[of_tiers]
    return float(np.sqrt(np.mean(mean**2 + sd**2))) if mean.size else TIER_SD


def _coef_sd(posterior: FittedModel) -> Floats:
    """Return (p,) the deviations of overall's coefficients."""
    return np.asarray(np.sqrt((posterior.coef_root[OVERALL] ** 2).sum(axis=1)))


def other_coefficients(posterior: FittedModel) -> tuple[ParameterSummary, ...]:
    """Return what else may shift a rating: the fixed columns that `prior_vs_posterior` does not speak of, for overall."""
    return tuple(each for each in coefficients(posterior) if each.name not in SPOKEN_OF)


def coefficients(posterior: FittedModel) -> tuple[ParameterSummary, ...]:
    """Return the design's fixed columns with their prior beside their posterior, for overall."""
    mean, sd = posterior.coef[OVERALL].tolist(), _coef_sd(posterior).tolist()
    return tuple(ParameterSummary(each.name, each.mean, each.sd, mean[k], sd[k]) for k, each in enumerate(FIXED))


@dataclass(frozen=True, slots=True)
class PurchaseEffects:
    """What makes a bow be kept, in odds and points.

    Attributes
    ----------
    odds_of_a_point : how many times as often the better of two bows is kept, a point apart in everything.
    odds_of_own : how many times as often the own bow stays as another that is rated alike and costs the reference.
    points_of_twice_the_price : what twice the price weighs against a bow, as outcomes and belief together have it.
    points_counted : what of that the shortlist counts.
    told : (4,) of each term of `model.choice.purchase_model.TERMS` the share of what is known that outcomes told, 0 to 1.
    """

    odds_of_a_point: float
    odds_of_own: float
    points_of_twice_the_price: float
    points_counted: float
    told: tuple[float, ...]


def purchase_effects(keeping: PurchaseModel) -> PurchaseEffects:
    """Return the coefficients of the choice model as what they mean."""
    doubled = float(np.log(2.0))
    told = 1.0 - np.diag(keeping.covariance) / np.asarray(keeping.prior.sd, dtype=np.float64) ** 2
    return PurchaseEffects(
        odds_of_a_point=float(np.exp(keeping.per_point)),
        odds_of_own=float(np.exp(keeping.coef[TERMS.index("own")])),
        points_of_twice_the_price=keeping.price_sensitivity * doubled,
        points_counted=keeping.price_weight * doubled,
        told=tuple(np.clip(told, 0.0, 1.0).tolist()),
    )


def choice_terms(keeping: PurchaseModel) -> tuple[ParameterSummary, ...]:
    """Return the four coefficients of the choice, in log-odds, the starting values beside what outcomes made of them."""
    before, before_sd = (np.asarray(values).tolist() for values in (keeping.prior.mean, keeping.prior.sd))
    after, after_sd = keeping.coef.tolist(), np.sqrt(np.diag(keeping.covariance)).tolist()
    return tuple(map(ParameterSummary, TERMS, before, before_sd, after, after_sd))
