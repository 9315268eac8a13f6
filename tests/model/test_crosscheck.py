"""The first look at whether the model earns its keep: no player on both sides, and the errors those of the outlook."""

from dataclasses import replace

import numpy as np
import pytest

from model.crosscheck import FOLDS, cross_check, folds, told
from model.preference import PreferenceModel
from model.records import Answers, OwnBow, Trial
from model.vocabulary import Criterion, Instrument
from tests.model.worlds import VIOLIN, basses, drawn_trials, joined, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([4, 4])


def overall_only(trials: list[Trial]) -> list[Trial]:
    """The trials with the overall marks alone: what the check is about, and eight times as fast to fit."""
    return [
        replace(t, runs=tuple(replace(r, ratings={c: m for c, m in r.ratings.items() if c is O}) for r in t.runs))
        for t in trials
    ]


def test_no_player_is_fitted_and_held_out_at_once() -> None:
    trials = [replace(t, player=f"p{n % 17}") for n, t in enumerate(drawn_trials(RANGE, 40, 2, seed=1))]
    held_keys = []
    for kept, held in folds(trials):
        assert not {t.player for t in kept} & {t.player for t in held}
        assert len(kept) + len(held) == len(trials)
        held_keys += [t.key for t in held]
    assert sorted(held_keys) == sorted(t.key for t in trials)


def test_the_folds_are_the_same_every_time() -> None:
    trials = drawn_trials(RANGE, 12, 2, seed=1)
    one, other = ([[t.key for t in held] for _, held in folds(trials)] for _ in range(2))
    assert one == other


def test_fewer_than_five_players_are_not_checked() -> None:
    trials = drawn_trials(RANGE, 20, 2, seed=1)
    assert cross_check(RANGE, [replace(t, player=f"p{n % 4}") for n, t in enumerate(trials)]) is None
    assert cross_check(RANGE, []) is None


def test_trials_without_an_overall_mark_are_not_checked() -> None:
    assert cross_check(RANGE, [trial(n, [("a0", {TONE: 4.0})]) for n in range(6)]) is None


def test_the_errors_are_those_of_the_outlook_and_of_the_other_players_tier_means() -> None:
    trials = overall_only(drawn_trials(RANGE, 15, 3, seed=6))
    found = cross_check(RANGE, trials)
    assert found is not None
    model, tier = [], []
    for kept, held in folds(trials):
        fitted = PreferenceModel(RANGE).fit(kept)
        marks = [
            (RANGE.copies[str(r.copy)].tier, r.ratings[O]) for t in kept for r in t.runs if r.copy and O in r.ratings
        ]
        for each in held:
            asked = fitted.outlook(replace(told(each), priorities=()))
            expected = dict(zip(asked.stock.serials, asked.stock.offset + asked.mean[asked.stock.tier], strict=True))
            for run in each.runs:
                if run.copy and O in run.ratings:
                    model.append(run.ratings[O] - expected[run.copy])
                    tier.append(run.ratings[O] - np.mean([m for t, m in marks if t == RANGE.copies[run.copy].tier]))
    assert (found.ratings, found.players) == (len(model), 15)
    assert found.model == pytest.approx(np.sqrt(np.mean(np.square(model))), abs=1e-9)
    assert found.tier_mean == pytest.approx(np.sqrt(np.mean(np.square(tier))), abs=1e-9)


def test_where_players_and_copies_differ_the_model_beats_the_tier_mean() -> None:
    found = cross_check(RANGE, overall_only(drawn_trials(RANGE, 60, 4, seed=2)))
    assert found is not None
    assert found.model < 0.95 * found.tier_mean


def test_where_marks_are_noise_the_model_is_hardly_worse_than_the_tier_mean() -> None:
    rng = np.random.default_rng(5)
    sheets = [[(serial, {O: float(rng.integers(2, 7))}) for serial in RANGE.copies] for _ in range(40)]
    found = cross_check(RANGE, [trial(n, of) for n, of in enumerate(sheets)])
    assert found is not None
    assert found.model < 1.05 * found.tier_mean


def test_the_progress_is_told_fold_by_fold() -> None:
    seen: list[tuple[int, int]] = []
    cross_check(
        RANGE, overall_only(drawn_trials(RANGE, 6, 2, seed=1)), progress=lambda done, of: seen.append((done, of))
    )
    assert seen == [(done, FOLDS) for done in range(1, FOLDS + 1)]


def test_a_copy_that_does_not_suit_the_player_is_left_out() -> None:
    both = joined(RANGE, basses())
    trials = [
        *overall_only(drawn_trials(RANGE, 6, 2, seed=1)),
        trial(90, [("g0", {O: 4.0})]),
        trial(91, [("a0", {O: 4.0})]),
    ]
    found = cross_check(both, trials)
    assert found is not None
    assert found.ratings == sum(O in r.ratings for t in trials for r in t.runs if r.copy and r.copy != "g0")


# What the model is told of a held-out player


def a_trial(answers: Answers) -> Trial:
    return trial(1, [(None, {}), (None, {O: 3.0, TONE: 5.0}), ("a0", {O: 6.0}), (None, {O: 7.0})], answers)


def test_the_own_bow_is_told_as_it_was_first_rated() -> None:
    own = told(a_trial(VIOLIN)).own_bow
    assert own is not None
    assert own.ratings == {O: 3.0, TONE: 5.0}


def test_what_else_is_known_of_the_own_bow_is_told_too() -> None:
    own = told(a_trial(Answers(Instrument.VIOLIN, own_bow=OwnBow(mass_g=59.0, ratings={O: 2.0})))).own_bow
    assert own is not None
    assert (own.mass_g, own.ratings[O]) == (59.0, 3.0)


def test_a_bow_rated_as_the_own_one_is_believed_over_the_answer_that_there_is_none() -> None:
    assert not told(a_trial(Answers(Instrument.VIOLIN, plays_no_bow=True))).plays_no_bow


def test_without_a_mark_on_the_own_bow_the_answers_stay() -> None:
    answers = Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 2.0}))
    assert told(trial(1, [(None, {}), ("a0", {O: 4.0})], answers)) is answers
