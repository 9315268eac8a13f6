"""The playable range in the check-up: learnt where bows differ in it, apart from the ratings, and silent without it."""

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from model.domain.records import Run
from model.evaluation.clean_strokes import check_strokes
from model.evaluation.folds import TrialHistory
from model.preference.model import PreferenceModel
from tests.model.worlds import drawn_trials, violins

RANGE = violins([6, 6])
LEVELS_ALONE = partial(PreferenceModel, tastes=False)


def history(share: float, seed: int = 3) -> TrialHistory:
    """Trials in which a share of the bows had their strokes played: of each bow its own count, one stroke more or less by chance."""
    rng = np.random.default_rng(seed)
    of_copy = {serial: int(rng.integers(1, 8)) for serial in sorted(RANGE.copies)}
    return TrialHistory(
        RANGE,
        [
            replace(trial, runs=tuple(_played(run, of_copy, share, rng) for run in trial.runs))
            for trial in drawn_trials(RANGE, 30, 4, seed=2)
        ],
    )


def _played(run: Run, of_copy: dict[str, int], share: float, rng: np.random.Generator) -> Run:
    if run.copy is None or rng.random() > share:
        return run
    return replace(run, clean_strokes=int(np.clip(of_copy[run.copy] + rng.integers(-1, 2), 0, 8)))


def test_clean_strokes_of_players_held_out_are_foretold_better_than_by_the_tier() -> None:
    past = history(1.0)
    found = check_strokes(past, LEVELS_ALONE)
    assert found is not None
    assert (found.runs, found.players, found.copies) == (len(past.played), 30, 12)
    assert found.error is not None
    assert found.tier_mean is not None
    assert found.gain is not None
    # One stroke more or less by chance strays by 0.82; the bows themselves lie one to seven apart.
    assert 0.7 < found.error < 1.1
    assert found.tier_mean > 1.5
    assert found.gain.mean > 4 * found.gain.error
    assert found.copy_sd > found.player_sd


def test_few_who_played_them_are_fitted_and_foretell_nobody() -> None:
    past = history(1.0)
    alone = past.trials[0].player
    quiet = [
        trial
        if trial.player == alone
        else replace(trial, runs=tuple(replace(run, clean_strokes=None) for run in trial.runs))
        for trial in past.trials
    ]
    found = check_strokes(TrialHistory(RANGE, quiet), LEVELS_ALONE)
    assert found is not None
    assert (found.players, found.error, found.gain) == (1, None, None)


def test_without_strokes_there_is_nothing_to_say() -> None:
    assert check_strokes(history(0.0), LEVELS_ALONE) is None


@pytest.mark.parametrize("count", [-1, 9])
def test_a_run_has_at_most_eight_clean_strokes(count: int) -> None:
    with pytest.raises(ValueError, match="expected 0 to 8"):
        Run(1, None, {}, count)
