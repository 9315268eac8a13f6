"""What is told of a held-out trial, and the joint law of its ratings against the outlook's own algebra."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Bench, Copy, OwnBow, Range, Run, Tier, Trial
from model.domain.vocabulary import CRITERIA, Blinding, Criterion, Instrument
from model.features.design import history_rows
from model.preference.batch import BatchPosterior, RatingBatch, Targets, TrialBatch, first_runs, with_own_ratings
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import SCATTER_FREEDOM
from model.preference.model import PreferenceModel
from model.preference.player import Player
from model.preference.predict import predict_player
from model.trial.joint import joint_posterior
from tests.model.preference.test_own_marks import made_up
from tests.model.worlds import VIOLIN, basses, drawn_trials, joined, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
MEASURED = violins([3, 4])
RANGE = replace(
    MEASURED,
    copies={s: replace(k, bench=Bench()) if s in ("a0", "b2") else k for s, k in MEASURED.copies.items()},
)
"""Two copies that the bench never saw, one of them played twice in `SEEN`."""
OVERALL_ALONE = np.eye(len(CRITERIA))[0]
TYPICAL = 3
"""The place in a trial at which the advice takes every bow."""


@pytest.fixture(scope="module")
def view() -> CataloguePosterior:
    return PreferenceModel(RANGE).fit(drawn_trials(RANGE, 20, 4, seed=4)).view_


def a_sheet(*marks: tuple[str | None, dict[Criterion, float]], answers: Answers = VIOLIN) -> Trial:
    """A trial whose runs are all played at the typical place."""
    return replace(trial(1, marks, answers), runs=tuple(Run(TYPICAL, copy, ratings) for copy, ratings in marks))


SEEN = a_sheet(
    (None, {O: 4.0, TONE: 5.0}),
    ("a0", {O: 5.0, TONE: 4.0}),
    ("b1", {O: 6.0}),
    ("a0", {O: 4.0, TONE: 6.0}),
    ("b2", {O: 3.0, TONE: 2.0}),
    answers=Answers(Instrument.VIOLIN, wish_mass=-1, wish_tone=1),
)


@dataclass(frozen=True)
class Alone:
    """One trial before a model."""

    view: CataloguePosterior
    trial: Trial
    late: tuple[int, ...] = ()
    weights: Floats = field(default_factory=lambda: OVERALL_ALONE)

    @property
    def sheets(self) -> RatingBatch:
        return RatingBatch.of(self.view.posterior.design, self.view.range, [self.trial])

    @property
    def group(self) -> TrialBatch:
        sheets = self.sheets
        (group,) = sheets.groups([0], np.isin(sheets.place, self.late) & (sheets.place >= 0))
        return group

    @property
    def marks(self) -> Targets:
        return self.group.marks(self.weights[None])

    @property
    def copies(self) -> list[str]:
        """Of the marks."""
        return [list(self.view.range.copies)[copy] for copy in self.sheets.copy[self.marks.sheet]]

    def after(self, runs: int) -> tuple[Floats, Floats]:
        mean, cov = BatchPosterior(self.view, self.group).after(self.marks, runs)
        return mean[0], cov[0]


@pytest.mark.parametrize("known", [0, 1, 2, 3])
def test_the_law_after_some_ratings_is_the_outlooks(view: CataloguePosterior, known: int) -> None:
    alone = Alone(view, SEEN)
    mean, cov = alone.after(known)
    runs = [run for run in SEEN.runs if run.copy]
    asked = predict_player(view, with_own_ratings(SEEN), runs[:known])
    place = [asked.stock.serials.index(copy) for copy in alone.copies]
    tier = asked.stock.tier[place]
    np.testing.assert_allclose(mean[known:], (asked.mean[tier] + asked.stock.offset[place])[known:], atol=1e-9)
    # The outlook gives a tried copy no less variance than its tier's mean has; the law here is the exact one.
    tried = {run.copy for run in runs[:known]}
    new = [n for n, copy in enumerate(alone.copies) if n >= known and copy not in tried]
    variance = asked.scatter * (np.diag(asked.cov)[tier] + asked.stock.spread[place] ** 2 + asked.noise**2)
    np.testing.assert_allclose(np.diag(cov)[new], variance[new], atol=1e-9)


def half_measured() -> CataloguePosterior:
    """The made-up law over a range of which half the copies were never on the bench."""
    of = made_up()
    bare = {serial: replace(copy, bench=Bench()) for serial, copy in list(of.range.copies.items())[::2]}
    return CataloguePosterior(of.posterior, Range(of.range.tiers, {**of.range.copies, **bare}), of.stretches)


@pytest.mark.parametrize("law", [made_up, half_measured])
@pytest.mark.parametrize("known", [0, 2, 3])
def test_the_own_marks_that_count_are_those_of_one_player(known: int, law: Callable[[], CataloguePosterior]) -> None:
    # For each set of own marks given: which are left out depends on every lead, and on the bows told besides.
    wishing = replace(VIOLIN, wish_mass=1)
    dropped = 0
    for given in range(1, 2 ** len(CRITERIA), 17):
        own = {criterion: 3.0 + n % 4 for n, criterion in enumerate(CRITERIA) if given >> n & 1}
        sheets = a_sheet(
            (None, own), ("a0", {O: 5.0, TONE: 4.0}), ("a2", {O: 6.0}), ("c1", {TONE: 4.0}), ("b0", {O: 3.0})
        )
        asked = replace(sheets, answers=wishing)
        mean, _ = Alone(law(), asked).after(known)
        player = Player(law(), with_own_ratings(asked), [run for run in asked.runs if run.copy][:known])
        dropped += int(np.count_nonzero(~player.counted))
        assert mean[-1] == pytest.approx(joint_posterior(player, OVERALL_ALONE, ["b0"]).bows_mean[0], abs=1e-9)
    assert dropped > 5


def test_one_rating_after_the_other_is_all_of_them_at_once(view: CataloguePosterior) -> None:
    # Conditioning in two steps: p(y2 | y1) from the law after none is the law after the first, rated on both criteria. Where the
    # first is far off, the player's marks scatter more.
    both = a_sheet(("a0", {O: 5.0}), ("b1", {O: 6.0}), ("a0", {O: 4.0}), ("b2", {O: 3.0}))
    alone = Alone(view, both)
    mean, cov = alone.after(0)
    gain = cov[:, 0] / cov[0, 0]
    after, cov_after = alone.after(1)
    np.testing.assert_allclose(after, mean + gain * (5.0 - mean[0]), atol=1e-9)
    scale = (SCATTER_FREEDOM + (5.0 - mean[0]) ** 2 / cov[0, 0]) / (SCATTER_FREEDOM + 1)
    np.testing.assert_allclose(cov_after, scale * (cov - np.outer(gain, cov[0])), atol=1e-9)


@pytest.mark.parametrize(("known", "before"), [(0, ()), (1, (1,)), (2, (1, 3))])
def test_what_is_late_is_told_last_wherever_it_was_played(
    view: CataloguePosterior, known: int, before: tuple[int, ...]
) -> None:
    late = Alone(view, SEEN, late=(0, 2))
    runs = [run for run in SEEN.runs if run.copy]
    mean, cov = late.after(known)
    asked = predict_player(view, with_own_ratings(SEEN), [runs[place] for place in before])
    place = asked.stock.serials.index("a0")
    tier = asked.stock.tier[place]
    assert late.copies == ["a0", "b1", "a0", "b2"]
    np.testing.assert_allclose(mean[[0, 2]], asked.mean[tier] + asked.stock.offset[place], atol=1e-9)
    variance = asked.scatter * (asked.cov[tier, tier] + asked.stock.spread[place] ** 2 + asked.noise**2)
    np.testing.assert_allclose(np.diag(cov)[[0, 2]], variance, atol=1e-9)
    assert (np.diag(cov)[[1, 3]] < 1e-9).sum() == known, "what is told is known"


def test_many_trials_at_once_are_each_of_them_alone(view: CataloguePosterior) -> None:
    rng = np.random.default_rng(3)
    trials = [
        replace(each, runs=each.runs[: rng.integers(1, 5)], blinding=list(Blinding)[n % 3])
        for n, each in enumerate(drawn_trials(RANGE, 30, 4, seed=8))
    ]
    sheets = RatingBatch.of(view.posterior.design, RANGE, trials)
    late = np.array([place >= 0 and place % 2 == 0 for place in sheets.place])
    groups = list(sheets.groups(range(len(trials)), late))
    assert sorted(place for group in groups for place in group.trials.tolist()) == list(range(len(trials)))
    assert 1 < len(groups) < 8
    weights = np.full(len(CRITERIA), 1.0 / len(CRITERIA))
    for group in groups:
        marks = group.marks(np.tile(weights, (len(group.trials), 1)))
        law = BatchPosterior(view, group)
        for runs in (0, 1, 2):
            means, covs = law.after(marks, runs)
            for row, place in enumerate(group.trials.tolist()):
                alone = Alone(view, trials[place], late=(0, 2), weights=weights)
                mean, cov = alone.after(runs)
                np.testing.assert_allclose(means[row, : len(mean)], mean, atol=1e-9)
                np.testing.assert_allclose(covs[row, : len(mean), : len(mean)], cov, atol=1e-9)


def test_trials_that_differ_much_in_size_are_not_held_side_by_side(
    view: CataloguePosterior, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes = [1, 1, 10, 11, 10, 30]
    trials = [
        replace(trial(n, []), runs=tuple(Run(TYPICAL, "a0", {O: 4.0}) for _ in range(size)))
        for n, size in enumerate(sizes)
    ]

    def found() -> list[list[int]]:
        sheets = RatingBatch.of(view.posterior.design, RANGE, trials)
        nothing_late = np.zeros(len(sheets.trial), dtype=bool)
        return [group.trials.tolist() for group in sheets.groups(range(len(trials)), nothing_late)]

    assert found() == [[0, 1], [2, 3, 4], [5]]
    monkeypatch.setattr("model.preference.batch.MOST_ENTRIES", 242)
    assert found() == [[0, 1], [2, 4], [3], [5]]


@pytest.mark.parametrize("seen", [Blinding.MASKED, Blinding.OPEN])
def test_a_bow_that_was_seen_is_foretold_as_seen(seen: Blinding) -> None:
    # 'b3' was never rated, so that its row of X is all that its law takes from the coefficients: Var = x'Cx + the rest.
    history = drawn_trials(violins([3, 3]), 20, 4, seed=4)
    half = [replace(each, blinding=seen) for each in history[::2]]
    view = PreferenceModel(RANGE).fit([*half, *history[1::2]]).view_
    alone = a_sheet(("b3", {O: 5.0}))
    (blind, blind_var), (open_, open_var) = (
        [float(of.item()) for of in Alone(view, replace(alone, blinding=each)).after(0)]
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


def test_a_tier_that_the_fit_had_no_column_for_is_foretold_as_the_outlook_has_it(view: CataloguePosterior) -> None:
    later = replace(
        RANGE,
        tiers={**RANGE.tiers, "z": Tier("z", Instrument.VIOLIN, 3)},
        copies={**RANGE.copies, **{serial: Copy(serial, "z") for serial in ("z0", "z1")}},
    )
    over = CataloguePosterior(view.posterior, later)
    alone = Alone(over, a_sheet(("z0", {O: 5.0}), ("z1", {O: 4.0}), ("a0", {O: 4.0})))
    mean, cov = alone.after(1)
    asked = predict_player(over, alone.trial.answers, alone.trial.runs[:1])
    place = asked.stock.serials.index("z1")
    tier = asked.stock.tier[place]
    assert mean[1] == pytest.approx(asked.mean[tier] + asked.stock.offset[place], abs=1e-9)
    variance = asked.scatter * (asked.cov[tier, tier] + asked.stock.spread[place] ** 2 + asked.noise**2)
    assert cov[1, 1] == pytest.approx(variance, abs=1e-9)


def test_a_measure_counts_the_runs_rated_on_all_that_it_needs(view: CataloguePosterior) -> None:
    weights = 0.5 * OVERALL_ALONE
    weights[CRITERIA.index(TONE)] = 0.5
    alone = Alone(view, SEEN, weights=weights)
    assert alone.sheets.place[alone.marks.sheet].tolist() == [0, 2, 3]
    np.testing.assert_allclose(alone.marks.rated(alone.group), [[4.5, 5.0, 2.5]])


def test_runs_are_taken_in_the_order_played(view: CataloguePosterior) -> None:
    turned = replace(SEEN, runs=(Run(4, "b1", {O: 6.0}), Run(2, "a0", {O: 5.0}), Run(3, "a1", {})))
    alone = Alone(view, turned)
    assert alone.copies == ["a0", "b1"]
    assert alone.sheets.place.tolist() == [-1, 1, 0]


def test_a_copy_that_does_not_suit_the_player_is_left_out() -> None:
    both = joined(RANGE, basses())
    alone = Alone(PreferenceModel(both).fit([]).view_, a_sheet(("g0", {O: 4.0}), ("a0", {O: 4.0})))
    assert alone.copies == ["a0"]


def test_a_trial_with_no_usable_rating_foretells_nothing(view: CataloguePosterior) -> None:
    sheets = RatingBatch.of(view.posterior.design, RANGE, [a_sheet(("a0", {}))])
    assert list(sheets.groups([0], np.zeros(1, dtype=bool))) == []


def test_the_own_bows_ratings_alone_are_no_marks() -> None:
    # Of a range without a copy too.
    empty = replace(RANGE, copies={})
    alone = Alone(PreferenceModel(empty).fit([]).view_, a_sheet((None, {O: 4.0})))
    mean, cov = alone.after(0)
    assert (mean.shape, cov.shape) == ((0,), (0, 0))


# What is told


def a_trial(answers: Answers) -> Trial:
    return trial(1, [(None, {}), (None, {O: 3.0, TONE: 5.0}), ("a0", {O: 6.0}), (None, {O: 7.0})], answers)


def test_the_own_bow_is_told_as_it_was_first_rated() -> None:
    own = with_own_ratings(a_trial(VIOLIN)).own_bow
    assert own is not None
    assert own.ratings == {O: 3.0, TONE: 5.0}


def test_what_else_is_known_of_the_own_bow_is_told_too() -> None:
    own = with_own_ratings(a_trial(Answers(Instrument.VIOLIN, own_bow=OwnBow(mass_g=59.0, ratings={O: 2.0})))).own_bow
    assert own is not None
    assert (own.mass_g, own.ratings[O]) == (59.0, 3.0)


def test_a_bow_rated_as_the_own_one_is_believed_over_the_answer_that_there_is_none() -> None:
    assert not with_own_ratings(a_trial(Answers(Instrument.VIOLIN, plays_no_bow=True))).plays_no_bow


def test_without_a_mark_on_the_own_bow_the_answers_stay() -> None:
    answers = Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 2.0}))
    assert with_own_ratings(trial(1, [(None, {}), ("a0", {O: 4.0})], answers)) is answers


def test_a_copy_is_new_to_a_player_once_over_all_trials() -> None:
    early, late = (trial(n, [("a0", {O: 4.0}), (None, {O: 5.0}), ("a1", {O: 4.0})], player="p") for n in (1, 2))
    late = replace(late, runs=(*late.runs, Run(9, "b0", {O: 5.0})))
    found = first_runs([late, early])
    assert [[run.copy for run in found[key]] for key in ("t1", "t2")] == [["a0", "a1"], ["b0"]]
