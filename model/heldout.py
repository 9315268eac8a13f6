"""Players and copies held out of fits: folds, and what a model and its baselines foretell of what they have not seen.

A held-out trial tells its answers and the own bow's first sheet, then the first r ratings of other bows; what is rated after
them is foretold. Where copies are held out, r counts the ratings of the others, and every rating of a held-out copy is foretold.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import KFold

from model.baselines import Baseline, Table, baselines
from model.calibration import Comparison, compare
from model.choice import Offer, keeping
from model.design import Design
from model.foretell import Sheet, first_runs, told
from model.levels import Stretches
from model.material import History, Material, gather
from model.personal import utility_weights
from model.preference import PreferenceModel
from model.records import Event, Outcome, Range, Run, Trial
from model.scores import Foretold
from model.vocabulary import CRITERIA
from model.winnings import Visit, visit

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]

FOLDS = 5
COPY_FOLDS = 3
"""Fewer, so larger, than of players: a new copy is told by its tier, which two thirds of the copies tell about as well as four
fifths (a tier's mean of n copies errs by 1/n of the copies' variance), and every fold asks of nearly every trial again."""
TOLD = (0, 1, 2, 3)
"""Numbers of own ratings that a player has given before the ratings that are foretold."""
OVERALL, UTILITY = MEASURES = ("overall", "utility")
"""The overall rating; and u = (1 - h) overall + h priorities, as the player set them."""
MakeModel = Callable[[Range], PreferenceModel]


@dataclass(frozen=True)
class Past:
    """All that a fit reads."""

    range: Range
    trials: Sequence[Trial]
    events: Sequence[Event] = ()
    outcomes: Sequence[Outcome] = ()
    offers: Mapping[str, Offer] = field(default_factory=dict)

    def gathered(self, trials: Sequence[Trial] | None = None) -> Material:
        """Return what fits to these trials, or to some of them, are made of."""
        given = self.trials if trials is None else trials
        return Material.of(self.range, given, self.events, self.outcomes, self.offers)

    @cached_property
    def history(self) -> History:
        """All trials as arrays; gathered once, and handed with the rest to the processes of the folds."""
        return gather(self.design, self.trials, self.range, self.stretches)

    @cached_property
    def design(self) -> Design:
        """The columns of a fit to these trials or to some of them: they are the range's."""
        return Design.from_range(self.range)

    @cached_property
    def stretches(self) -> Stretches:
        """What was done to copies."""
        return Stretches.from_events(self.events)

    def without(self, held: Bools, kept: Sequence[Trial]) -> Material:
        """Return what a fit without the runs of copies held (N,) is made of; ``kept`` are the trials without them."""
        keys = {trial.key for trial in kept}
        own = [trial.key in keys for trial in self.trials for run in trial.runs if run.copy is None]
        history = self.history.at(~held, np.array(own, dtype=bool))
        what = keeping(kept, self.outcomes, self.offers, self.range)
        return Material(kept, self.stretches, self.design, history, what)

    def fitted(self, make_model: MakeModel, trials: Sequence[Trial] | None = None) -> PreferenceModel:
        """Return a model fitted to these trials, or to some of them."""
        return make_model(self.range).fit_to(self.gathered(trials))

    @cached_property
    def played(self) -> tuple[tuple[int, Run], ...]:
        """Every run of a copy, with its trial's place; the order of the rows below."""
        return tuple((place, run) for place, trial in enumerate(self.trials) for run in trial.runs if run.copy)

    @cached_property
    def start(self) -> Ints:
        """(trials,) row of each trial's first run of a copy."""
        count = np.bincount([place for place, _ in self.played], minlength=len(self.trials))
        return np.asarray(np.cumsum(count) - count)


@dataclass(frozen=True)
class Task:
    """One fold: what is fitted and foretold with these trials or these copies held out.

    Attributes
    ----------
    by : 'player' or 'copy'.
    held : keys of the players, or serials of the copies.
    """

    past: Past
    by: str
    held: frozenset[str]
    make_model: MakeModel
    reference: MakeModel | None
    seed: int


@dataclass(frozen=True)
class Found:
    """What one fold gave: the foretold by (measure, own ratings told), comparisons with the own bow, and visits."""

    foretold: Mapping[tuple[str, int], Sequence[Foretold]]
    comparisons: Sequence[Comparison] = ()
    visits: Sequence[Visit] = ()


def tasks(past: Past, make_model: MakeModel, reference: MakeModel | None, seed: int) -> list[Task]:
    """Return the folds by copy and by player; none where there are fewer than `FOLDS` players, or copies rated.

    Those by copy take longest and come first, so that processes which share them end together.
    """
    players = sorted({trial.player for trial in past.trials})
    copies = sorted({str(run.copy) for _, run in past.played if run.ratings})
    held = [("copy", of) for of in _folds(copies, seed, COPY_FOLDS)]
    held += [("player", of) for of in _folds(players, seed)]
    past.history  # noqa: B018 - so that every process has it
    return [Task(past, by, of, make_model, reference, seed) for by, of in held]


def _folds(names: Sequence[str], seed: int, number: int = FOLDS) -> Iterator[frozenset[str]]:
    if len(names) < FOLDS:
        return
    for _, held in KFold(number, shuffle=True, random_state=seed).split(names):
        yield frozenset(names[place] for place in held)


def folds(trials: Sequence[Trial], seed: int = 1) -> Iterator[tuple[list[Trial], list[Trial]]]:
    """Return `FOLDS` times (the trials to fit, those held out), no player in both; not once with fewer players."""
    for held in _folds(sorted({trial.player for trial in trials}), seed):
        kept = [trial for trial in trials if trial.player not in held]
        yield kept, [trial for trial in trials if trial.player in held]


def answer(task: Task) -> Found:
    """Fit without what is held out, and foretell it."""
    past, by_player = task.past, task.by == "player"
    held = np.array([_is_held(task, past.trials[place], run) for place, run in past.played], dtype=bool)
    kept = [_kept(task, trial) for trial in past.trials if not (by_player and trial.player in task.held)]
    material = past.without(held, kept)
    models = [make(past.range).fit_to(material) for make in (task.make_model, task.reference) if make is not None]
    asked = _Asked(past, models, held, task.seed)
    places = np.unique([place for (place, _), of in zip(past.played, held, strict=True) if of]).astype(int).tolist()
    foretold: dict[tuple[str, int], list[Foretold]] = {(measure, r): [] for measure in MEASURES for r in TOLD}
    for place in places:
        for key, each in asked.foretell(place, by_player):
            foretold[key].append(each)
    if not by_player:
        return Found(foretold)
    comparisons, visits = _before(models[0], past.trials, places)
    return Found(foretold, comparisons, visits)


def _before(
    model: PreferenceModel, trials: Sequence[Trial], places: Sequence[int]
) -> tuple[list[Comparison], list[Visit]]:
    """Return what the advice before some trials said, beside what came of it."""
    first = first_runs(trials)
    comparisons: list[Comparison] = []
    visits: list[Visit] = []
    for trial in (trials[place] for place in places):
        outlook = model.outlook(told(trial))
        comparisons += compare(outlook, trial.player, first[trial.key])
        seen = visit(outlook, trial)
        visits += [seen] if seen else []
    return comparisons, visits


def _is_held(task: Task, trial: Trial, run: Run) -> bool:
    return (trial.player if task.by == "player" else run.copy) in task.held


def _kept(task: Task, trial: Trial) -> Trial:
    """Return the trial without the runs of copies that are held out."""
    if task.by == "player":
        return trial
    return replace(trial, runs=tuple(run for run in trial.runs if run.copy not in task.held))


class _Asked:
    """Fitted models, and the baselines on the same ratings, ready to be asked for the trials that hold held-out runs."""

    def __init__(self, past: Past, models: Sequence[PreferenceModel], held: Bools, seed: int) -> None:
        self.past, self.models, self.held = past, models, held
        self.h = models[0].posterior_.priority_weight
        table, Y = _table(past), past.history.Y
        self._fitted: dict[str, list[Baseline]] = {}
        for measure in MEASURES:
            y = self._rated(measure, Y)
            self._fitted[measure] = [each.fit(table, y, ~held) for each in baselines(seed)]

    def weights(self, measure: str, trial: Trial) -> Floats:
        """Return (C,) the criteria's weights in a measure."""
        return utility_weights(trial.answers, 0.0 if measure == OVERALL else self.h)

    def _rated(self, measure: str, Y: Floats) -> Floats:
        """Return (N,) the measure as rated, NaN where a criterion that it needs was not."""
        weights = np.array([self.weights(measure, trial) for trial in self.past.trials]).reshape(-1, len(CRITERIA))
        weights = weights[[place for place, _ in self.past.played]]
        return np.asarray(np.where(weights > 0, weights * Y, 0.0).sum(axis=1))

    def foretell(self, place: int, by_player: bool) -> Iterator[tuple[tuple[str, int], Foretold]]:
        """Give what is foretold of one trial's held-out runs, by measure and number of ratings told before."""
        trial = self.past.trials[place]
        sheets = [Sheet(self.models[0].view_, trial)]
        sheets += [Sheet(model.view_, trial, sheets[0].laid) for model in self.models[1:]]
        held = self.held[self.past.start[place] + sheets[0].place]
        marks = {measure: sheets[0].marks(self.weights(measure, trial)) for measure in MEASURES}
        for r in TOLD:
            known = _known(held, by_player, r)
            if known is None:
                return
            laws = [sheet.after(known) for sheet in sheets]
            for measure, (runs, of_runs) in marks.items():
                ahead = (held & ~known)[runs]
                if ahead.any():
                    yield (
                        (measure, r),
                        self._foretold(place, measure, sheets[0], laws, known, runs[ahead], of_runs[ahead]),
                    )

    def _foretold(
        self,
        place: int,
        measure: str,
        sheet: Sheet,
        laws: Sequence[tuple[Floats, Floats]],
        known: Bools,
        runs: Ints,
        marks: Floats,
    ) -> Foretold:
        trial = self.past.trials[place]
        rows = self.past.start[place] + sheet.place
        copies = tuple(str(sheet.runs[run].copy) for run in runs)
        met = {sheet.runs[run].copy for run in np.flatnonzero(known)}
        baselines_ = [each.foretell(rows[runs], rows[known]) for each in self._fitted[measure]]
        return Foretold(
            player=trial.player,
            copy=copies,
            tier=tuple(self.past.range.copies[copy].tier for copy in copies),
            tried=np.array([copy in met for copy in copies]),
            value=marks @ sheet.value,
            mean=np.array([*(marks @ mean for mean, _ in laws), *baselines_]),
            cov=np.array([marks @ cov @ marks.T for _, cov in laws]),
        )


def _known(held: Bools, by_player: bool, r: int) -> Bools | None:
    """Return which of a trial's runs (n,) are told: the first r that may be; None where there are not so many."""
    tellable = np.arange(len(held)) if by_player else np.flatnonzero(~held)
    if len(tellable) < r:
        return None
    known = np.zeros(len(held), dtype=bool)
    known[tellable[:r]] = True
    return known


def _table(past: Past) -> Table:
    """Return every run of a copy as columns and codes."""
    copies = [str(run.copy) for _, run in past.played]
    tiers = [past.range.copies[copy].tier for copy in copies]
    players = [past.trials[place].player for place, _ in past.played]
    coded = [np.unique(np.array(names, dtype=str), return_inverse=True)[1] for names in (tiers, copies, players)]
    tier, copy, player = (code.astype(np.intp) for code in coded)
    return Table(past.history.X, tier, copy, player)
