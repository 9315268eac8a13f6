"""Which tastes a response keeps, against full matrices, published data, and data drawn with and without slopes."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from model.preference import TASTE_SETS, PreferenceModel
from model.ratings import CrossedRatings, Prior
from tests.model.plain_tastes import COVARIANCE, Tasted, criterion, parameters, penalty, unbalanced
from tests.model.test_ratings import Case, near
from tests.model.test_tastes import COPY, MATCH, PRIOR, S, at
from tests.model.worlds import drawn_trials, violins

Floats = NDArray[np.float64]

LEVEL_ALONE = np.diag([1.0, 0.0, 0.0])
FIRST_ALONE = np.array([[1.0, 0.3, 0.0], [0.3, 0.5, 0.0], [0.0, 0.0, 0.0]])


def chosen(
    data: Tasted, sets: tuple[int, ...] | None, prior: Prior | None = None, match: bool = False
) -> CrossedRatings:
    return CrossedRatings(match=match, prior=prior, taste_sets=sets).fit(
        data.X, data.y, data.player, data.copy, data.tastes
    )


# Against full matrices


def plain_akaike(data: Tasted, columns: int) -> float:
    """-2 log restricted likelihood, by full matrices, at the fit of that many columns, + 2 for each entry of a covariance."""
    fitted = chosen(data, (columns,))
    return criterion(data, *parameters(fitted), None) + (columns + 1) * (columns + 2)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("truth", [COVARIANCE, FIRST_ALONE, LEVEL_ALONE], ids=["both", "first alone", "none"])
def test_akaikes_criterion_of_the_full_matrices_chooses(truth: Floats, seed: int) -> None:
    data = unbalanced(seed, n=120, covariance=truth, players=20)
    found = {columns: plain_akaike(data, columns) for columns in (0, 1, 2)}
    best = min(found, key=lambda columns: found[columns])
    assert min(abs(found[best] - of) for columns, of in found.items() if columns != best) > 0.01  # nothing is a tie
    fitted, alone = chosen(data, (2, 0, 1)), chosen(data, (best,))
    assert fitted.responses_[0].tastes_kept == tuple(column < best for column in range(2))
    assert fitted.reml_ == pytest.approx(alone.reml_, abs=1e-6)
    assert fitted.player_covariance_ == pytest.approx(alone.player_covariance_, abs=1e-3)


@pytest.mark.parametrize("match", [True, False])
def test_under_a_prior_those_parameters_count_that_the_full_matrices_ratings_tell(match: bool) -> None:
    """tr(I (I + I_0)^-1), I the average information, I_0 the second differences of minus twice the prior's log density."""
    data = unbalanced(5)
    step, now = 1e-4, np.append(S[np.tril_indices(3)], [COPY, MATCH][: 1 + match])

    def prior_at(values: Floats) -> float:
        covariance = np.zeros((3, 3))
        covariance[np.tril_indices(3)] = values[:6]
        covariance = covariance + np.tril(covariance, -1).T
        return penalty(covariance, values[6], values[7] if match else 0.0, PRIOR)

    moves = step * np.eye(len(now))
    believed = np.array(
        [
            [sum(a * b * prior_at(now + a * one + b * two) for a in (1, -1) for b in (1, -1)) for one in moves]
            for two in moves
        ]
    ) / (4.0 * step**2)
    there = at(data, PRIOR, match)
    ratings = there.curvature
    expected = np.trace(ratings @ np.linalg.inv(ratings + believed))
    assert there.told == pytest.approx(expected, rel=1e-4)
    plain = criterion(data, S, COPY, MATCH * match, PRIOR) - penalty(S, COPY, MATCH * match, PRIOR)
    assert there.akaike == pytest.approx(plain + 2.0 * expected, rel=1e-5)
    assert at(data, None, match).told == len(now)


def test_the_more_is_rated_the_more_parameters_the_ratings_tell() -> None:
    told = [at(unbalanced(5, n=n, players=n // 8, copies=n // 8), PRIOR, False).told for n in (40, 160, 640, 2560)]
    assert told == sorted(told)
    assert told[0] < 4.0
    assert told[-1] > 6.5


# Published and drawn data


def test_sleepstudy_keeps_its_slopes_and_its_published_fit() -> None:
    """The slopes lower the criterion by 42.8: chi-square 42.84 (by ML) in Bates et al. 2015, J. Stat. Softw. 67(1), sec. 5."""
    case = Case("sleepstudy")
    days = np.array(case.data["days"], dtype=np.float64)[:, None]
    X = np.column_stack([case.one, days])
    fitted = CrossedRatings(taste_sets=(0, 1)).fit(X, case.y, player=case.data["subject"], tastes=days)
    assert fitted.responses_[0].tastes_kept == (True,)
    assert fitted.reml_ == near(case["reml"])


def kept(truth: Floats, draws: int) -> list[int]:
    """How many columns are kept; the match is fitted, since it is in the data and slopes would stand in for it."""
    drawn = (unbalanced(100 + seed, n=300, covariance=truth, players=40, copies=10) for seed in range(draws))
    return [sum(chosen(data, (0, 1, 2), match=True).responses_[0].tastes_kept) for data in drawn]


def test_data_drawn_without_slopes_lose_them_in_most_draws_and_with_slopes_in_none() -> None:
    """With k entries too many the chance to keep them is at most P(chi-square_k > 2 k), .14 for 2 and .08 for 5.

    It is less with a variance on its boundary (Self & Liang 1987, J. Am. Stat. Assoc. 82: 605). At .2 a draw, 8 of 12 or more
    come once in a thousand times.
    """
    assert sum(columns > 0 for columns in kept(LEVEL_ALONE, 12)) < 8
    assert kept(COVARIANCE, 5) == [2] * 5


def test_each_response_keeps_its_own_tastes() -> None:
    with_slopes, without = unbalanced(3, n=300), unbalanced(3, n=300, covariance=LEVEL_ALONE)
    Y = np.column_stack([with_slopes.y, without.y])
    fitted = CrossedRatings(match=True, taste_sets=(0, 2)).fit(
        with_slopes.X, Y, with_slopes.player, with_slopes.copy, with_slopes.tastes
    )
    assert [response.tastes_kept for response in fitted.responses_] == [(True, True), (False, False)]
    for place, data in enumerate((with_slopes, without)):
        alone = chosen(data, (0, 2), match=True)
        assert fitted.player_covariance_[place] == pytest.approx(alone.player_covariance_, rel=1e-6)


# What is left out is not there


def test_without_its_tastes_a_fit_is_that_of_levels_alone() -> None:
    data = unbalanced(8, n=200)
    fitted, levels = chosen(data, (0,)), CrossedRatings().fit(data.X, data.y, data.player, data.copy)
    assert fitted.reml_ == levels.reml_
    assert fitted.player_covariance_ == pytest.approx(np.diag([levels.player_sd_**2, 0.0, 0.0]))
    assert fitted.responses_[0].tastes_estimable == (True, True)
    wild = 1e3 * data.tastes
    for told in (fitted, fitted.condition(data.X[:3], data.y[:3], data.copy[:3], wild[:3])):
        other = levels if told is fitted else levels.condition(data.X[:3], data.y[:3], data.copy[:3])
        mean, sd = told.predict(data.X, data.player, data.copy, wild, return_std=True)
        assert mean == pytest.approx(other.predict(data.X, data.player, data.copy))
        assert sd == pytest.approx(other.predict(data.X, data.player, data.copy, return_std=True)[1])


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
def test_with_fewer_columns_a_fit_is_that_of_those_columns_alone(prior: Prior | None) -> None:
    data = unbalanced(8, n=200)
    first = replace(data, tastes=data.tastes[:, :1])
    small = None if prior is None else replace(prior, taste_sd=np.asarray(prior.taste_sd)[:1])
    fitted, alone = chosen(data, (1,), prior), chosen(first, None, small)
    covariance = fitted.player_covariance_
    assert fitted.reml_ == pytest.approx(alone.reml_, abs=1e-6)
    assert covariance[:2, :2] == pytest.approx(alone.player_covariance_, rel=1e-4)
    assert not covariance[2].any()
    assert not covariance[:, 2].any()
    own = [
        of.condition(data.X[:4], data.y[:4], data.copy[:4], of_.tastes[:4])
        for of, of_ in ((fitted, data), (alone, first))
    ]
    for one, other in ((fitted, alone), own):
        mean, sd = one.predict(data.X, data.player, data.copy, data.tastes, return_std=True)
        expected, expected_sd = other.predict(data.X, data.player, data.copy, first.tastes, return_std=True)
        assert mean == pytest.approx(expected, abs=1e-5)
        assert sd == pytest.approx(expected_sd, abs=1e-5)


def test_before_the_first_rating_and_where_players_cannot_be_told_the_belief_in_tastes_stands() -> None:
    data = unbalanced(8)
    nothing = replace(data, y=np.full(data.y.size, np.nan))
    one_each = Tasted(data.X[:6], data.y[:6], np.arange(6), data.copy[:6], data.tastes[:6])
    for of in (nothing, one_each):
        fitted = chosen(of, (0, 1, 2), PRIOR)
        assert fitted.responses_[0].tastes_kept == (True, True)
        believed = np.array([PRIOR.player_sd, *np.asarray(PRIOR.taste_sd)]) * fitted.repeat_sd_ / PRIOR.repeat_sd
        assert np.sqrt(np.diagonal(fitted.player_covariance_)) == pytest.approx(believed)


def test_where_slopes_leave_nothing_for_the_noise_a_smaller_set_is_fitted_to_its_minimum() -> None:
    rng = np.random.default_rng(5)
    player, t, w = np.repeat(np.arange(30), 4), np.tile([-1.0, 0.0, 1.0, 2.0], 30), rng.normal(size=120)
    y = rng.normal(size=30)[player] + rng.normal(size=30)[player] * t + 1e-9 * rng.normal(size=120)
    data = Tasted(np.ones((120, 1)), y, player, np.zeros(120, dtype=np.int64), np.column_stack([w, t]))
    fitted, alone = (
        CrossedRatings(taste_sets=sets).fit(data.X, y, player, tastes=data.tastes) for sets in ((1, 2), (1,))
    )
    assert fitted.responses_[0].tastes_kept == (True, False)
    assert fitted.reml_ == pytest.approx(alone.reml_, abs=1e-7)
    assert fitted.player_covariance_ == pytest.approx(alone.player_covariance_, abs=1e-5)


@pytest.mark.parametrize("wrong", [(), (-1, 2), (9,), (0.5,), "ab"])
def test_sets_that_make_no_sense_are_refused_in_plain_words(wrong: object) -> None:
    with pytest.raises(ValueError, match=r"^taste_sets: got .*, expected "):
        chosen(unbalanced(1), wrong)  # type: ignore[arg-type]  # what a caller may give all the same


# The product's own


def test_a_criterion_keeps_the_own_bow_and_of_the_rest_what_its_ratings_tell() -> None:
    """`drawn_trials` draws players that differ in level alone."""
    assert TASTE_SETS == (1, 2, 5)
    range_ = violins([6, 6, 6])
    model = PreferenceModel(range_).fit(drawn_trials(range_, 80, 4, seed=2))
    sd = np.linalg.norm(model.posterior_.players.root, axis=2)
    assert (sd[:, :2] > 0.01).all()
    kept = (sd > 1e-9).sum(axis=1) - 1
    assert set(kept.tolist()) <= set(TASTE_SETS)
    assert np.mean(kept == 1) > 0.5
