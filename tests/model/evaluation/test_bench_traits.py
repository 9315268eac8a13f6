"""Bench traits on copies nobody has rated: that they help is found where it is so, and what is said of such copies holds."""

from functools import cache, partial

import numpy as np
import pytest

from model.domain.records import Answers
from model.domain.vocabulary import Instrument
from model.evaluation.cross_validation import MODEL, WITHOUT_TRAITS
from model.evaluation.folds import TrialHistory, evaluate_fold, make_folds
from model.evaluation.metrics import ClusteredMean, ScoreTable
from model.preference.model import PreferenceModel
from model.preference.predict import predict_player
from tests.model.worlds import BenchWorld, bench_world

LEVELS_ALONE = partial(PreferenceModel, tastes=False)


@cache
def world() -> BenchWorld:
    return bench_world(slope=0.4, players=250, seed=4, new=200)


def of_new_copies(past: TrialHistory) -> ClusteredMean:
    """By how many points the error on copies held out is less with bench traits than without."""
    folds = [task for task in make_folds(past, LEVELS_ALONE, None, 1) if task.by == "copy"]
    foretold = [each for task in folds for each in evaluate_fold(task).foretold["overall", 0]]
    methods = [MODEL, WITHOUT_TRAITS, *(f"baseline {n}" for n in range(len(foretold[0].mean) - 2))]
    return ScoreTable(methods, foretold, of_copies=True).scores()[1].better["rmse"]


def test_where_players_feel_what_the_bench_reads_the_check_up_finds_that_it_helps() -> None:
    better = of_new_copies(TrialHistory(world().range, world().trials))
    assert better.mean > 2 * better.error > 0
    # Nothing read better than the true stiffness and mass do could take away more of the variance of copies.
    assert better.mean < 0.4


def test_what_is_said_of_copies_nobody_has_rated_holds_with_readings_that_are_noisy_or_missing() -> None:
    of, rng = world(), np.random.default_rng(9)
    found = predict_player(LEVELS_ALONE(of.range).fit(of.trials).view_, Answers(Instrument.VIOLIN))
    at = np.array([found.stock.serials.index(serial) for serial in of.new])
    tier = found.stock.tier[at]
    # A mark by another player each: level, match and noise are drawn anew.
    liked = np.array([of.liked[serial] for serial in of.new])
    mark = liked + rng.normal(0.0, np.sqrt(0.7**2 + 0.3**2 + 0.6**2), len(at))
    mean = found.mean[tier] + found.stock.offset[at]
    deviation = np.sqrt(np.diag(found.cov)[tier] + found.stock.spread[at] ** 2 + found.noise**2)
    benches = [of.range.copies[serial].bench for serial in of.new]
    read = np.array([(b.mass_g is not None) + (b.stiffness_n_per_m is not None) for b in benches])
    for count in (0, 1, 2):
        here = read == count
        held = np.abs(mark - mean)[here] <= 1.645 * deviation[here]
        assert held.mean() == pytest.approx(0.9, abs=3 * np.sqrt(0.09 / here.sum()) + 0.01), count
    assert deviation[read == 2].mean() < deviation[read == 0].mean()
    # The readings tell copies apart: what is foretold goes along with what everybody finds, within the tiers.
    beyond = np.array([of.liked[s] - np.mean([of.liked[o] for o in of.new if o[0] == s[0]]) for s in of.new])
    assert np.corrcoef(found.stock.offset[at][read == 2], beyond[read == 2])[0, 1] > 0.5
