"""Copies between events: which rating belongs to which stretch, and the present effect against the dense Gaussian."""

from datetime import date

import numpy as np
import pytest

from model.domain.records import Event
from model.domain.vocabulary import EventKind
from model.features.copy_history import AUTOCORRELATION, ServiceIntervals, filter_effect

DAY = date(2031, 5, 10)
PRIOR = np.array([0.12, 0.30])
"""Variances of a copy's effect on two criteria, in points squared."""


def smoothed(rhos: list[float], precisions: list[float], said: list[float], prior: float) -> tuple[float, float]:
    """The present effect by the dense Gaussian: stretches correlated by products of rho, each told by its own data.

    ``precisions`` of the data of each stretch, ``said`` what they say of it. Rasmussen & Williams 2006, (A.6).
    """
    size = len(precisions)
    steps = np.concatenate([[0.0], np.cumsum(np.log(rhos))])
    joint = prior * np.exp(-np.abs(steps[:, None] - steps))
    rated = np.flatnonzero(precisions)
    gram = joint[np.ix_(rated, rated)] + np.diag(1.0 / np.array(precisions)[rated])
    gain = np.linalg.solve(gram, joint[rated, size - 1])
    return float(gain @ np.array(said)[rated]), float(prior - gain @ joint[rated, size - 1])


# Stretches


def test_a_rating_on_the_day_of_an_event_belongs_to_the_new_stretch() -> None:
    stretches = ServiceIntervals.from_events([Event("v1", DAY, EventKind.REHAIRED)])
    assert stretches.level("v1", date(2031, 5, 9)) == ("v1", 0)
    assert stretches.level("v1", DAY) == ("v1", 1)


def test_a_copy_without_events_has_one_stretch() -> None:
    assert ServiceIntervals({}).level("v1", DAY) == ("v1", 0)
    assert ServiceIntervals({}).kept("v1") == ()


def test_a_move_begins_no_new_stretch() -> None:
    stretches = ServiceIntervals.from_events([Event("v1", DAY, EventKind.MOVED)])
    assert stretches.level("v1", date(2031, 6, 1)) == ("v1", 0)


def test_events_count_by_day_in_whatever_order_they_come() -> None:
    late, early = Event("v1", date(2031, 7, 1), EventKind.REPAIRED), Event("v1", DAY, EventKind.REHAIRED)
    stretches = ServiceIntervals.from_events([late, Event("v2", DAY, EventKind.REHAIRED), early])
    assert stretches.kept("v1") == (AUTOCORRELATION[EventKind.REHAIRED], AUTOCORRELATION[EventKind.REPAIRED])
    assert [stretches.level("v1", day)[1] for day in (date(2031, 1, 1), date(2031, 6, 1), date(2031, 8, 1))] == [
        0,
        1,
        2,
    ]


def test_a_rehair_keeps_more_than_a_repair_and_a_move_all() -> None:
    kept = AUTOCORRELATION
    assert kept[EventKind.MOVED] == 1.0 > kept[EventKind.REHAIRED] > kept[EventKind.REPAIRED] > 0.0


# The present effect


def test_without_events_the_effect_is_the_level_itself() -> None:
    levels = np.array([[0.05], [0.11]])
    link = filter_effect([0], [], levels, PRIOR)
    assert link.levels == (0,)
    assert link.weights == pytest.approx(np.ones((2, 1)), abs=1e-12)
    assert link.variance == pytest.approx(levels[:, 0], abs=1e-12)


def test_a_copy_never_rated_has_the_prior_variance() -> None:
    link = filter_effect([None, None], [0.7], np.zeros((2, 0)), PRIOR)
    assert link.levels == ()
    assert link.weights.shape == (2, 0)
    assert link.variance == pytest.approx(PRIOR, abs=1e-15)


def test_after_one_rehair_the_mean_shrinks_by_rho_and_the_rest_is_new() -> None:
    # Closed form: mean rho a, variance rho^2 v + (1 - rho^2) s^2.
    levels, rho = np.array([[0.05], [0.11]]), 0.7
    link = filter_effect([0, None], [rho], levels, PRIOR)
    assert link.weights == pytest.approx(np.full((2, 1), rho), abs=1e-12)
    assert link.variance == pytest.approx(rho**2 * levels[:, 0] + (1 - rho**2) * PRIOR, abs=1e-12)


def test_two_rehairs_keep_the_product_of_both_shares() -> None:
    levels = np.array([[0.05], [0.11]])
    link = filter_effect([0, None, None], [0.7, 0.5], levels, PRIOR)
    assert link.weights == pytest.approx(np.full((2, 1), 0.35), abs=1e-12)
    assert link.variance == pytest.approx(0.35**2 * levels[:, 0] + (1 - 0.35**2) * PRIOR, abs=1e-12)


@pytest.mark.parametrize("precisions", [(8.0, 3.0), (0.5, 40.0), (60.0, 60.0), (20.0, 0.3), (1e-6, 1e-6)])
@pytest.mark.parametrize("rho", [0.5, 0.7, 0.99])
def test_ratings_before_and_after_an_event_join_as_in_the_dense_gaussian(
    precisions: tuple[float, float], rho: float
) -> None:
    said, s2 = np.array([0.4, -0.2]), 0.12
    # Each stretch fitted as a level of its own under N(0, s2): posterior variance and mean.
    levels = 1.0 / (1.0 / s2 + np.array(precisions))
    fitted = levels * np.array(precisions) * said
    link = filter_effect([0, 1], [rho], levels[None], np.array([s2]))
    mean, var = smoothed([rho], list(precisions), said.tolist(), s2)
    assert float(link.weights[0] @ fitted) == pytest.approx(mean, abs=1e-9)
    assert link.variance[0] == pytest.approx(var, abs=1e-9)


def test_three_stretches_of_which_the_middle_was_never_rated_join_as_in_the_dense_gaussian() -> None:
    said, precisions, s2, rhos = np.array([0.4, -0.2]), np.array([9.0, 5.0]), 0.3, [0.7, 0.5]
    levels = 1.0 / (1.0 / s2 + precisions)
    link = filter_effect([0, None, 1], rhos, levels[None], np.array([s2]))
    mean, var = smoothed(rhos, [9.0, 0.0, 5.0], [0.4, 0.0, -0.2], s2)
    assert float(link.weights[0] @ (levels * precisions * said)) == pytest.approx(mean, abs=1e-9)
    assert link.variance[0] == pytest.approx(var, abs=1e-9)


def test_a_criterion_rated_in_no_stretch_keeps_the_prior_variance_whatever_the_others_say() -> None:
    levels = np.array([[0.05, 0.04], [PRIOR[1], PRIOR[1]]])
    link = filter_effect([0, 1], [0.7], levels, PRIOR)
    assert link.variance[1] == pytest.approx(PRIOR[1], abs=1e-12)


def test_more_stretches_never_know_less_than_the_prior() -> None:
    rng = np.random.default_rng(2)
    for _ in range(200):
        levels = rng.uniform(0.0, 1.0, (2, 3)) * PRIOR[:, None]
        link = filter_effect([0, 1, 2], rng.uniform(0.3, 0.99, 2).tolist(), levels, PRIOR)
        assert (link.variance <= PRIOR + 1e-12).all()
