"""The check-up: how well a kind of model foretells players and copies that it has not seen, beside what it has to beat."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from model.domain.vocabulary import Criterion
from model.evaluation.baselines import baselines
from model.evaluation.calibration import Calibration, calibrate
from model.evaluation.clean_strokes import CleanStrokes, check_strokes
from model.evaluation.folds import (
    MEASURES,
    OVERALL,
    RATINGS_KNOWN,
    Fold,
    FoldResult,
    ModelFactory,
    TrialHistory,
    evaluate_fold,
    make_folds,
)
from model.evaluation.metrics import Part, Score, ScoreTable
from model.evaluation.policies import PolicyComparison, compare_policies
from model.preference import MODEL_PARTS, PreferenceModel

MODEL, REFERENCE = "model", "without tastes"
WITHOUT = tuple(f"without {part}" for part in MODEL_PARTS)
"""The model without one of its parts, in what is held out by player."""
WITHOUT_TRAITS = "without bench traits"
"""The model fitted without them, in what is held out by copy."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class StageScores:
    """The figures of every method once players have given so many ratings of their own.

    Attributes
    ----------
    told : ratings of other bows than the own one that were told before.
    ratings, players : how many ratings were foretold, and of how many players.
    pairs, choices : pairs of bows not rated alike, and trials with two bows or more to choose from.
    scores : of the model first, then of what it has to beat.
    """

    told: int
    ratings: int
    players: int
    pairs: int
    choices: int
    scores: tuple[Score, ...]


@dataclass(frozen=True, slots=True)
class SplitReport:
    """What was held out in one way; ``parts`` are of the overall rating, over all numbers of ratings told."""

    overall: tuple[StageScores, ...]
    utility: tuple[StageScores, ...]
    parts: tuple[Part, ...]


@dataclass(frozen=True, slots=True)
class EvaluationReport:
    """A check-up.

    Attributes
    ----------
    players, trials, ratings : how much history there was; ratings of copies by the overall mark.
    by_player, by_copy : None where there are fewer than `heldout.FOLDS` players, or copies rated.
    chances : what was told before trials of bows' being rated above the own one, beside what came of it.
    strokes : the playable range as a criterion of its own; None where nobody played all eight strokes.
    wins : what the bows that the model names would have won among those that each trial did hold.
    """

    players: int
    trials: int
    ratings: int
    by_player: SplitReport | None
    by_copy: SplitReport | None
    chances: Calibration | None
    wins: tuple[PolicyComparison, ...]
    strokes: CleanStrokes | None = None

    def to_json(self) -> dict[str, Any]:
        """Return plain JSON values; None stands for what could not be computed."""
        found = _plain(asdict(self))
        assert isinstance(found, dict)  # noqa: S101 - a dataclass is a dict here
        return found


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(of) for key, of in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(of) for of in value]
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    return value


def cross_validate(
    past: TrialHistory,
    make_model: ModelFactory = PreferenceModel,
    reference: ModelFactory | None = None,
    progress: Progress | None = None,
    seed: int = 1,
    run: Callable[[Callable[[Fold], FoldResult], Sequence[Fold]], Iterable[FoldResult]] = map,
) -> EvaluationReport:
    """Check a kind of model on players and copies held out of its fits.

    Parameters
    ----------
    past : range, trials and what came of them.
    make_model : makes the model that is checked; must be picklable where ``run`` needs it.
    reference : makes the same model without each player's own tastes, to compare with.
    progress : told (folds done, folds) after each.
    seed : of the folds.
    run : computes the folds, in order; `map`, or that of an executor for several at a time.

    Raises
    ------
    ValueError, RuntimeError
        As `PreferenceModel.fit`.
    """
    made = make_folds(past, make_model, reference, seed)
    found: dict[str, list[FoldResult]] = {"player": [], "copy": []}
    for done, (task, result) in enumerate(zip(made, run(evaluate_fold, made), strict=True), start=1):
        found[task.by].append(result)
        if progress:
            progress(done, len(made))
    report = _report(past, found, [MODEL, *([REFERENCE] if reference else [])], seed)
    return replace(report, strokes=check_strokes(past, make_model, seed))


def _report(
    past: TrialHistory, found: Mapping[str, Sequence[FoldResult]], laws: Sequence[str], seed: int
) -> EvaluationReport:
    others = [baseline.name for baseline in baselines(seed)]
    by_player = found["player"]
    return EvaluationReport(
        players=len({trial.player for trial in past.trials}),
        trials=len(past.trials),
        ratings=sum(Criterion.OVERALL in run.ratings for _, run in past.played),
        by_player=_split([*laws, *WITHOUT, *others], by_player),
        by_copy=_split([*laws, *([WITHOUT_TRAITS] if past.measured else []), *others], found["copy"], of_copies=True),
        chances=calibrate([of.comparisons for of in by_player]),
        wins=compare_policies([each for of in by_player for each in of.visits], past.offers),
    )


def _split(methods: Sequence[str], found: Sequence[FoldResult], of_copies: bool = False) -> SplitReport | None:
    joined = {
        (measure, r): ScoreTable(
            methods,
            [e for of in found for e in of.foretold[measure, r]],
            of_copies=of_copies,
            whole=measure == OVERALL,
        )
        for measure in MEASURES
        for r in RATINGS_KNOWN
        if found
    }
    if not any(scored.foretold for scored in joined.values()):
        return None
    overall, utility = (
        tuple(_state(r, joined[measure, r]) for r in RATINGS_KNOWN if joined[measure, r].foretold)
        for measure in MEASURES
    )
    every = [each for r in RATINGS_KNOWN for each in joined[OVERALL, r].foretold]
    return SplitReport(overall, utility, ScoreTable(methods, every, whole=True).parts())


def _state(told: int, scored: ScoreTable) -> StageScores:
    players = len(np.unique(scored.player))
    return StageScores(told, len(scored.value), players, scored.pairs, scored.choices, scored.scores())
