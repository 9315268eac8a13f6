"""Figures against scikit-learn and scipy, and the standard errors against their closed forms."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from sklearn.metrics import root_mean_squared_error

from model.domain.arrays import Floats
from model.evaluation.metrics import ClusteredMean, Predictions, ScoreTable

METHODS = ("model", "constant")


def foretold(player: str, value: Sequence[float], mean: Sequence[float], cov: Floats | None = None) -> Predictions:
    """One trial; the second method foretells 4 whatever the bow."""
    n = len(value)
    return Predictions(
        player=player,
        copy=tuple(f"c{k}" for k in range(n)),
        tier=("low", "high") * (n // 2) + ("low",) * (n % 2),
        tried=np.arange(n) == 0,
        value=np.array(value, dtype=np.float64),
        mean=np.array([mean, np.full(n, 4.0)]),
        cov=(np.eye(n) if cov is None else cov)[None],
    )


def drawn(trials: int, bows: int, seed: int) -> list[Predictions]:
    """Trials drawn from the law that the first method tells."""
    rng = np.random.default_rng(seed)
    cov = 0.4 * np.ones((bows, bows)) + 0.6 * np.eye(bows)
    out = []
    for number in range(trials):
        mean = rng.uniform(3.0, 5.0, bows)
        out.append(foretold(f"p{number}", rng.multivariate_normal(mean, cov).tolist(), mean.tolist(), cov))
    return out


TRIALS = drawn(40, 4, seed=2)
SCORED = ScoreTable(METHODS, TRIALS)
MODEL, CONSTANT = SCORED.scores()
VALUE = np.concatenate([each.value for each in TRIALS])
MEAN = np.concatenate([each.mean[0] for each in TRIALS])


def test_the_error_is_scikit_learns() -> None:
    assert MODEL.rmse.mean == pytest.approx(root_mean_squared_error(VALUE, MEAN))
    assert CONSTANT.rmse.mean == pytest.approx(root_mean_squared_error(VALUE, np.full(len(VALUE), 4.0)))


def test_the_log_loss_is_scipys() -> None:
    assert MODEL.log_loss.mean == pytest.approx(-stats.norm(MEAN, 1.0).logpdf(VALUE).mean())


def test_a_method_without_a_law_takes_the_deviation_that_turned_out() -> None:
    own = np.sqrt(np.mean((VALUE - 4.0) ** 2))
    assert CONSTANT.log_loss.mean == pytest.approx(-stats.norm(4.0, own).logpdf(VALUE).mean())


def test_right_pairs_are_kendalls() -> None:
    # Kendall (1938, Biometrika 30: 81): tau = (right - wrong) / pairs where nothing is tied.
    tau = [stats.kendalltau(each.value, each.mean[0]).statistic for each in TRIALS]
    assert MODEL.pair_accuracy.mean == pytest.approx((1.0 + np.mean(tau)) / 2.0)
    assert CONSTANT.pair_accuracy.mean == pytest.approx(0.5)
    assert CONSTANT.pair_log_loss.mean == pytest.approx(np.log(2.0))


def test_the_log_loss_of_a_pair_takes_what_the_two_share_and_that_they_are_not_alike() -> None:
    """P(B | A) = P(A and B) / P(A), A: the difference, rounded to whole steps of the scale, is not 0."""
    cov = np.array([[1.0, 0.7], [0.7, 2.0]])
    (score, _) = ScoreTable(METHODS, [foretold("p", [5.0, 4.0], [4.5, 4.4], cov)]).scores()
    law = stats.norm(0.1, np.sqrt(1.0 + 2.0 - 1.4))
    assert score.pair_log_loss.mean == pytest.approx(-np.log(law.sf(0.5) / (law.sf(0.5) + law.cdf(-0.5))))


def test_on_a_fine_scale_the_log_loss_of_a_pair_is_that_of_the_plain_probability() -> None:
    fine = [foretold(str(place), [5.0, 5.0 - 1e-7], [4.5, 4.4]) for place in range(2)]
    assert ScoreTable(METHODS, fine).scores()[0].pair_log_loss.mean == pytest.approx(
        -stats.norm.logcdf(0.1 / np.sqrt(2.0))
    )


def test_no_law_loses_less_on_pairs_than_the_one_that_rounded_ratings_are_drawn_from() -> None:
    """A proper score is least in expectation at the truth (Gneiting & Raftery 2007, J. Am. Stat. Assoc. 102: 359).

    With Phi(lead / spread) a spread too small would win here, since most pairs are alike and are left out.
    """
    rng = np.random.default_rng(12)
    trials = []
    for number in range(4000):
        mean = rng.normal(4.0, 0.25, 2)
        given = foretold(str(number), np.round(rng.normal(mean, 0.4)).tolist(), mean.tolist())
        laws = 0.16 * np.array([1.0, 0.5, 2.0])[:, None, None] * np.eye(2)
        trials.append(
            Predictions(str(number), given.copy, given.tier, given.tried, given.value, np.tile(mean, (3, 1)), laws)
        )
    scored = ScoreTable(("truth", "too sure", "too unsure"), trials)
    truth, sure, unsure = (score.pair_log_loss.mean for score in scored.scores())
    assert 0.4 < scored.pairs / 4000 < 0.6
    assert truth < min(sure, unsure)
    actual = np.array([each.value[0] - each.value[1] for each in trials])
    expected = np.array([each.mean[0, 0] - each.mean[0, 1] for each in trials])
    lead = (np.sign(actual) * expected)[actual != 0]
    plain, plain_too_sure = (-stats.norm.logcdf(lead / np.sqrt(2.0 * v)).mean() for v in (0.16, 0.08))
    assert plain_too_sure < plain


def test_pairs_rated_alike_and_pairs_of_one_copy_do_not_count() -> None:
    alike = foretold("p", [4.0, 4.0, 5.0], [4.0, 4.1, 4.2])
    assert ScoreTable(METHODS, [alike]).pairs == 2
    twice = Predictions(
        "p", ("c0", "c0", "c1"), alike.tier, alike.tried, np.array([3.0, 5.0, 4.0]), alike.mean, alike.cov
    )
    assert ScoreTable(METHODS, [twice]).pairs == 2


def test_intervals_hold_as_often_as_they_say() -> None:
    # 1,600 trials of 4 from the very law: the binomial error is below 1 %; ratings beyond the scale's ends are in it too.
    (score, _) = ScoreTable(METHODS, drawn(1600, 4, seed=9)).scores()
    for inside in score.inside:
        assert inside.share.mean == pytest.approx(inside.level, abs=4 * inside.share.error)
        assert inside.share.error < 0.01


def test_widths_are_those_of_the_normal_law_cut_to_the_scale() -> None:
    # From an end on, all of what is left out lies on the other side.
    middle, edge = foretold("p", [4.0], [4.0], np.array([[0.25]])), foretold("p", [7.0], [7.0], np.array([[0.25]]))
    ninety = 2 * stats.norm.ppf(0.95) * 0.5
    assert ScoreTable(METHODS, [middle]).intervals()[1].width == pytest.approx(ninety)
    assert ScoreTable(METHODS, [edge]).intervals()[1].width == pytest.approx(stats.norm.ppf(0.9) * 0.5)


def test_of_whole_marks_the_likely_ones_are_told_with_their_own_probability() -> None:
    # Rounded draws of the very law: of about nine in ten and of about half, each as often as told on the average.
    trials = drawn(1600, 4, seed=9)
    rounded = [
        replace(each, value=np.clip(np.rint(each.value), 1, 7), cov=each.cov + np.eye(4) / 12) for each in trials
    ]
    half, nine = ScoreTable(METHODS, rounded, whole=True).intervals()
    for inside in (half, nine):
        assert inside.share.mean == pytest.approx(inside.told, abs=4 * inside.share.error)
        assert inside.told == pytest.approx(inside.level, abs=0.2)
    assert nine.told != nine.level
    ends = ScoreTable(METHODS, [foretold("p", [4.0], [4.0], np.array([[1.0]]))], whole=True).intervals()[1]
    assert ends.width == 2.0, "from 3 to 5"


def test_the_regret_is_what_the_first_choice_falls_short() -> None:
    model, constant = ScoreTable(METHODS, [foretold("p", [3.0, 6.0, 5.0], [4.0, 4.4, 4.9])]).scores()
    assert model.regret.mean == pytest.approx(1.0)
    assert constant.regret.mean == pytest.approx(6.0 - 14.0 / 3.0)  # all foretold alike: any of them


def test_a_bow_played_twice_is_chosen_by_the_mean_of_both() -> None:
    given = foretold("p", [3.0, 6.0, 5.0], [4.9, 4.0, 4.4])
    twice = Predictions("p", ("c0", "c1", "c0"), given.tier, given.tried, given.value, given.mean, given.cov)
    model, _ = ScoreTable(METHODS, [twice]).scores()
    assert model.regret.mean == pytest.approx(6.0 - 4.0)


def test_one_bow_is_no_choice() -> None:
    scored = ScoreTable(METHODS, [foretold("p", [3.0], [4.0])])
    assert (scored.choices, scored.pairs) == (0, 0)
    assert np.isnan(scored.scores()[0].regret.mean)


def test_regrets_of_many_trials_are_those_of_each_alone() -> None:
    several = [
        foretold("p", [3.0], [4.0]),
        foretold("p", [3.0, 6.0, 5.0], [4.0, 4.4, 4.9]),
        foretold("q", [2.0, 2.0], [1.0, 1.0]),
        foretold("r", [7.0], [4.0]),
        foretold("q", [1.0, 4.0, 4.0, 6.0], [5.0, 5.0, 4.0, 3.0]),
    ]
    together = ScoreTable(METHODS, several)
    assert together.choices == 3
    alone = [ScoreTable(METHODS, [each]).scores()[0].regret.mean for each in several if len(each.value) > 1]
    assert alone == pytest.approx([1.0, 0.0, 3.5])
    expected = ClusteredMean.of(alone, ["p", "q", "q"])
    found = together.scores()[0].regret
    assert (found.mean, found.error) == pytest.approx((expected.mean, expected.error))


def test_the_paired_difference_is_that_of_the_figures_and_its_error_is_paired() -> None:
    better = CONSTANT.better
    assert better["log_loss"].mean == pytest.approx(CONSTANT.log_loss.mean - MODEL.log_loss.mean)
    assert better["rmse"].mean == pytest.approx(CONSTANT.rmse.mean - MODEL.rmse.mean)
    assert better["pair_accuracy"].mean == pytest.approx(MODEL.pair_accuracy.mean - 0.5)
    assert MODEL.better == {}
    same = ScoreTable(("one", "other"), [_twin(each) for each in TRIALS]).scores()[1].better
    assert all((of.mean, of.error) == (0.0, 0.0) for of in same.values())


def _twin(each: Predictions) -> Predictions:
    """The same law told by two methods."""
    mean, cov = np.vstack([each.mean[:1]] * 2), np.concatenate([each.cov] * 2)
    return Predictions(each.player, each.copy, each.tier, each.tried, each.value, mean, cov)


def test_the_error_of_the_paired_rmse_is_the_jackknifes() -> None:
    # Delete-one-player jackknife (Efron & Stein 1981, Ann. Stat. 9: 586).
    squares = np.array([[np.sum((each.value - mean) ** 2) for mean in each.mean] for each in TRIALS])
    n = len(TRIALS)
    left = np.sqrt((squares.sum(axis=0) - squares) / (4 * (n - 1)))
    gap = left[:, 1] - left[:, 0]
    jackknife = np.sqrt((n - 1) / n * np.sum((gap - gap.mean()) ** 2))
    assert CONSTANT.better["rmse"].error == pytest.approx(jackknife, rel=0.05)


def test_parts_are_by_tier_and_by_whether_the_copy_was_tried() -> None:
    parts = {part.name: part for part in SCORED.parts()}
    assert set(parts) == {"tried before", "not tried before", "tier low", "tier high"}
    assert parts["tried before"].ratings == len(TRIALS)
    tried = np.arange(len(VALUE)) % 4 == 0
    assert parts["tried before"].rmse.mean == pytest.approx(root_mean_squared_error(VALUE[tried], MEAN[tried]))


def test_clusters_of_one_have_the_usual_standard_error_and_one_cluster_has_none() -> None:
    values = np.array([0.3, 1.2, -0.4, 2.0, 0.9])
    assert ClusteredMean.of(values, np.arange(5)).error == pytest.approx(stats.sem(values))
    assert ClusteredMean.of(values, np.zeros(5)).error == np.inf
    assert np.isnan(ClusteredMean.of([]).mean)


def test_nothing_foretold_gives_no_figures() -> None:
    scored = ScoreTable(METHODS, [])
    assert (scored.pairs, scored.choices, scored.parts()) == (0, 0, ())
    assert np.isnan(scored.scores()[0].rmse.mean)
