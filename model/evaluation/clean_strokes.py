"""The playable range as a criterion of its own: how many of eight strokes were clean, fitted and checked apart from the ratings.

A count n of 0 to 8 stands on the ratings' scale as 1 + 6 n / 8, so that the design and the beliefs of the ratings serve it. It
enters no other criterion and nothing that is decided by: what a bow can do in designed strokes is not what a player likes.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from model.choice import prior_only
from model.domain.arrays import Flags, Floats
from model.domain.records import Range
from model.domain.vocabulary import HIGHEST, LOWEST, OVERALL, POINTS_A_STROKE
from model.evaluation.folds import ModelFactory, TrialHistory, player_folds
from model.evaluation.metrics import ClusteredMean
from model.features import TrainingData
from model.preference import FittedModel


@dataclass(frozen=True, slots=True)
class CleanStrokes:
    """What the fit of clean strokes found, in strokes of eight.

    Attributes
    ----------
    runs, players, copies : of which all eight strokes were played; own bows are not among them.
    player_sd, copy_sd, match_sd, repeat_sd : how players, bows, bows with one player, and repeats differ.
    error, tier_mean : root mean squared error on players held out, of the fit and of the tier's mean; None with too few players.
    gain : by how much the squared error is less than the tier's mean's, with its standard error; None likewise.
    """

    runs: int
    players: int
    copies: int
    player_sd: float
    copy_sd: float
    match_sd: float
    repeat_sd: float
    error: float | None
    tier_mean: float | None
    gain: ClusteredMean | None


def check_strokes(past: TrialHistory, make_model: ModelFactory, seed: int = 1) -> CleanStrokes | None:
    """Fit the clean strokes of a history, and foretell those of players held out; None where nobody played all eight.

    Raises
    ------
    ValueError, RuntimeError
        As `PreferenceModel.fit`.
    """
    marks = np.array([np.nan if run.range_mark is None else run.range_mark for _, run in past.played], dtype=np.float64)
    played = np.isfinite(marks)
    if not played.any():
        return None
    fitted = _fit(past, make_model, marks, played)
    held_out = list(_held_out(past, make_model, marks, seed))
    error, tier_mean, gain = _figures(held_out)
    return CleanStrokes(
        runs=int(played.sum()),
        players=len(set(past.history.player[played].tolist())),
        copies=len({run.copy for (_, run), known in zip(past.played, played.tolist(), strict=True) if known}),
        player_sd=float(fitted.player_sd[OVERALL]) / POINTS_A_STROKE,
        copy_sd=float(fitted.copy_sd[OVERALL]) / POINTS_A_STROKE,
        match_sd=float(fitted.match_sd[OVERALL]) / POINTS_A_STROKE,
        repeat_sd=float(fitted.repeat_sd[OVERALL]) / POINTS_A_STROKE,
        error=error,
        tier_mean=tier_mean,
        gain=gain,
    )


def _fit(past: TrialHistory, make_model: ModelFactory, marks: Floats, rows: Flags) -> FittedModel:
    """Return the fit to some rows (N,) of the runs of copies: as if the counts were the overall marks, and nothing else was rated."""
    of = past.history
    Y, own_Y = np.full_like(of.Y, np.nan), np.full_like(of.own_Y, np.nan)
    Y[rows, OVERALL] = marks[rows]
    counted = replace(of, Y=Y, own_Y=own_Y)
    return make_model(past.range).each_criterion(
        TrainingData(past.trials, past.stretches, past.design, counted, prior_only())
    )


Held = tuple[str, float, float]
"""A player, and the squared errors of the fit and of the tier's mean, in strokes squared."""


def _held_out(past: TrialHistory, make_model: ModelFactory, marks: Floats, seed: int) -> Iterator[Held]:
    players = past.history.player
    with_strokes = set(players[np.isfinite(marks)].tolist())
    trials = [trial for trial in past.trials if trial.player in with_strokes]
    for _kept, held in player_folds(trials, seed):
        away = np.isin(players.astype(str), sorted({trial.player for trial in held})) & np.isfinite(marks)
        known = np.isfinite(marks) & ~away
        if not known.any() or not away.any():
            continue
        told = _foretold(past, _fit(past, make_model, marks, known), away)
        means = _tier_means(past.range, past, marks, known)[away]
        for player, mark, fit, mean in zip(players[away].tolist(), marks[away], told, means, strict=True):
            yield player, ((mark - fit) / POINTS_A_STROKE) ** 2, ((mark - mean) / POINTS_A_STROKE) ** 2


def _foretold(past: TrialHistory, fit: FittedModel, rows: Flags) -> Floats:
    """Return what the fit foretells of other players' marks, clipped to the scale."""
    effect = dict(zip(fit.levels, fit.effect[OVERALL].tolist(), strict=True))
    levels = past.history.level[rows].tolist()
    found = past.history.X[rows] @ fit.coef[OVERALL] + np.array([effect.get(level, 0.0) for level in levels])
    return np.asarray(np.clip(found, LOWEST, HIGHEST), dtype=np.float64)


def _tier_means(range_: Range, past: TrialHistory, marks: Floats, known: Flags) -> Floats:
    """Return (N,) the mean of the known marks of each run's tier, of all where the tier has none."""
    tiers = np.array([range_.copies[str(run.copy)].tier for _, run in past.played], dtype=str)
    overall = float(marks[known].mean())
    means = {tier: float(marks[known & (tiers == tier)].mean()) for tier in set(tiers[known].tolist())}
    return np.array([means.get(tier, overall) for tier in tiers.tolist()])


def _figures(held_out: list[Held]) -> tuple[float | None, float | None, ClusteredMean | None]:
    if not held_out:
        return None, None, None
    players = [player for player, _fit, _mean in held_out]
    fit, mean = (np.array([each[place] for each in held_out]) for place in (1, 2))
    return float(fit.mean() ** 0.5), float(mean.mean() ** 0.5), ClusteredMean.of(mean - fit, players)
