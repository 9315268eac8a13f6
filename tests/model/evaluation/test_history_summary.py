"""Trials counted, against small histories counted by hand."""

from collections.abc import Mapping
from dataclasses import replace

import pytest

from model.domain.records import Outcome, Trial
from model.domain.vocabulary import Criterion, OutcomeKind
from model.evaluation.history_summary import PurchaseCounts, RatingCounts, summarise_history
from tests.model.worlds import START, trial, violins

RANGE = violins([3, 2])
O = Criterion.OVERALL  # noqa: E741 - overall
RATED: Mapping[Criterion, float] = {O: 5.0}


def history() -> list[Trial]:
    """P0 rates a0, a1 and b0; P1 rates a0 twice and the own bow; P0 comes again for b0; nobody rates in the last."""
    again = replace(trial(2, [("b0", RATED)]), player=trial(0, []).player)
    return [
        trial(0, [("a0", RATED), ("a1", RATED), ("b0", {Criterion.TONE: 3.0})]),
        trial(1, [("a0", RATED), (None, RATED), ("a0", RATED), ("b1", {})]),
        again,
        trial(3, [("a2", {}), (None, RATED)]),
    ]


def outcome(number: int, kind: OutcomeKind, copy: str | None = None) -> Outcome:
    return Outcome(trial(number, []).key, START, kind, copy)


def test_tiers_and_copies_are_counted_once_a_trial_and_once_a_player() -> None:
    found = summarise_history(RANGE, history())
    assert found.trials == 3
    assert found.tiers == {
        "a": RatingCounts(trials=2, players=2, copies=2),
        "b": RatingCounts(trials=2, players=1, copies=1),
    }
    assert found.copies["a0"] == RatingCounts(trials=2, players=2, copies=1)
    assert found.copies["b0"] == RatingCounts(trials=2, players=1, copies=1)
    assert {"a2", "b1"} & found.copies.keys() == set()


def test_players_are_counted_by_different_copies_and_not_named() -> None:
    found = summarise_history(RANGE, history())
    assert found.bows_of_players == (1, 3)
    assert all(each.player not in repr(found) for each in history())


def test_a_copy_rated_twice_in_a_trial_is_one_repeat() -> None:
    assert summarise_history(RANGE, history()).repeats == 1


def test_what_was_kept_is_counted_where_the_outcome_is_known() -> None:
    told = [
        outcome(0, OutcomeKind.KEPT, "a1"),
        outcome(1, OutcomeKind.MORE_ASKED),
        outcome(2, OutcomeKind.NONE),
    ]
    assert summarise_history(RANGE, history(), told).kept == {
        "a0": PurchaseCounts(decided=1, kept=0),
        "a1": PurchaseCounts(decided=1, kept=1),
        "b0": PurchaseCounts(decided=2, kept=0),
    }


def test_a_copy_kept_and_brought_back_was_kept() -> None:
    told = [outcome(0, OutcomeKind.KEPT, "a1"), outcome(0, OutcomeKind.RETURNED, "a1")]
    assert summarise_history(RANGE, history(), told).kept["a1"] == PurchaseCounts(decided=1, kept=1)


@pytest.mark.parametrize("copy", ["b1", "a2"])
def test_a_copy_kept_that_was_not_rated_counts_for_no_copy(copy: str) -> None:
    found = summarise_history(RANGE, history(), [outcome(0, OutcomeKind.KEPT, copy)])
    assert copy not in found.kept
    assert all(each.kept == 0 for each in found.kept.values())


def test_an_outcome_of_an_unknown_trial_or_of_none_counts_nothing() -> None:
    assert summarise_history(RANGE, history(), [Outcome("elsewhere", START, OutcomeKind.NONE)]).kept == {}
    nothing = summarise_history(RANGE, [])
    assert (nothing.trials, nothing.tiers, nothing.bows_of_players) == (0, {}, ())
