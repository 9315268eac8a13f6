"""The check-up as a whole: where there is something to learn the model learns it, and the report is plain numbers."""

import json
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import cache, partial
from typing import Any

import numpy as np
import pytest

from model.choice import Offer
from model.domain.records import Run, Trial
from model.domain.vocabulary import Criterion
from model.evaluation.cross_validation import EvaluationReport, cross_validate
from model.evaluation.folds import FOLDS, Fold, FoldResult, TrialHistory, make_folds
from model.evaluation.metrics import Score
from model.preference.model import PreferenceModel
from tests.model.worlds import OVERALL, VIOLIN, drawn_trials, trial, violins

TONE = Criterion.TONE
RANGE = violins([4, 4])
LEVELS_ALONE = partial(PreferenceModel, tastes=False)


def overall_only(trials: Sequence[Trial]) -> list[Trial]:
    """The trials with the overall marks alone: eight times as fast to fit."""
    keep = {OVERALL}
    return [
        replace(t, runs=tuple(replace(r, ratings={c: m for c, m in r.ratings.items() if c in keep}) for r in t.runs))
        for t in trials
    ]


@cache
def past() -> TrialHistory:
    trials = overall_only(drawn_trials(RANGE, 40, 5, seed=2))
    return TrialHistory(RANGE, trials, offers={t.key: Offer({"a": 100.0, "b": 200.0}) for t in trials})


def few() -> TrialHistory:
    """Few players, quickly fitted."""
    return TrialHistory(RANGE, overall_only(drawn_trials(RANGE, 6, 2, seed=1)))


@cache
def report() -> EvaluationReport:
    return cross_validate(past(), LEVELS_ALONE)


def score(of: EvaluationReport, told: int, method: str) -> Score:
    assert of.by_player is not None
    return next(each for each in of.by_player.overall[told].scores if each.method == method)


def test_the_check_up_tells_what_each_part_of_the_model_takes_away_from_its_error() -> None:
    """Two criteria, one of them rarely given: taken together they tell more of a copy than each by itself."""
    trials = [
        replace(t, runs=tuple(_thinned(run, place) for place, run in enumerate(t.runs)))
        for t in drawn_trials(RANGE, 40, 5, seed=2)
    ]
    found = cross_validate(TrialHistory(RANGE, trials), LEVELS_ALONE)
    alone, without = (score(found, 1, f"without {part}").better["rmse"] for part in ("joint effects", "priorities"))
    assert alone.mean > 0.0
    assert without.mean == pytest.approx(0.0, abs=0.02), "nobody named priorities"


def _thinned(run: Run, place: int) -> Run:
    kept = {OVERALL, TONE} if place % 3 else {TONE}
    return replace(run, ratings={c: m for c, m in run.ratings.items() if c in kept})


def test_where_players_and_copies_differ_the_model_beats_what_knows_them_less() -> None:
    for baseline in ("global mean", "tier mean"):
        better = score(report(), 2, baseline).better
        assert better["rmse"].mean > 2 * better["rmse"].error
        assert better["log_loss"].mean > 2 * better["log_loss"].error


def test_ratings_told_lower_the_error() -> None:
    # Nothing is known of these players before, so that their leniency shows in the first ratings only.
    strangers = TrialHistory(RANGE, overall_only(drawn_trials(RANGE, 40, 5, seed=2, own=False)))
    before, after = (score(cross_validate(strangers, LEVELS_ALONE), told, "model").rmse.mean for told in (0, 2))
    assert after < before


def test_where_marks_are_noise_the_model_is_hardly_worse_than_the_tier_mean() -> None:
    rng = np.random.default_rng(5)
    sheets = [[(serial, {OVERALL: float(rng.integers(2, 7))}) for serial in RANGE.copies] for _ in range(40)]
    found = cross_validate(TrialHistory(RANGE, [trial(n, of) for n, of in enumerate(sheets)]), LEVELS_ALONE)
    for told in (0, 3):
        assert score(found, told, "model").rmse.mean < 1.05 * score(found, told, "tier mean").rmse.mean


def test_intervals_hold_what_they_promise() -> None:
    for told in (0, 2):
        for inside in score(report(), told, "model").inside:
            assert abs(inside.share.mean - inside.told) < 3 * inside.share.error
            assert inside.level - 0.1 < inside.told < 0.95, "two marks at least hold more than half of them"


def test_every_method_is_told_by_its_name_the_model_first() -> None:
    names = [each.method for each in report().by_player.overall[0].scores]  # type: ignore[union-attr]
    assert names == [
        "model",
        "without joint effects",
        "without priorities",
        "global mean",
        "tier mean",
        "tier mean + offset",
        "ridge",
    ]
    both = cross_validate(few(), LEVELS_ALONE, reference=LEVELS_ALONE)
    assert both.by_copy is not None
    model, reference = both.by_copy.overall[0].scores[:2]
    assert reference.method == "without tastes"
    assert reference.rmse == model.rmse
    assert reference.better["rmse"].mean == 0.0


def test_what_was_held_out_is_counted() -> None:
    found = report()
    assert (found.players, found.trials, found.ratings) == (40, 40, sum(len(t.runs) - 1 for t in rated()))
    assert found.by_player is not None
    assert found.by_copy is not None
    assert found.by_player.overall[0].ratings == found.by_copy.overall[0].ratings == found.ratings


def rated() -> list[Trial]:
    """The trials with the runs that have a mark, the own bow's among them."""
    return [replace(t, runs=tuple(r for r in t.runs if r.copy is None or OVERALL in r.ratings)) for t in past().trials]


def numbers(value: Any) -> Iterable[float]:
    """Every number in a JSON value."""
    if isinstance(value, dict | list):
        for of in value.values() if isinstance(value, dict) else value:
            yield from numbers(of)
    elif isinstance(value, int | float):
        yield value


def test_the_report_is_json_without_players() -> None:
    text = json.dumps(report().to_json(), allow_nan=False)
    assert "p1" not in text.replace('"p', "")
    assert not [t for t in past().trials if f'"{t.player}"' in text or f'"{t.key}"' in text]
    assert np.isfinite(list(numbers(json.loads(text)))).all()


def test_what_could_not_be_computed_is_none_in_json() -> None:
    single = TrialHistory(RANGE, [trial(n, [("a0", {OVERALL: 3.0 + n % 3})]) for n in range(6)])
    found = cross_validate(single, LEVELS_ALONE).to_json()
    json.dumps(found, allow_nan=False)
    (state,) = found["by_player"]["overall"]
    assert state["pairs"] == state["choices"] == 0
    assert state["scores"][0]["regret"] == {"mean": None, "error": None}


def test_the_wins_and_the_chances_are_told() -> None:
    found = report()
    assert found.chances is not None
    assert 0 < found.chances.count <= found.ratings
    assert [win.bows for win in found.wins] == [2, 2]
    assert all(0 < win.differing <= win.trials <= 40 for win in found.wins)


HISTORIES: dict[str, Callable[[], list[Trial]]] = {
    "none": list,
    "fewer than five players": lambda: overall_only(drawn_trials(RANGE, FOLDS - 1, 4, seed=1)),
    "one bow a trial": lambda: [trial(n, [("a0", {OVERALL: 2.0 + n % 5})]) for n in range(8)],
    "own bows alone": lambda: [trial(n, [(None, {OVERALL: 2.0 + n % 5})]) for n in range(8)],
    "all marks alike": lambda: [trial(n, [("a0", {OVERALL: 4.0}), ("b1", {OVERALL: 4.0})]) for n in range(8)],
    "nothing rated overall": lambda: [trial(n, [("a0", {TONE: 4.0 + n % 2})]) for n in range(8)],
    "no rating at all": lambda: [trial(n, [("a0", {}), (None, {})]) for n in range(8)],
    "priorities never rated": lambda: [
        trial(n, [("a0", {OVERALL: 3.0 + n % 3})], replace(VIOLIN, priorities=(TONE,))) for n in range(8)
    ],
    "one player with 40 trials": lambda: [
        trial(n, [(f"a{n % 4}", {OVERALL: 2.0 + n % 5})], player="p" if n < 40 else "") for n in range(46)
    ],
}


@pytest.mark.parametrize("history", HISTORIES)
def test_odd_histories_give_a_report(history: str) -> None:
    found = cross_validate(TrialHistory(RANGE, HISTORIES[history]()), LEVELS_ALONE)
    json.dumps(found.to_json(), allow_nan=False)


def test_without_enough_players_and_copies_nothing_is_held_out() -> None:
    found = cross_validate(TrialHistory(RANGE, []), LEVELS_ALONE)
    assert (found.by_player, found.by_copy, found.chances) == (None, None, None)


def test_the_same_history_gives_the_same_report() -> None:
    assert cross_validate(few(), LEVELS_ALONE).to_json() == cross_validate(few(), LEVELS_ALONE).to_json()


def test_the_progress_is_told_fold_by_fold() -> None:
    seen: list[tuple[int, int]] = []
    cross_validate(few(), LEVELS_ALONE, progress=lambda done, of: seen.append((done, of)))
    steps = len(make_folds(few(), LEVELS_ALONE, None, 1))
    assert seen == [(done, steps) for done in range(1, steps + 1)]


def test_the_folds_may_be_computed_elsewhere() -> None:
    asked: list[Fold] = []

    def elsewhere(answer: Callable[[Fold], FoldResult], given: Sequence[Fold]) -> Iterable[FoldResult]:
        asked.extend(given)
        return map(answer, given)

    assert cross_validate(few(), LEVELS_ALONE, run=elsewhere).to_json() == cross_validate(few(), LEVELS_ALONE).to_json()
    assert len(asked) == len(make_folds(few(), LEVELS_ALONE, None, 1))
