"""What a fitted model foretells of trials that it has not seen: the joint law of all ratings, given those already told.

The sums are those of `model.preference.player`, for many trials at once: a check-up asks of every trial, several times.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Self

import numpy as np
from numpy.typing import NDArray

from model.domain.arrays import Floats, Ints
from model.domain.records import Answers, OwnBow, Range, Run, Trial
from model.domain.vocabulary import CRITERIA, CRITERION_INDEX, OVERALL
from model.features.design import TRAIT_COLUMNS, Design, history_rows, own_rows, player_columns
from model.preference.catalogue import View
from model.preference.leads import Told, alike, covariances
from model.preference.own_marks import kept
from model.preference.own_parts import Asked
from model.preference.player import Parts

Bools = NDArray[np.bool_]

ALIKE = 1.25
"""Trials of one group have at most so many times the ratings of its smallest."""
MOST_ENTRIES = 2_000_000
"""Entries of a group's covariances."""
NEVER = np.iinfo(np.intp).max


def told(trial: Trial) -> Answers:
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
class Sheets:
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
        answers = tuple(told(trial) for trial in trials)
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

    def groups(self, trials: Iterable[int], late: Bools) -> Iterator["Group"]:
        """Give some trials in groups with nearly as many ratings; sheets that are ``late`` (S,) are told after all others."""
        size = np.bincount(self.trial[self.sheet], minlength=len(self.trials))
        group: list[int] = []
        for trial in sorted((each for each in trials if size[each]), key=lambda each: (size[each], each)):
            if group and (size[trial] > ALIKE * size[group[0]] or (len(group) + 1) * size[trial] ** 2 > MOST_ENTRIES):
                yield Group.of(self, np.sort(group), late)
                group = []
            group.append(trial)
        if group:
            yield Group.of(self, np.sort(group), late)


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
class Group:
    """T trials side by side, each with up to O ratings, in the order in which they are told.

    Attributes
    ----------
    trials : (T,) places among the sheets' trials, ascending.
    rank : (S,) 0 for the own bow, else which of the trial's copies' sheets is told, 1 the first; of other trials `NEVER`.
    tellable : (T,) sheets of copies that are not late.
    sheet, criterion : (T, O), -1 and 0 where a trial has fewer ratings.
    value : (T, O) 0 there.
    """

    sheets: Sheets
    trials: Ints
    rank: Ints
    tellable: Ints
    sheet: Ints
    criterion: Ints
    value: Floats

    @classmethod
    def of(cls, sheets: Sheets, trials: Ints, late: Bools) -> Self:
        """Lay trials side by side, their ``late`` sheets (S,) last."""
        row = np.full(len(sheets.trials), -1, dtype=np.intp)
        row[trials] = np.arange(len(trials))
        here = np.flatnonzero(row[sheets.trial] >= 0)
        of_own = sheets.place[here] < 0
        here = here[np.lexsort((here, late[here] & ~of_own, row[sheets.trial[here]]))]
        rank = np.full(len(sheets.trial), NEVER)
        rank[here] = _within(row[sheets.trial[here]], len(trials))
        tellable = (sheets.place >= 0) & ~late & (rank < NEVER)
        ratings = np.flatnonzero(rank[sheets.sheet] < NEVER)
        of_trial = row[sheets.trial[sheets.sheet[ratings]]]
        order = np.lexsort((ratings, rank[sheets.sheet[ratings]], of_trial))
        ratings, of_trial = ratings[order], of_trial[order]
        slot = _within(of_trial, len(trials))
        shape = (len(trials), int(slot.max(initial=-1)) + 1)
        sheet, criterion, value = np.full(shape, -1), np.zeros(shape, dtype=np.intp), np.zeros(shape)
        sheet[of_trial, slot] = sheets.sheet[ratings]
        criterion[of_trial, slot] = sheets.criterion[ratings]
        value[of_trial, slot] = sheets.value[ratings]
        count = np.bincount(row[sheets.trial[tellable]], minlength=len(trials))
        return cls(sheets, trials, rank, count, sheet, criterion, value)

    @cached_property
    def at(self) -> tuple[Ints, Ints]:
        """Where ratings lie in (T, O)."""
        rows, slots = np.nonzero(self.sheet >= 0)
        return rows, slots

    @cached_property
    def copy(self) -> Ints:
        """(T, O) place of the copy in the range, -1 for the own bow and where there is no rating."""
        return np.where(self.sheet >= 0, self.sheets.copy[self.sheet], -1)

    @cached_property
    def same_sheet(self) -> Bools:
        """(T, O, O) whether two ratings are of one sheet."""
        return _alike(self.sheet)

    @cached_property
    def same_copy(self) -> Bools:
        """(T, O, O) whether two ratings are of one copy."""
        return _alike(self.copy)

    @cached_property
    def _pair(self) -> Ints:
        """(T, O, O) which two criteria, as places in a flat matrix over all of them."""
        return self.criterion[:, :, None] * len(CRITERIA) + self.criterion[:, None, :]

    def between(self, R: Floats) -> Floats:
        """Return (T, O, O) the entries of a matrix (C, C) over the criteria for every two ratings."""
        return np.take(R, self._pair)

    def told(self, runs: int) -> Bools:
        """Return (T, O) which ratings are told with the own bow's and those of so many copies' sheets: the first of each trial."""
        return (self.sheet >= 0) & (self.sheets_rank <= runs)

    @cached_property
    def sheets_rank(self) -> Ints:
        """(T, O) each rating's sheet's rank."""
        return np.where(self.sheet >= 0, self.rank[self.sheet], NEVER)

    def marks(self, weights: Floats) -> "Marks":
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
        number[sheet] = _within(row, len(self.trials))
        kept = wanted & (number[self.sheet] >= 0)
        rows, slots = np.nonzero(kept)
        out = np.zeros((len(self.trials), int(number.max(initial=-1)) + 1, self.sheet.shape[1]))
        out[rows, number[self.sheet[kept]], slots] = weighed[kept]
        return Marks(row, sheet, number[sheet], out)


@dataclass(frozen=True, eq=False)
class Marks:
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

    def rated(self, group: Group) -> Floats:
        """Return (T, J) the marks as rated."""
        return np.asarray((self.weights @ group.value[..., None])[..., 0])


def _alike(codes: Ints) -> Bools:
    """Return (T, O, O) whether every two of the codes (T, O) are the same, and not -1."""
    return np.asarray((codes[:, :, None] == codes[:, None, :]) & (codes >= 0)[:, :, None])


def _within(group: Ints, groups: int) -> Ints:
    """Return (n,) which of its group's each is, of ascending groups (n,)."""
    count = np.bincount(group, minlength=groups)
    return np.asarray(np.arange(len(group)) - (np.cumsum(count) - count)[group], dtype=np.intp)


class Law:
    """The joint law of all ratings of a group's trials before a model that has not seen them.

    Copies are taken in their present state, as the advice takes them.
    """

    def __init__(self, view: View, group: Group) -> None:
        self.group = group
        shape = group.sheet.shape
        features, expected, parts = _features(view, group)
        self._mean = np.zeros(shape)
        self._mean[group.at] = expected
        rows = np.zeros((*shape, features.shape[1]))
        rows[group.at] = features
        cov = np.zeros((*shape, shape[1]))
        for part, R in parts.pairs:
            if part.stop > part.start:
                cov += rows[..., part] @ rows[..., part].swapaxes(1, 2) * group.between(R)
        cov += _of_copies_and_noise(view, group)
        cov[:, np.arange(shape[1]), np.arange(shape[1])] += group.sheet < 0  # where there is no rating the root is 1
        self._cov, self._roots = cov, dict[int, tuple[Bools, Floats]]()
        answers = [group.sheets.answers[trial] for trial in group.trials.tolist()]
        told = Told(rows, group.criterion, group.copy, own_parts(view, group)[..., OVERALL])
        self._leads = [
            (at, covariances(view, [answers[place] for place in at.tolist()], told.at(at), parts))
            for at in alike(answers).values()
        ]

    def after(self, marks: Marks, runs: int) -> tuple[Floats, Floats]:
        """Return mean (T, J) and covariance (T, J, J) of marks given the own bow's and the first so many copies' ratings.

        Of the own bow's those count that `model.preference.own_marks` keeps beside the others told.
        """
        if runs not in self._roots:
            self._roots[runs] = self._counted(self.group.told(runs))
        told, root = self._roots[runs]
        cross = marks.weights @ self._cov
        residual = np.where(told, self.group.value - self._mean, 0.0)[..., None]
        by_root = np.linalg.solve(root, np.where(told[:, None], cross, 0.0).swapaxes(1, 2))
        mean = marks.weights @ self._mean[..., None] + by_root.swapaxes(1, 2) @ np.linalg.solve(root, residual)
        return mean[..., 0], cross @ marks.weights.swapaxes(1, 2) - by_root.swapaxes(1, 2) @ by_root

    def _counted(self, told: Bools) -> tuple[Bools, Floats]:
        """Return which of the ratings told (T, O) count, and the root of their covariance (T, O, O), 1 where one does not."""
        own = told & (self.group.copy < 0)
        mine, others, alone = slice(0, int(own.sum(axis=1).max(initial=0))), told & ~own, np.eye(told.shape[1])
        away = np.where(others[..., None], self._cov[..., mine], 0.0)
        beside = np.linalg.solve(np.where(_both(others), self._cov, alone), away)
        left = self._cov[:, mine, mine] - away.swapaxes(1, 2) @ beside
        counted = others
        for at, leads in self._leads:
            counted[at, mine] |= kept(leads[..., mine] - leads @ beside[at], left[at], own[at, mine])
        return counted, np.linalg.cholesky(np.where(_both(counted), self._cov, alone))


def _features(view: View, group: Group) -> tuple[Floats, Floats, Parts]:
    """Return features (m, q) and expectations (m,) of the m ratings `Group.at`, and the features' parts."""
    posterior, every, sheets = view.posterior, view.everything, group.sheets
    sheet, c, k = (of[group.at] for of in (group.sheet, group.criterion, group.copy))
    away = k >= 0
    expected = np.einsum("mp,mp->m", sheets.X[sheet], posterior.coef[c])
    expected[away] += every.effect[c[away], k[away]]
    asked = Asked.of_each(sheets.answers).emphasis[sheets.trial[sheet]]
    emphasised = np.where(
        away & (c == OVERALL), np.einsum("mc,mc->m", every.character[k] if len(every.copies) else 0 * asked, asked), 0.0
    )
    expected += posterior.profile.mean * emphasised
    expected[~away] += posterior.players.own_shift[c[~away]]
    X = sheets.X.copy()
    X[:, TRAIT_COLUMNS] = 0.0  # `apart` has them
    fixed = _by_criterion(X, sheet, c, posterior.coef_root)
    fixed[away] += every.apart[c[away], k[away]]
    own = _by_criterion(sheets.Z, sheet, c, posterior.players.root)
    match = np.where(away, 0.0, posterior.players.own_match[c])
    gamma = posterior.profile.sd * emphasised
    return np.column_stack([fixed, own, match, gamma]), expected, Parts.of(posterior)


def _by_criterion(columns: Floats, sheet: Ints, criterion: Ints, root: Floats) -> Floats:
    """Return (m, r) rows of the sheets' columns (S, p) times the root (C, p, r) of each rating's criterion."""
    out = np.zeros((len(sheet), root.shape[2]))
    for c, of in enumerate(root):
        here = criterion == c
        out[here] = columns[sheet[here]] @ of
    return out


def _of_copies_and_noise(view: View, group: Group) -> Floats:
    """Return (T, O, O) what copies' own effects, their match with the player and the noise of each sheet add."""
    posterior, every, R = view.posterior, view.everything, view.posterior.correlations
    rated, c, k = group.sheet >= 0, group.criterion, group.copy
    away = np.nonzero(k >= 0)
    rest = np.zeros(k.shape)
    rest[away] = np.sqrt(every.rest[c[away], k[away]])
    effects = group.same_copy * _outer(rest)
    for number, of_block in enumerate(every.rows):
        rows, slots = (of[every.block[k[away]] == number] for of in away)
        trials, place = np.unique(rows, return_inverse=True)
        told = np.zeros((len(trials), c.shape[1], of_block.shape[2]))
        told[place, slots] = of_block[c[rows, slots], every.rows_at[k[rows, slots]]]
        effects[trials] += told @ told.swapaxes(1, 2)
    noise = np.where(rated, posterior.repeat_sd[c], 0.0)
    own = np.take_along_axis(own_parts(view, group), np.broadcast_to(c[:, None], group.same_copy.shape), axis=2)
    return np.asarray(
        effects * group.between(R.copy)
        + group.same_copy * own
        + group.same_sheet * _outer(noise) * group.between(R.repeat)
    )


def own_parts(view: View, group: Group) -> Floats:
    """Return (T, O, C) the covariance of what each rating's copy has of its own with the same on every criterion."""
    rows, slots = np.nonzero(group.copy >= 0)
    out, every = np.zeros((*group.copy.shape, len(CRITERIA))), view.everything
    asked = Asked.of_each([group.sheets.answers[trial] for trial in group.trials.tolist()]).at(rows)
    alone = view.own_parts.covariance(every.open.at(group.copy[rows, slots]), asked)
    out[rows, slots] = alone[np.arange(len(rows)), group.criterion[rows, slots]]
    return out


def _outer(of: Floats) -> Floats:
    return of[:, :, None] * of[:, None, :]


def _both(told: Bools) -> Bools:
    return np.asarray(told[:, :, None] & told[:, None, :])
