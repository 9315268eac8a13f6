"""The fitted model taken apart, against the same Gaussian written out in full, simulation, and published reliabilities."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from model.choice.purchase_model import BELIEFS, PurchaseModel, fit_purchase_model, prior_only
from model.domain.records import Answers, Event, Range
from model.domain.vocabulary import CRITERIA, EventKind, Hold, Instrument
from model.features.bench_traits import USED
from model.features.copy_history import ServiceIntervals
from model.features.profile import ProfileWeight
from model.preference import report
from model.preference.catalogue import CataloguePosterior
from model.preference.fitted import FittedModel, PlayerDistribution
from model.preference.model import PreferenceModel, PriorSettings
from tests.model.crossed import CrossedMixedModel
from tests.model.dense import Dense
from tests.model.worlds import basses, drawn_trials, joined, made_up_posterior, violins

EXACT = 1e-9
C, OVERALL = len(CRITERIA), 0
RANGE = violins([4, 2, 2])
LATER = joined(RANGE, Range({"d": violins([4, 2, 2, 2]).tiers["d"]}, {}))
# a3 and c1 were never rated; b0 was rehaired after its last rating.
BLOCKS = [[("a0", 0), ("b0", 0), ("c0", 0)], [("a1", 0), ("a2", 0), ("b1", 0)]]
REHAIRED = [Event("b0", date(2031, 1, 1), EventKind.REHAIRED)]


def posterior(range_: Range = RANGE, **changes: object) -> FittedModel:
    return replace(made_up_posterior(range_, BLOCKS, seed=5), **changes)  # type: ignore[arg-type]  # as the test names them


def laid_over(of: FittedModel, range_: Range = RANGE) -> CataloguePosterior:
    return CataloguePosterior(of, range_, ServiceIntervals.from_events(REHAIRED))


def at_large(of: FittedModel) -> FittedModel:
    """The same model, but for a player like everybody: no level, taste or match of one's own."""
    nobody = PlayerDistribution(np.zeros((C, 6, 6)), np.zeros(C), np.zeros(C))
    return replace(of, players=nobody, match_sd=np.zeros(C))


def level_only(of: FittedModel) -> FittedModel:
    """The same model without tastes."""
    root = np.zeros((C, 6, 6))
    root[:, 0, 0] = of.player_sd
    return replace(of, players=replace(of.players, root=root))


# What one rating is made of


def test_the_parts_add_up_to_the_variance_of_a_new_rating_written_out() -> None:
    bare = violins([4, 2, 2], bench=False)
    known = posterior(bare, coef_root=np.zeros_like(posterior(bare).coef_root))
    written_out = Dense(known, bare, Answers(Instrument.VIOLIN), {"b0": 0.7})
    covariance = written_out.components.covariance()
    for c in range(C):
        rows = [written_out.new_rating(slug, c)[1] for slug in bare.tiers]
        expected = np.mean([row @ covariance @ row for row in rows])
        assert report.variance_parts(laid_over(known, bare))[c].sum() == pytest.approx(expected, abs=EXACT)


def test_bench_traits_and_tastes_for_them_count_as_they_do_in_simulation() -> None:
    known = posterior()
    player, copy, match, repeat = report.variance_parts(laid_over(known))[OVERALL]
    rng, n = np.random.default_rng(7), 400_000
    tier = rng.integers(3, size=n)
    # True readings in units of the eight read about their three tiers' means; two traits are made of the loss factor.
    mass, balance, speed, loss = rng.normal(0.0, (8 / (8 - 3)) ** 0.5, size=(4, n))
    traits = np.column_stack([mass, balance, speed - loss, loss])
    design = known.design
    read = [USED.index(name) for name in ("mass_g", "balance_mm", "speed_of_sound_m_s", "loss_factor")]
    means = ((design.centres - design.fallback[0]) / design.scales[0])[
        :, read
    ]  # a player's slopes feel the tier's mean too
    felt = np.column_stack([means[:, 0], means[:, 1], means[:, 2] - means[:, 3]])[tier] + traits[:, :3]
    z = np.column_stack([np.ones(n), np.zeros(n), tier - 1.0, felt])
    own = (z * (rng.normal(size=(n, 6)) @ known.players.root[OVERALL].T)).sum(axis=1)
    columns = [column.name for column in known.design.columns]
    slopes = known.coef[OVERALL, [columns.index(name) for name in ("mass", "balance", "brightness", "damping")]]
    of_copy = traits @ slopes + rng.normal(0.0, known.copy_sd[OVERALL], n)
    assert own.var() == pytest.approx(player, rel=0.02)
    assert of_copy.var() == pytest.approx(copy, rel=0.02)
    assert (match, repeat) == pytest.approx((known.match_sd[OVERALL] ** 2, known.repeat_sd[OVERALL] ** 2))


def test_shares_add_up_to_one_for_every_criterion() -> None:
    assert report.variance_shares(laid_over(posterior())).sum(axis=1) == pytest.approx(np.ones(C))


def shrout_and_fleiss() -> tuple[CataloguePosterior, dict[str, float]]:
    """The judges as players and the targets as copies; what the published table gives for them."""
    case = json.loads((Path(__file__).parents[1] / "data" / "shrout_fleiss.json").read_text(encoding="utf-8"))
    data = case["data"]
    fitted = CrossedMixedModel().fit(np.ones((24, 1)), data["y"], player=data["judge"], copy=data["target"])
    bare = violins([4, 2, 2], bench=False)
    found = fitted.player_sd_, fitted.copy_sd_, fitted.interaction_sd_, fitted.residual_sd_
    names = ("player_sd", "copy_sd", "match_sd", "repeat_sd")
    sds = {name: np.full(C, sd) for name, sd in zip(names, found, strict=True)}
    return laid_over(level_only(posterior(bare, **sds)), bare), case["reference"]


def test_the_copys_share_is_the_published_intraclass_correlation() -> None:
    # Shrout & Fleiss 1979, table 4: ICC(2, 1), one rating by a judge drawn at random.
    view, published = shrout_and_fleiss()
    share = report.variance_shares(view)[OVERALL, report.VARIANCE_PARTS.index("copy")]
    assert share == pytest.approx(published["icc_2_1"], abs=1e-4)


@pytest.mark.parametrize(("one", "four"), [("icc_1_1", "icc_1_4"), ("icc_2_1", "icc_2_4"), ("icc_3_1", "icc_3_4")])
def test_the_reliability_of_four_ratings_is_the_published_one(one: str, four: str) -> None:
    # Shrout & Fleiss 1979, table 4: the mean of four judges, beside one judge.
    _view, published = shrout_and_fleiss()
    assert report.reliability(published[one], 4) == pytest.approx(published[four], abs=1e-5)


@pytest.mark.parametrize("level", [0.2, 0.5, 0.7, 1.5])
def test_a_player_is_known_after_the_first_bow_with_which_half_is_told(level: float) -> None:
    view = laid_over(level_only(posterior(player_sd=np.full(C, level))))
    needed = report.ratings_for_reliability(view)
    share = report.variance_shares(view)[OVERALL, 0]
    assert needed is not None
    assert report.reliability(share, needed) >= 0.5
    assert needed == 1 or report.reliability(share, needed - 1) < 0.5


def test_where_players_do_not_differ_there_is_nothing_to_know_of_them() -> None:
    assert report.ratings_for_reliability(laid_over(level_only(posterior(player_sd=np.zeros(C))))) is None


def test_what_holds_for_everyone_is_the_copys_part_beside_the_match() -> None:
    bare = violins([4, 2, 2], bench=False)
    known = posterior(bare, copy_sd=np.full(C, 0.3), match_sd=np.full(C, 0.4))
    assert report.copy_share(laid_over(known, bare)) == pytest.approx(0.09 / 0.25)


# How copies differ


@pytest.mark.parametrize("slug", list(RANGE.tiers))
def test_copies_effects_are_those_written_out(slug: str) -> None:
    known = posterior()
    effects = report.copy_effects(laid_over(known))[slug]
    written_out = Dense(at_large(known), RANGE, Answers(Instrument.VIOLIN), {"b0": 0.7})
    mean, row = written_out.tier(slug, OVERALL)
    apart = [(m - mean, r - row) for m, r in (written_out.copy(serial, OVERALL) for serial in effects.serials)]
    law = written_out.law(apart, ())
    assert effects.mean == pytest.approx(law.mean, abs=EXACT)
    assert effects.sd == pytest.approx(np.sqrt(np.diag(law.cov)), abs=EXACT)
    rated = np.flatnonzero(effects.rated)
    assert effects.covariance[np.ix_(rated, rated)] == pytest.approx(law.cov[np.ix_(rated, rated)], abs=EXACT)


def test_nine_in_ten_draws_lie_within_the_interval_and_best_beats_worst_as_often_as_told() -> None:
    effects = report.copy_effects(laid_over(posterior()))["a"]
    rated = np.flatnonzero(effects.rated)
    rng, n = np.random.default_rng(3), 200_000
    drawn = rng.multivariate_normal(effects.mean[rated], effects.covariance[np.ix_(rated, rated)], n)
    inside = (drawn > effects.low[rated]) & (drawn < effects.high[rated])
    assert inside.mean(axis=0) == pytest.approx(np.full(rated.size, 0.9), abs=0.005)
    best, worst = effects.order[0], effects.order[-1]
    ahead = drawn[:, rated.tolist().index(best)] > drawn[:, rated.tolist().index(worst)]
    assert effects.chance_ahead(best, worst) == pytest.approx(ahead.mean(), abs=0.005)
    assert effects.chance_ahead(worst, best) == pytest.approx(1 - effects.chance_ahead(best, worst))


def test_copies_are_ordered_from_the_best_liked_and_only_those_rated() -> None:
    effects = report.copy_effects(laid_over(posterior()))["a"]
    named = [effects.serials[place] for place in effects.order]
    assert sorted(named) == ["a0", "a1", "a2"]
    assert effects.mean[list(effects.order)].tolist() == sorted(effects.mean[effects.rated], reverse=True)


def test_a_tier_for_both_holds_shows_the_copies_of_both() -> None:
    range_ = basses()
    effects = report.copy_effects(CataloguePosterior(PreferenceModel(range_).fit([]).posterior_, range_))
    held = {slug: {range_.copies[serial].hold for serial in of.serials} for slug, of in effects.items()}
    assert held["gf"] == {Hold.GERMAN, Hold.FRENCH}


# How surely tiers are known


@pytest.mark.parametrize("slug", list(LATER.tiers))
def test_a_tiers_level_is_that_written_out_also_where_it_came_after_the_fit(slug: str) -> None:
    known = posterior()
    level = report.tier_levels(laid_over(known, LATER))[slug]
    written_out = Dense(at_large(known), LATER, Answers(Instrument.VIOLIN), {"b0": 0.7})
    law = written_out.law([written_out.tier(slug, OVERALL)], ())
    half = 1.6448536 * float(np.sqrt(law.cov[0, 0]))  # the normal law's 95 % point, as tables print it
    assert level.mean == pytest.approx(law.mean[0], abs=EXACT)
    assert (level.low, level.high) == pytest.approx((level.mean - half, level.mean + half), abs=1e-6)
    assert level.within == pytest.approx(half, abs=1e-6)


# What the model started from


@pytest.mark.parametrize("tastes", [True, False])
def test_without_trials_everything_still_stands_at_its_starting_value(tastes: bool) -> None:
    found = report.prior_vs_posterior(PreferenceModel(RANGE, tastes=tastes).fit([]).view_, PriorSettings())
    for each in found:
        assert each.after == pytest.approx(each.before, rel=1e-3), each.name
        if each.before_sd is not None and each.after_sd is not None:
            # Without tastes the uncertainty of the own bow's mean, four players' worth, comes on top.
            grown = np.sqrt(1.25) if each.name == "own" and not tastes else 1.0
            assert each.after_sd == pytest.approx(grown * each.before_sd, rel=1e-3), each.name
    assert any(each.name.startswith("taste for") for each in found) == tastes


def test_trials_move_the_level_and_make_it_surer() -> None:
    found = PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=60, bows=4, seed=2)).view_
    level = next(each for each in report.prior_vs_posterior(found, PriorSettings()) if each.name == "level")
    assert level.after < level.before, "the trials are drawn around 4"
    assert level.before_sd is not None
    assert level.after_sd is not None
    assert level.after_sd < level.before_sd


def test_what_priorities_count_stands_beside_its_starting_value() -> None:
    known = posterior(profile=ProfileWeight(0.31, 0.04))
    found = next(
        each for each in report.prior_vs_posterior(laid_over(known), PriorSettings()) if each.name == "profile"
    )
    assert (found.before, found.before_sd, found.after, found.after_sd) == (0.2, 0.1, 0.31, 0.04)


def test_how_players_rate_their_own_bow_is_the_law_written_out() -> None:
    known = posterior(coef_root=np.zeros_like(posterior().coef_root))
    written_out = Dense(known, RANGE, Answers(Instrument.VIOLIN), {})
    law = written_out.law([written_out.own(OVERALL)], ())
    own = next(each for each in report.prior_vs_posterior(laid_over(known), PriorSettings()) if each.name == "own")
    assert own.after_sd == pytest.approx(np.sqrt(law.cov[0, 0]), abs=EXACT)


def test_every_column_stands_beside_its_prior() -> None:
    known = posterior()
    found = {each.name: each for each in report.coefficients(known)}
    covariance = known.coef_root[OVERALL] @ known.coef_root[OVERALL].T
    for place, column in enumerate(known.design.columns):
        if column.name in found:
            each = found[column.name]
            assert (each.before, each.before_sd) == (column.mean, column.sd)
            assert (each.after, each.after_sd) == pytest.approx(
                (known.coef[OVERALL, place], np.sqrt(covariance[place, place]))
            )
    assert len(found) == len(known.design.columns) - len(RANGE.tiers)


# What people keep


def test_without_outcomes_nothing_is_told_and_the_belief_speaks() -> None:
    told = report.purchase_effects(prior_only())
    # e^1.8, the odds that the starting values state in words: 'six times as often'.
    assert told.odds_of_a_point == pytest.approx(np.exp(1.8))
    assert told.told == (0.0, 0.0, 0.0, 0.0)
    assert told.points_counted == 0.0


def test_odds_and_points_follow_from_the_coefficients() -> None:
    learnt = PurchaseModel(
        BELIEFS, np.array([1.5, 0.5, -0.4, 1.0]), np.diag([0.01, 0.01, 0.01, 0.01]), 300, 300, {}, -200.0
    )
    told = report.purchase_effects(learnt)
    assert told.odds_of_a_point == pytest.approx(np.exp(2.0))
    assert told.odds_of_own == pytest.approx(np.e)
    assert told.points_of_twice_the_price == pytest.approx(0.4 / 2.0 * np.log(2.0))
    assert told.told == pytest.approx((0.96, 0.96, 0.96, 0.99))
    terms = {each.name: each for each in report.choice_terms(learnt)}
    assert (terms["price"].before, terms["price"].after, terms["price"].after_sd) == pytest.approx((-0.5, -0.4, 0.1))


def test_an_empty_list_of_outcomes_is_the_belief() -> None:
    assert report.purchase_effects(fit_purchase_model([], [], {}, RANGE)) == report.purchase_effects(prior_only())
