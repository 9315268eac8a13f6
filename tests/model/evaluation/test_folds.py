"""Players and copies held out: nothing of what is foretold is looked at, and everything that may be told is."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from model.domain.records import Run, Trial
from model.domain.vocabulary import Criterion
from model.evaluation import folds
from model.evaluation.folds import (
    FOLDS,
    MEASURES,
    OVERALL,
    RATINGS_KNOWN,
    UTILITY,
    Fold,
    FoldResult,
    TrialHistory,
    evaluate_fold,
    make_folds,
    player_folds,
)
from model.features.training_data import RatingsTable
from model.preference.batch import with_own_ratings
from model.preference.model import PreferenceModel
from tests.model.worlds import VIOLIN, basses, drawn_trials, joined, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([4, 4])
LEVELS_ALONE = partial(PreferenceModel, tastes=False)
WISHING = replace(VIOLIN, priorities=(TONE,))


def overall_only(trials: Sequence[Trial]) -> list[Trial]:
    """The trials with the overall marks alone: eight times as fast to fit."""
    return [
        replace(t, runs=tuple(replace(r, ratings={c: m for c, m in r.ratings.items() if c is O}) for r in t.runs))
        for t in trials
    ]


TRIALS = [replace(t, answers=WISHING) for t in drawn_trials(RANGE, 24, 4, seed=6)]
PAST = TrialHistory(RANGE, TRIALS)


def task(by: str, past: TrialHistory = PAST, fold: int = 0) -> Fold:
    """The first fold by players or by copies."""
    return [each for each in make_folds(past, LEVELS_ALONE, None, seed=3) if each.by == by][fold]


@pytest.fixture(scope="module")
def by_player() -> FoldResult:
    return evaluate_fold(task("player"))


@pytest.fixture(scope="module")
def by_copy() -> FoldResult:
    return evaluate_fold(task("copy"))


def changed(which: Callable[[Trial, Run], bool]) -> TrialHistory:
    """The same history with some runs' marks turned round (1 for 7, 2 for 6 ...)."""
    turned = [
        replace(
            t,
            runs=tuple(
                replace(r, ratings={c: 8.0 - m for c, m in r.ratings.items()}) if which(t, r) else r for r in t.runs
            ),
        )
        for t in TRIALS
    ]
    return TrialHistory(RANGE, turned)


def means(found: FoldResult, key: tuple[str, int]) -> dict[tuple[str, tuple[str, ...]], list[list[float]]]:
    """What was foretold by player and copies."""
    return {(each.player, each.copy): each.mean.tolist() for each in found.foretold[key]}


def test_of_many_trials_a_fold_foretells_a_draw_as_it_would_have_foretold_them_all(
    by_player: FoldResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = means(by_player, (OVERALL, 1))
    monkeypatch.setattr(folds, "MOST_FORETOLD", len(whole) - 2)
    drawn = means(evaluate_fold(task("player")), (OVERALL, 1))
    assert len(drawn) == len(whole) - 2 > 0
    for key, mean in drawn.items():
        np.testing.assert_allclose(mean, whole[key], rtol=0, atol=1e-12)


@pytest.mark.parametrize("by", ["player", "copy"])
def test_every_player_and_every_copy_is_held_out_once(by: str) -> None:
    held = [name for each in make_folds(PAST, LEVELS_ALONE, None, seed=3) if each.by == by for name in each.held]
    whole = {t.player for t in TRIALS} if by == "player" else {str(r.copy) for t in TRIALS for r in t.runs if r.copy}
    assert sorted(held) == sorted(whole)


def test_what_fits_without_the_held_out_are_made_of_is_what_their_trials_alone_would_give() -> None:
    own = [replace(t, runs=(*t.runs, Run(len(t.runs) + 1, None, {O: 5.0}))) for t in TRIALS]
    past = TrialHistory(RANGE, own)
    for by in ("player", "copy"):
        held_out = task(by, past).held
        if by == "player":
            kept = [t for t in own if t.player not in held_out]
        else:
            kept = [replace(t, runs=tuple(r for r in t.runs if r.copy not in held_out)) for t in own]
        held = np.array([(own[n].player if by == "player" else r.copy) in held_out for n, r in past.played])
        assert 0 < held.sum() < len(held)
        picked, gathered = past.without(held, kept), past.gathered(kept)
        assert len(picked.history.X) == (~held).sum()
        for name in RatingsTable.__slots__:
            np.testing.assert_array_equal(getattr(picked.history, name), getattr(gathered.history, name), err_msg=name)
        whole = picked.history.whole()
        np.testing.assert_array_equal(whole.X, np.vstack([picked.history.X, picked.history.own_X]))
        assert np.shares_memory(whole.X, picked.history.X)  # a network's rows are 130 MB: no fit copies them again
        assert picked.trials == gathered.trials
        assert picked.keeping.outcomes == gathered.keeping.outcomes


def test_two_thirds_of_the_copies_and_four_fifths_of_the_players_are_kept() -> None:
    made = make_folds(PAST, LEVELS_ALONE, None, seed=3)
    assert [each.by for each in made] == ["copy"] * 3 + ["player"] * 5
    assert {len(each.held) for each in made if each.by == "copy"} <= {2, 3}
    assert {len(each.held) for each in made if each.by == "player"} <= {4, 5}


def test_the_folds_are_those_of_the_seed() -> None:
    first, again, other = (make_folds(PAST, LEVELS_ALONE, None, seed) for seed in (3, 3, 4))
    assert [each.held for each in first] == [each.held for each in again]
    assert [each.held for each in first] != [each.held for each in other]


def test_no_player_is_fitted_and_held_out_at_once() -> None:
    trials = [replace(t, player=f"p{n % 17}") for n, t in enumerate(drawn_trials(RANGE, 40, 2, seed=1))]
    held_keys = []
    for kept, held in player_folds(trials):
        assert not {t.player for t in kept} & {t.player for t in held}
        assert len(kept) + len(held) == len(trials)
        held_keys += [t.key for t in held]
    assert sorted(held_keys) == sorted(t.key for t in trials)


def test_fewer_than_five_players_or_copies_are_not_held_out() -> None:
    few = [replace(t, player=f"p{n % (FOLDS - 1)}") for n, t in enumerate(TRIALS)]
    assert {each.by for each in make_folds(TrialHistory(RANGE, few), LEVELS_ALONE, None, 1)} == {"copy"}
    small = violins([2, 2])
    past = TrialHistory(small, drawn_trials(small, 6, 2, seed=1))
    assert {each.by for each in make_folds(past, LEVELS_ALONE, None, 1)} == {"player"}
    assert make_folds(TrialHistory(RANGE, []), LEVELS_ALONE, None, 1) == []


def test_what_is_foretold_of_a_player_is_not_looked_at(by_player: FoldResult) -> None:
    # Turning round every mark after the first r, of the players held out, changes nothing that is foretold of them.
    held = task("player").held
    for r in (0, 2):
        other = changed(lambda t, run, r=r: t.player in held and run.copy is not None and run.position > r)  # type: ignore[misc]
        found = evaluate_fold(task("player", other))
        for measure in MEASURES:
            before, after = (
                {k: v for (k, _), v in sorted(means(of, (measure, r)).items())} for of in (by_player, found)
            )
            assert before.keys() == after.keys()
            for key, mean in before.items():
                np.testing.assert_allclose(after[key], mean, atol=1e-9)


def test_what_is_told_of_a_player_matters(by_player: FoldResult) -> None:
    held = task("player").held
    found = evaluate_fold(task("player", changed(lambda t, run: t.player in held and run.position == 1)))
    assert means(found, (OVERALL, 1)) != means(by_player, (OVERALL, 1))


def test_no_rating_of_a_held_out_copy_is_looked_at(by_copy: FoldResult) -> None:
    held = task("copy").held
    found = evaluate_fold(task("copy", changed(lambda _, run: run.copy in held)))
    for r in RATINGS_KNOWN:
        before, after = (means(of, (OVERALL, r)) for of in (by_copy, found))
        assert before.keys() == after.keys()
        for key, mean in before.items():
            np.testing.assert_allclose(after[key], mean, atol=1e-9)


def test_held_out_players_are_foretold_all_that_is_left_of_each_trial(by_player: FoldResult) -> None:
    held = task("player").held
    for r in RATINGS_KNOWN:
        left = [
            tuple(str(run.copy) for run in [run for run in t.runs if run.copy][r:] if O in run.ratings)
            for t in TRIALS
            if t.player in held
        ]
        assert [each.copy for each in by_player.foretold[OVERALL, r]] == [copies for copies in left if copies]


def test_held_out_copies_are_foretold_once_enough_others_were_told(by_copy: FoldResult) -> None:
    held = task("copy").held
    for r in RATINGS_KNOWN:
        found = {each.player: each.copy for each in by_copy.foretold[OVERALL, r]}
        for t in TRIALS:
            copies = [run for run in t.runs if run.copy and run.ratings]
            out = [str(run.copy) for run in copies if run.copy in held and O in run.ratings]
            enough = sum(run.copy not in held for run in copies) >= r
            assert list(found.get(t.player, ())) == (out if enough else [])


def test_the_model_is_fitted_to_the_others_and_told_the_own_bow() -> None:
    # All bows at the typical place, so that the outlook's own expectation of each copy is what is foretold.
    there = [replace(t, runs=tuple(replace(run, position=3) for run in t.runs)) for t in TRIALS]
    made = task("player", TrialHistory(RANGE, there))
    model = LEVELS_ALONE(RANGE).fit([t for t in there if t.player not in made.held])
    of = {t.player: t for t in there}
    for each in evaluate_fold(made).foretold[OVERALL, 0]:
        asked = model.outlook(with_own_ratings(of[each.player]))
        expected = dict(zip(asked.stock.serials, asked.mean[asked.stock.tier] + asked.stock.offset, strict=True))
        np.testing.assert_allclose(each.mean[0], [expected[copy] for copy in each.copy], atol=1e-9)


def test_the_utility_is_marked_by_overall_and_priorities(by_player: FoldResult) -> None:
    of = {t.player: t for t in TRIALS}
    for each in by_player.foretold[UTILITY, 0]:
        runs = [run for run in of[each.player].runs if run.copy and {O, TONE} <= run.ratings.keys()]
        np.testing.assert_allclose(each.value, [(run.ratings[O] + run.ratings[TONE]) / 2 for run in runs])


def test_a_copy_heard_before_in_the_trial_is_marked_so() -> None:
    again = [replace(t, runs=(*t.runs, Run(9, t.runs[0].copy, {O: 4.0}))) for t in TRIALS]
    found = evaluate_fold(task("player", TrialHistory(RANGE, again)))
    assert not any(each.tried.any() for each in found.foretold[OVERALL, 0])
    assert all(each.tried.tolist() == [False] * (len(each.copy) - 1) + [True] for each in found.foretold[OVERALL, 1])


def test_a_copy_that_does_not_suit_the_player_is_left_out() -> None:
    both = joined(RANGE, basses())
    trials = [*overall_only(TRIALS[:6]), trial(90, [("g0", {O: 4.0}), ("a0", {O: 4.0})])]
    found = [
        evaluate_fold(each)
        for each in make_folds(TrialHistory(both, trials), LEVELS_ALONE, None, 1)
        if each.by == "player"
    ]
    copies = [copy for of in found for each in of.foretold[OVERALL, 0] for copy in each.copy]
    assert "g0" not in copies
    assert len(copies) == sum(O in run.ratings for t in trials for run in t.runs if run.copy and run.copy != "g0")


def test_players_who_rated_nothing_overall_are_foretold_nothing_overall() -> None:
    past = TrialHistory(RANGE, [trial(n, [("a0", {TONE: 4.0})]) for n in range(6)])
    found = [evaluate_fold(each) for each in make_folds(past, LEVELS_ALONE, None, 1)]
    assert all(of.foretold[OVERALL, 0] == [] for of in found)


def test_the_reference_is_foretold_beside_the_model() -> None:
    made = make_folds(TrialHistory(RANGE, overall_only(TRIALS)), LEVELS_ALONE, LEVELS_ALONE, seed=3)
    for each in evaluate_fold(made[0]).foretold[OVERALL, 2]:
        np.testing.assert_array_equal(each.mean[0], each.mean[1])
        np.testing.assert_array_equal(each.cov[0], each.cov[1])
