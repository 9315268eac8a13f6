"""What a fitted model foretells of trials that it has not seen: the joint law of all ratings, given those already told.

The engine's sums (`model.preference.conditioning`), for many trials side by side: a check-up asks of every trial, several times.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Self

import numpy as np

from model.domain.arrays import Flags, Floats, Ints
from model.domain.records import Answers, OwnBow, Range, Run, Trial
from model.domain.vocabulary import CRITERION_INDEX, OVERALL, Hold, Instrument
from model.features import TRAIT_COLUMNS, Design, history_rows, own_rows, player_columns
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import (
    LIKING,
    SCATTER_FREEDOM,
    Layout,
    RatingsPosterior,
    explained,
    place_in_group,
    scatter,
)
from model.preference.own_parts import Asked
from model.preference.utilities import Sheet, Utilities, rating_features

ALIKE = 1.25
"""Trials of one group have at most so many times the ratings of its smallest."""
MOST_ENTRIES = 2_000_000
"""Entries of a group's covariances."""
NEVER = np.iinfo(np.intp).max


def with_own_ratings(trial: Trial) -> Answers:
    """Return the trial's answers with the own bow as it was first rated there, as a questionnaire would have it."""
    own = next((run.ratings for run in trial.runs if run.copy is None and run.ratings), None)
    if not own:
        return trial.answers
    return replace(trial.answers, own_bow=replace(trial.answers.own_bow or OwnBow(), ratings=own), plays_no_bow=False)


def first_runs(trials: Sequence[Trial]) -> dict[str, tuple[Run, ...]]:
    """Return by trial's key the runs of copies that their player had never tried before."""
    seen: set[tuple[str, str | None]] = set()
    found: dict[str, tuple[Run, ...]] = {}
    for trial in sorted(trials, key=lambda trial: (trial.on, trial.key)):
        fresh = []
        for run in trial.runs:
            if run.copy is not None and (trial.player, run.copy) not in seen:
                seen.add((trial.player, run.copy))
                fresh.append(run)
        found[trial.key] = tuple(fresh)
    return found


@dataclass(frozen=True, eq=False)
class RatingBatch:
    """All that was rated in n trials, laid out whatever is fitted: of each trial the own bow's sheet, then the copies'.

    Of the copies there are those that suit the player and were rated on anything, in the order played. Each rating stands at
    its own place in the trial, seen or blind as it was given. There are S sheets and R ratings.

    Attributes
    ----------
    trials : (n,)
    answers : (n,) with the own bow as first rated.
    trial : (S,) each sheet's trial.
    place : (S,) its run's place among the trial's runs of copies, -1 for the own bow.
    copy, tier : (S,) places of its copy and tier in the range, -1 for the own bow.
    X, Z : (S, p), (S, Q) columns, Z the player's own effects'.
    sheet, criterion, value : (R,) ratings, sheet by sheet.
    """

    trials: tuple[Trial, ...]
    answers: tuple[Answers, ...]
    trial: Ints
    place: Ints
    copy: Ints
    tier: Ints
    X: Floats
    Z: Floats
    sheet: Ints
    criterion: Ints
    value: Floats

    @classmethod
    def of(cls, design: Design, range_: Range, trials: Sequence[Trial]) -> Self:
        """Lay trials out by the columns of a design."""
        answers = tuple(with_own_ratings(trial) for trial in trials)
        kept = [_kept(trial, range_) for trial in trials]
        runs = [run for of in kept for _, run in of]
        of_own = own_rows(answers, np.zeros(len(trials), dtype=int).tolist())
        own_sheets = [of.own_bow.ratings if of.own_bow else {} for of in answers]
        rated = [replace(t, runs=tuple(run for _, run in of)) for t, of in zip(trials, kept, strict=True)]
        rows = history_rows(design, rated, range_)
        trial = np.concatenate([np.arange(len(trials)), np.repeat(np.arange(len(trials)), [len(of) for of in kept])])
        order = np.argsort(trial, kind="stable")
        copies = {serial: number for number, serial in enumerate(range_.copies)}
        tiers = {slug: number for number, slug in enumerate(range_.tiers)}
        own = [-1] * len(trials)
        place = np.array([*own, *(place for of in kept for place, _ in of)], dtype=np.intp)
        copy = np.array([*own, *(copies[str(run.copy)] for run in runs)], dtype=np.intp)
        tier = np.array([*own, *(tiers[range_.copies[str(run.copy)].tier] for run in runs)], dtype=np.intp)
        X = np.vstack([design.matrix(of_own, own=True), design.matrix(rows)])
        Z = np.vstack([player_columns(of_own, own=True), player_columns(rows)])
        given = [*own_sheets, *(run.ratings for run in runs)]
        ratings = [
            (number, CRITERION_INDEX[criterion], value)
            for number, which in enumerate(order.tolist())
            for criterion, value in given[which].items()
        ]
        sheet, criterion = np.array([each[:2] for each in ratings], dtype=np.intp).reshape(-1, 2).T
        value = np.array([each[2] for each in ratings], dtype=np.float64)
        return cls(
            trials=tuple(trials),
            answers=answers,
            trial=trial[order],
            place=place[order],
            copy=copy[order],
            tier=tier[order],
            X=X[order],
            Z=Z[order],
            sheet=sheet,
            criterion=criterion,
            value=value,
        )

    def groups(self, trials: Iterable[int], late: Flags) -> Iterator["TrialBatch"]:
        """Give some trials in groups with nearly as many ratings; sheets that are ``late`` (S,) are told after all others."""
        size = np.bincount(self.trial[self.sheet], minlength=len(self.trials))
        group: list[int] = []
        for trial in sorted((each for each in trials if size[each]), key=lambda each: (size[each], each)):
            if group and (size[trial] > ALIKE * size[group[0]] or (len(group) + 1) * size[trial] ** 2 > MOST_ENTRIES):
                yield TrialBatch.of(self, np.sort(group), late)
                group = []
            group.append(trial)
        if group:
            yield TrialBatch.of(self, np.sort(group), late)


def _kept(trial: Trial, range_: Range) -> list[tuple[int, Run]]:
    """Return the runs of copies that suit the player and were rated, as played, with their places among those of copies."""
    away = [run for run in trial.runs if run.copy is not None]
    played = sorted(range(len(away)), key=lambda place: away[place].position)
    return [(place, away[place]) for place in played if away[place].ratings and _suits(away[place], trial, range_)]


def _suits(run: Run, trial: Trial, range_: Range) -> bool:
    copy, answers = range_.copies.get(str(run.copy)), trial.answers
    if copy is None:
        return False
    return range_.tiers[copy.tier].suits(answers.instrument, answers.hold) and copy.suits(answers.hold)


@dataclass(frozen=True, eq=False)
class TrialBatch(Layout):
    """T trials side by side, each with up to O ratings, in the order in which they are told.

    Attributes
    ----------
    trials : (T,) places among the sheets' trials, ascending.
    rank : (S,) 0 for the own bow, else which of the trial's copies' sheets is told, 1 the first; of other trials `NEVER`.
    tellable : (T,) sheets of copies that are not late.
    """

    sheets: RatingBatch
    trials: Ints
    rank: Ints
    tellable: Ints

    @classmethod
    def of(cls, sheets: RatingBatch, trials: Ints, late: Flags) -> Self:
        """Lay trials side by side, their ``late`` sheets (S,) last."""
        row = np.full(len(sheets.trials), -1, dtype=np.intp)
        row[trials] = np.arange(len(trials))
        here = np.flatnonzero(row[sheets.trial] >= 0)
        of_own = sheets.place[here] < 0
        here = here[np.lexsort((here, late[here] & ~of_own, row[sheets.trial[here]]))]
        rank = np.full(len(sheets.trial), NEVER)
        rank[here] = place_in_group(row[sheets.trial[here]], len(trials))
        tellable = (sheets.place >= 0) & ~late & (rank < NEVER)
        ratings = np.flatnonzero(rank[sheets.sheet] < NEVER)
        of_trial = row[sheets.trial[sheets.sheet[ratings]]]
        order = np.lexsort((ratings, rank[sheets.sheet[ratings]], of_trial))
        ratings, of_trial = ratings[order], of_trial[order]
        slot = place_in_group(of_trial, len(trials))
        shape = (len(trials), int(slot.max(initial=-1)) + 1)
        sheet, criterion, value = np.full(shape, -1), np.zeros(shape, dtype=np.intp), np.zeros(shape)
        sheet[of_trial, slot] = sheets.sheet[ratings]
        criterion[of_trial, slot] = sheets.criterion[ratings]
        value[of_trial, slot] = sheets.value[ratings]
        count = np.bincount(row[sheets.trial[tellable]], minlength=len(trials))
        copy = np.where(sheet >= 0, sheets.copy[sheet], -1)
        return cls(sheet, copy, criterion, value, sheets, trials, rank, count)

    @cached_property
    def at(self) -> tuple[Ints, Ints]:
        """Where ratings lie in (T, O)."""
        rows, slots = np.nonzero(self.sheet >= 0)
        return rows, slots

    def told(self, runs: int) -> Flags:
        """Return (T, O) which ratings are told with the own bow's and those of so many copies' sheets: the first of each trial."""
        return (self.sheet >= 0) & (self.sheets_rank <= runs)

    @cached_property
    def sheets_rank(self) -> Ints:
        """(T, O) each rating's sheet's rank."""
        return np.where(self.sheet >= 0, self.rank[self.sheet], NEVER)

    def marks(self, weights: Floats) -> "Targets":
        """Return the marks of the sheets of copies rated on every criterion that has a weight for its trial (T, C)."""
        weighed = np.take_along_axis(weights, self.criterion, axis=1)
        wanted = (self.copy >= 0) & (weighed != 0)
        count = np.bincount(self.sheet[wanted], minlength=len(self.sheets.trial))
        needed = np.zeros(len(self.sheets.trials), dtype=np.intp)
        needed[self.trials] = np.count_nonzero(weights, axis=1)
        own = self.sheets.place < 0
        sheet = np.flatnonzero((self.rank < NEVER) & ~own & (count == needed[self.sheets.trial]))
        row = np.searchsorted(self.trials, self.sheets.trial[sheet])
        number = np.full(len(self.sheets.trial), -1)
        number[sheet] = place_in_group(row, len(self.trials))
        kept = wanted & (number[self.sheet] >= 0)
        rows, slots = np.nonzero(kept)
        out = np.zeros((len(self.trials), int(number.max(initial=-1)) + 1, self.sheet.shape[1]))
        out[rows, number[self.sheet[kept]], slots] = weighed[kept]
        return Targets(row, sheet, number[sheet], out)


@dataclass(frozen=True, eq=False)
class Targets:
    """Weighted sums of ratings, one for each of M sheets; at most J of one trial.

    Attributes
    ----------
    row : (M,) place of the sheet's trial in the group; ascending, sheets of one trial in the order played.
    sheet : (M,)
    number : (M,) which of its trial's.
    weights : (T, J, O) of the ratings, zeros where a trial has fewer.
    """

    row: Ints
    sheet: Ints
    number: Ints
    weights: Floats

    def rated(self, group: TrialBatch) -> Floats:
        """Return (T, J) the marks as rated."""
        return np.asarray((self.weights @ group.value[..., None])[..., 0])


def _alike(answers: Sequence[Answers]) -> dict[tuple[Instrument, Hold | None], Ints]:
    """Return by instrument and hold, which say what suits, the places of the answers."""
    found: dict[tuple[Instrument, Hold | None], list[int]] = {}
    for place, each in enumerate(answers):
        found.setdefault((each.instrument, each.hold), []).append(place)
    return {key: np.array(places, dtype=np.intp) for key, places in found.items()}


class BatchPosterior:
    """The joint law of all ratings of a group's trials before a model that has not seen them: the engine's, for marks of many trials.

    Copies are taken in their present state, as the advice takes them.
    """

    def __init__(self, view: CataloguePosterior, group: TrialBatch) -> None:
        self.group, self._answers = group, [group.sheets.answers[trial] for trial in group.trials.tolist()]
        shape, asked = group.sheet.shape, Asked.of_each(self._answers)
        at, expected = _features(view, group, asked)
        features, mean = np.zeros((*shape, at.shape[1])), np.zeros(shape)
        features[group.at], mean[group.at] = at, expected
        self._ratings = RatingsPosterior(view, view.everything, group, asked, features, mean)
        self._leads = [(players, self._lead(view, players)) for players in _alike(self._answers).values()]
        self._roots: dict[int, tuple[Flags, Floats, Floats]] = {}

    def _lead(self, view: CataloguePosterior, players: Ints) -> Floats:
        """Return (t, n, O) the covariance of leads of players who are alike in what suits."""
        of = Utilities.of(view, [self._answers[player] for player in players.tolist()])
        places = np.array([view.everything.place[serial] for serial in of.suited.serials], dtype=np.intp)
        tiers, effects = of.tiers(OVERALL), self._ratings.with_copies(LIKING, places, players)
        return self._ratings.with_leads(tiers, of.copies(OVERALL, tiers), of.own(OVERALL), effects, players)

    def _given(self, runs: int) -> tuple[Flags, Floats, Floats]:
        """Return which ratings count of the own bow's and the first so many copies', the root of their covariance, the scatter."""
        if runs not in self._roots:
            counted, root = self._ratings.counted(self.group.told(runs), self._leads)
            self._roots[runs] = counted, root, scatter(root, counted, self.group.value - self._ratings.mean)
        return self._roots[runs]

    def freedom(self, runs: int) -> Floats:
        """Return (T,) the degrees of freedom of Student's distribution of marks after the own bow's and so many copies' ratings."""
        return np.asarray(SCATTER_FREEDOM + self._given(runs)[0].sum(axis=1))

    def after(self, marks: Targets, runs: int) -> tuple[Floats, Floats]:
        """Return mean (T, J) and covariance (T, J, J) of marks given the own bow's and the first so many copies' ratings.

        Of the own bow's those count that `model.preference.conditioning` keeps beside the others told. The covariance counts how
        much the player's marks scatter.
        """
        counted, root, scattered = self._given(runs)
        cross = marks.weights @ self._ratings.cov
        moved, told = explained(root, counted, cross, self.group.value - self._ratings.mean)
        mean = (marks.weights @ self._ratings.mean[..., None])[..., 0] + moved
        cov = cross @ marks.weights.swapaxes(1, 2) - told.swapaxes(1, 2) @ told
        return mean, scattered[:, None, None] * cov


def _features(view: CataloguePosterior, group: TrialBatch, asked: Asked) -> tuple[Floats, Floats]:
    """Return features (m, q) and expectations (m,) of the m ratings `TrialBatch.at`."""
    sheets, every = group.sheets, view.everything
    X, k = sheets.X.copy(), sheets.copy
    X[:, TRAIT_COLUMNS] = 0.0  # the copies have them
    player = np.searchsorted(group.trials, np.clip(sheets.trial, 0, group.trials[-1]))
    emphasised, away = np.zeros(len(k)), k >= 0
    emphasised[away] = np.einsum("sc,sc->s", every.character[k[away]], asked.emphasis[player[away]])
    of = Sheet(X, sheets.Z, k, emphasised)
    return rating_features(view.posterior, every, of, group.sheet[group.at], group.criterion[group.at])
