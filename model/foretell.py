"""What a fitted model foretells of a trial that it has not seen: the joint law of all ratings, given those already told."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from model._triangles import Root, root_inverse
from model.player import Laid, Player
from model.records import Answers, OwnBow, Run, Trial
from model.view import View

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Bools = NDArray[np.bool_]


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


class Sheet:
    """All ratings of one trial before a model that has not seen them.

    Each rating stands at its own place in the trial, seen or blind as it was given; copies are taken in their present state, as
    the advice takes them.

    Attributes
    ----------
    answers : with the own bow as first rated.
    runs : (n,) of copies that suit the player and were rated on anything, in the order played.
    place : (n,) their places among the trial's runs of copies.
    laid : what the answers make of the range's columns; given where it is at hand from another fit to the same range.
    """

    def __init__(self, view: View, trial: Trial, laid: Laid | None = None) -> None:
        self.answers = told(trial)
        suited = set(view.suited(self.answers.instrument, self.answers.hold).serials)
        away = [run for run in trial.runs if run.copy is not None]
        played = sorted(range(len(away)), key=lambda place: away[place].position)
        kept = [place for place in played if away[place].copy in suited and away[place].ratings]
        self.runs = tuple(away[place] for place in kept)
        self.place = np.array(kept, dtype=np.intp)
        player = Player(view, self.answers, self.runs, trial.blinding, laid)
        self.laid = player.laid
        self._seen, self._root = player.seen, player.factor[0]
        self._cov = self._root @ self._root.T

    def after(self, runs: Bools) -> tuple[Floats, Floats]:
        """Return mean (O,) and covariance (O, O) of all ratings given the own bow's and those of some runs (n,)."""
        seen, cov = self._seen, self._cov
        given = np.concatenate([[True], runs])[seen.run]
        if not given.any():
            return seen.mean, cov
        first, order = int(given.sum()), np.argsort(~given, kind="stable")
        # The root of the given ratings before the others holds the law of these: no other needs to be found.
        in_order = bool(given[:first].all())
        root: Root = self._root if in_order else np.linalg.cholesky(cov[np.ix_(order, order)])
        mean, left = seen.mean.copy(), np.zeros_like(cov)
        mean[order] += root[:, :first] @ root_inverse(root[:first, :first], (seen.value - seen.mean)[order[:first]])
        left[np.ix_(order[first:], order[first:])] = root[first:, first:] @ root[first:, first:].T
        return mean, left

    def marks(self, weights: Floats) -> tuple[Ints, Floats]:
        """Return the runs (m,) rated on every criterion that has a weight (C,), and the weights (m, O) of their ratings."""
        seen, needed = self._seen, np.flatnonzero(weights)
        wanted = np.isin(seen.criterion, needed)
        rated = np.bincount(seen.run[wanted], minlength=len(self.runs) + 1)[1:]
        runs = np.flatnonzero(rated == len(needed))
        return runs, np.where((seen.run == runs[:, None] + 1) & wanted, weights[seen.criterion], 0.0)

    @property
    def value(self) -> Floats:
        """(O,) the ratings given."""
        return self._seen.value
