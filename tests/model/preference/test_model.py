"""The fitted preference model: the beliefs without trials, the dense algebra with them, and what must not matter."""

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from functools import cache
from typing import TypeVar

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Copy, Event, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, Basis, Criterion, EventKind, Hold, Instrument
from model.features.copy_history import ServiceIntervals
from model.features.design import TIER_SD, Design
from model.features.training_data import RatingsTable, TrainingData, build_ratings_table
from model.mixed import RemlFit
from model.preference import predict
from model.preference.catalogue import CataloguePosterior
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel, PriorSettings
from model.preference.prediction import Prediction
from tests.model.worlds import VIOLIN, C, basses, drawn_trials, joined, trial, violins

Key = TypeVar("Key")
Value = TypeVar("Value")
O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
RANGE = violins([3, 3, 2])
SAID = {O: 0, Criterion.RESPONSE: 2, TONE: -1}
SPOKEN_OF = Range({**RANGE.tiers, "b": replace(RANGE.tiers["b"], character=SAID)}, RANGE.copies)
"""The same, its maker having spoken of tier b on three criteria."""
BELIEFS = PriorSettings()


@cache
def untaught() -> PreferenceModel:
    return PreferenceModel(RANGE).fit([])


@cache
def taught() -> PreferenceModel:
    return PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=25, bows=4, seed=3))


# No trials: the prior speaks


def test_without_trials_the_coefficients_are_the_beliefs() -> None:
    columns, posterior = Design.from_range(RANGE).columns, untaught().posterior_
    covariance = posterior.coef_root @ posterior.coef_root.swapaxes(1, 2)
    for c in range(C):
        assert posterior.coef[c] == pytest.approx([column.mean for column in columns], abs=1e-9)
        assert covariance[c] == pytest.approx(np.diag([column.sd**2 for column in columns]), abs=1e-9)


def test_without_trials_a_makers_words_are_believed_criterion_by_criterion() -> None:
    plain, spoken = untaught().posterior_, PreferenceModel(SPOKEN_OF).fit([]).posterior_
    at = [column.name for column in plain.design.columns].index("tier b")
    moved, variance = spoken.coef - plain.coef, np.einsum("cij,cij->ci", spoken.coef_root, spoken.coef_root)
    for c, criterion in enumerate(CRITERIA):
        assert moved[c, at] == pytest.approx(0.3 * SAID.get(criterion, 0), abs=1e-9)
        assert np.sqrt(variance[c, at]) == pytest.approx(0.4 if criterion in SAID else 0.5, abs=1e-9)
    assert np.delete(moved, at, axis=1) == pytest.approx(0.0, abs=1e-9)


def test_words_for_a_tier_that_came_after_the_fit_act_as_those_of_an_empty_history() -> None:
    later = joined(RANGE, Range({"new": Tier("new", Instrument.VIOLIN, 2, character=SAID)}, {"n0": Copy("n0", "new")}))
    response = replace(VIOLIN, priorities=(Criterion.RESPONSE,))
    fitted_to_it, laid_over = PreferenceModel(later).fit([]), PreferenceModel(later)
    laid_over.view_ = CataloguePosterior(untaught().posterior_, later)
    for answers in (VIOLIN, response):
        found, expected = laid_over.outlook(answers), fitted_to_it.outlook(answers)
        assert found.mean == pytest.approx(expected.mean, abs=1e-9)
        assert found.cov == pytest.approx(expected.cov, abs=1e-9)
    asked = laid_over.outlook(response)
    assert asked.mean[-1] > asked.mean[1]  # tier b has the same grade


def test_changed_words_count_from_the_next_fit_and_never_for_a_fitted_tier_before() -> None:
    before, after = (CataloguePosterior(untaught().posterior_, each) for each in (RANGE, SPOKEN_OF))
    assert np.array_equal(before.posterior.coef, after.posterior.coef)
    assert not untaught().posterior_.design.tiers[1].character


def test_without_trials_the_deviations_are_the_beliefs() -> None:
    posterior = untaught().posterior_
    for name in ("player_sd", "copy_sd", "match_sd", "repeat_sd"):
        assert getattr(posterior, name) == pytest.approx(np.full(C, getattr(BELIEFS, name)), abs=1e-9)
    expected = np.full((C, C), BELIEFS.correlation) + (1 - BELIEFS.correlation) * np.eye(C)
    for name in ("coefficients", "prior_coefficients", "player", "tastes", "copy", "match", "repeat"):
        assert getattr(posterior.correlations, name) == pytest.approx(expected, abs=1e-9)
    root = posterior.players.root
    tastes = (root @ root.swapaxes(1, 2))[:, 2:, 2:]
    believed = np.diag([BELIEFS.grade_taste_sd**2, *[BELIEFS.trait_taste_sd**2] * 3])
    assert tastes == pytest.approx(np.tile(believed, (C, 1, 1)), abs=1e-9)


def test_without_trials_an_own_bow_is_four_point_five_whatever_the_player_makes_of_others() -> None:
    root = untaught().posterior_.players.root[0, :2]
    level_and_own = np.array([[1.0, 0.0], [1.0, 1.0]]) @ root
    covariance = level_and_own @ level_and_own.T
    found = untaught().outlook(VIOLIN)
    assert found.own_level == pytest.approx(BELIEFS.own_level, abs=1e-9)
    assert covariance[0] == pytest.approx([BELIEFS.player_sd**2, BELIEFS.player_sd**2], abs=1e-9)
    assert covariance[1, 1] == pytest.approx(BELIEFS.player_sd**2 + BELIEFS.own_taste_sd**2, abs=1e-9)
    assert untaught().posterior_.players.own_match == pytest.approx(np.full(C, BELIEFS.match_sd), abs=1e-9)


def test_without_trials_the_answer_says_that_it_rests_on_the_prior() -> None:
    found = untaught().outlook(VIOLIN)
    assert (found.basis, found.trials, found.trials_all) == (Basis.PRIOR, 0, 0)
    assert found.mean == pytest.approx([4.2, 4.4, 4.6], abs=1e-9)


def test_without_trials_a_copy_without_bench_record_is_any_copy_of_its_tier() -> None:
    found = PreferenceModel(violins([2, 2], bench=False)).fit([]).outlook(VIOLIN)
    assert found.stock.offset == pytest.approx(np.zeros(4), abs=1e-12)
    assert found.stock.spread == pytest.approx(np.full(4, np.hypot(BELIEFS.copy_sd, BELIEFS.match_sd)), abs=1e-9)
    assert found.spread == pytest.approx(np.full(2, np.hypot(BELIEFS.copy_sd, BELIEFS.match_sd)), abs=1e-9)


def test_a_tier_that_came_after_the_fit_is_as_uncertain_as_one_never_rated() -> None:
    later = joined(RANGE, Range({"new": Tier("new", Instrument.VIOLIN, 2)}, {"n0": Copy("n0", "new")}))
    before = PreferenceModel(later).fit([]).outlook(VIOLIN)
    after = CataloguePosterior(untaught().posterior_, later)
    found = PreferenceModel(later)
    found.view_ = after
    asked = found.outlook(VIOLIN)
    assert asked.mean[-1] == pytest.approx(before.mean[-1], abs=1e-9)
    assert asked.cov == pytest.approx(before.cov, abs=1e-9)
    assert asked.cov[-1, -1] - asked.cov[-1, 1] == pytest.approx(TIER_SD**2, abs=1e-9)  # tier b has the same grade
    assert asked.stock.spread[-1] == pytest.approx(np.hypot(BELIEFS.copy_sd, BELIEFS.match_sd), abs=1e-9)


@pytest.mark.parametrize(("count", "basis"), [(19, Basis.PRIOR), (20, Basis.TRIALS)])
def test_from_twenty_trials_of_the_instrument_on_the_answer_rests_on_them(count: int, basis: Basis) -> None:
    found = PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=count, bows=2, seed=4)).outlook(VIOLIN)
    assert (found.trials, found.basis) == (count, basis)


def test_trials_of_one_hold_stand_behind_that_hold_and_behind_either() -> None:
    held = [Answers(Instrument.DOUBLE_BASS, hold) for hold in (Hold.GERMAN, Hold.GERMAN, Hold.FRENCH)]
    trials = [trial(n, [("gf0", {O: 4.0 + n})], answers) for n, answers in enumerate(held)]
    model = PreferenceModel(basses()).fit([*trials, trial(9, [("gf0", {})], held[0])])
    asked = [model.outlook(Answers(Instrument.DOUBLE_BASS, hold)) for hold in (Hold.GERMAN, Hold.FRENCH, Hold.EITHER)]
    assert [found.trials for found in asked] == [2, 1, 3]  # the sheet without a mark is no trial
    assert {found.trials_all for found in asked} == {3}


# With trials: the dense algebra


def dense_gls(history: RatingsTable, c: int, response: RemlFit, design: Design) -> dict[str, Floats]:
    """Coefficients and copies by generalised least squares, the coefficients' prior as Gaussian precision.

    Searle, Casella & McCulloch 1992, Variance Components, chapter 7 (best linear unbiased prediction), written out dense.
    """
    rated = np.flatnonzero(np.isfinite(history.Y[:, c]))
    X, y = history.X[rated], history.Y[rated, c]
    player, level = history.player[rated], history.level[rated]
    pair = [(p, k) for p, k in zip(player, level, strict=True)]
    Zp = np.array([[p == q for q in dict.fromkeys(player)] for p in player], dtype=float)
    Zc = np.array([[k == q for q in response.copies] for k in level], dtype=float)
    Zm = np.array([[m == q for q in dict.fromkeys(pair)] for m in pair], dtype=float)
    V = response.player_sd**2 * Zp @ Zp.T + response.copy_sd**2 * Zc @ Zc.T + response.interaction_sd**2 * Zm @ Zm.T
    V += response.residual_sd**2 * np.eye(len(y))
    # The prior is stated in units of the noise believed in, and follows the noise found.
    sd = np.array([column.sd for column in design.columns])
    mean = np.array([column.mean for column in design.columns])
    for tier in design.tiers:
        if CRITERIA[c] in tier.character:
            at = [column.name for column in design.columns].index(f"tier {tier.slug}")
            mean[at], sd[at] = 0.3 * tier.character[CRITERIA[c]], 0.4
    sd = sd * response.residual_sd / BELIEFS.repeat_sd
    VX, Vy = np.linalg.solve(V, X), np.linalg.solve(V, y)
    covariance = np.linalg.inv(X.T @ VX + np.diag(sd**-2))
    coef = covariance @ (X.T @ Vy + mean / sd**2)
    gain = response.copy_sd**2 * Zc.T
    return {
        "coef": coef,
        "covariance": np.asarray(covariance),
        "effect": gain @ np.linalg.solve(V, y - X @ coef),
        "coupling": np.asarray(gain @ VX),
        "given": response.copy_sd**2 * np.eye(Zc.shape[1]) - gain @ np.linalg.solve(V, gain.T),
    }


def responses_of(posterior: FittedModel, history: RatingsTable) -> list[RemlFit]:
    """The variance components of the fit, as records without anything else."""
    records = []
    for c in range(C):
        rated = np.isfinite(history.Y[:, c])
        records.append(
            RemlFit(
                coef=posterior.coef[c],
                coef_covariance=posterior.coef_root[c] @ posterior.coef_root[c].T,
                player_sd=float(posterior.player_sd[c]),
                copy_sd=float(posterior.copy_sd[c]),
                interaction_sd=float(posterior.match_sd[c]),
                residual_sd=float(posterior.repeat_sd[c]),
                identifiable={},
                reml=0.0,
                rows=int(rated.sum()),
                iterations=0,
                copies=tuple(sorted(set(history.level[rated]))),
                copy_effect=np.zeros(0),
                copy_coupling=np.zeros((0, 0)),
                copy_blocks=[],
            )
        )
    return records


def repeated_trials() -> list[Trial]:
    """Five players, each playing four copies twice, every criterion of most sheets rated."""
    rng, serials = np.random.default_rng(5), ["a0", "a1", "b0", "c0"]
    effect = rng.normal(0, 0.6, 4)
    out = []
    for number in range(5):
        sheets = []
        for k in [*rng.permutation(4), *rng.permutation(4)]:
            marks = np.clip(np.round(4 + rng.normal(0, 0.6) + effect[k] + rng.normal(0, 0.6, C)), 1, 7)
            rated = {criterion: float(m) for criterion, m in zip(CRITERIA, marks, strict=True) if rng.random() < 0.9}
            sheets.append((serials[k], rated))
        out.append(trial(number, sheets))
    return out


@pytest.mark.parametrize("range_", [RANGE, SPOKEN_OF], ids=["no words", "its maker's words"])
@pytest.mark.parametrize("criterion", [O, Criterion.RESPONSE, TONE, Criterion.EASE])
def test_coefficients_and_copies_are_those_of_dense_generalised_least_squares(
    criterion: Criterion, range_: Range
) -> None:
    trials, c = repeated_trials(), CRITERIA.index(criterion)
    material = TrainingData.of(range_, trials, [Event("a0", date(2031, 3, 3), EventKind.REHAIRED)])
    posterior = PreferenceModel(range_, tastes=False).each_criterion(material)
    records = responses_of(posterior, material.history)
    plain = dense_gls(material.history, c, records[c], posterior.design)
    assert posterior.coef[c] == pytest.approx(plain["coef"], abs=1e-9)
    assert posterior.coef_root[c] @ posterior.coef_root[c].T == pytest.approx(plain["covariance"], abs=1e-9)
    assert posterior.levels == records[c].copies
    assert posterior.effect[c] == pytest.approx(plain["effect"], abs=1e-9)
    assert posterior.coupling[c] == pytest.approx(plain["coupling"], abs=1e-9)
    (block,) = posterior.blocks
    assert block.root[c] @ block.root[c].T == pytest.approx(
        plain["given"][np.ix_(block.levels, block.levels)], abs=1e-9
    )


def test_a_rehaired_copy_has_a_level_for_each_stretch() -> None:
    model = PreferenceModel(RANGE).fit(repeated_trials(), [Event("a0", date(2031, 3, 3), EventKind.REHAIRED)])
    assert {level for level in model.posterior_.levels if level[0] == "a0"} == {("a0", 0), ("a0", 1)}


def test_a_criterion_rated_on_other_copies_only_is_told_of_this_one_by_the_others() -> None:
    sheets = [[("a0", {O: 5.0, TONE: 3.0}), ("b0", {O: 4.0})], [("a0", {O: 6.0, TONE: 4.0}), ("b0", {O: 2.0})]]
    material = TrainingData.of(RANGE, [trial(n, of) for n, of in enumerate(sheets)])
    alone, posterior = (
        PreferenceModel(RANGE).each_criterion(material),
        PreferenceModel(RANGE).fit_to(material).posterior_,
    )
    tone, place = CRITERIA.index(TONE), posterior.levels.index(("b0", 0))
    assert alone.effect[tone, place] == 0.0
    assert posterior.effect[CRITERIA.index(O), place] < 0.0
    assert posterior.effect[CRITERIA.index(O), place] < posterior.effect[tone, place] < 0.0
    assert posterior.variance[tone, place] == pytest.approx(posterior.copy_sd[tone] ** 2, abs=1e-12)


# What must not matter
SETTLED = 1e-5
"""The search for the variance components ends when a standard deviation is right to some millionths of itself."""


def by_name(found: Prediction) -> dict[str, Floats]:
    """Everything an outlook says of tiers and copies, by slug and serial."""
    tiers = {
        tier.slug: np.array([found.fit_sd[t], found.mean[t], found.cov[t, t]]) for t, tier in enumerate(found.tiers)
    }
    stock = found.stock
    copies = zip(stock.serials, stock.offset, stock.spread, strict=True)
    return tiers | {serial: np.array([offset, spread]) for serial, offset, spread in copies}


def turned(mapping: Mapping[Key, Value]) -> dict[Key, Value]:
    """The same mapping, last first."""
    return dict(reversed(list(mapping.items())))


ASKED = replace(VIOLIN, priorities=(TONE,), own_bow=OwnBow(ratings={O: 4.0, TONE: 5.0}))


def test_the_order_of_copies_tiers_trials_and_criteria_changes_nothing() -> None:
    trials = drawn_trials(RANGE, players=25, bows=4, seed=3)
    other_way = Range(turned(RANGE.tiers), turned(RANGE.copies))
    back = [replace(t, runs=tuple(replace(r, ratings=turned(r.ratings)) for r in t.runs)) for t in trials[::-1]]
    one, other = by_name(taught().outlook(ASKED)), by_name(PreferenceModel(other_way).fit(back).outlook(ASKED))
    assert one.keys() == other.keys()
    for name, values in one.items():
        assert values == pytest.approx(other[name], abs=SETTLED), name


def test_other_names_for_players_and_copies_change_nothing() -> None:
    def renamed(serial: str) -> str:
        return f"{9 - int(serial[1])}-{serial}"

    copies = [replace(copy, serial=renamed(copy.serial)) for copy in RANGE.copies.values()]
    other_range = Range(RANGE.tiers, {copy.serial: copy for copy in copies})
    trials = [
        replace(t, player=f"~{t.player[::-1]}", runs=tuple(replace(r, copy=r.copy and renamed(r.copy)) for r in t.runs))
        for t in drawn_trials(RANGE, players=25, bows=4, seed=3)
    ]
    one, other = by_name(taught().outlook(ASKED)), by_name(PreferenceModel(other_range).fit(trials).outlook(ASKED))
    for name, values in one.items():
        there = renamed(name) if name in RANGE.copies else name
        assert values == pytest.approx(other[there], abs=SETTLED), name


def test_the_same_trials_give_the_same_answer_to_the_bit() -> None:
    again = PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=25, bows=4, seed=3))
    one, other = by_name(taught().outlook(ASKED)), by_name(again.outlook(ASKED))
    assert all(np.array_equal(values, other[name]) for name, values in one.items())


def test_trials_of_another_instrument_speak_through_shared_coefficients_only() -> None:
    both = joined(RANGE, basses())
    bass = Answers(Instrument.DOUBLE_BASS, Hold.GERMAN)
    trials = [trial(n, [("g0", {O: 6.0}), ("gf0", {O: 5.0 + n % 3}), (None, {O: 4.0})], bass) for n in range(12)]
    model, before = PreferenceModel(both).fit(trials), PreferenceModel(both).fit([])
    posterior, columns = model.posterior_, [column.name for column in model.posterior_.design.columns]
    own_columns = [columns.index(name) for name in ("tier a", "tier b", "tier c")]
    assert np.abs(posterior.coef[:, own_columns]).max() < 1e-12
    found = model.outlook(VIOLIN)
    assert (found.trials, found.trials_all, found.basis) == (0, 12, Basis.PRIOR)
    # What the tiers moved by is the same for all three, but for the slope on the grade.
    moved = found.mean - before.outlook(VIOLIN).mean
    slope = posterior.coef[0, columns.index("grade")] - 0.2
    assert moved == pytest.approx(moved[1] + slope * np.array([-1.0, 0.0, 1.0]), abs=1e-9)
    assert moved[1] > 0


def test_a_copy_liked_by_everyone_rises_above_its_tier() -> None:
    trials = [trial(n, [("a0", {O: 6.0}), ("a1", {O: 3.0}), ("b0", {O: 4.0 + n % 2})]) for n in range(20)]
    stock = PreferenceModel(RANGE).fit(trials).outlook(VIOLIN).stock
    offset = dict(zip(stock.serials, stock.offset, strict=True))
    assert offset["a0"] > 0.5 > -0.5 > offset["a1"]


def test_a_copy_that_the_range_does_not_hold_is_refused_by_trial_and_run() -> None:
    with pytest.raises(ValueError, match="trial t4, run 1: got the copy 'zz', expected one of the range"):
        PreferenceModel(RANGE).fit([trial(4, [("zz", {O: 5.0})])])


def test_the_row_of_the_own_bow_is_no_row_of_the_fit() -> None:
    trials = [trial(0, [("a0", {O: 5.0}), (None, {O: 4.0}), ("b0", {TONE: 3.0})])]
    design = Design.from_range(RANGE)
    history = build_ratings_table(design, trials, RANGE, ServiceIntervals({}))
    assert history.X.shape == (2, len(design.columns))
    assert history.own_Y[0, 0] == 4.0
    assert history.Y[0, 0] == 5.0
    assert np.isnan(history.Y[1, 0])


def test_a_player_asked_twice_is_one_player() -> None:
    trials = [trial(n, [("a0", {O: 5.0}), ("b0", {O: 4.0})], player="same") for n in range(3)]
    history = build_ratings_table(Design.from_range(RANGE), trials, RANGE, ServiceIntervals({}))
    assert set(history.player) == {"same"}


def test_own_runs_given_when_asking_are_taken_in() -> None:
    before, after = (untaught().outlook(VIOLIN, runs) for runs in ((), (Run(1, None, {O: 7.0}),)))
    assert after.own_level > before.own_level


# The own bow among the runs


def test_own_bows_join_no_copies_and_are_none() -> None:
    apart = [
        trial(number, [(serial, {O: 3.0 + number % 4}), (other, {O: 5.0}), (None, {O: 4.0 + number % 2})])
        for number in range(24)
        for serial, other in [(("a0", "a1"), ("b0", "c0"))[number % 2]]
    ]
    posterior = PreferenceModel(RANGE).fit(apart).posterior_
    named = [sorted(posterior.levels[level][0] for level in block.levels) for block in posterior.blocks]
    assert sorted(named) == [["a0", "a1"], ["b0", "c0"]]


def test_an_own_bow_that_players_like_more_than_the_others_is_told_so() -> None:
    rng = np.random.default_rng(7)
    trials = [
        trial(number, [("a0", {O: 4.0}), ("b0", {O: 4.0 + rng.integers(0, 2)}), (None, {O: 6.0 + rng.integers(0, 2)})])
        for number in range(150)
    ]
    found = PreferenceModel(RANGE).fit(trials).outlook(VIOLIN)
    assert found.own_level == pytest.approx(6.5, abs=0.15)


def test_without_the_part_for_priorities_naming_some_changes_no_expected_liking() -> None:
    named = replace(VIOLIN, priorities=(TONE, Criterion.RESPONSE))
    whole, without = taught().view_, taught().views_without_parts()["priorities"]
    told = [predict.predict_player(whole, answers).mean for answers in (VIOLIN, named)]
    assert np.abs(told[0] - told[1]).max() > 1e-4
    silent = [predict.predict_player(without, answers).mean for answers in (VIOLIN, named)]
    np.testing.assert_allclose(silent[0], silent[1], rtol=0, atol=1e-12)


def test_without_joint_effects_a_criterion_is_told_by_its_own_ratings_alone() -> None:
    """Overall marks of one copy raised on tone alone: only the joint fit moves its overall effect."""
    trials = drawn_trials(RANGE, players=25, bows=4, seed=3)
    copy = next(run.copy for run in trials[0].runs if run.copy)
    raised = [replace(t, runs=tuple(_raised(run) if run.copy == copy else run for run in t.runs)) for t in trials]
    moved = {}
    for name in ("whole", "joint effects"):
        found = []
        for given in (trials, raised):
            model = PreferenceModel(RANGE, tastes=False).fit(given)
            view = model.view_ if name == "whole" else model.views_without_parts()[name]
            found.append(view.posterior.effect[0])
        moved[name] = np.abs(found[1] - found[0]).max()
    assert moved["joint effects"] < 1e-9
    assert moved["whole"] > 1e-4


def _raised(run: Run) -> Run:
    ratings = dict(run.ratings)
    if TONE in ratings:
        ratings[TONE] = min(7.0, ratings[TONE] + 1.0)
    return replace(run, ratings=ratings)
