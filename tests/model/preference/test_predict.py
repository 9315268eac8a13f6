"""One player's outlook against the same Gaussian law written out in full and conditioned the plain way."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from functools import cache

import numpy as np
import pytest
from scipy import stats
from scipy.stats import norm

from model.domain.arrays import Floats
from model.domain.records import Answers, Event, OwnBow, Range, Run, Tier
from model.domain.vocabulary import CRITERIA, BowKind, Criterion, EventKind, Hold, Instrument, Setting
from model.features.copy_history import ServiceIntervals
from model.features.design import PLAYER_COLUMNS
from model.preference.catalogue import CataloguePosterior
from model.preference.conditioning import SCATTER_FREEDOM
from model.preference.fitted import FittedModel
from model.preference.player import Player
from model.preference.predict import level_to_beat, predict_player, utility_weights
from model.preference.prediction import Prediction
from model.trial.joint import joint_posterior
from model.trial.reasons import differences
from tests.model.dense import READ, Dense, Law, weighed
from tests.model.worlds import basses, joined, made_up_posterior, violins

C = len(CRITERIA)
EXACT = 1e-9
OVERALL_ALONE = np.eye(C)[0]
O, RESPONSE, TONE, EASE = Criterion.OVERALL, Criterion.RESPONSE, Criterion.TONE, Criterion.EASE  # noqa: E741 - overall

KNOWN_RANGE = violins([3, 2, 2])
LATER = replace(violins([3, 2, 2, 2]).tiers["d"], character={RESPONSE: 2, TONE: -1, O: 0})
RANGE = joined(
    KNOWN_RANGE, Range({"d": LATER}, {s: c for s, c in violins([3, 2, 2, 2]).copies.items() if c.tier == "d"})
)
# a2 and c1 were never rated, tier d came after the fit and its maker spoke of it, b0 was rehaired after its last rating.
BLOCKS = [[("a0", 0), ("b0", 0), ("c0", 0)], [("a1", 0), ("b1", 0)]]
REHAIRED = [Event("b0", date(2031, 1, 1), EventKind.REHAIRED)]
RESTED = {"b0": 0.7}

TRIED = (
    Run(1, "a0", {O: 5.0, RESPONSE: 6.0, TONE: 3.0}),
    Run(2, "d0", {O: 6.0, EASE: 5.0}),
    Run(3, "a2", {RESPONSE: 2.0}),
    Run(4, "b0", dict.fromkeys(CRITERIA, 5.0)),
    Run(5, "a0", {O: 4.0}),
)
OWN_AGAIN = (*TRIED, Run(6, None, {RESPONSE: 3.0, TONE: 5.0}))
ASKED = Answers(
    Instrument.VIOLIN,
    settings=frozenset({Setting.CHAMBER, Setting.SOLO}),
    priorities=(RESPONSE, TONE, EASE),
    wish_mass=-1,
    wish_tone=1,
)
PARTLY_RATED = OwnBow(BowKind.WOOD, 61.5, {O: 4.0, RESPONSE: 3.0, Criterion.STEADINESS: 6.0})
CASES: dict[str, tuple[Answers, tuple[Run, ...]]] = {
    "nothing known of the own bow": (Answers(Instrument.VIOLIN), ()),
    "own bow rated as a whole": (replace(ASKED, priorities=(), own_bow=OwnBow(ratings={O: 5.0})), ()),
    "own bow partly rated, bows tried": (replace(ASKED, own_bow=PARTLY_RATED), TRIED),
    "own bow rated on one criterion only": (
        replace(ASKED, own_bow=OwnBow(mass_g=58.0, ratings={TONE: 2.0})),
        TRIED[:2],
    ),
    "own bow not rated, then tried": (ASKED, OWN_AGAIN),
    "no own bow, bows tried": (replace(ASKED, plays_no_bow=True), TRIED),
    "no own bow, nothing tried": (replace(ASKED, plays_no_bow=True), ()),
}


@cache
def fitted() -> FittedModel:
    return made_up_posterior(KNOWN_RANGE, BLOCKS, seed=3)


@cache
def view() -> CataloguePosterior:
    return CataloguePosterior(fitted(), RANGE, ServiceIntervals.from_events(REHAIRED))


@cache
def asked(case: str) -> tuple[Prediction, Dense, tuple[Run, ...]]:
    """The product's outlook, the law written out, and the runs."""
    answers, runs = CASES[case]
    dense = Dense(fitted(), RANGE, answers, RESTED)
    return predict_player(view(), answers, runs), dense, runs


def law_of(
    dense: Dense, runs: tuple[Run, ...], weights: Floats, items: list[Callable[[int], tuple[float, Floats]]]
) -> Law:
    return dense.law([weighed([item(c) for c in range(C)], weights) for item in items], runs)


def tiers_of(dense: Dense) -> list[Callable[[int], tuple[float, Floats]]]:
    return [lambda c, slug=tier.slug: dense.tier(slug, c) for tier in dense.tiers]  # type: ignore[misc]  # a default binds


def each(
    function: Callable[[str, int], tuple[float, Floats]], names: list[str]
) -> list[Callable[[int], tuple[float, Floats]]]:
    return [lambda c, name=name: function(name, c) for name in names]  # type: ignore[misc]  # a default binds


def trait_variance(weights: Floats, answers: Answers) -> Floats:
    """Variance that the bench traits of a copy not yet seen bring, E[slope^2] times its own a reading."""
    posterior = fitted()
    R, names = posterior.correlations, [column.name for column in posterior.design.columns]

    def variance(correlation: Floats, rows: Floats) -> float:
        """Of the weighted sum of criteria with these rows (C, m) on a component's independent parts."""
        return float(np.sum(np.outer(weights, weights) * correlation * (rows @ rows.T)))

    total, roots = 0.0, posterior.players.root
    for reading in READ.values():
        x, own = np.zeros(len(names)), np.zeros(roots[:, 0].shape)
        for trait, sign in reading.items():
            x[names.index(trait)] = sign
            if trait in PLAYER_COLUMNS:
                own = own + sign * roots[:, PLAYER_COLUMNS.index(trait)]
        for wish, trait in (("wish_mass", "mass"), ("wish_tone", "brightness")):
            x[names.index(f"{wish} x {trait}")] = (getattr(answers, wish) or 0) * reading.get(trait, 0.0)
        total += float((x @ posterior.coef.T) @ weights) ** 2 + variance(R.coefficients, x @ posterior.coef_root)
        total += variance(R.player, own[:, :2]) + variance(R.tastes, own[:, 2:])
    # All are measured: their variance, each tier's mean taking up one, over that in which traits are counted.
    copies, tiers = len(KNOWN_RANGE.copies), len(KNOWN_RANGE.tiers)
    return np.asarray(total * copies / (copies - tiers))


def test_players_side_by_side_are_each_of_them_alone() -> None:
    # With own ratings of unlike numbers, marks that are left out, wishes and priorities: the law of every tier and bow, to 1e-10.
    unit, sides = np.eye(C)[CRITERIA.index(TONE)], Player.each(view(), list(CASES.values()))
    for player, (answers, runs) in zip(sides, CASES.values(), strict=True):
        alone = Player(view(), answers, runs)
        bows = [*([] if answers.plays_no_bow else [None]), *alone.suited.serials]
        for weights in (OVERALL_ALONE, unit):
            one, other = joint_posterior(player, weights, bows), joint_posterior(alone, weights, bows)
            for name in ("mean", "cov", "spread"):
                assert np.allclose(getattr(one, name), getattr(other, name), rtol=0, atol=1e-10)
    with pytest.raises(ValueError, match="expected one of the range that suits the violin"):
        Player.each(view(), [(ASKED, ()), (ASKED, (Run(1, "nowhere", {O: 4.0}),))])


def close(got: object, expected: object) -> bool:
    return bool(np.allclose(np.asarray(got), np.asarray(expected), rtol=0, atol=EXACT))


every_case = pytest.mark.parametrize("case", CASES)


@every_case
def test_the_joint_law_of_the_tiers_is_that_of_the_whole_gaussian(case: str) -> None:
    found, dense, runs = asked(case)
    law = law_of(dense, runs, OVERALL_ALONE, tiers_of(dense))
    assert close(found.mean, law.mean)
    assert close(found.cov, law.cov)


@every_case
def test_the_fit_is_the_law_of_the_next_rating_of_a_copy_not_yet_played(case: str) -> None:
    found, dense, runs = asked(case)
    law = law_of(dense, runs, OVERALL_ALONE, each(dense.new_rating, [tier.slug for tier in dense.tiers]))
    assert close(found.mean, law.mean)
    assert close(found.fit_sd**2, found.scatter * (np.diag(law.cov) + trait_variance(OVERALL_ALONE, dense.answers)))


@every_case
def test_marks_to_come_scatter_as_the_players_own_do(case: str) -> None:
    # Student's distribution by SciPy: the density of the marks given and one to come, over that of the marks given.
    found, dense, runs = asked(case)
    means, rows, values = dense.observed(runs)
    counted = dense.counted(runs)
    joint = np.vstack([rows[counted], dense.new_rating(dense.tiers[0].slug, 0)[1]])
    C = joint @ dense.components.covariance() @ joint.T
    centre = np.append(means[counted], dense.new_rating(dense.tiers[0].slug, 0)[0])
    law, n = law_of(dense, runs, OVERALL_ALONE, each(dense.new_rating, [dense.tiers[0].slug])), len(counted)
    ahead = stats.t(SCATTER_FREEDOM + n, law.mean[0], np.sqrt(found.scatter * law.cov[0, 0]))
    for mark in (2.0, 4.5, 7.0):
        both = stats.multivariate_t(centre, C, df=SCATTER_FREEDOM).logpdf([*values[counted], mark])
        given = stats.multivariate_t(centre[:n], C[:n, :n], df=SCATTER_FREEDOM).logpdf(values[counted]) if n else 0.0
        assert both - given == pytest.approx(ahead.logpdf(mark), abs=1e-8)


@every_case
def test_every_copy_has_its_own_law(case: str) -> None:
    found, dense, runs = asked(case)
    serials = [copy.serial for copy in dense.copies]
    law = law_of(dense, runs, OVERALL_ALONE, each(dense.copy, serials))
    tier = np.array([[t.slug for t in dense.tiers].index(copy.tier) for copy in dense.copies])
    assert list(found.stock.serials) == serials
    assert close(found.stock.offset + found.mean[tier], law.mean)
    own_part = np.maximum(np.diag(law.cov) - np.diag(found.cov)[tier], 1e-6)
    assert close(found.stock.spread**2, own_part)


@every_case
def test_a_copy_differs_from_its_tier_by_effect_match_and_traits(case: str) -> None:
    found, dense, _ = asked(case)
    posterior = fitted()
    R = posterior.correlations
    sums = [
        (OVERALL_ALONE * sd) @ correlation @ (OVERALL_ALONE * sd)
        for sd, correlation in (
            (posterior.copy_sd, R.copy),
            (posterior.match_sd, R.match),
            (posterior.repeat_sd, R.repeat),
        )
    ]
    profile = np.array([dense.profile_variance(tier.slug) for tier in dense.tiers])
    assert close(found.spread**2, sums[0] + sums[1] + profile + trait_variance(OVERALL_ALONE, dense.answers))
    assert close(found.noise**2, sums[2])


@every_case
def test_the_advantages_over_the_own_bow_are_those_of_the_whole_gaussian(case: str) -> None:
    found, dense, runs = asked(case)
    told = differences(Player(view(), found.answers, runs), np.arange(len(found.tiers)))
    for place, criterion in enumerate(told.criteria):
        c = CRITERIA.index(criterion)
        own = (5.0, np.zeros(dense.components.size)) if dense.answers.plays_no_bow else dense.own(c)
        tiers = [dense.tier(tier.slug, c) for tier in dense.tiers]
        law = dense.law([(mean - own[0], row - own[1]) for mean, row in tiers], runs)
        for tier in range(len(tiers)):
            mean, probability = told.between(tier + 1, 0)
            assert close(mean[place], law.mean[tier])
            assert close(probability[place], norm.cdf(law.mean[tier] / np.sqrt(law.cov[tier, tier])))


RATED = ["own bow rated as a whole", "own bow partly rated, bows tried"]
UNRATED = ["nothing known of the own bow", "own bow rated on one criterion only", "own bow not rated, then tried"]
NO_BOW = ["no own bow, bows tried", "no own bow, nothing tried"]


@pytest.mark.parametrize("case", [*RATED, *UNRATED])
def test_the_own_bow_has_the_joint_law_of_the_whole_gaussian(case: str) -> None:
    found, dense, runs = asked(case)
    law = law_of(dense, runs, OVERALL_ALONE, [*tiers_of(dense), dense.own])
    joint = joint_posterior(Player(view(), *CASES[case]), OVERALL_ALONE, [None])
    assert close(joint.mean, law.mean)
    assert close(joint.cov, law.cov)
    assert found.own_level_given == (case in RATED)
    assert found.own_level_given or close(found.own_level, law.mean[-1])


@pytest.mark.parametrize("case", NO_BOW)
def test_without_an_own_bow_the_level_to_beat_is_five(case: str) -> None:
    assert (asked(case)[0].own_level, asked(case)[0].own_level_given) == (5.0, True)


def test_the_level_of_the_own_bow_is_its_overall_mark() -> None:
    found = asked("own bow partly rated, bows tried")[0]
    assert (found.own_level, found.own_level_given) == (4.0, True)


@pytest.mark.parametrize(
    ("priorities", "expected"),
    [
        ((), {O: 1.0}),
        ((TONE,), {O: 0.5, TONE: 0.5}),
        ((TONE, EASE), {O: 0.5, TONE: 0.375, EASE: 0.125}),
        ((TONE, EASE, RESPONSE), {O: 0.5, TONE: 11 / 36, EASE: 5 / 36, RESPONSE: 2 / 36}),
    ],
)
def test_the_utility_weighs_priorities_by_rank_order_centroids(
    priorities: tuple[Criterion, ...], expected: Mapping[Criterion, float]
) -> None:
    weights = utility_weights(Answers(Instrument.VIOLIN, priorities=priorities), 0.5)
    assert weights == pytest.approx([expected.get(criterion, 0.0) for criterion in CRITERIA], abs=1e-12)


def test_an_own_bow_that_was_not_rated_overall_is_not_rated() -> None:
    assert level_to_beat(Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={TONE: 4.0}))) is None
    assert level_to_beat(Answers(Instrument.VIOLIN)) is None


def test_a_copy_with_two_rated_stretches_has_the_variance_that_the_filter_gives_it() -> None:
    range_ = violins([2, 1])
    posterior = made_up_posterior(range_, [[("a0", 0), ("a0", 1), ("a1", 0), ("b0", 0)]], seed=9)
    suited = CataloguePosterior(
        posterior, range_, ServiceIntervals.from_events([Event("a0", date(2031, 1, 1), EventKind.REHAIRED)])
    ).suited(Instrument.VIOLIN, None)
    first, second = posterior.variance[:, 0], posterior.variance[:, 1]
    ahead = 0.49 * first + 0.51 * posterior.copy_sd**2
    expected = 1 / (1 / ahead + 1 / second - 1 / posterior.copy_sd**2)
    assert close(np.diagonal(suited.covariance[0]), expected)
    assert close(suited.covariance[1], _of_one_level(posterior, 2))
    assert (np.linalg.eigvalsh(suited.covariance) > 0).all()


def _of_one_level(posterior: FittedModel, place: int) -> Floats:
    rows = posterior.blocks[0].root[:, place]
    return np.asarray(posterior.correlations.copy * (rows @ rows.T))


def test_ratings_in_two_steps_are_ratings_at_once() -> None:
    answers = replace(ASKED, own_bow=PARTLY_RATED)
    forward, back = (predict_player(view(), answers, runs) for runs in (TRIED, TRIED[::-1]))
    assert close(forward.mean, back.mean)
    assert close(forward.cov, back.cov)
    assert close(forward.stock.offset, back.stock.offset)


def test_a_good_copy_of_a_tier_that_came_after_the_fit_speaks_for_that_tier() -> None:
    before, after = (
        predict_player(view(), ASKED, (Run(3, "d0", {O: 7.0}),) if tried else ()) for tried in (False, True)
    )
    # What the player likes in tier d's bows is liked in those of other tiers too.
    assert after.mean[3] > before.mean[3]
    assert after.cov[3, 3] < before.cov[3, 3]


def test_a_copy_that_is_not_of_the_range_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="got the copy 'zz', expected one of the range that suits the violin"):
        predict_player(view(), ASKED, (Run(1, "zz", {O: 5.0}),))


def test_a_copy_for_another_instrument_is_refused_by_name() -> None:
    both = joined(KNOWN_RANGE, basses())
    with pytest.raises(ValueError, match="got the copy 'g0'"):
        predict_player(CataloguePosterior(made_up_posterior(both, BLOCKS, 4), both), ASKED, (Run(1, "g0", {O: 5.0}),))


@pytest.mark.parametrize(
    ("hold", "tiers", "copies"),
    [
        (Hold.GERMAN, {"g", "gf"}, {"g0", "gf0"}),
        (Hold.FRENCH, {"f", "gf"}, {"f0", "gf1"}),
        (Hold.EITHER, {"g", "f", "gf"}, {"g0", "f0", "gf0", "gf1"}),
    ],
)
def test_a_bass_player_is_shown_what_is_built_for_the_hold(hold: Hold, tiers: set[str], copies: set[str]) -> None:
    found = predict_player(
        CataloguePosterior(made_up_posterior(basses(), [[("g0", 0)]], 5), basses()),
        Answers(Instrument.DOUBLE_BASS, hold),
    )
    assert {tier.slug for tier in found.tiers} == tiers
    assert set(found.stock.serials) == copies


def test_an_instrument_without_tiers_has_an_empty_outlook() -> None:
    found = predict_player(view(), Answers(Instrument.CELLO, own_bow=OwnBow(ratings={O: 4.0})))
    assert found.tiers == ()
    assert found.cov.shape == (0, 0)
    assert found.stock.serials == ()


def test_a_tier_without_copies_is_foreseen_too() -> None:
    bare = Range({"x": Tier("x", Instrument.VIOLA, 1)}, {})
    found = predict_player(CataloguePosterior(made_up_posterior(bare, [], 6), bare), Answers(Instrument.VIOLA))
    assert np.isfinite([*found.mean, *found.fit_sd]).all()
    assert found.stock.serials == ()
