"""How sets of tastes are averaged: players left out, against full matrices, published data, data drawn with and without slopes."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import multivariate_normal

from model.domain.arrays import Floats
from model.mixed import Prior, RemlFit, fit_mixed_model
from model.mixed.averaging import left_out_densities, set_weights
from model.preference.model import SLOPE_SETS, PreferenceModel
from tests.model.crossed import CrossedMixedModel
from tests.model.mixed.test_mixed_model import Case, near
from tests.model.mixed.test_slopes import COPY, MATCH, PRIOR, S, at
from tests.model.plain_record import new_player
from tests.model.plain_record import predicted as of_record
from tests.model.plain_tastes import (
    COVARIANCE,
    Tasted,
    criterion,
    parameters,
    penalty,
    predicted,
    scaled_covariance,
    unbalanced,
)
from tests.model.worlds import drawn_trials, violins

LEVEL_ALONE = np.diag([1.0, 0.0, 0.0])
FIRST_ALONE = np.array([[1.0, 0.3, 0.0], [0.3, 0.5, 0.0], [0.0, 0.0, 0.0]])


def averaged(
    data: Tasted, sets: tuple[int, ...] | None, prior: Prior | None = None, match: bool = False
) -> CrossedMixedModel:
    return CrossedMixedModel(interaction=match, prior=prior, slope_sets=sets).fit(
        data.X, data.y, data.player, data.copy, data.tastes
    )


# Players left out, against full matrices


def plainly_left_out(data: Tasted, match: bool, prior: Prior | None, noise: float) -> Floats:
    """Log density of each player's ratings given all others', the coefficients by least squares of the others' ratings."""
    V = noise * scaled_covariance(data, S, COPY, MATCH * match)
    found = []
    for player in np.unique(data.player):
        out, kept = data.player == player, data.player != player
        given, X, y = V[np.ix_(kept, kept)], data.X[kept], data.y[kept]
        if prior is not None:  # X_0 = diag(sigma_0 / sd), y_0 = X_0 mean, as rows with the noise's variance
            rows = np.diag(prior.residual_sd / np.asarray(prior.sd))
            X, y = np.vstack([X, rows]), np.append(y, rows @ np.asarray(prior.mean))
            given = np.block([[given, np.zeros((len(given), 3))], [np.zeros((3, len(given))), noise * np.eye(3)]])
        across = np.hstack([V[np.ix_(out, kept)], np.zeros((out.sum(), len(y) - kept.sum()))])
        inverse = np.linalg.inv(given)
        of_coef = np.linalg.inv(X.T @ inverse @ X)
        coef, weights = of_coef @ X.T @ inverse @ y, across @ inverse
        left = data.X[out] - weights @ X
        cov = V[np.ix_(out, out)] - weights @ across.T + left @ of_coef @ left.T
        mean = data.X[out] @ coef + weights @ (y - X @ coef)
        found.append(multivariate_normal(mean, cov).logpdf(data.y[out]))
    return np.array(found)


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
@pytest.mark.parametrize("match", [True, False], ids=["match", "no match"])
def test_a_player_left_out_is_foretold_as_full_matrices_without_that_player_foretell(
    match: bool, prior: Prior | None
) -> None:
    data = unbalanced(4, n=110, players=17)
    there = at(data, prior, match)
    expected = plainly_left_out(data, match, prior, there.noise_variance)
    assert left_out_densities(there) == pytest.approx(expected, abs=1e-9)


def test_what_only_the_player_left_out_tells_of_a_coefficient_is_not_foretold() -> None:
    """A column of that rating's own takes it up, so its player's others are left as if it were not there."""
    data = unbalanced(4, n=110, players=17)
    row = int(np.flatnonzero(data.player == 3)[0])
    X = np.column_stack([data.X, np.eye(110)[row]])
    kept = np.arange(110) != row
    fewer = Tasted(data.X[kept], data.y[kept], data.player[kept], data.copy[kept], data.tastes[kept])
    one, other = at(replace(data, X=X), None, False), at(fewer, None, False)
    assert one.noise_variance == pytest.approx(other.noise_variance)
    assert left_out_densities(one) == pytest.approx(left_out_densities(other), abs=1e-7)


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
    assert there.effective_parameters == pytest.approx(expected, rel=1e-4)
    assert at(data, None, match).effective_parameters == len(now)


def test_the_more_is_rated_the_more_parameters_the_ratings_tell() -> None:
    told = [
        at(unbalanced(5, n=n, players=n // 8, copies=n // 8), PRIOR, False).effective_parameters
        for n in (40, 160, 640, 2560)
    ]
    assert told == sorted(told)
    assert told[0] < 4.0
    assert told[-1] > 6.5


# Weights


def drawn_densities(lead: float, spread: float, players: int) -> Floats:
    """Two sets' log densities (2, I), the larger one ahead by `lead` a player on the mean exactly, with that deviation."""
    ahead = np.random.default_rng(1).normal(size=players)
    ahead = lead + spread * (ahead - ahead.mean()) / ahead.std()
    return np.array([ahead, np.zeros(players)]) - 3.0


def test_sets_that_all_show_have_the_weights_of_the_best_mixture() -> None:
    """With a hundred standard errors the shares moved are below a thousandth; the weights are a general minimiser's."""
    rng = np.random.default_rng(3)
    kind = rng.choice(3, size=40_000, p=[0.5, 0.2, 0.3])
    densities = np.vstack([np.where(kind == own, 3.0, 0.0) for own in range(3)])

    def loss(x: Floats) -> float:
        weights = np.exp(x) / np.exp(x).sum()
        return -float(np.log(weights @ np.exp(densities)).mean())

    best = minimize(loss, np.zeros(3), tol=1e-10).x
    assert set_weights(densities, np.zeros(3)) == pytest.approx(np.exp(best) / np.exp(best).sum(), abs=2e-3)


def test_a_lead_within_its_standard_error_leaves_no_slopes_and_beyond_it_ever_more() -> None:
    """The error of a sum over I players is deviation sqrt(I): 2 for deviation .2 of 100 players; leads of 1, 2, 4, 8 errors."""
    leads = (-0.5, 0.018, 0.04, 0.08, 0.16)
    found = [set_weights(drawn_densities(lead, 0.2, 100), [0.0, 0.0])[0] for lead in leads]
    assert found == pytest.approx([0.0, 0.0, 0.75, 1.0 - 1.0 / 16.0, 1.0 - 1.0 / 64.0], abs=0.02)


def test_slopes_that_do_not_show_leave_their_weight_to_those_that_do() -> None:
    first = drawn_densities(1.0, 0.2, 100)
    found = set_weights(np.vstack([first[:1] + drawn_densities(0.018, 0.2, 100)[:1] + 3.0, first]), np.zeros(3))
    assert found == pytest.approx([0.0, 1.0, 0.0], abs=0.01)


def test_what_a_set_owes_to_its_components_is_taken_off() -> None:
    given, paid = drawn_densities(0.06, 0.2, 100), drawn_densities(0.04, 0.2, 100)
    assert set_weights(given, [2.0, 0.0]) == pytest.approx(set_weights(paid, [0.0, 0.0]))
    assert set_weights(given, [6.0, 0.0]).tolist() == [0.0, 1.0]


def test_a_belief_counts_as_so_many_players_for_the_largest_set_and_fades() -> None:
    shares = [set_weights(drawn_densities(-0.5, 0.2, players), [0.0, 0.0], 5.0)[0] for players in (2, 5, 20, 500)]
    assert shares == pytest.approx([5.0 / 7.0, 0.5, 0.2, 5.0 / 505.0])
    assert set_weights(np.zeros((3, 0)), np.zeros(3), 5.0).tolist() == [1.0, 0.0, 0.0]


# Published and drawn data


def test_sleepstudy_nearly_keeps_its_published_slopes() -> None:
    """They lower the criterion by 42.8 (Bates et al. 2015, J. Stat. Softw. 67(1), sec. 5), 1.2 a subject on the log density."""
    case = Case("sleepstudy")
    days = np.array(case.data["days"], dtype=np.float64)[:, None]
    X = np.column_stack([case.one, days])
    fitted = CrossedMixedModel(slope_sets=(0, 1)).fit(X, case.y, player=case.data["subject"], slopes=days)
    assert fitted.responses_[0].slopes_in_model == (True,)
    share = fitted.player_covariance_[1, 1] / case["slope_sd"] ** 2
    assert 0.5 < share < 1.0
    alone = CrossedMixedModel(slope_sets=(1,)).fit(X, case.y, player=case.data["subject"], slopes=days)
    assert alone.reml_ == near(case["reml"])


def slopes(truth: Floats, draws: int, sets: tuple[int, ...] | None) -> list[float]:
    """Sum of the slopes' variances; the match is fitted, since it is in the data and slopes would stand in for it."""
    drawn = (unbalanced(100 + seed, n=300, covariance=truth, players=40, copies=10) for seed in range(draws))
    return [float(np.trace(averaged(data, sets, match=True).player_covariance_[1:, 1:])) for data in drawn]


def test_data_drawn_without_slopes_are_given_none_in_most_draws_and_with_slopes_most_of_them() -> None:
    """A lead of more than one standard error comes by chance in a sixth of draws."""
    without = slopes(LEVEL_ALONE, 12, (0, 1, 2))
    assert sum(found > 0.0 for found in without) < 8
    assert np.mean(without) < 0.3 * np.mean(slopes(LEVEL_ALONE, 12, None))
    assert np.mean(slopes(COVARIANCE, 5, (0, 1, 2))) > 0.7 * np.mean(slopes(COVARIANCE, 5, None))


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
def test_the_law_is_the_mixtures_own_mean_of_the_sets_variances_at_its_best_coefficients(prior: Prior | None) -> None:
    """Components drawn centred from several laws with these weights have the mean of their variances."""
    data = unbalanced(48, n=200, covariance=np.diag([1.0, 0.5, 0.25]), players=30)
    fitted = averaged(data, (0, 1, 2), prior, match=True)
    alone = [averaged(data, (columns,), prior, match=True) for columns in (2, 1, 0)]
    targets = np.array(
        [
            np.append(each.player_covariance_[np.tril_indices(3)], [each.copy_sd_**2, each.interaction_sd_**2])
            for each in alone
        ]
    )
    noise = np.array([each.residual_sd_**2 for each in alone])
    ratios = np.append(fitted.player_covariance_[np.tril_indices(3)], [fitted.copy_sd_**2, fitted.interaction_sd_**2])
    ratios /= fitted.residual_sd_**2  # the noise itself is told anew
    system = np.vstack([(targets - np.outer(noise, ratios)).T, np.ones(3)])
    weights = np.linalg.lstsq(system, np.append(np.zeros(8), 1.0))[0]
    assert system @ weights == pytest.approx(np.append(np.zeros(8), 1.0), abs=2e-3)
    assert (weights > 0.1).all()  # they are averaged, not chosen
    anew = Tasted(data.X[:9], data.y[:9], np.full(9, 99), data.copy[:9], data.tastes[:9])
    found = of_record(fitted.responses_[0], anew.X, anew.copy, anew.tastes)
    coef = None
    if prior is not None:
        coef = np.asarray(prior.mean), np.diag(np.asarray(prior.sd) * fitted.residual_sd_ / prior.residual_sd) ** 2
    mean, sd = predicted(fitted, coef, data, anew)
    assert found[0] == pytest.approx(mean, abs=1e-6)
    assert found[1] == pytest.approx(sd, abs=1e-6)
    plain = criterion(data, *parameters(fitted), prior)
    assert fitted.reml_ == pytest.approx(plain, abs=1e-6)


def test_each_response_has_its_own_weights() -> None:
    with_slopes, without = unbalanced(3, n=300), unbalanced(3, n=300, covariance=LEVEL_ALONE)
    Y = np.column_stack([with_slopes.y, without.y])
    fitted = CrossedMixedModel(interaction=True, slope_sets=(0, 2)).fit(
        with_slopes.X, Y, with_slopes.player, with_slopes.copy, with_slopes.tastes
    )
    assert [response.slopes_in_model for response in fitted.responses_] == [(True, True), (False, False)]
    for place, data in enumerate((with_slopes, without)):
        alone = averaged(data, (0, 2), match=True)
        assert fitted.player_covariance_[place] == pytest.approx(alone.player_covariance_, rel=1e-6)


# A fit to some of the ratings of another


def begun(data: Tasted, sets: tuple[int, ...], start: RemlFit | None = None) -> RemlFit:
    (found,) = fit_mixed_model(
        *(data.X, data.y, data.player, data.copy, data.tastes),
        interaction=True,
        prior=PRIOR,
        slope_sets=sets,
        start=None if start is None else [start.starting_point],
    )
    return found


def thirds(data: Tasted) -> Tasted:
    """Two of every three players."""
    some = data.player % 3 > 0
    return Tasted(data.X[some], data.y[some], data.player[some], data.copy[some], data.tastes[some])


def test_a_fit_begun_where_one_to_more_ratings_ended_finds_its_own_minimum_sooner() -> None:
    data = unbalanced(3, n=300)
    whole, itself = begun(data, (2,)), begun(thirds(data), (2,))
    found = begun(thirds(data), (2,), start=whole)
    assert found.reml == pytest.approx(itself.reml, abs=1e-6)
    assert found.coef == pytest.approx(itself.coef, abs=1e-5)
    assert abs(found.coef - whole.coef).max() > 0.01
    assert found.iterations < itself.iterations


def test_a_fit_that_is_begun_weighs_the_sets_as_the_one_to_more_ratings_did() -> None:
    data = unbalanced(3, n=300)
    whole = begun(data, (0, 1, 2))
    found = begun(thirds(data), (0, 1, 2), start=whole)
    assert len(whole.sets) > 1
    assert [(each.kept, each.weight) for each in found.sets] == [(each.kept, each.weight) for each in whole.sets]
    alone = [begun(thirds(data), (sum(each.kept),)) for each in whole.sets]
    expected = sum(each.weight * fit.player_covariance for each, fit in zip(whole.sets, alone, strict=True))
    # Coefficients and noise are at their best for the averaged variances, so that these are so up to the noise.
    assert found.player_covariance / found.residual_sd**2 == pytest.approx(
        expected / sum(each.weight * fit.residual_sd**2 for each, fit in zip(whole.sets, alone, strict=True)), rel=0.02
    )


# What is left out is not there


def test_without_its_tastes_a_fit_is_that_of_levels_alone() -> None:
    data = unbalanced(8, n=200)
    fitted, levels = averaged(data, (0,)), CrossedMixedModel().fit(data.X, data.y, data.player, data.copy)
    assert fitted.reml_ == levels.reml_
    assert fitted.player_covariance_ == pytest.approx(np.diag([levels.player_sd_**2, 0.0, 0.0]))
    assert fitted.responses_[0].slopes_identifiable == (True, True)
    wild = 1e3 * data.tastes
    found, other = (new_player(of.responses_[0], data.X, data.copy, wild) for of in (fitted, levels))
    assert found[0] == pytest.approx(other[0])
    assert found[1] == pytest.approx(other[1])
    assert fitted.responses_[0].residual == pytest.approx(levels.responses_[0].residual)


@pytest.mark.parametrize("prior", [None, PRIOR], ids=["no prior", "prior"])
def test_with_fewer_columns_a_fit_is_that_of_those_columns_alone(prior: Prior | None) -> None:
    data = unbalanced(8, n=200)
    first = replace(data, tastes=data.tastes[:, :1])
    small = None if prior is None else replace(prior, slope_sd=np.asarray(prior.slope_sd)[:1])
    fitted, alone = averaged(data, (1,), prior), averaged(first, None, small)
    covariance = fitted.player_covariance_
    assert fitted.reml_ == pytest.approx(alone.reml_, abs=1e-6)
    assert covariance[:2, :2] == pytest.approx(alone.player_covariance_, rel=1e-4)
    assert not covariance[2].any()
    assert not covariance[:, 2].any()
    found, expected = (
        new_player(of.responses_[0], data.X, data.copy, of_.tastes) for of, of_ in ((fitted, data), (alone, first))
    )
    assert found[0] == pytest.approx(expected[0], abs=1e-5)
    assert found[1] == pytest.approx(expected[1], abs=1e-5)
    assert fitted.responses_[0].residual == pytest.approx(alone.responses_[0].residual, abs=1e-5)


def test_the_level_has_one_prior_beside_slopes_that_are_next_to_none_and_alone() -> None:
    """Few players, so that the prior counts; a Wishart density of level and slopes is one of the level with slopes at 0."""
    data = unbalanced(7, n=30, players=5, components=1)
    faint = replace(PRIOR, slope_sd=[1e-4, 1e-4])
    beside, alone = averaged(data, (2,), faint), averaged(data, (0,), faint)
    assert beside.player_sd_ == pytest.approx(alone.player_sd_, rel=1e-4)
    assert beside.copy_sd_ == pytest.approx(alone.copy_sd_, rel=1e-4)


def test_before_the_first_rating_and_where_players_cannot_be_told_the_belief_in_tastes_stands() -> None:
    data = unbalanced(8)
    nothing = replace(data, y=np.full(data.y.size, np.nan))
    one_each = Tasted(data.X[:6], data.y[:6], np.arange(6), data.copy[:6], data.tastes[:6])
    for of in (nothing, one_each):
        fitted = averaged(of, (0, 1, 2), PRIOR)
        assert fitted.responses_[0].slopes_in_model == (True, True)
        believed = np.array([PRIOR.player_sd, *np.asarray(PRIOR.slope_sd)]) * fitted.residual_sd_ / PRIOR.residual_sd
        assert np.sqrt(np.diagonal(fitted.player_covariance_)) == pytest.approx(believed)


def test_where_slopes_leave_nothing_for_the_noise_a_smaller_set_is_fitted_to_its_minimum() -> None:
    rng = np.random.default_rng(5)
    player, t, w = np.repeat(np.arange(30), 4), np.tile([-1.0, 0.0, 1.0, 2.0], 30), rng.normal(size=120)
    y = rng.normal(size=30)[player] + rng.normal(size=30)[player] * t + 1e-9 * rng.normal(size=120)
    data = Tasted(np.ones((120, 1)), y, player, np.zeros(120, dtype=np.int64), np.column_stack([w, t]))
    fitted, alone = (
        CrossedMixedModel(slope_sets=sets).fit(data.X, y, player, slopes=data.tastes) for sets in ((1, 2), (1,))
    )
    assert fitted.responses_[0].slopes_in_model == (True, False)
    assert fitted.reml_ == pytest.approx(alone.reml_, abs=1e-7)
    assert fitted.player_covariance_ == pytest.approx(alone.player_covariance_, abs=1e-5)


@pytest.mark.parametrize("wrong", [(), (-1, 2), (9,), (0.5,), "ab"])
def test_sets_that_make_no_sense_are_refused_in_plain_words(wrong: object) -> None:
    with pytest.raises(ValueError, match=r"^slope_sets: got .*, expected "):
        averaged(unbalanced(1), wrong)  # type: ignore[arg-type]  # what a caller may give all the same


# The product's own


def test_a_criterion_keeps_the_own_bow_and_little_of_slopes_that_no_player_has() -> None:
    """`drawn_trials` draws players that differ in level alone; before the first rating slopes are .3 and .2."""
    assert SLOPE_SETS == (1, 2, 5)
    range_ = violins([6, 6, 6])
    believed = slope_sd(PreferenceModel(range_).fit([]))
    sd = slope_sd(PreferenceModel(range_).fit(drawn_trials(range_, 80, 4, seed=2)))
    assert believed[:, 1:] == pytest.approx(np.tile([0.3, 0.2, 0.2, 0.2], (8, 1)))
    assert (sd[:, 0] > 0.01).all()
    assert np.mean(sd[:, 1:] ** 2) < 0.1 * np.mean(believed[:, 1:] ** 2)
    assert (sd[:, 1:] > 0.0).all()  # the belief fades and is not switched off


def slope_sd(model: PreferenceModel) -> Floats:
    """Deviations (C, q) of the slopes on own bow, grade and traits."""
    return np.asarray(np.linalg.norm(model.posterior_.players.root, axis=2)[:, 1:])
