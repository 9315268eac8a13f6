"""Crossed ratings on input that is missing, degenerate, relabelled or wrong."""

import pickle
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from model.mixed import Prior
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_ratings import Ratings, unbalanced
from tests.model.plain_record import copies_covariance, new_player, predicted

PRIOR = Prior(mean=[4.4, 0.2], sd=[0.5, 0.2], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)
SDS = ("player_sd_", "copy_sd_", "interaction_sd_", "residual_sd_")


def sds(fitted: CrossedMixedModel) -> dict[str, Any]:
    return {name: getattr(fitted, name) for name in SDS}


@pytest.fixture(scope="module")
def data() -> Ratings:
    return unbalanced(21, n=120)


@pytest.fixture(scope="module")
def fitted(data: Ratings) -> CrossedMixedModel:
    return data.fit(match=True, prior=None)


# What must not change the answer


def test_ratings_in_other_units_give_the_same_answer_in_those_units(data: Ratings, fitted: CrossedMixedModel) -> None:
    scaled = CrossedMixedModel(interaction=True).fit(data.X, 1000.0 * data.y, data.player, data.copy)
    assert sds(scaled) == pytest.approx({name: 1000.0 * sd for name, sd in sds(fitted).items()}, rel=1e-8)
    assert scaled.coef_ == pytest.approx(1000.0 * fitted.coef_, rel=1e-8)
    mean, cov = new_player(fitted.responses_[0], data.X, data.copy)
    found = new_player(scaled.responses_[0], data.X, data.copy)
    assert found[0] == pytest.approx(1e3 * mean, rel=1e-8)
    assert found[1] == pytest.approx(1e6 * cov, rel=1e-7)


def test_a_shift_by_a_thousand_million_leaves_the_deviations_alone(data: Ratings, fitted: CrossedMixedModel) -> None:
    shifted = CrossedMixedModel(interaction=True).fit(data.X, data.y + 1e9, data.player, data.copy)
    assert sds(shifted) == pytest.approx(sds(fitted), rel=1e-5)  # 1e9 leaves ratings of 1e-7 points' precision
    assert shifted.coef_ - [1e9, 0.0] == pytest.approx(fitted.coef_, abs=1e-5)


def test_columns_in_other_units_give_the_same_predictions(data: Ratings, fitted: CrossedMixedModel) -> None:
    X = data.X * [1.0, 1e-6] + [0.0, 5.0]
    moved = CrossedMixedModel(interaction=True).fit(X, data.y, data.player, data.copy)
    assert sds(moved) == pytest.approx(sds(fitted), rel=1e-6)
    assert moved.responses_[0].residual == pytest.approx(fitted.responses_[0].residual, abs=1e-6)
    expected = predicted(fitted.responses_[0], data.X, data.copy)
    assert predicted(moved.responses_[0], X, data.copy)[0] == pytest.approx(expected[0], abs=1e-6)


def test_the_order_of_rows_and_the_names_of_labels_do_not_matter(data: Ratings, fitted: CrossedMixedModel) -> None:
    order = np.random.default_rng(0).permutation(data.y.size)
    player = [("player", -label) for label in data.player[order].tolist()]
    copy = np.array([f"DB-{label:04d}" for label in data.copy[order]])[: order.size]
    renamed = CrossedMixedModel(interaction=True).fit(data.X[order], data.y[order], player, copy)
    assert sds(renamed) == pytest.approx(sds(fitted), rel=1e-8)
    assert renamed.reml_ == pytest.approx(fitted.reml_, rel=1e-12)
    assert renamed.responses_[0].residual == pytest.approx(fitted.responses_[0].residual[order], abs=1e-8)
    expected = predicted(fitted.responses_[0], data.X[order], data.copy[order])
    assert predicted(renamed.responses_[0], data.X[order], copy.tolist())[0] == pytest.approx(expected[0], abs=1e-8)


def test_labels_of_different_types_are_different_labels() -> None:
    fitted = CrossedMixedModel().fit(np.ones((6, 1)), [1.0, 2, 3, 4, 5, 7], copy=[1, "1", 1, "1", 1, "1"])
    assert fitted.responses_[0].copies == (1, "1")


def test_a_missing_rating_is_a_row_left_out(data: Ratings) -> None:
    gap, y = np.arange(0, data.y.size, 7), data.y.copy()
    y[gap] = np.nan
    kept = np.setdiff1d(np.arange(data.y.size), gap)
    with_gaps = CrossedMixedModel(interaction=True).fit(data.X, y, data.player, data.copy)
    without = CrossedMixedModel(interaction=True).fit(data.X[kept], y[kept], data.player[kept], data.copy[kept])
    assert sds(with_gaps) == sds(without)
    assert with_gaps.responses_[0].rows == kept.size
    assert np.array_equal(np.flatnonzero(np.isnan(with_gaps.responses_[0].residual)), gap)


@pytest.mark.parametrize("prior", [None, PRIOR])
def test_several_responses_are_as_many_fits(data: Ratings, prior: Prior | None) -> None:
    rng = np.random.default_rng(1)
    Y = np.column_stack([data.y, data.y + rng.normal(size=data.y.size), rng.normal(size=data.y.size)])
    Y[::5, 1] = np.nan
    together = CrossedMixedModel(interaction=True, prior=prior).fit(data.X, Y, data.player, data.copy)
    for place, y in enumerate(Y.T):
        alone = CrossedMixedModel(interaction=True, prior=prior).fit(data.X, y, data.player, data.copy)
        assert {name: value[place] for name, value in sds(together).items()} == sds(alone)
        assert np.array_equal(together.coef_[place], alone.coef_)
        assert together.identifiable_["interaction"][place] == alone.identifiable_["interaction"]
        found, expected = together.responses_[place], alone.responses_[0]
        assert np.array_equal(found.residual, expected.residual, equal_nan=True)
        assert np.array_equal(found.copy_effect, expected.copy_effect)
        assert np.array_equal(copies_covariance(found), copies_covariance(expected))


def test_each_response_may_have_a_prior_of_its_own(data: Ratings) -> None:
    mean, sd = np.array([[4.0, 0.0], [4.0, 1.5], [4.0, 0.0]]), np.array([[1.0, 0.5], [1.0, 0.5], [1.0, 0.1]])
    together = CrossedMixedModel(interaction=True, prior=replace(PRIOR, mean=mean, sd=sd))
    together.fit(data.X, np.column_stack([data.y] * 3), data.player, data.copy)
    for place in range(3):
        alone = CrossedMixedModel(interaction=True, prior=replace(PRIOR, mean=mean[place], sd=sd[place]))
        alone.fit(data.X, data.y, data.player, data.copy)
        assert np.array_equal(together.coef_[place], alone.coef_)
        assert {name: value[place] for name, value in sds(together).items()} == sds(alone)
    assert np.ptp(together.coef_[:, 1]) > 0.01


def test_a_fit_can_be_pickled(fitted: CrossedMixedModel) -> None:
    again = pickle.loads(pickle.dumps(fitted))
    assert sds(again) == sds(fitted)
    assert np.array_equal(again.responses_[0].residual, fitted.responses_[0].residual)


# What the ratings cannot tell


def finite(fitted: CrossedMixedModel, X: Any, copy: Any) -> bool:
    return all(
        np.isfinite(predicted(record, X, copy)).all()
        and not np.isnan(record.residual[np.isfinite(record.marginal)]).any()
        for record in fitted.responses_
    )


EVERY = {"player": True, "copy": True, "interaction": True}
TOLD = {
    "one player": EVERY | {"player": False, "interaction": False},
    "one copy": EVERY | {"copy": False, "interaction": False},
    "one copy per tier": EVERY | {"copy": False},
    "player and copy the same": EVERY | {"copy": False, "interaction": False},
    "one rating per player": EVERY | {"player": False, "interaction": False},
    "no cell repeats": EVERY | {"interaction": False},
    "a copy played by nobody else": EVERY,
}
NAMES = list(TOLD)


def degenerate(name: str) -> Ratings:
    """Make a history that cannot tell every term."""
    data = unbalanced(22, n=80)
    X, player, copy, rows = data.X, data.player, data.copy, np.arange(data.y.size)
    if name == "one player":
        player = np.zeros_like(player)
    elif name == "one copy":
        copy = np.zeros_like(copy)
    elif name == "one copy per tier":
        X = np.column_stack([X, copy[:, None] == np.unique(copy)[None, 1:]])
    elif name == "player and copy the same":
        copy = player + 100
    elif name == "one rating per player":
        player = rows
    elif name == "no cell repeats":
        rows = np.unique(player * 100 + copy, return_index=True)[1]
    else:
        copy = np.where(player == 3, 500, copy)
    return Ratings(X[rows], data.y[rows], player[rows], copy[rows])


@pytest.mark.parametrize("name", NAMES)
def test_a_term_that_the_ratings_cannot_tell_is_dropped_and_named(name: str) -> None:
    data, expected = degenerate(name), TOLD[name]
    fitted = data.fit(match=True, prior=None)
    assert fitted.identifiable_ == expected
    for term, told in expected.items():
        assert told or getattr(fitted, f"{term}_sd_") == 0.0
    assert finite(fitted, data.X, data.copy)
    own = data.X[:3], data.y[:3], data.copy[:3], None
    assert np.isfinite(predicted(fitted.responses_[0], data.X, data.copy, own=own)).all()


@pytest.mark.parametrize("name", NAMES)
def test_with_a_prior_a_term_that_the_ratings_cannot_tell_keeps_its_prior_ratio_to_the_noise(name: str) -> None:
    data, expected = degenerate(name), TOLD[name]
    p = data.X.shape[1]
    prior = Prior(np.zeros(p), np.full(p, 2.0), player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)
    fitted = data.fit(match=True, prior=prior)
    assert fitted.identifiable_ == expected
    for term, told in expected.items():
        ratio = getattr(prior, f"{term}_sd") / prior.residual_sd
        assert told or getattr(fitted, f"{term}_sd_") == pytest.approx(ratio * fitted.residual_sd_, rel=1e-12)
    assert finite(fitted, data.X, data.copy)


@pytest.mark.parametrize("match", [True, False])
def test_before_the_first_rating_the_prior_speaks_alone(match: bool) -> None:
    fitted = CrossedMixedModel(interaction=match, prior=PRIOR).fit(np.zeros((0, 2)), np.zeros(0), [], [])
    assert fitted.coef_ == pytest.approx([4.4, 0.2], rel=1e-12)
    expected = [0.7, 0.35, 0.45 if match else 0.0, 0.7]
    assert list(sds(fitted).values()) == pytest.approx(expected, rel=1e-12)
    mean, sd = predicted(fitted.responses_[0], [[1.0, 2.0]], ["anything"])
    assert mean == pytest.approx([4.8], rel=1e-12)
    assert sd**2 == pytest.approx([0.5**2 + (2.0 * 0.2) ** 2 + float(np.square(expected).sum())], rel=1e-12)


def test_a_response_that_nobody_rated_rests_on_the_prior_among_others_that_were(data: Ratings) -> None:
    Y = np.column_stack([data.y, np.full(data.y.size, np.nan)])
    fitted = CrossedMixedModel(interaction=True, prior=PRIOR).fit(data.X, Y, data.player, data.copy)
    assert fitted.coef_[1] == pytest.approx([4.4, 0.2], rel=1e-12)
    assert fitted.responses_[1].rows == 0
    assert finite(fitted, data.X, data.copy)


def test_equal_ratings_are_fitted_with_a_prior(data: Ratings) -> None:
    fitted = CrossedMixedModel(interaction=True, prior=PRIOR).fit(
        data.X, np.full(data.y.size, 5.0), data.player, data.copy
    )
    assert fitted.coef_[0] == pytest.approx(5.0, abs=0.1)
    assert 0.0 < fitted.residual_sd_ < 0.7
    assert finite(fitted, data.X, data.copy)


def test_dependent_columns_are_fitted_with_a_prior(data: Ratings) -> None:
    X = np.column_stack([data.X, data.X[:, 1]])
    prior = Prior([4.4, 0, 0], [np.inf, 0.5, 0.5], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7)
    fitted = CrossedMixedModel(prior=prior).fit(X, data.y, data.player, data.copy)
    assert fitted.coef_[1] == pytest.approx(fitted.coef_[2], rel=1e-9)


def test_more_ratings_bring_the_fit_with_a_prior_to_the_fit_without() -> None:
    data = unbalanced(23, n=20_000, players=600, copies=120)
    plain, informed = data.fit(True, None), data.fit(True, PRIOR)
    assert list(sds(informed).values()) == pytest.approx(list(sds(plain).values()), rel=0.03)
    assert informed.coef_ == pytest.approx(plain.coef_, abs=0.02)


# What is refused, in plain words

X8, Y8 = np.column_stack([np.ones(8), np.arange(8.0)]), np.array([1.0, 3, 2, 5, 4, 6, 7, 6])
PAIRS = [0, 0, 1, 1, 2, 2, 3, 3]


@pytest.mark.parametrize(
    ("X", "Y", "labels", "sentence"),
    [
        (X8[:, 0], Y8, {}, "X: got 1 dimensions, expected 2"),
        (X8[:7], Y8, {}, "got 7 rows of X and 8 of Y"),
        (X8 + np.where(np.eye(8, 2) > 0, np.nan, 0), Y8, {}, "X: got nan in row 0, column 0"),
        ([["a"]] * 8, Y8, {}, "X: got values that are not numbers"),
        (X8, ["a"] * 8, {}, "Y: got values that are not numbers"),
        (X8, np.zeros((8, 2, 2)), {}, r"Y: got shape \(8, 2, 2\)"),
        (X8, np.where(Y8 == 5, np.inf, Y8), {}, "response 0: got an infinite rating"),
        (X8, np.full(8, np.nan), {}, "got no rating at all"),
        (X8, np.full(8, 4.0), {}, "response 0: got the same rating 4 everywhere"),
        (X8, X8 @ [1.0, 0.5], {"player": PAIRS}, "response 0: the ratings are reproduced exactly by the columns of X"),
        (np.column_stack([X8, X8[:, 1] * 2]), Y8, {}, r"X: got columns \[\d\] that follow from the others"),
        (np.column_stack([X8[:, 0], 0 * X8[:, 0]]), Y8, {}, r"X: got columns \[1\]"),
        (X8[:2], Y8[:2], {}, "got 2 ratings for 2 columns of X, expected at least 3"),
        (X8, Y8, {"player": PAIRS[:7]}, "player: got 7 labels, expected one for each of 8 rows"),
        (X8, Y8, {"copy": [None, *PAIRS[1:]]}, "copy: got a missing label"),
        (X8, Y8, {"copy": np.array([np.nan, *PAIRS[1:]])}, "copy: got a missing label"),
        (X8, Y8, {"copy": np.zeros((8, 2))}, r"copy: got labels of shape \(8, 2\)"),
        (X8, Y8, {"copy": [[0]] * 8}, "copy: got a label that cannot be hashed"),
        (X8[:, :1], np.repeat([1.0, 4, 2, 7], 2), {"player": PAIRS}, "the ratings are reproduced exactly by players"),
    ],
)
def test_what_cannot_be_fitted_is_refused_in_plain_words(X: Any, Y: Any, labels: dict[str, Any], sentence: str) -> None:
    with pytest.raises(ValueError, match=sentence):
        CrossedMixedModel().fit(X, Y, **labels)


def test_columns_that_neither_ratings_nor_prior_determine_are_refused() -> None:
    prior = Prior(
        [0, 0, 0], [np.inf, np.inf, np.inf], player_sd=0.7, copy_sd=0.35, interaction_sd=0.45, residual_sd=0.7
    )
    with pytest.raises(ValueError, match="neither the ratings nor the prior"):
        CrossedMixedModel(prior=prior).fit(np.column_stack([X8, X8[:, 1]]), Y8, PAIRS)


def test_a_prior_for_another_number_of_columns_is_refused() -> None:
    with pytest.raises(ValueError, match="got 3 columns of X, expected the 2 of the prior"):
        CrossedMixedModel(prior=PRIOR).fit(np.ones((8, 3)), Y8)


def test_priors_for_another_number_of_responses_are_refused() -> None:
    two = replace(PRIOR, mean=np.zeros((2, 2)), sd=np.ones((2, 2)))
    with pytest.raises(ValueError, match="got 3 columns of Y, expected the 2 responses of the prior"):
        CrossedMixedModel(prior=two).fit(np.ones((8, 2)), np.column_stack([Y8, Y8, Y8]))


@pytest.mark.parametrize(
    ("wrong", "sentence"),
    [
        ({"mean": [0.0]}, "prior: got mean of shape"),
        ({"mean": [np.nan, 0.0]}, "prior.mean: got a value that is not finite"),
        ({"sd": [1.0, 0.0]}, "prior.sd: got a value that is not above 0"),
        ({"sd": [1.0, np.nan]}, "prior.sd"),
        ({"mean": np.zeros((2, 2)), "sd": [[1.0, 1.0], [np.inf, 1.0]]}, "flat for some responses only"),
        ({"player_sd": np.nan}, "prior.player_sd: got nan"),
        ({"copy_sd": 0.0}, "prior.copy_sd"),
        ({"interaction_sd": np.inf}, "prior.interaction_sd"),
        ({"residual_sd": -1.0}, "prior.residual_sd"),
        ({"weight": 0.0}, "prior.weight"),
    ],
)
def test_a_prior_that_makes_no_sense_is_refused(wrong: dict[str, Any], sentence: str) -> None:
    good: dict[str, Any] = {
        "mean": [0.0, 0.0],
        "sd": [1.0, 1.0],
        "player_sd": 1.0,
        "copy_sd": 1.0,
        "interaction_sd": 1.0,
        "residual_sd": 1.0,
    }
    with pytest.raises(ValueError, match=sentence):
        Prior(**(good | wrong))
