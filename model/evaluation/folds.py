"""Players and copies held out of fits: folds, and what a model and its baselines foretell of what they have not seen.

A held-out trial tells its answers and the own bow's first sheet, then the first r ratings of other bows; what is rated after
them is foretold. Where copies are held out, r counts the ratings of the others, and every rating of a held-out copy is foretold.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from model.choice import Offer, fit_purchase_model
from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Event, Outcome, Range, Run, Trial
from model.domain.vocabulary import CRITERIA
from model.evaluation.baselines import Baseline, Table, baselines
from model.evaluation.calibration import Comparison, compare
from model.evaluation.metrics import Predictions
from model.evaluation.policies import HeldOutTrial, visit
from model.features import Design, RatingsTable, ServiceIntervals, TrainingData, build_ratings_table
from model.preference import (
    BatchPosterior,
    CataloguePosterior,
    Player,
    PreferenceModel,
    RatingBatch,
    Targets,
    TrialBatch,
    first_runs,
    predict_player,
    utility_weights,
    with_own_ratings,
)

FOLDS = 5
COPY_FOLDS = 3
"""Fewer, so larger, than of players: a new copy is told by its tier, which two thirds of the copies tell about as well as four
fifths (a tier's mean of n copies errs by 1/n of the copies' variance), and every fold asks of nearly every trial again."""
MOST_FORETOLD = 2_000
"""Trials that a fold foretells; of more a random draw, whose figures err by no more than a hundredth of their spread."""
RATINGS_KNOWN = (0, 1, 2, 3)
"""Numbers of own ratings that a player has given before the ratings that are foretold."""
OVERALL, UTILITY = MEASURES = ("overall", "utility")
"""The overall rating; and u = (1 - h) overall + h priorities, as the player set them."""
ModelFactory = Callable[..., PreferenceModel]
"""Makes a model of a range; takes ``start`` beside it, as `PreferenceModel` does."""


@dataclass(frozen=True)
class TrialHistory:
    """All that a fit reads."""

    range: Range
    trials: Sequence[Trial]
    events: Sequence[Event] = ()
    outcomes: Sequence[Outcome] = ()
    offers: Mapping[str, Offer] = field(default_factory=dict)

    def gathered(self, trials: Sequence[Trial] | None = None) -> TrainingData:
        """Return what fits to these trials, or to some of them, are made of."""
        if trials is not None:
            return TrainingData.of(self.range, trials, self.events, self.outcomes, self.offers)
        what = fit_purchase_model(self.trials, self.outcomes, self.offers, self.range)
        return TrainingData(self.trials, self.stretches, self.design, self.history, what)

    @cached_property
    def history(self) -> RatingsTable:
        """All trials as arrays; gathered once, and handed with the rest to the processes of the folds."""
        return build_ratings_table(self.design, self.trials, self.range, self.stretches)

    @cached_property
    def design(self) -> Design:
        """The columns of a fit to these trials or to some of them: they are the range's."""
        return Design.from_range(self.range)

    @cached_property
    def stretches(self) -> ServiceIntervals:
        """What was done to copies."""
        return ServiceIntervals.from_events(self.events)

    def without(self, held: Flags, kept: Sequence[Trial]) -> TrainingData:
        """Return what a fit without the runs of copies held (N,) is made of; ``kept`` are the trials without them."""
        keys = {trial.key for trial in kept}
        own = [trial.key in keys for trial in self.trials for run in trial.runs if run.copy is None]
        history = self.history.at(~held, np.array(own, dtype=bool))
        what = fit_purchase_model(kept, self.outcomes, self.offers, self.range)
        return TrainingData(kept, self.stretches, self.design, history, what)

    def fitted(self, make_model: ModelFactory, trials: Sequence[Trial] | None = None) -> PreferenceModel:
        """Return a model fitted to these trials, or to some of them."""
        return make_model(self.range).fit_to(self.gathered(trials))

    @property
    def measured(self) -> bool:
        """Whether the bench has measured anything: only then there is something to look at without it."""
        return any(copy.bench.measured for copy in self.range.copies.values())

    @cached_property
    def played(self) -> tuple[tuple[int, Run], ...]:
        """Every run of a copy, with its trial's place; the order of the rows below."""
        return tuple((place, run) for place, trial in enumerate(self.trials) for run in trial.runs if run.copy)

    @cached_property
    def start(self) -> Ints:
        """(T,) place of each trial's first run among the runs played."""
        count = np.bincount([place for place, _ in self.played], minlength=len(self.trials))
        return np.cumsum(count) - count


@dataclass(frozen=True)
class Fold:
    """One fold: what is fitted and foretold with these trials or these copies held out.

    Attributes
    ----------
    by : 'player' or 'copy'.
    held : keys of the players, or serials of the copies.
    """

    past: TrialHistory
    by: str
    held: frozenset[str]
    make_model: ModelFactory
    reference: ModelFactory | None
    seed: int


@dataclass(frozen=True)
class FoldResult:
    """What one fold gave: the foretold by (measure, own ratings told), comparisons with the own bow, and visits."""

    foretold: Mapping[tuple[str, int], Sequence[Predictions]]
    comparisons: Sequence[Comparison] = ()
    visits: Sequence[HeldOutTrial] = ()


def make_folds(past: TrialHistory, make_model: ModelFactory, reference: ModelFactory | None, seed: int) -> list[Fold]:
    """Return the folds by copy and by player; none where there are fewer than `FOLDS` players, or copies rated.

    Those by copy take longest and come first, so that processes which share them end together.
    """
    players = sorted({trial.player for trial in past.trials})
    copies = sorted({str(run.copy) for _, run in past.played if run.ratings})
    held = [("copy", of) for of in _folds(copies, seed, COPY_FOLDS)]
    held += [("player", of) for of in _folds(players, seed)]
    past.history, past.start  # noqa: B018 - so that every process has them
    return [Fold(past, by, of, make_model, reference, seed) for by, of in held]


def _folds(names: Sequence[str], seed: int, number: int = FOLDS) -> Iterator[frozenset[str]]:
    if len(names) < FOLDS:
        return
    from sklearn.model_selection import KFold  # noqa: PLC0415 - see `model.evaluation.baselines`

    for _, held in KFold(number, shuffle=True, random_state=seed).split(names):
        yield frozenset(names[place] for place in held)


def player_folds(trials: Sequence[Trial], seed: int = 1) -> Iterator[tuple[list[Trial], list[Trial]]]:
    """Return `FOLDS` times (the trials to fit, those held out), no player in both; not once with fewer players."""
    for held in _folds(sorted({trial.player for trial in trials}), seed):
        kept = [trial for trial in trials if trial.player not in held]
        yield kept, [trial for trial in trials if trial.player in held]


def evaluate_fold(task: Fold) -> FoldResult:
    """Fit without what is held out, and foretell it."""
    past, by_player = task.past, task.by == "player"
    held = np.array([_is_held(task, past.trials[place], run) for place, run in past.played], dtype=bool)
    kept = [_kept(task, trial) for trial in past.trials if not (by_player and trial.player in task.held)]
    material = past.without(held, kept)
    kinds = [make(past.range) for make in (task.make_model, task.reference) if make is not None]
    if not by_player and past.measured:
        kinds.append(kinds[0].without_traits())
    models = [kind.fit_to(material) for kind in kinds]
    places = _drawn(np.unique([place for (place, _), of in zip(past.played, held, strict=True) if of]), task.seed)
    views = [model.view_ for model in models]
    if by_player:
        views += models[0].views_without_parts().values()
    foretold = _Asked(past, models[0].posterior_.priority_weight, views, held, task.seed).foretell(places, by_player)
    if not by_player:
        return FoldResult(foretold)
    comparisons, visits = _before(models[0], past.trials, places)
    return FoldResult(foretold, comparisons, visits)


def _drawn(places: Ints, seed: int) -> list[int]:
    """Return the trials' places that are foretold, ascending."""
    if len(places) > MOST_FORETOLD:
        places = np.sort(np.random.default_rng(seed).choice(places, MOST_FORETOLD, replace=False))
    return list(map(int, places))


def _before(
    model: PreferenceModel, trials: Sequence[Trial], places: Sequence[int]
) -> tuple[list[Comparison], list[HeldOutTrial]]:
    """Return what the advice before some trials said, beside what came of it."""
    first = first_runs(trials)
    comparisons: list[Comparison] = []
    visits: list[HeldOutTrial] = []
    for trial in (trials[place] for place in places):
        answers = with_own_ratings(trial)
        comparisons += compare(Player(model.view_, answers), trial.player, first[trial.key])
        seen = visit(predict_player(model.view_, answers), trial)
        visits += [seen] if seen else []
    return comparisons, visits


def _is_held(task: Fold, trial: Trial, run: Run) -> bool:
    return (trial.player if task.by == "player" else run.copy) in task.held


def _kept(task: Fold, trial: Trial) -> Trial:
    """Return the trial without the runs of copies that are held out."""
    if task.by == "player":
        return trial
    return replace(trial, runs=tuple(run for run in trial.runs if run.copy not in task.held))


class _Asked:
    """Fits, and the baselines on the same ratings, ready to be asked for the trials that hold held-out runs.

    ``h`` : how much priorities count beside the overall mark in the measure `UTILITY`.
    """

    def __init__(
        self, past: TrialHistory, h: float, views: Sequence[CataloguePosterior], held: Flags, seed: int
    ) -> None:
        self.past, self.views, self.held = past, views, held
        table, Y = _table(past), past.history.Y
        self._weights: dict[str, Floats] = {}
        self._fitted: dict[str, list[Baseline]] = {}
        for measure in MEASURES:
            share = 0.0 if measure == OVERALL else h
            weights = np.array([utility_weights(trial.answers, share) for trial in past.trials])
            self._weights[measure] = weights.reshape(-1, len(CRITERIA))
            y = _rated(self._weights[measure][table.trial], Y)
            self._fitted[measure] = [each.fit(table, y, ~held) for each in baselines(seed)]

    def foretell(self, places: Sequence[int], by_player: bool) -> dict[tuple[str, int], list[Predictions]]:
        """Return what is foretold of some trials' held-out runs, by measure and number of ratings told before."""
        found: dict[tuple[str, int], list[tuple[int, Predictions]]] = {
            (of, r): [] for of in MEASURES for r in RATINGS_KNOWN
        }
        at = np.array(places, dtype=np.intp)
        sheets = RatingBatch.of(self.past.design, self.past.range, [self.past.trials[place] for place in places])
        row = np.where(sheets.place >= 0, self.past.start[at[sheets.trial]] + sheets.place, -1)
        held = np.zeros(len(row), dtype=bool)
        held[row >= 0] = self.held[row[row >= 0]]
        late = held if not by_player else np.zeros(len(row), dtype=bool)
        for group in sheets.groups(range(len(places)), late):
            laws = [BatchPosterior(view, group) for view in self.views]
            for measure in MEASURES:
                marks = group.marks(self._weights[measure][at[group.trials]])
                for r in RATINGS_KNOWN:
                    ahead = (group.tellable >= r)[marks.row] & held[marks.sheet] & (group.rank[marks.sheet] > r)
                    found[measure, r] += self._foretold(measure, group, laws, marks, ahead, r, row)
        return {key: [each for _, each in sorted(of, key=lambda pair: pair[0])] for key, of in found.items()}

    def _foretold(
        self,
        measure: str,
        group: TrialBatch,
        laws: Sequence[BatchPosterior],
        marks: Targets,
        ahead: Flags,
        r: int,
        at: Ints,
    ) -> Iterator[tuple[int, Predictions]]:
        """Give what is foretold of the marks ahead (M,), trial by trial with its place; ``at`` (S,) is each sheet's run among all."""
        sheets, copies, tiers = group.sheets, tuple(self.past.range.copies), tuple(self.past.range.tiers)
        row, number, sheet = marks.row[ahead], marks.number[ahead], marks.sheet[ahead]
        told = np.flatnonzero((group.rank > 0) & (group.rank <= r))
        mean, cov = (np.array(of) for of in zip(*(law.after(marks, r) for law in laws), strict=True))
        rows = at[sheet]
        others = [each.foretell(rows, at[told]) for each in self._fitted[measure]]
        means = np.vstack([mean[:, row, number], others])
        value = marks.rated(group)[row, number]
        tried = np.isin(_copy_of_trial(sheets, sheet), _copy_of_trial(sheets, told))
        for here in np.split(np.arange(len(row)), np.flatnonzero(np.diff(row)) + 1):
            if len(here):
                of, at = int(group.trials[row[here[0]]]), number[here]
                yield (
                    of,
                    Predictions(
                        player=sheets.trials[of].player,
                        copy=tuple(copies[place] for place in sheets.copy[sheet[here]].tolist()),
                        tier=tuple(tiers[place] for place in sheets.tier[sheet[here]].tolist()),
                        tried=tried[here],
                        value=value[here],
                        mean=means[:, here],
                        cov=cov[:, row[here[0]]][:, at[:, None], at],
                    ),
                )


def _copy_of_trial(sheets: RatingBatch, sheet: Ints) -> Ints:
    """Return (m,) a number for the copy of each sheet (m,), another one in each trial."""
    return np.asarray(sheets.trial[sheet] * (sheets.copy.max(initial=0) + 1) + sheets.copy[sheet])


def _rated(weights: Floats, Y: Floats) -> Floats:
    """Return (N,) the measure with these weights (N, C) as rated, NaN where a criterion that it needs was not."""
    return np.asarray(np.where(weights > 0, weights * Y, 0.0).sum(axis=1))


def _table(past: TrialHistory) -> Table:
    """Return every run of a copy as columns and codes."""
    copies = [str(run.copy) for _, run in past.played]
    tiers = [past.range.copies[copy].tier for copy in copies]
    players = [past.trials[place].player for place, _ in past.played]
    coded = [np.unique(np.array(names, dtype=str), return_inverse=True)[1] for names in (tiers, copies, players)]
    tier, copy, player = (code.astype(np.intp) for code in coded)
    return Table(past.history.X, tier, copy, player, np.array([place for place, _ in past.played], dtype=np.intp))
