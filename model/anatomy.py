"""What the fitted model has learnt, taken apart for its maker: where a rating comes from, how copies differ, what is thin.

Nothing here decides anything; every figure follows from the posterior, or is a count of the trials.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from model.choice import TERMS, Keeping
from model.design import FIXED, INSTRUMENTS, OF_OWN, TIER_SD, TRAIT_COLUMNS, tier_rows
from model.player import OVERALL, PRIOR_REPEAT_SD
from model.posterior import Posterior
from model.preference import Beliefs
from model.records import Answers, Outcome, Range, Tier, Trial
from model.view import Suited, View
from model.vocabulary import CRITERIA, Hold, Instrument, OutcomeKind

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

PARTS = ("player", "copy", "match", "repeat")
"""What the variance of one rating is made of, in the order of every array of shares."""
LEVEL = 0.9
"""Probability that every interval here holds."""
JUDGED_WITHIN = 0.5
"""A tier is judged once its level is known to within so many points either way, at `LEVEL` (a judgement, no source)."""
FEWEST_COPIES = 2
"""Never judge a tier by one copy (common practice, no source)."""
KNOWN_FROM = 0.5
"""A player's leniency counts as known once ratings tell this share of its variance (a judgement, no source)."""
DECIDED = frozenset({OutcomeKind.KEPT, OutcomeKind.NONE, OutcomeKind.RETURNED})
"""Outcomes after which it is known what was kept and what was not."""


def variance_parts(posterior: Posterior) -> Floats:
    """Return (C, 4) the variance of one rating of a bow of a tier, in points squared, by `PARTS`."""
    deviations = (posterior.player_sd, posterior.copy_sd, posterior.match_sd, posterior.repeat_sd)
    return np.column_stack(deviations) ** 2


def variance_shares(posterior: Posterior) -> Floats:
    """Return (C, 4) the share of each of `PARTS` in the variance of one rating; every row adds up to 1."""
    parts = variance_parts(posterior)
    return np.asarray(parts / parts.sum(axis=1, keepdims=True))


def common_to_all(posterior: Posterior) -> float | None:
    """Return which share of what a copy is to one player holds for everyone: copy / (copy + match), overall; None if neither is there."""
    _player, copy, match, _repeat = variance_parts(posterior)[OVERALL].tolist()
    return copy / (copy + match) if copy + match > 0 else None


def reliability(share: float, ratings: int) -> float:
    """Return the share of variance that the mean of so many ratings tells, ``share`` being that of one.

    Spearman (1910, Br. J. Psychol. 3: 271) and Brown (1910, Br. J. Psychol. 3: 296): n s / (1 + (n - 1) s).
    """
    return ratings * share / (1.0 + (ratings - 1) * share)


def bows_to_know_a_player(posterior: Posterior) -> int | None:
    """Return how many bows a player has to rate before the own leniency counts as known; None if players do not differ.

    By the reliability of their mean overall rating, each bow another one of its tier; `KNOWN_FROM` is reached.
    """
    share = float(variance_shares(posterior)[OVERALL, 0])
    if share <= 0:
        return None
    # n s / (1 + (n - 1) s) >= k solved for n; the rounding keeps an exact n from being pushed up by its last digit.
    needed = KNOWN_FROM / (1.0 - KNOWN_FROM) * (1.0 - share) / share
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
    rated: Bools
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

    def chance_ahead(self, better: int, worse: int) -> float:
        """Return the probability that one rated copy is really liked better than another, by people at large."""
        V = self.covariance
        apart = np.sqrt(max(V[better, better] + V[worse, worse] - 2.0 * V[better, worse], 0.0))
        ahead = self.mean[better] - self.mean[worse]
        return float(ndtr(ahead / apart)) if apart > 0 else float(np.heaviside(ahead, 0.5))


def copy_effects(view: View) -> dict[str, CopyEffects]:
    """Return the effects of every copy by its tier's slug; tiers without a copy are left out."""
    out: dict[str, CopyEffects] = {}
    for instrument in INSTRUMENTS:
        suited = _all_of(view, instrument)
        for place, tier in enumerate(suited.tiers):
            here = np.flatnonzero(suited.tier_of == place)
            if here.size:
                out[tier.slug] = _effects(view.posterior, suited, here)
    return out


def _all_of(view: View, instrument: Instrument) -> Suited:
    """Return all tiers and copies of an instrument, whatever the hold."""
    return view.suited(instrument, _any_hold(instrument))


def _any_hold(instrument: Instrument) -> Hold | None:
    return Hold.EITHER if instrument is Instrument.DOUBLE_BASS else None


def _effects(posterior: Posterior, suited: Suited, here: NDArray[np.intp]) -> CopyEffects:
    serials = tuple(suited.serials[k] for k in here)
    apart = suited.apart[OVERALL, here]
    rated = np.array([serial in posterior.stretches_of for serial in serials])
    overall = np.full(here.size, OVERALL, dtype=np.intp)
    covariance = apart @ apart.T + suited.effects_alike(here, overall)
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


def tier_levels(view: View) -> dict[str, TierLevel]:
    """Return the level of every tier by its slug; a tier that came after the fit has what its grade promises."""
    out: dict[str, TierLevel] = {}
    for instrument in INSTRUMENTS:
        tiers = _all_of(view, instrument).tiers
        mean, sd = _levels(view.posterior, instrument, tiers)
        half = ndtri(0.5 + LEVEL / 2) * sd
        for tier, at, within in zip(tiers, mean.tolist(), half.tolist(), strict=True):
            out[tier.slug] = TierLevel(at, at - within, at + within)
    return out


def _levels(posterior: Posterior, instrument: Instrument, tiers: Sequence[Tier]) -> tuple[Floats, Floats]:
    """Return mean and deviation (T,) of the tiers' levels."""
    rows = tier_rows(posterior.design, Answers(instrument, _any_hold(instrument)), tiers)
    X = posterior.design.matrix(rows)
    unknown = TIER_SD * posterior.repeat_sd[OVERALL] / PRIOR_REPEAT_SD
    variance = ((X @ posterior.coef_root[OVERALL]) ** 2).sum(axis=1) + np.where(rows.tier < 0, unknown**2, 0.0)
    return X @ posterior.coef[OVERALL], np.sqrt(variance)


@dataclass(frozen=True, slots=True)
class Count:
    """How often something was rated: trials, different players, and (of a tier) different copies."""

    trials: int = 0
    players: int = 0
    copies: int = 0


@dataclass(frozen=True, slots=True)
class Kept:
    """Of a copy: trials it was rated in and whose outcome is known, and how many of these kept it."""

    decided: int = 0
    kept: int = 0


@dataclass(frozen=True, slots=True)
class Tally:
    """Trials counted: those in which at least one copy was rated.

    Attributes
    ----------
    trials : how many.
    repeats : how often a player rated the same copy more than once in a trial; only there match and repeat are told apart.
    tiers, copies : counts by slug and by serial; what was never rated is left out.
    kept : by serial, of the copies in trials whose outcome is known.
    bows_of_players : of every player the number of different copies rated, in ascending order.
    """

    trials: int
    repeats: int
    tiers: Mapping[str, Count]
    copies: Mapping[str, Count]
    kept: Mapping[str, Kept]
    bows_of_players: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class _Sheet:
    """One trial: its player, the copies rated in it, and how many of them more than once."""

    player: str
    copies: frozenset[str]
    repeats: int


def tally(range_: Range, trials: Iterable[Trial], outcomes: Iterable[Outcome] = ()) -> Tally:
    """Count what was rated, by whom, and what of it was kept; a run without a rating does not count."""
    sheets = {trial.key: _sheet(trial) for trial in trials}
    sheets = {key: sheet for key, sheet in sheets.items() if sheet.copies}
    bows: dict[str, set[str]] = defaultdict(set)
    for sheet in sheets.values():
        bows[sheet.player] |= sheet.copies
    return Tally(
        trials=len(sheets),
        repeats=sum(sheet.repeats for sheet in sheets.values()),
        tiers=_counts(sheets, lambda copy: range_.copies[copy].tier),
        copies=_counts(sheets, lambda copy: copy),
        kept=_kept(sheets, outcomes),
        bows_of_players=tuple(sorted(map(len, bows.values()))),
    )


def _sheet(trial: Trial) -> _Sheet:
    played = Counter(run.copy for run in trial.runs if run.copy is not None and run.ratings)
    return _Sheet(trial.player, frozenset(played), sum(times > 1 for times in played.values()))


def _counts(sheets: Mapping[str, _Sheet], of: Callable[[str], str]) -> dict[str, Count]:
    """Count trials, players and copies by what ``of`` makes of a copy."""
    seen: dict[str, tuple[set[str], set[str], set[str]]] = defaultdict(lambda: (set(), set(), set()))
    for key, sheet in sheets.items():
        for copy in sheet.copies:
            for found, value in zip(seen[of(copy)], (key, sheet.player, copy), strict=True):
                found.add(value)
    return {name: Count(*map(len, found)) for name, found in seen.items()}


def _kept(sheets: Mapping[str, _Sheet], outcomes: Iterable[Outcome]) -> dict[str, Kept]:
    """Count for each copy the trials whose outcome is known, and those after which it was kept (brought back or not)."""
    decided: dict[str, set[str]] = defaultdict(set)
    for outcome in outcomes:
        if outcome.kind in DECIDED and outcome.trial in sheets:
            decided[outcome.trial] |= {outcome.copy} if outcome.kind is OutcomeKind.KEPT and outcome.copy else set()
    played = Counter(copy for key in decided for copy in sheets[key].copies)
    kept = Counter(copy for key, of in decided.items() for copy in of & sheets[key].copies)
    return {copy: Kept(count, kept[copy]) for copy, count in played.items()}


@dataclass(frozen=True, slots=True)
class Learnt:
    """One starting value beside what the data made of it, in points; a deviation is None where none is stated.

    ``name`` is 'level', 'grade', 'tier', 'own', one of `PARTS`, 'correlation' (no unit), or a column of the design.
    """

    name: str
    before: float
    before_sd: float | None
    after: float
    after_sd: float | None


def learnt(posterior: Posterior, beliefs: Beliefs) -> tuple[Learnt, ...]:
    """Return the starting values of overall, and of what joins the criteria, beside what the data made of them."""
    columns = {each.name: each for each in coefficients(posterior)}
    level, own_sd = (
        columns["intercept"],
        float(np.linalg.norm(posterior.players.root[OVERALL, [0, OF_OWN]].sum(axis=0))),
    )
    R = posterior.correlations
    matrices = np.array([R.coefficients, R.player, R.tastes, R.copy, R.match, R.repeat])
    off_diagonal = matrices[:, *np.triu_indices(len(CRITERIA), 1)]
    believed = (beliefs.player_sd, beliefs.copy_sd, beliefs.match_sd, beliefs.repeat_sd)
    found = np.sqrt(variance_parts(posterior)[OVERALL]).tolist()
    own_level = level.after + float(posterior.players.own_shift[OVERALL])
    return (
        replace(level, name="level"),
        columns["grade"],
        Learnt("tier", TIER_SD, None, _tier_spread(posterior), None),
        *(Learnt(part, before, None, after, None) for part, before, after in zip(PARTS, believed, found, strict=True)),
        Learnt("own", beliefs.own_level, beliefs.own_sd, own_level, own_sd),
        Learnt("correlation", beliefs.correlation, None, float(off_diagonal.mean()), None),
    )


def _tier_spread(posterior: Posterior) -> float:
    """Return the root mean square of what tiers add to the straight line through the grades, as far as it is known."""
    of_tiers = slice(len(FIXED), None)
    mean, sd = posterior.coef[OVERALL, of_tiers], _coef_sd(posterior)[of_tiers]
    return float(np.sqrt(np.mean(mean**2 + sd**2))) if mean.size else TIER_SD


def _coef_sd(posterior: Posterior) -> Floats:
    """Return (p,) the deviations of overall's coefficients."""
    return np.asarray(np.sqrt((posterior.coef_root[OVERALL] ** 2).sum(axis=1)))


def coefficients(posterior: Posterior) -> tuple[Learnt, ...]:
    """Return the design's fixed columns with their prior beside their posterior, for overall."""
    mean, sd = posterior.coef[OVERALL].tolist(), _coef_sd(posterior).tolist()
    return tuple(Learnt(each.name, each.mean, each.sd, mean[k], sd[k]) for k, each in enumerate(FIXED))


@dataclass(frozen=True, slots=True)
class Choosing:
    """What makes a bow be kept, in odds and points.

    Attributes
    ----------
    odds_of_a_point : how many times as often the better of two bows is kept, a point apart in everything.
    odds_of_own : how many times as often the own bow stays as another that is rated alike and costs the reference.
    points_of_twice_the_price : what twice the price weighs against a bow, as outcomes and belief together have it.
    points_counted : what of that the shortlist counts.
    told : (4,) of each term of `model.choice.TERMS` the share of what is known that outcomes told, 0 to 1.
    """

    odds_of_a_point: float
    odds_of_own: float
    points_of_twice_the_price: float
    points_counted: float
    told: tuple[float, ...]


def choosing(keeping: Keeping) -> Choosing:
    """Return the coefficients of the choice model as what they mean."""
    doubled = float(np.log(2.0))
    told = 1.0 - np.diag(keeping.covariance) / np.asarray(keeping.prior.sd, dtype=np.float64) ** 2
    return Choosing(
        odds_of_a_point=float(np.exp(keeping.per_point)),
        odds_of_own=float(np.exp(keeping.coef[TERMS.index("own")])),
        points_of_twice_the_price=keeping.price_sensitivity * doubled,
        points_counted=keeping.price_weight * doubled,
        told=tuple(np.clip(told, 0.0, 1.0).tolist()),
    )


def choice_terms(keeping: Keeping) -> tuple[Learnt, ...]:
    """Return the four coefficients of the choice, in log-odds, the starting values beside what outcomes made of them."""
    before, before_sd = (np.asarray(values).tolist() for values in (keeping.prior.mean, keeping.prior.sd))
    after, after_sd = keeping.coef.tolist(), np.sqrt(np.diag(keeping.covariance)).tolist()
    return tuple(map(Learnt, TERMS, before, before_sd, after, after_sd))
