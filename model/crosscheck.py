"""A first look at whether the model earns its keep: players it has not seen, against the mean of the tier."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from sklearn.model_selection import GroupKFold

from model.player import OVERALL, Player
from model.preference import PreferenceModel
from model.records import Answers, Event, OwnBow, Range, Trial
from model.view import View
from model.vocabulary import CRITERIA, Criterion

Floats = NDArray[np.float64]
FOLDS = 5
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """Root mean squared errors of the overall rating, in points, on players held out of the fit.

    Attributes
    ----------
    model : of this model, told the answers and the own bow's ratings.
    tier_mean : of the mean rating of the copy's tier among the other players.
    ratings, players : how many were held out in all.
    """

    model: float
    tier_mean: float
    ratings: int
    players: int


def told(trial: Trial) -> Answers:
    """Return the trial's answers with the own bow as it was first rated there, as a questionnaire would have it."""
    own = next((run.ratings for run in trial.runs if run.copy is None and run.ratings), None)
    if not own:
        return trial.answers
    return replace(trial.answers, own_bow=replace(trial.answers.own_bow or OwnBow(), ratings=own), plays_no_bow=False)


def folds(trials: Sequence[Trial], count: int = FOLDS) -> Iterator[tuple[list[Trial], list[Trial]]]:
    """Return ``count`` times (the trials to fit, those held out), no player in both."""
    players = np.array([trial.player for trial in trials], dtype=object)
    _, codes = np.unique(players.astype(str), return_inverse=True)
    for kept, held in GroupKFold(count, shuffle=True, random_state=1).split(np.zeros(len(trials)), groups=codes):
        yield [trials[i] for i in kept], [trials[i] for i in held]


def cross_check(
    range_: Range, trials: Sequence[Trial], events: Sequence[Event] = (), progress: Progress | None = None
) -> CrossCheck | None:
    """Fit to four fifths of the players and predict the last fifth, five times; None with fewer than five players."""
    if len({trial.player for trial in trials}) < FOLDS:
        return None
    found = []
    for done, (kept, held) in enumerate(folds(trials), start=1):
        view = PreferenceModel(range_).fit(kept, events).view_
        found += [_predict(view, trial, _tier_means(range_, kept)) for trial in held]
        if progress:
            progress(done, FOLDS)
    rated, model, tier = np.concatenate(found, axis=1) if found else np.zeros((3, 0))
    if not len(rated):
        return None
    error, baseline = (float(np.sqrt(np.mean((rated - guess) ** 2))) for guess in (model, tier))
    return CrossCheck(error, baseline, len(rated), len({trial.player for trial in trials}))


def _tier_means(range_: Range, trials: Sequence[Trial]) -> dict[str, float]:
    """Return the mean overall rating by tier, and of all under the empty name."""
    given = [
        (range_.copies[run.copy].tier, run.ratings[Criterion.OVERALL])
        for trial in trials
        for run in trial.runs
        if run.copy is not None and Criterion.OVERALL in run.ratings
    ]
    values = np.array([value for _, value in given])
    slugs = np.array([slug for slug, _ in given])
    means = {str(slug): float(values[slugs == slug].mean()) for slug in np.unique(slugs)}
    return means | {"": float(values.mean()) if len(values) else 4.0}


def _predict(view: View, trial: Trial, tier_means: dict[str, float]) -> Floats:
    """Return (3, n): the overall ratings of the trial's copies, the model's and the tier means' predictions."""
    player = Player(view, told(trial))
    place = {serial: index for index, serial in enumerate(player.suited.serials)}
    runs = [run for run in trial.runs if run.copy in place and Criterion.OVERALL in run.ratings]
    mean, _ = player.after(player.copies(np.eye(len(CRITERIA))[OVERALL]))
    tiers = [view.range.copies[str(run.copy)].tier for run in runs]
    return np.array(
        [
            [run.ratings[Criterion.OVERALL] for run in runs],
            [mean[place[str(run.copy)]] for run in runs],
            [tier_means.get(tier, tier_means[""]) for tier in tiers],
        ]
    ).reshape(3, len(runs))
