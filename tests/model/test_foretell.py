"""What is told of a held-out trial, and the joint law of its ratings against the outlook's own algebra."""

from dataclasses import replace

import numpy as np
import pytest

from model.design import history_rows
from model.foretell import Sheet, first_runs, told
from model.personal import outlook
from model.preference import PreferenceModel
from model.records import Answers, OwnBow, Run, Trial
from model.view import View
from model.vocabulary import CRITERIA, Blinding, Criterion, Instrument
from tests.model.worlds import VIOLIN, basses, drawn_trials, joined, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([3, 4])
OVERALL_ALONE = np.eye(len(CRITERIA))[0]
TYPICAL = 3
"""The place in a trial at which the advice takes every bow."""


@pytest.fixture(scope="module")
def view() -> View:
    return PreferenceModel(RANGE).fit(drawn_trials(RANGE, 20, 4, seed=4)).view_


def a_sheet(*marks: tuple[str | None, dict[Criterion, float]]) -> Trial:
    """A trial whose runs are all played at the typical place."""
    return replace(trial(1, marks), runs=tuple(Run(TYPICAL, copy, ratings) for copy, ratings in marks))


SEEN = a_sheet(
    (None, {O: 4.0, TONE: 5.0}),
    ("a0", {O: 5.0, TONE: 4.0}),
    ("b1", {O: 6.0}),
    ("a0", {O: 4.0, TONE: 6.0}),
    ("b2", {O: 3.0, TONE: 2.0}),
)


@pytest.mark.parametrize("known", [0, 1, 2, 3])
def test_the_law_after_some_ratings_is_the_outlooks(view: View, known: int) -> None:
    sheet = Sheet(view, SEEN)
    mean, cov = sheet.after(np.arange(4) < known)
    _, marks = sheet.marks(OVERALL_ALONE)
    asked = outlook(view, told(SEEN), sheet.runs[:known])
    place = [asked.stock.serials.index(str(run.copy)) for run in sheet.runs]
    tier = asked.stock.tier[place]
    np.testing.assert_allclose(
        (marks @ mean)[known:], (asked.mean[tier] + asked.stock.offset[place])[known:], atol=1e-9
    )
    # The outlook gives a tried copy no less variance than its tier's mean has; the law here is the exact one.
    tried = {run.copy for run in sheet.runs[:known]}
    new = [n for n, run in enumerate(sheet.runs) if n >= known and run.copy not in tried]
    variance = np.diag(asked.cov)[tier] + asked.stock.spread[place] ** 2 + asked.noise**2
    np.testing.assert_allclose(np.diag(marks @ cov @ marks.T)[new], variance[new], atol=1e-9)


def test_one_rating_after_the_other_is_all_of_them_at_once(view: View) -> None:
    # Conditioning in two steps: p(y2 | y1) from the law after none is the law after the first.
    sheet = Sheet(view, SEEN)
    mean, cov = sheet.after(np.zeros(4, dtype=bool))
    first = np.flatnonzero(np.isin(sheet._seen.run, [1]))
    gain = cov[:, first] @ np.linalg.inv(cov[np.ix_(first, first)])
    after, cov_after = sheet.after(np.arange(4) < 1)
    np.testing.assert_allclose(after, mean + gain @ (sheet.value - mean)[first], atol=1e-9)
    np.testing.assert_allclose(cov_after, cov - gain @ cov[first], atol=1e-9)


@pytest.mark.parametrize("seen", [Blinding.MASKED, Blinding.OPEN])
def test_a_bow_that_was_seen_is_foretold_as_seen(seen: Blinding) -> None:
    # 'b3' was never rated, so that its row of X is all that its law takes from the coefficients: Var = x'Cx + the rest.
    history = drawn_trials(violins([3, 3]), 20, 4, seed=4)
    half = [replace(each, blinding=seen) for each in history[::2]]
    view = PreferenceModel(RANGE).fit([*half, *history[1::2]]).view_
    alone = a_sheet(("b3", {O: 5.0}))
    (blind, blind_var), (open_, open_var) = (
        [float(of.item()) for of in Sheet(view, replace(alone, blinding=each)).after(np.array([False]))]
        for each in (Blinding.BLIND, seen)
    )
    posterior = view.posterior
    rows = [
        posterior.design.matrix(history_rows(posterior.design, [replace(alone, blinding=each)], RANGE))[0]
        for each in (Blinding.BLIND, seen)
    ]
    C = posterior.coef_root[0] @ posterior.coef_root[0].T
    variance = [x @ C @ x for x in rows]
    assert open_ - blind == pytest.approx((rows[1] - rows[0]) @ posterior.coef[0], abs=1e-9)
    assert open_var - blind_var == pytest.approx(variance[1] - variance[0], abs=1e-9)
    assert abs(open_ - blind) > 1e-3


def test_a_measure_counts_the_runs_rated_on_all_that_it_needs(view: View) -> None:
    sheet = Sheet(view, SEEN)
    weights = 0.5 * OVERALL_ALONE
    weights[CRITERIA.index(TONE)] = 0.5
    runs, marks = sheet.marks(weights)
    assert runs.tolist() == [0, 2, 3]
    np.testing.assert_allclose(marks @ sheet.value, [4.5, 5.0, 2.5])


def test_runs_are_taken_in_the_order_played(view: View) -> None:
    turned = replace(SEEN, runs=(Run(4, "b1", {O: 6.0}), Run(2, "a0", {O: 5.0}), Run(3, "a1", {})))
    sheet = Sheet(view, turned)
    assert [run.copy for run in sheet.runs] == ["a0", "b1"]
    assert sheet.place.tolist() == [1, 0]


def test_a_copy_that_does_not_suit_the_player_is_left_out() -> None:
    both = joined(RANGE, basses())
    sheet = Sheet(PreferenceModel(both).fit([]).view_, a_sheet(("g0", {O: 4.0}), ("a0", {O: 4.0})))
    assert [run.copy for run in sheet.runs] == ["a0"]


def test_a_trial_with_no_usable_rating_foretells_nothing(view: View) -> None:
    sheet = Sheet(view, a_sheet(("a0", {})))
    runs, _ = sheet.marks(OVERALL_ALONE)
    mean, cov = sheet.after(np.zeros(0, dtype=bool))
    assert (len(runs), mean.shape, cov.shape) == (0, (0,), (0, 0))


# What is told


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


def test_a_copy_is_new_to_a_player_once_over_all_trials() -> None:
    early, late = (trial(n, [("a0", {O: 4.0}), (None, {O: 5.0}), ("a1", {O: 4.0})], player="p") for n in (1, 2))
    late = replace(late, runs=(*late.runs, Run(9, "b0", {O: 5.0})))
    found = first_runs([late, early])
    assert [[run.copy for run in found[key]] for key in ("t1", "t2")] == [["a0", "a1"], ["b0"]]
