"""PreferenceModel: the design, one crossed ratings model a criterion, and what joins them; fitted to trials, asked for players."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from model.choice import Offer
from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, Event, Outcome, Range, Run, Trial
from model.domain.vocabulary import OWN
from model.features import (
    FIXED,
    OF_GRADE,
    OF_OWN,
    OF_TRAITS,
    PLAYER_COLUMNS,
    POSITION_OF,
    PRIOR_REPEAT_SD,
    Design,
    ProfileWeight,
    RatingsTable,
    TrainingData,
    bench_traits,
    columns_of_traits,
)
from model.mixed import CorrelationEstimates, Prior, RemlFit, StartingPoint, correlations, fit_mixed_model
from model.preference import predict
from model.preference.catalogue import CataloguePosterior
from model.preference.effects import with_joint_effects
from model.preference.fitted import (
    Correlations,
    FittedModel,
    PlayerDistribution,
    align_levels,
    labels_of,
    lower_root,
    principal_root,
)
from model.preference.own_level import with_own_level
from model.preference.prediction import Prediction

SLOPE_SETS = (OF_GRADE - OF_OWN, OF_TRAITS.start - OF_OWN, len(PLAYER_COLUMNS) - OF_OWN)
"""How many of the own bow, the grade and the bench traits have slopes, in the sets that a criterion's fit averages over.

The own bow's slope always stays: it is to the own bow what their effects are to other bows.
"""


JOINT_EFFECTS, PRIORITIES = MODEL_PARTS = ("joint effects", "priorities")
"""Parts of the model that a fit can be looked at without: effects of all criteria predicted together; what priorities add."""


@dataclass(frozen=True, slots=True)
class PriorSettings:
    """What is believed before the first trial: starting judgements, shown on the model's page and not tuned to data.

    In points of the 1 to 7 scale. ``correlation`` is that between two criteria of one sheet; the ``worth`` fields say how
    many players (or ratings) a belief counts against data.
    """

    player_sd: float = 0.7
    copy_sd: float = 0.35
    match_sd: float = 0.45
    repeat_sd: float = PRIOR_REPEAT_SD
    own_level: float = 4.5
    own_sd: float = 0.8
    correlation: float = 0.5
    own_taste_sd: float = 0.3
    grade_taste_sd: float = 0.3
    trait_taste_sd: float = 0.2
    slope_prior_players: float = 5.0
    own_worth: float = 20.0
    own_level_worth: float = 4.0
    correlation_worth: float = 20.0

    def prior(self, design: Design, tastes: bool = False) -> Prior:
        """Return the prior of one criterion's ratings model, with players' own slopes or without."""
        slopes = (self.own_taste_sd, self.grade_taste_sd, *(self.trait_taste_sd for _ in bench_traits.FELT))
        return Prior(
            mean=design.prior_mean,
            sd=design.prior_sd,
            player_sd=self.player_sd,
            copy_sd=self.copy_sd,
            interaction_sd=self.match_sd,
            residual_sd=self.repeat_sd,
            slope_sd=slopes if tastes else (),
            slope_prior_players=self.slope_prior_players,
        )


class PreferenceModel:
    """Which bows suit whom, learnt from trials.

    Parameters
    ----------
    range_ : the tiers and copies that the trials speak of.
    beliefs : what is believed before the first trial.
    tastes : whether players may have slopes of their own on grade and bench traits, each criterion as far as they show
        in players left out (`SLOPE_SETS`); without them only their levels differ.
    traits : names of the bench traits that are looked at; of the others nothing is learnt.
    start : ``starts_`` of a fit to more trials of this range: from there fits begin, and which slopes players have is as it was
        found there. None: each fit finds that itself.
    """

    def __init__(
        self,
        range_: Range,
        beliefs: PriorSettings | None = None,
        tastes: bool = True,
        traits: Collection[str] = bench_traits.TRAIT_NAMES,
        start: Sequence[StartingPoint] | None = None,
    ) -> None:
        self.range = range_
        self.beliefs = beliefs or PriorSettings()
        self.tastes = tastes
        self._start = start
        self._left_out = columns_of_traits(name for name in bench_traits.TRAIT_NAMES if name not in traits)

    def without_traits(self) -> "PreferenceModel":
        """Return the same kind of model, not fitted, that looks at no bench trait."""
        return PreferenceModel(self.range, self.beliefs, self.tastes, traits=(), start=self._start)

    def fit(
        self,
        trials: Sequence[Trial],
        events: Iterable[Event] = (),
        outcomes: Iterable[Outcome] = (),
        offers: Mapping[str, Offer] | None = None,
    ) -> Self:
        """Fit to every player's sheet in the trials; with no trials the beliefs alone remain.

        Parameters
        ----------
        events : what was done to copies.
        outcomes, offers : what came of the trials, and what each player (by trial) could pay.

        Raises
        ------
        ValueError
            A run of a copy that is not in the range, or ratings that no model can be fitted to, in plain words.
        RuntimeError
            The fit did not converge.
        """
        return self.fit_to(TrainingData.of(self.range, trials, events, outcomes, offers))

    def fit_to(self, material: TrainingData) -> Self:
        """Fit to what has been gathered from this range's trials; raises as `fit`."""
        if any(self._left_out):
            material = replace(material, history=material.history.without(*self._left_out))
        separate = self.each_criterion(material)
        prior = self.beliefs.prior(material.design, self.tastes)
        joint, profile = with_joint_effects(separate, self._fitted(material), prior, material.stretches)
        self.posterior_ = replace(joint, keeping=material.keeping, profile=profile).without(*self._left_out)
        self.view_ = CataloguePosterior(self.posterior_, self.range, material.stretches)
        self._without = {
            JOINT_EFFECTS: replace(separate, keeping=material.keeping, profile=profile),
            PRIORITIES: replace(joint, keeping=material.keeping, profile=ProfileWeight(0.0, 0.0)),
        }
        return self

    def views_without_parts(self) -> dict[str, CataloguePosterior]:
        """Return, by each of `MODEL_PARTS`, the fit laid over the range as it would be without that part alone."""
        return {
            part: CataloguePosterior(found, self.range, self.view_.stretches) for part, found in self._without.items()
        }

    def _fitted(self, material: TrainingData) -> RatingsTable:
        """Return the rows of the fit: own bows' are among them where players have slopes."""
        return material.history.whole() if self.tastes else material.history

    def each_criterion(self, material: TrainingData) -> FittedModel:
        """Fit every criterion to its own ratings, and find how they go together; raises as `fit`."""
        prior, fitted = self.beliefs.prior(material.design, self.tastes), self._fitted(material)
        tastes = fitted.Z[:, OF_OWN:] if self.tastes else None
        responses = fit_mixed_model(
            fitted.X,
            fitted.Y,
            fitted.player,
            fitted.level,
            tastes,
            interaction=True,
            prior=prior,
            slope_sets=SLOPE_SETS,
            start=self._start,
        )
        self.starts_ = tuple(response.starting_point for response in responses)
        together = correlations(
            fitted.X,
            fitted.Y,
            fitted.player,
            fitted.level,
            responses,
            slopes=tastes,
            prior_correlation=self.beliefs.correlation,
            prior_size=self.beliefs.correlation_worth,
            prior=prior,
        )
        return build_fitted_model(material.design, material.history, responses, together, self.beliefs, material.trials)

    def outlook(self, answers: Answers, runs: Sequence[Run] = ()) -> Prediction:
        """Return what a player can be expected to feel, given the answers and the bows already tried.

        Raises
        ------
        ValueError
            A run of a copy that is not in the range or does not suit the player's instrument and hold.
        """
        return predict.predict_player(self.view_, answers, runs)


def build_fitted_model(
    design: Design,
    history: RatingsTable,
    responses: Sequence[RemlFit],
    together: CorrelationEstimates,
    beliefs: PriorSettings,
    trials: Sequence[Trial],
) -> FittedModel:
    """Join the criteria's fits into one posterior."""
    marginal = np.column_stack([response.marginal for response in responses])
    players = player_distribution(history, responses, marginal, beliefs)
    own, column = history.own_level.tolist(), POSITION_OF["own bow"]
    responses = [drop_own_bow_levels(with_own_level(response, own, column)) for response in responses]
    levels = tuple(sorted({level for response in responses for level in labels_of(response)}))
    effect, coupling, blocks = align_levels(responses, levels, len(design.columns))
    return FittedModel(
        design=design,
        coef=np.array([response.coef for response in responses]),
        coef_root=principal_root(np.array([response.coef_covariance for response in responses])),
        correlations=Correlations(
            coefficients=together.coefficients,
            prior_coefficients=together.prior_coefficients,
            player=together.player,
            tastes=together.slopes,
            copy=together.copy,
            match=together.interaction,
            repeat=together.residual,
        ),
        players=players,
        levels=levels,
        effect=effect,
        coupling=coupling,
        blocks=blocks,
        rows=np.array([response.rows for response in responses], dtype=np.intp),
        trials=_count(trials),
        player_sd=np.array([response.player_sd for response in responses]),
        copy_sd=np.array([response.copy_sd for response in responses]),
        match_sd=np.array([response.interaction_sd for response in responses]),
        repeat_sd=np.array([response.residual_sd for response in responses]),
    )


def _count(trials: Sequence[Trial]) -> dict[tuple[str, str], int]:
    """Return the number of trials with at least one rated copy, by instrument and hold."""
    rated = [trial for trial in trials if any(run.copy is not None and run.ratings for run in trial.runs)]
    return dict(Counter((str(trial.answers.instrument), str(trial.answers.hold or "")) for trial in rated))


def drop_own_bow_levels(response: RemlFit) -> RemlFit:
    """Return the record without the levels of own bows, which are no copies."""
    kept = np.array([copy != OWN for copy, _ in labels_of(response)], dtype=bool)
    place = np.cumsum(kept) - 1
    blocks = [
        (place[members[kept[members]]], V[np.ix_(kept[members], kept[members])]) for members, V in response.copy_blocks
    ]
    return replace(
        response,
        copies=tuple(level for level, keep in zip(response.copies, kept, strict=True) if keep),
        copy_effect=response.copy_effect[kept],
        copy_coupling=response.copy_coupling[kept],
        copy_blocks=[(members, V) for members, V in blocks if len(members)],
    )


def own_shift(response: RemlFit, history: RatingsTable) -> float:
    """Return the mean over the own bows' runs of what their levels took up."""
    effect = dict(zip(labels_of(response), response.copy_effect.tolist(), strict=True))
    found = [effect[level] for level in history.own_level if level in effect]
    return float(np.mean(found)) if found else 0.0


def player_distribution(
    history: RatingsTable, responses: Sequence[RemlFit], marginal: Floats, beliefs: PriorSettings
) -> PlayerDistribution:
    """Return how players differ, and how own bows are rated.

    With tastes the fit has told both: the own bow is a slope among the others, with a match of its own. Without, own bows stay
    out of the fit, and their law comes by moments.
    """
    if responses[0].slope_centre.size:
        covariance = np.array([response.player_covariance for response in responses])
        shifts = np.array([own_shift(response, history) for response in responses])
        return PlayerDistribution(
            lower_root(covariance), shifts, np.array([response.interaction_sd for response in responses])
        )
    shifts, laws = own_bow_moments(history, responses, marginal, beliefs)
    joint = [_with_own(response.player_covariance, law) for response, law in zip(responses, laws, strict=True)]
    return PlayerDistribution(lower_root(np.array(joint)), shifts, np.zeros(len(responses)))


def own_bow_moments(
    history: RatingsTable, responses: Sequence[RemlFit], marginal: Floats, beliefs: PriorSettings
) -> tuple[Floats, Floats]:
    """Return the mean shift (C,) of own bows, and Cov((b, b + d)) (C, 2, 2), by moments over the players.

    With r0 the mean residual of a player's own-bow ratings and r that of the other bows: Cov(b, b + d) = Cov(r0, r),
    Var(b + d) = Var(r0) - sigma^2 / (times rated), clipped to a covariance with Var(b) = sigma_p^2. Belief and data are
    mixed as ``own_worth`` players against those there are, so that nothing jumps at a number of players.
    """
    names = sorted({*history.player, *history.own_player}, key=repr)
    of = {name: place for place, name in enumerate(names)}
    others = np.array([of[name] for name in history.player], dtype=np.intp)
    owners = np.array([of[name] for name in history.own_player], dtype=np.intp)
    laws = [
        _own_moments(
            _means(others, marginal[:, c], len(names)),
            _means(owners, history.own_Y[:, c] - history.own_X @ response.coef, len(names)),
            response,
            beliefs,
        )
        for c, response in enumerate(responses)
    ]
    return np.array([shift for shift, _ in laws]), np.array([covariance for _, covariance in laws])


def _with_own(covariance: Floats, law: Floats) -> Floats:
    """Return (Q, Q) over level, own bow and tastes, from those of level and tastes, and of (b, b + d) (2, 2)."""
    out = np.zeros((len(PLAYER_COLUMNS), len(PLAYER_COLUMNS)))
    kept = [0, *range(OF_GRADE, OF_GRADE + len(covariance) - 1)]
    out[np.ix_(kept, kept)] = covariance
    slope = law[0, 1] / law[0, 0] - 1.0 if law[0, 0] > 0 else 0.0
    out[OF_OWN] = out[:, OF_OWN] = slope * out[0]
    out[OF_OWN, OF_OWN] = law[1, 1] - 2.0 * law[0, 1] + law[0, 0]
    return out


def _means(group: Ints, values: Floats, groups: int) -> tuple[Floats, Floats]:
    """Return (groups,) means of the known values, NaN where there are none, and their counts."""
    known = np.isfinite(values)
    count = np.bincount(group[known], minlength=groups).astype(np.float64)
    sums = np.bincount(group[known], weights=values[known], minlength=groups)
    return np.divide(sums, count, out=np.full(groups, np.nan), where=count > 0), count


def _own_moments(
    others: tuple[Floats, Floats], own: tuple[Floats, Floats], response: RemlFit, beliefs: PriorSettings
) -> tuple[float, Floats]:
    """Return the mean shift of own bows and Cov((b, b + d)) (2, 2) for one criterion."""
    leniency = response.player_sd**2
    believed = np.array([leniency, beliefs.own_sd**2 * leniency / beliefs.player_sd**2])
    rated = np.isfinite(own[0])
    n, worth = int(rated.sum()), beliefs.own_level_worth
    believed_shift = beliefs.own_level - FIXED[0].mean - FIXED[POSITION_OF["own bow"]].mean
    shift = (np.nansum(own[0]) + worth * believed_shift) / (n + worth)
    both = rated & np.isfinite(others[0])
    pairs = int(both.sum())
    shared, total = believed
    if pairs > 2:
        part = beliefs.own_worth / (pairs + beliefs.own_worth)
        found = np.cov(others[0][both], own[0][both])
        again = response.residual_sd**2 * float(np.mean(1.0 / own[1][both]))
        shared = part * shared + (1.0 - part) * found[0, 1]
        total = part * total + (1.0 - part) * max(found[1, 1] - again, 0.0)
    total *= 1.0 + 1.0 / (n + worth)
    total = max(total, 1e-9)
    most = 0.99 * np.sqrt(leniency * total)
    shared = float(np.clip(shared, -most, most))
    return float(shift), np.array([[leniency, shared], [shared, total]])
