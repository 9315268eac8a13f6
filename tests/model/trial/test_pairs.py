"""Blind pairs in the standing: the law after them against plain numeric integration, and what a trial then says."""

from functools import cache

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from model.domain.arrays import Floats
from model.domain.records import Run
from model.domain.vocabulary import Criterion
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.trial.joint import JointPosterior
from model.trial.pairs import Compared, after_preferences, condition_on_pairs
from model.trial.stopping import Action, BowStatus, TrialStatus, trial_status
from tests.model.worlds import VIOLIN, violins

MEAN = np.array([4.6, 4.9, 4.2])
COV = np.array([[0.50, 0.30, 0.25], [0.30, 0.60, 0.28], [0.25, 0.28, 0.45]])
NOISE = 0.7


def integrated(pairs: list[tuple[int, int, int, int]], bows: int) -> tuple[Floats, Floats, float]:
    """Mean, covariance and P(the first is best) on a plain grid over all likings; pairs are (bow, other, won, lost)."""
    steps = np.linspace(-7.0, 7.0, 351) if bows == 2 else np.linspace(-5.0, 5.0, 81)
    axes = [MEAN[k] + np.sqrt(COV[k, k]) * steps for k in range(bows)]
    u = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, bows)
    weight = multivariate_normal(MEAN[:bows], COV[:bows, :bows]).pdf(u)
    for one, other, won, lost in pairs:
        lead = norm.cdf((u[:, one] - u[:, other]) / np.sqrt(NOISE**2 + NOISE**2))
        weight = weight * lead**won * (1 - lead) ** lost
    weight /= weight.sum()
    mean = weight @ u
    return mean, (u - mean).T @ ((u - mean) * weight[:, None]), float(weight[u[:, 0] == u.max(axis=1)].sum())


def found(pairs: list[tuple[int, int, int, int]], bows: int) -> tuple[Floats, Floats]:
    contrast = np.zeros((len(pairs), bows))
    for row, (one, other, *_) in zip(contrast, pairs, strict=True):
        row[one], row[other] = 1.0, -1.0
    counts = np.array([pair[2:] for pair in pairs], dtype=np.float64)
    return after_preferences(MEAN[:bows], COV[:bows, :bows], contrast, counts, NOISE)


@pytest.mark.parametrize("answers", [(1, 0), (4, 0), (0, 4), (7, 5), (20, 0)])
def test_of_two_bows_mean_and_covariance_after_any_pairs_are_those_of_numeric_integration(
    answers: tuple[int, int],
) -> None:
    mean, cov = found([(0, 1, *answers)], 2)
    plain_mean, plain_cov, best = integrated([(0, 1, *answers)], 2)
    assert mean == pytest.approx(plain_mean, abs=1e-5)
    assert cov == pytest.approx(plain_cov, abs=1e-5)
    normal = norm.cdf((mean[0] - mean[1]) / np.sqrt(cov[0, 0] + cov[1, 1] - 2 * cov[0, 1]))
    assert normal == pytest.approx(best, abs=0.02), "the law is not normal any more; so much is lost by taking it so"


def test_one_pair_has_its_closed_form() -> None:
    # E[d | d preferred] with d ~ N(m, v): m + v phi(z) / (Phi(z) sqrt(v + 2 sigma^2)), z = m / sqrt(v + 2 sigma^2).
    mean, _ = found([(0, 1, 1, 0)], 2)
    m, v = MEAN[0] - MEAN[1], COV[0, 0] + COV[1, 1] - 2 * COV[0, 1]
    wide = np.sqrt(v + 2 * NOISE**2)
    expected = m + v * norm.pdf(m / wide) / (norm.cdf(m / wide) * wide)
    assert mean[0] - mean[1] == pytest.approx(expected, abs=1e-9)


def test_two_head_to_heads_of_three_bows_are_close_to_numeric_integration() -> None:
    pairs = [(0, 1, 4, 0), (2, 0, 3, 2)]
    mean, cov = found(pairs, 3)
    plain_mean, plain_cov, _ = integrated(pairs, 3)
    assert mean == pytest.approx(plain_mean, abs=0.01)
    assert cov == pytest.approx(plain_cov, abs=0.01)


def test_a_third_bow_moves_with_what_it_shares() -> None:
    mean, cov = found([(0, 1, 0, 5), (2, 1, 0, 0)], 3)
    d = COV[0, 0] + COV[1, 1] - 2 * COV[0, 1]
    slope = (COV[2, 0] - COV[2, 1]) / d
    assert mean[2] - MEAN[2] == pytest.approx(slope * ((mean[0] - mean[1]) - (MEAN[0] - MEAN[1])), abs=1e-9)
    assert np.all(np.linalg.eigvalsh(cov) > 0)


def test_the_order_in_which_head_to_heads_are_told_changes_nothing() -> None:
    pairs = [(0, 1, 4, 0), (2, 0, 3, 2), (1, 2, 1, 1)]
    for one, other in zip(found(pairs, 3), found(pairs[::-1], 3), strict=True):
        assert one == pytest.approx(other, abs=1e-8)


def test_as_often_one_as_the_other_draws_them_together_and_no_pairs_change_nothing() -> None:
    mean, _ = found([(0, 1, 10, 10)], 2)
    assert abs(mean[0] - mean[1]) < abs(MEAN[0] - MEAN[1])
    same, cov = found([(0, 1, 0, 0)], 2)
    assert same == pytest.approx(MEAN[:2], abs=1e-9)
    assert cov == pytest.approx(COV[:2, :2], abs=1e-6)


@pytest.mark.parametrize("noise", [0.0, -1.0, np.nan])
def test_a_noise_that_is_none_is_refused(noise: float) -> None:
    with pytest.raises(ValueError, match="noise: got"):
        after_preferences(MEAN, COV, np.array([[1.0, -1.0, 0.0]]), np.array([[1.0, 0.0]]), noise)


def test_a_bow_against_itself_less_than_no_pairs_and_a_bow_that_is_not_there_are_refused() -> None:
    with pytest.raises(ValueError, match="against itself"):
        Compared("a", "a", 1, 0)
    with pytest.raises(ValueError, match="0 or more"):
        Compared("a", None, -1, 0)
    law = JointPosterior(MEAN, COV, ("t",), np.ones(1), ("a", None), NOISE)
    with pytest.raises(ValueError, match="'b'"):
        condition_on_pairs(law, [Compared("a", "b", 1, 0)])


# In a trial


@cache
def view() -> CataloguePosterior:
    return PreferenceModel(violins([6, 6, 6], bench=False)).fit([]).view_


ALIKE = [Run(1, "a0", {Criterion.OVERALL: 5.0}), Run(2, "a1", {Criterion.OVERALL: 5.0})]
BESIDE = [*ALIKE, Run(3, "b0", {Criterion.OVERALL: 4.0})]


def stand(found: TrialStatus, copy: str | None) -> BowStatus:
    return next(bow for bow in found.bows if bow.copy == copy)


def test_four_to_none_puts_one_of_two_bows_that_were_rated_alike_first() -> None:
    before = trial_status(view(), VIOLIN, ALIKE)
    after = trial_status(view(), VIOLIN, ALIKE, compared=[Compared("a1", "a0", 4, 0)])
    assert stand(before, "a0").best == pytest.approx(0.5, abs=0.02)
    assert after.bows[0].copy == "a1"
    assert stand(after, "a1").best > 0.75
    assert stand(after, "a1").mean > stand(before, "a1").mean
    assert stand(after, "a0").mean < stand(before, "a0").mean
    assert (after.recommendation.pairs, after.recommendation.against_pairs) == (4, False)


def test_pairs_turn_a_replay_into_a_bow_to_take() -> None:
    before = trial_status(view(), VIOLIN, ALIKE, can_bring=0)
    after = trial_status(view(), VIOLIN, ALIKE, can_bring=0, compared=[Compared("a0", "a1", 8, 0)])
    assert before.recommendation.say is Action.REPLAY
    assert (after.recommendation.say, after.recommendation.bows) == (Action.STOP, ("a0",))


def test_where_the_marks_outweigh_a_pair_it_is_said() -> None:
    runs = [Run(1, "a0", {Criterion.OVERALL: 7.0}), Run(2, "a1", {Criterion.OVERALL: 2.0})]
    said = trial_status(view(), VIOLIN, runs, compared=[Compared("a1", "a0", 1, 0)]).recommendation
    assert (said.pairs, said.against_pairs) == (1, True)


def test_a_bow_that_was_only_paired_tells_of_the_other_and_gets_no_place_of_its_own() -> None:
    plain = trial_status(view(), VIOLIN, ALIKE)
    after = trial_status(view(), VIOLIN, ALIKE, compared=[Compared("a0", "c5", 5, 0)])
    assert {bow.copy for bow in after.bows} == {"a0", "a1"}
    assert stand(after, "a0").mean > stand(plain, "a0").mean


def test_a_head_to_head_without_an_answer_changes_nothing() -> None:
    assert trial_status(view(), VIOLIN, BESIDE, compared=[Compared("a0", "a1", 0, 0)]) == trial_status(
        view(), VIOLIN, BESIDE
    )
