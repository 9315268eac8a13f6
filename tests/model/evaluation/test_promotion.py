"""When a candidate is adopted, and the log losses that decide it, against SciPy's distributions."""

import json
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.stats import multivariate_normal, multivariate_t

from model.domain.vocabulary import Criterion
from model.evaluation.metrics import ClusteredMean
from model.evaluation.promotion import (
    FEWEST_PLAYERS,
    Decision,
    PromotionReason,
    joint_log_loss,
    log_loss_by_player,
    promote,
)
from model.preference.batch import BatchPosterior, RatingBatch
from model.preference.model import PreferenceModel
from tests.model.worlds import drawn_trials, random_covariance, trial, violins

O, TONE = Criterion.OVERALL, Criterion.TONE  # noqa: E741 - overall
PLAYERS = [f"p{number}" for number in range(FEWEST_PLAYERS)]
BASE = dict(zip(PLAYERS, np.random.default_rng(3).normal(1.4, 0.2, len(PLAYERS)).tolist(), strict=True))
NOISE = np.random.default_rng(4).normal(0.0, 0.1, len(PLAYERS))
NOISE -= NOISE.mean()
ERROR = float(NOISE.std(ddof=1) / np.sqrt(len(NOISE)))


def worse_by(errors: float) -> dict[str, float]:
    """Losses that are so many standard errors higher than the base's."""
    return {player: BASE[player] + errors * ERROR + float(own) for player, own in zip(PLAYERS, NOISE, strict=True)}


def test_where_nothing_is_in_use_the_candidate_is_adopted() -> None:
    decision = promote({}, None, unchanged=False, rivals={})
    assert (decision.adopt, decision.why) == (True, PromotionReason.FIRST)


@pytest.mark.parametrize(("unchanged", "why"), [(True, PromotionReason.SAME_KIND), (False, PromotionReason.OTHER_KIND)])
def test_with_few_new_players_only_the_same_kind_is_adopted(unchanged: bool, why: PromotionReason) -> None:
    few = dict(list(BASE.items())[: FEWEST_PLAYERS - 1])
    decision = promote(dict.fromkeys(few, 9.0), few, unchanged, {})
    assert (decision.adopt, decision.why, decision.players) == (unchanged, why, FEWEST_PLAYERS - 1)


@pytest.mark.parametrize("unchanged", [True, False])
@pytest.mark.parametrize(("errors", "adopted"), [(-1.0, True), (0.0, True), (0.99, True), (1.01, False)])
def test_a_candidate_may_be_worse_by_one_standard_error(errors: float, adopted: bool, unchanged: bool) -> None:
    decision = promote(worse_by(errors), BASE, unchanged, {})
    assert (decision.adopt, decision.why) == (adopted, PromotionReason.NOT_WORSE if adopted else PromotionReason.WORSE)
    assert decision.worse is not None
    assert decision.worse.mean == pytest.approx(errors * ERROR)
    assert decision.worse.error == pytest.approx(ERROR)
    assert decision.players == FEWEST_PLAYERS


@pytest.mark.parametrize(("errors", "adopted"), [(1.99, True), (2.01, False)])
def test_a_candidate_may_be_worse_by_two_than_the_best_of_the_last_year(errors: float, adopted: bool) -> None:
    candidate = worse_by(errors)
    current = {player: loss + 1.0 for player, loss in candidate.items()}
    decision = promote(candidate, current, unchanged=False, rivals={3: current, 7: BASE})
    assert (decision.adopt, decision.best) == (adopted, 7)
    assert decision.why is (PromotionReason.NOT_WORSE if adopted else PromotionReason.WORSE_THAN_BEST)


def test_only_players_told_by_both_are_compared() -> None:
    candidate = worse_by(0.5) | {"only here": 99.0}
    assert promote(candidate, BASE | {"only there": 0.0}, unchanged=True, rivals={}).players == FEWEST_PLAYERS


def test_a_decision_is_plain_json() -> None:
    facts = promote({"p": 2.0}, {"p": 1.0}, unchanged=False, rivals={}).to_json()
    assert facts == {
        "adopt": False,
        "why": "other_kind",
        "players": 1,
        "worse": [1.0, None],
        "worse_than_best": None,
        "best": None,
    }


@pytest.mark.parametrize("best", [None, 3])
def test_a_decision_comes_back_from_json(best: int | None) -> None:
    than_best = None if best is None else ClusteredMean(0.3, 0.2)
    given = Decision(False, PromotionReason.WORSE, 30, ClusteredMean(0.5, np.inf), than_best, best)
    assert Decision.from_json(json.loads(json.dumps(given.to_json()))) == given


# The losses

RANGE = violins([3, 3])
HISTORY = drawn_trials(RANGE, 15, 4, seed=5)
MODEL = PreferenceModel(RANGE, tastes=False).fit(HISTORY)


def test_the_joint_log_loss_is_scipys() -> None:
    rng = np.random.default_rng(2)
    cov, error = random_covariance(rng, 5, 2.0), rng.normal(size=5)
    assert joint_log_loss(error, cov, 9.0) == pytest.approx(-multivariate_t(np.zeros(5), cov, df=9.0).logpdf(error))
    assert joint_log_loss(error, cov, 1e7) == pytest.approx(
        -multivariate_normal(np.zeros(5), cov).logpdf(error), abs=1e-4
    )


def test_a_players_loss_is_that_of_each_rating_told_the_ones_before() -> None:
    # Chain rule: the joint density is the product of each rating's, given the ones before.
    came = trial(60, [("a0", {O: 5.0}), ("b1", {O: 6.0}), ("a1", {O: 3.0}), (None, {O: 4.0})])
    sheets, total = RatingBatch.of(MODEL.view_.posterior.design, RANGE, [came]), 0.0
    (group,) = sheets.groups([0], np.zeros(len(sheets.trial), dtype=bool))
    law, marks = BatchPosterior(MODEL.view_, group), group.marks(np.eye(8)[:1])
    for step, rated in enumerate((5.0, 6.0, 3.0)):
        mean, cov = law.after(marks, step)
        freedom = float(law.freedom(step)[0])
        total -= stats.t(freedom, mean[0, step], np.sqrt(cov[0, step, step])).logpdf(rated)
    assert log_loss_by_player(MODEL.view_, [came]) == {"p60": pytest.approx(total / 3)}


def test_trials_of_one_player_count_by_their_ratings() -> None:
    one = trial(61, [("a0", {O: 5.0})], player="p")
    two = trial(62, [("b1", {O: 6.0}), ("a1", {O: 3.0})], player="p")
    single, double = (log_loss_by_player(MODEL.view_, [each])["p"] for each in (one, two))
    assert log_loss_by_player(MODEL.view_, [one, two])["p"] == pytest.approx((single + 2 * double) / 3)


def test_a_player_who_rated_nothing_overall_has_no_loss() -> None:
    assert log_loss_by_player(MODEL.view_, [trial(63, [("a0", {TONE: 5.0}), (None, {O: 4.0})])]) == {}


def test_a_model_of_the_world_loses_less_than_one_turned_upside_down() -> None:
    turned = [
        replace(t, runs=tuple(replace(r, ratings={c: 8.0 - m for c, m in r.ratings.items()}) for r in t.runs))
        for t in HISTORY
    ]
    wrong = PreferenceModel(RANGE, tastes=False).fit(turned)
    new = drawn_trials(RANGE, 40, 4, seed=5)[15:]
    right, worse = (mean_of(log_loss_by_player(each.view_, new)) for each in (MODEL, wrong))
    assert right < worse


def mean_of(found: Mapping[str, float]) -> float:
    return float(np.mean(list(found.values())))
