"""Tastes in other units, tastes that ratings cannot tell, and input that is wrong."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.mixed import Prior
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_record import predicted
from tests.model.plain_tastes import Tasted, unbalanced


def prior_of(slopes: int) -> Prior:
    sd = [0.3] * slopes
    return Prior(
        [4.4, 0.2, 0.0], [0.5, 0.2, 0.3], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7, slope_sd=sd
    )


PRIORS = pytest.mark.parametrize("informed", [False, True], ids=["no prior", "prior"])
MATCHES = pytest.mark.parametrize("match", [True, False], ids=["match", "no match"])


@pytest.fixture(scope="module")
def data() -> Tasted:
    return unbalanced(21, n=120)


@pytest.fixture(scope="module")
def fitted(data: Tasted) -> CrossedMixedModel:
    return data.fit(match=True, prior=None)


def told_of(model: CrossedMixedModel, data: Tasted) -> Any:
    """Mean and deviation of the same ratings by a new player."""
    return predicted(model.responses_[0], data.X, data.copy, data.tastes)


# What must not change the answer


@pytest.mark.parametrize(
    ("turn", "shift"),
    [
        (np.diag([10.0, 0.1]), np.array([0.0, 0.0])),
        (np.array([[1.0, 0.4], [-0.7, 2.0]]), np.array([3.0, -2.0])),
        (np.eye(2), np.array([1e6, -1e6])),
        (np.diag([1e-6, 1e6]), np.array([1.0, 0.0])),
    ],
    ids=["units", "mixed", "far from zero", "units far apart"],
)
def test_tastes_in_other_units_and_from_another_zero_give_the_same_predictions(
    data: Tasted, fitted: CrossedMixedModel, turn: Floats, shift: Floats
) -> None:
    """z = [1, t]: t* = t turn + shift has the effects T b with T z* = z, so the covariance T^-1 S T^-1'."""
    moved = replace(data, tastes=data.tastes @ turn + shift)
    other = moved.fit(match=True, prior=None)
    assert other.reml_ == pytest.approx(fitted.reml_, abs=1e-6)
    assert told_of(other, moved)[0] == pytest.approx(told_of(fitted, data)[0], abs=1e-5)
    assert told_of(other, moved)[1] == pytest.approx(told_of(fitted, data)[1], abs=1e-5)
    assert other.responses_[0].residual == pytest.approx(fitted.responses_[0].residual, abs=1e-5)
    whole = np.eye(3)
    whole[0, 1:], whole[1:, 1:] = shift, turn
    back = np.linalg.inv(whole)
    expected = back @ fitted.player_covariance_ @ back.T
    scale = np.sqrt(np.outer(np.diagonal(expected), np.diagonal(expected)))
    assert other.player_covariance_ / scale == pytest.approx(expected / scale, abs=1e-5)


def test_a_covariance_fitted_far_from_zero_is_kept_where_the_tastes_are(
    data: Tasted, fitted: CrossedMixedModel
) -> None:
    moved = replace(data, tastes=data.tastes + 1e6)
    record, near = moved.fit(match=True, prior=None).responses_[0], fitted.responses_[0]
    assert record.slope_centre == pytest.approx(near.slope_centre + 1e6, rel=1e-12)
    assert record.random_effects_covariance == pytest.approx(near.random_effects_covariance, abs=1e-5)


def test_player_deviation_is_that_of_the_level_where_all_tastes_are_zero(fitted: CrossedMixedModel) -> None:
    assert fitted.player_covariance_.shape == (3, 3)
    assert fitted.player_sd_ == pytest.approx(np.sqrt(fitted.player_covariance_[0, 0]), rel=1e-12)


def test_the_order_of_rows_and_the_names_of_labels_do_not_matter(data: Tasted, fitted: CrossedMixedModel) -> None:
    order = np.random.default_rng(0).permutation(data.y.size)
    player = [("player", -label) for label in data.player[order].tolist()]
    again = CrossedMixedModel(interaction=True).fit(
        data.X[order], data.y[order], player, data.copy[order], data.tastes[order]
    )
    assert again.reml_ == pytest.approx(fitted.reml_, rel=1e-9)
    assert again.player_covariance_ == pytest.approx(fitted.player_covariance_, abs=1e-5)


@PRIORS
def test_several_responses_are_as_many_fits(data: Tasted, informed: bool) -> None:
    prior, rng = prior_of(2) if informed else None, np.random.default_rng(1)
    Y = np.column_stack([data.y, data.y + rng.normal(size=data.y.size)])
    Y[::5, 1] = np.nan
    together = CrossedMixedModel(interaction=True, prior=prior).fit(data.X, Y, data.player, data.copy, data.tastes)
    assert together.player_covariance_.shape == (2, 3, 3)
    assert together.identifiable_["slopes"].tolist() == [True, True]
    for place, y in enumerate(Y.T):
        alone = replace(data, y=y).fit(True, prior)
        assert np.array_equal(together.player_covariance_[place], alone.player_covariance_)
        found, expected = together.responses_[place], alone.responses_[0]
        assert np.array_equal(found.coef, expected.coef)
        assert np.array_equal(found.copy_effect, expected.copy_effect)
        assert np.array_equal(found.residual, expected.residual, equal_nan=True)


def test_no_columns_of_tastes_are_a_fit_without(data: Tasted) -> None:
    none = replace(data, tastes=np.zeros((data.y.size, 0))).fit(True, None)
    plain = CrossedMixedModel(interaction=True).fit(data.X, data.y, data.player, data.copy)
    assert none.player_sd_ == plain.player_sd_
    assert none.player_covariance_.shape == (1, 1)
    assert "slopes" not in none.identifiable_


def test_slopes_of_no_variance_leave_the_fit_without_tastes() -> None:
    """Tastes drawn apart from the ratings whose slopes vanish: the criterion may only fall, by what few parameters can."""
    data = unbalanced(31, n=400, covariance=np.diag([1.0, 0.0, 0.0]), players=40)
    plain = CrossedMixedModel().fit(data.X, data.y, data.player, data.copy)
    with_tastes = data.fit(False, None)
    assert 0.0 <= plain.reml_ - with_tastes.reml_ < 15.0
    assert with_tastes.player_sd_ == pytest.approx(plain.player_sd_, rel=0.1)


# What the ratings cannot tell


def degenerate(name: str) -> Tasted:
    data, rng = unbalanced(22, n=120), np.random.default_rng(2)
    n, first, second = data.y.size, *data.tastes.T
    columns = {
        "a constant column": [first, np.full(n, 3.7)],
        "a column of zeros": [np.zeros(n), second],
        "only zeros": [np.zeros(n), np.zeros(n)],
        "a column twice": [second, second],
        "a column that adds up two others": [first, second, first + second],
        "a column that is the player's own": [data.player, second],
        "four players": list(rng.normal(size=(3, n))),
        "one copy's indicator": [data.copy == 0, second],
        "a rare indicator": [rng.random(n) < 0.05, second],
        "eight columns": list(rng.normal(size=(8, n))),
    }
    labels: dict[str, dict[str, Any]] = {
        "four players": {"player": data.player % 4},
        "two players": {"player": data.player % 2},
        "one player": {"player": 0 * data.player},
        "one rating each": {"player": np.arange(n)},
        "two ratings each": {"player": np.arange(n) // 2},
        "one copy": {"copy": 0 * data.copy},
        "player and copy the same": {"copy": data.player + 100},
    }
    tastes = np.column_stack(columns.get(name, [first, second])).astype(np.float64)
    return replace(data, tastes=tastes, **labels.get(name, {}))


TOLD = {
    "a constant column": (True, False),
    "a column of zeros": (False, True),
    "only zeros": (False, False),
    "a column twice": (True, False),
    "a column that adds up two others": (True, True, False),
    "a column that is the player's own": (False, True),
    "four players": (True, False, False),
    "two players": (False, False),
    "one player": (False, False),
    "one rating each": (False, False),
    "two ratings each": (False, False),
    "one copy": (True, True),
    "one copy's indicator": (True, True),
    "a rare indicator": (True, True),
    "player and copy the same": (True, True),
    "eight columns": (True, True, True, True, False, False, False, False),
}
NAMES = list(TOLD)


def finite(model: CrossedMixedModel, data: Tasted) -> bool:
    own = data.X[:3], data.y[:3], data.copy[:3], data.tastes[:3]
    after = predicted(model.responses_[0], data.X, data.copy, data.tastes, own)
    return bool(np.isfinite([told_of(model, data), after]).all() and np.isfinite(model.responses_[0].residual).all())


@pytest.mark.parametrize("name", NAMES)
@MATCHES
def test_slopes_that_the_ratings_cannot_tell_are_left_out_and_named(name: str, match: bool) -> None:
    data = degenerate(name)
    fitted = data.fit(match, None)
    told = fitted.responses_[0].slopes_identifiable
    assert told == TOLD[name]
    assert fitted.identifiable_["slopes"] == all(told)
    assert np.all(np.diagonal(fitted.player_covariance_)[1:][~np.array(told)] == 0.0)
    assert np.linalg.eigvalsh(fitted.player_covariance_)[0] > -1e-12
    assert finite(fitted, data)


@pytest.mark.parametrize("name", NAMES)
@MATCHES
def test_with_a_prior_every_slope_has_a_variance_and_those_that_cannot_be_told_are_named(
    name: str, match: bool
) -> None:
    data = degenerate(name)
    fitted = data.fit(match, prior_of(data.tastes.shape[1]))
    assert fitted.responses_[0].slopes_identifiable == TOLD[name]
    assert np.linalg.eigvalsh(fitted.player_covariance_)[0] > 0.0
    assert finite(fitted, data)


def test_a_column_twice_gives_the_predictions_of_the_column_once() -> None:
    twice = degenerate("a column twice")
    once = replace(twice, tastes=twice.tastes[:, :1])
    first, second = once.fit(True, None), twice.fit(True, None)
    assert second.reml_ == pytest.approx(first.reml_, abs=1e-8)
    assert np.array(told_of(second, twice)) == pytest.approx(np.array(told_of(first, once)), abs=1e-8)


def test_a_column_of_zeros_keeps_its_prior_ratio_to_the_noise() -> None:
    data = degenerate("a column of zeros")
    fitted = data.fit(False, prior_of(2))
    covariance, ratio = fitted.player_covariance_, 0.3 / 0.7
    assert np.sqrt(covariance[1, 1]) == pytest.approx(ratio * fitted.residual_sd_, rel=1e-4)
    assert covariance[1, [0, 2]] == pytest.approx([0.0, 0.0], abs=1e-4)


def test_slopes_that_leave_nothing_for_the_noise_are_left_out() -> None:
    """Every player's three ratings lie on the player's own line but for rounding: slopes and noise cannot be told apart."""
    rng = np.random.default_rng(5)
    player, t = np.repeat(np.arange(20), 3), np.tile([-1.0, 0.0, 1.0], 20)
    level, slope = rng.normal(size=20), rng.normal(size=20)
    y = level[player] + slope[player] * t
    fitted = CrossedMixedModel().fit(np.ones((60, 1)), y, player, slopes=t[:, None])
    assert fitted.identifiable_ == {"player": True, "copy": False, "interaction": False, "slopes": False}
    assert fitted.player_covariance_[1, 1] == 0.0
    assert fitted.residual_sd_ > 0.5


@MATCHES
def test_before_the_first_rating_the_prior_speaks_alone(match: bool) -> None:
    none = np.zeros((0, 3))
    fitted = CrossedMixedModel(interaction=match, prior=prior_of(2)).fit(none, np.zeros(0), [], [], np.zeros((0, 2)))
    assert fitted.player_covariance_ == pytest.approx(np.diag([0.7, 0.3, 0.3]) ** 2, rel=1e-12)
    X, tastes = [[1.0, 0.0, 0.0]], [[2.0, 1.0]]
    mean, sd = predicted(fitted.responses_[0], X, ["anything"], tastes)
    assert mean == pytest.approx([4.4], rel=1e-12)
    parts = [0.5, 0.7, 2.0 * 0.3, 0.3, 0.35, 0.45 * match, 0.7]
    assert sd**2 == pytest.approx([float(np.square(parts).sum())], rel=1e-12)


def test_equal_ratings_are_fitted_with_a_prior(data: Tasted) -> None:
    level = replace(data, y=np.full(data.y.size, 5.0))
    fitted = level.fit(True, prior_of(2))
    assert 0.0 < fitted.residual_sd_ < 0.7
    assert finite(fitted, level)


def test_a_slope_is_more_certain_the_more_the_player_showed_of_it() -> None:
    data = unbalanced(23, n=2000, players=150)
    fitted = data.fit(True, None)
    X, far = np.array([[1.0, 0.0, 0.0]]), np.array([[0.0, 3.0]])
    rows, tastes = np.repeat(X, 6, axis=0), np.column_stack([np.zeros(6), [-2.0, 2.0, -1.5, 1.5, -1.0, 1.0]])
    record = fitted.responses_[0]
    before = predicted(record, X, tastes=far)
    shown = predicted(record, X, tastes=far, own=(rows, 4.4 + tastes[:, 1], [f"new {k}" for k in "abcdef"], tastes))
    assert shown[1] < 0.8 * before[1]
    assert shown[0] > before[0] + 1.5


# What is refused, in plain words


@pytest.mark.parametrize(
    ("tastes", "sentence"),
    [
        (np.zeros(120), r"slopes: got shape \(120,\), expected \(120, q\)"),
        (np.zeros((119, 2)), r"slopes: got shape \(119, 2\), expected \(120, q\)"),
        ([["a"]] * 120, "slopes: got values that are not numbers"),
        (np.zeros((120, 9)), "slopes: got 9 columns, expected at most 8"),
        (np.where(np.eye(120, 2) > 0, np.nan, 0), "slopes: got nan in row 0, column 0, expected finite numbers"),
    ],
)
def test_tastes_that_cannot_be_used_are_refused_in_plain_words(data: Tasted, tastes: Any, sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        CrossedMixedModel().fit(data.X, data.y, data.player, data.copy, tastes)


def test_tastes_of_nobody_are_refused(data: Tasted) -> None:
    with pytest.raises(ValueError, match="slopes: got no player, expected labels"):
        CrossedMixedModel().fit(data.X, data.y, copy=data.copy, slopes=data.tastes)


def test_a_prior_that_does_not_know_the_tastes_is_refused(data: Tasted) -> None:
    with pytest.raises(ValueError, match=r"slopes: got 2 columns, expected the 3 of prior\.slope_sd"):
        data.fit(False, prior_of(3))


@pytest.mark.parametrize("wrong", [[0.3, -1.0], [np.nan], [[0.3]], [np.inf]])
def test_a_prior_deviation_of_slopes_that_makes_no_sense_is_refused(wrong: Any) -> None:
    with pytest.raises(ValueError, match=r"prior\.slope_sd: got .* expected finite numbers above 0"):
        Prior([0.0], [1.0], player_sd=1, copy_sd=1, interaction_sd=1, residual_sd=1, slope_sd=wrong)
