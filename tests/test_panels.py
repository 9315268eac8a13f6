"""The open panels' benchmark reads sets rightly, keeps what is held out apart, and conditions as the model itself does."""

import numpy as np
import pandas as pd
import pytest
from sklearn.preprocessing import OneHotEncoder

from tests.benchmarks import _panels_data as data
from tests.benchmarks._panels_data import Panel, Source
from tests.benchmarks._panels_foretell import (
    AHEAD,
    METHODS,
    Ask,
    beliefs,
    fits,
    folds,
    foretold,
    known_laws,
    new_law,
)
from tests.model.crossed import CrossedMixedModel
from tests.model.plain_record import conditioned
from tests.model.plain_tastes import Tasted, predicted, predicted_jointly

RNG = np.random.default_rng(5)


def panel(slopes: float = 0.8, raters: int = 60, items: int = 20) -> Panel:
    """Return ratings of every item by every rater, whose slopes on the one covariate have this deviation."""
    rng = np.random.default_rng(8)
    rater, item = (of.ravel() for of in np.mgrid[:raters, :items])
    covariate = rng.normal(size=items)[item]
    level, own, effect = rng.normal(size=raters), slopes * rng.normal(size=raters), 0.5 * rng.normal(size=items)
    y = level[rater] + own[rater] * covariate + effect[item] + 0.6 * rng.normal(size=rater.size)
    X = np.column_stack([np.ones(rater.size), covariate])
    return Panel("drawn", rater, item, ("y",), y[:, None], X, covariate[:, None] - covariate.mean())


def fit(of: Panel, rows: np.ndarray | slice = slice(None)) -> CrossedMixedModel:
    """Fit it with tastes."""
    return CrossedMixedModel().fit(of.X[rows], of.Y[rows], of.rater[rows], of.item[rows], of.tastes[rows])


def test_categories_become_the_indicators_that_a_library_makes_of_them() -> None:
    frame = pd.DataFrame({"kind": RNG.choice(["b", "a", "c"], 90), "place": RNG.integers(3, 6, 90)})
    source = Source("", "", "", (), (), categories=("kind", "place"))
    expected = OneHotEncoder(drop="first", sparse_output=False).fit_transform(frame)
    np.testing.assert_array_equal(data.columns(frame, source), expected)


def test_numbers_are_standardised_and_rare_labels_left_out() -> None:
    frame = pd.DataFrame({"year": [1950.0, np.nan, 1970.0, 1990.0] * 50, "genres": ["A|B", "B", "A", "B|C"] * 50})
    frame.loc[0, "genres"] = "A|B|D"
    made = data.columns(frame, Source("", "", "", (), (), numbers=("year",), labels=("genres",)))
    assert made.shape == (200, 4)
    assert made[:, 0].mean() == pytest.approx(0.0)
    assert made[:, 0].std() == pytest.approx(1.0)
    np.testing.assert_array_equal(made[1:5, 1:], [[0, 1, 0], [1, 0, 0], [0, 1, 1], [1, 1, 0]])


def test_of_many_covariates_the_leading_components_become_tastes() -> None:
    many = RNG.normal(size=(300, 12)) * np.arange(12, 0, -1)
    made = data.leading(many)
    variance = np.sort(np.linalg.eigvalsh(np.cov(many.T)))[::-1]
    np.testing.assert_allclose(np.cov(made.T), np.diag(variance[:8]), atol=1e-9)
    few = data.leading(many[:, :5])
    np.testing.assert_allclose(few, many[:, :5] - many[:, :5].mean(axis=0))


def test_a_sample_keeps_whole_raters_up_to_the_most_that_are_wanted() -> None:
    rater, item = RNG.integers(0, 900, 40_000), RNG.integers(0, 1_500, 40_000)
    kept = data.sampled(rater, item)
    assert data.MOST_RATINGS - 200 < kept.sum() <= data.MOST_RATINGS
    assert not set(rater[kept]) & set(rater[~kept])


def test_every_rater_and_every_item_is_held_out_once_and_never_fitted_to() -> None:
    of = panel()
    for by, code in (("rater", of.rater), ("item", of.item)):
        mine = [fold for fold in folds(of) if fold.by == by]
        assert sorted(place for fold in mine for place in np.unique(code[~fold.kept])) == list(np.unique(code))
        for fold in mine:
            assert not set(code[fold.kept]) & set(code[~fold.kept])
            assert all(not fold.kept[ask.ahead].any() and len(ask.ahead) <= AHEAD for ask in fold.asks)
            assert all((of.rater[np.append(ask.told, ask.ahead)] == ask.rater).all() for ask in fold.asks)


@pytest.mark.parametrize("r", [0, 1, 3])
def test_a_new_rater_after_r_ratings_has_the_law_of_all_ratings_written_out(r: int) -> None:
    of = panel(items=12)
    model = fit(of, of.rater >= 10)
    rows = np.flatnonzero(of.rater == 4)
    given = np.where(np.arange(3) < r, of.Y[rows[:3], 0], np.nan)
    mean, cov = conditioned(new_law(model.responses_[0], of, rows), given)
    told = np.append(np.flatnonzero(of.rater >= 10), rows[:r])
    expected, std = predicted(model, None, tasted(of, told), tasted(of, rows[3:]))
    np.testing.assert_allclose(mean, expected, rtol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diagonal(cov)), std, rtol=1e-6)


def test_new_items_of_a_known_rater_have_the_law_of_all_ratings_written_out() -> None:
    of = panel(items=12)
    model = fit(of, of.item < 9)
    told, ahead = (np.flatnonzero((of.rater == 7) & where) for where in (of.item < 9, of.item >= 9))
    ((mean, cov),) = known_laws(model, of, [Ask(7, told, ahead)])[0]
    expected, joint = predicted_jointly(model, None, tasted(of, np.flatnonzero(of.item < 9)), tasted(of, ahead))
    np.testing.assert_allclose(mean, expected, rtol=1e-6)
    np.testing.assert_allclose(cov, joint, rtol=1e-6, atol=1e-9)


def tasted(of: Panel, rows: np.ndarray) -> Tasted:
    return Tasted(of.X[rows], of.Y[rows, 0], of.rater[rows], of.item[rows], of.tastes[rows])


def test_this_model_keeps_tastes_where_raters_differ_and_not_where_they_do_not() -> None:
    for slopes, kept in ((0.8, True), (0.0, False)):
        of = panel(slopes)
        names = dict(zip(METHODS, fits(of, np.ones(len(of.rater), dtype=bool)), strict=False))
        assert names["this model"].responses_[0].slopes_in_model == (kept,)
        assert names["tastes always"].responses_[0].slopes_in_model == (True,)
        if not kept:
            np.testing.assert_allclose(names["this model"].coef_, names["random intercepts"].coef_, rtol=1e-3)


def test_beliefs_together_make_up_the_spread_of_the_ratings() -> None:
    of = panel()
    prior = beliefs(of, np.ones(len(of.rater), dtype=bool))
    total = prior.player_sd**2 + prior.copy_sd**2 + prior.interaction_sd**2 + prior.residual_sd**2
    assert total == pytest.approx(of.Y.var())


def test_what_is_foretold_does_not_change_with_the_ratings_foretold() -> None:
    of = panel()
    fold = next(folds(of))
    changed = of.Y.copy()
    ahead = np.concatenate([ask.ahead for ask in fold.asks])
    changed[ahead] += RNG.normal(size=(len(ahead), 1))
    other = Panel(of.name, of.rater, of.item, of.responses, changed, of.X, of.tastes)
    for (_, one), (_, two) in zip(foretold(of, fold, None), foretold(other, fold, None), strict=True):
        np.testing.assert_array_equal(one.mean, two.mean)
        np.testing.assert_array_equal(one.cov, two.cov)
