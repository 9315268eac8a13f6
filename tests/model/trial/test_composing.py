"""Cases composed by hand: the plan's own figures, closed forms and drawn trials; and what speaks for each copy."""

from collections.abc import Sequence
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.stats import norm

from model.domain.records import Answers, OwnBow, Run
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.features.design import POSITION_OF
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.preference.predict import predict_player
from model.preference.prediction import Prediction
from model.trial.composing import Ranked, RankReason, ranked
from tests.model.worlds import VIOLIN, drawn_trials, trial, violins

O = Criterion.OVERALL  # noqa: E741 - overall
OWNER = Answers(Instrument.VIOLIN, own_bow=OwnBow(ratings={O: 4.0}))
RANGE = violins([6, 6, 6])
PRICES = {"a": 900.0, "b": 1800.0, "c": 3600.0}


@cache
def view() -> CataloguePosterior:
    return PreferenceModel(RANGE).fit(drawn_trials(RANGE, players=25, bows=4, seed=2)).view_


@cache
def many_tiers() -> CataloguePosterior:
    return PreferenceModel(violins([2] * 8)).fit([]).view_


def look(answers: Answers = OWNER, runs: tuple[Run, ...] = ()) -> Prediction:
    return predict_player(view(), answers, runs)


def row_of(rows: Sequence[Ranked], serial: str) -> Ranked:
    return next(row for row in rows if row.serial == serial)


# What named copies are worth


# What speaks for each copy


def test_the_parts_of_a_copys_place_add_up_to_it() -> None:
    wishes = replace(OWNER, wish_mass=-1, wish_tone=1, priorities=(Criterion.TONE,))
    runs = (Run(1, "a0", {O: 6.0}), Run(2, "c2", dict.fromkeys(CRITERIA, 2.0)))
    found = look(wishes, runs)
    for row in ranked(view(), found, found.stock.serials):
        parts = row.liked + sum(row.bench.values()) + sum(row.wish.values()) + row.own
        assert row.above_tier == pytest.approx(parts, abs=1e-12)
        assert row.above_tier == found.stock.offset[found.stock.serials.index(row.serial)]


def test_without_own_ratings_nothing_comes_from_them() -> None:
    assert all(row.own == pytest.approx(0.0, abs=1e-9) for row in ranked(view(), look(VIOLIN), RANGE.copies))


def test_copies_come_highest_first_with_the_likely_marks_of_a_rating_to_come() -> None:
    rows = ranked(view(), look(), RANGE.copies)
    assert [row.expected for row in rows] == sorted((row.expected for row in rows), reverse=True)
    assert {row.serial for row in rows} == set(RANGE.copies)
    found, row = look(), row_of(rows, "b2")
    at = found.stock.serials.index("b2")
    deviation = np.sqrt(found.scatter * (found.cov[1, 1] + found.stock.spread[at] ** 2 + found.noise**2))
    # A rating lies nearest to a liking, whose variance is less by what rounding adds: 1/12 (Sheppard 1898).
    liking = norm(row.expected, np.sqrt(deviation**2 - 1 / 12))
    assert (row.low, row.high) == (3.0, 5.0)
    assert row.level == pytest.approx(liking.cdf(5.5) - liking.cdf(2.5), abs=1e-9)


def test_a_copy_that_players_liked_is_named_for_it_and_one_never_tried_says_so() -> None:
    bare = PreferenceModel(violins([6, 6, 6], bench=False))
    sheets = [trial(number, [(f"b{number % 5}", {O: 4.0}), ("a0", {O: 6.0}), ("a1", {O: 3.0})]) for number in range(12)]
    known = bare.fit(sheets).view_
    rows = ranked(known, predict_player(known, VIOLIN), known.range.copies, tried={"a0": 12, "a1": 12})
    liked, fresh = row_of(rows, "a0"), row_of(rows, "a5")
    assert (liked.why, liked.trait, liked.rated, liked.tried) == (RankReason.LIKED, None, True, 12)
    assert liked.liked > 0.5
    assert (fresh.why, fresh.rated, fresh.tried) == (RankReason.NEVER_TRIED, False, 0)
    assert row_of(rows, "a1").why is RankReason.LIKE_ITS_TIER
    assert row_of(ranked(known, predict_player(known, VIOLIN), ["a0"]), "a0").tried is None


def with_coefficient(name: str, value: float) -> CataloguePosterior:
    """A view before any trial in which one column of the design is known to count so much."""
    posterior = PreferenceModel(RANGE).fit([]).posterior_
    coef = posterior.coef.copy()
    coef[:, POSITION_OF[name]] = value
    return CataloguePosterior(replace(posterior, coef=coef), RANGE)


@pytest.mark.parametrize(
    ("column", "answers", "why", "trait"),
    [
        ("balance", VIOLIN, RankReason.BENCH, "balance"),
        ("wish_mass x mass", replace(VIOLIN, wish_mass=1), RankReason.WISH, "mass"),
        ("wish_tone x brightness", replace(VIOLIN, wish_tone=-1), RankReason.WISH, "brightness"),
    ],
)
def test_a_copy_whose_traits_suit_is_named_for_the_trait(
    column: str, answers: Answers, why: RankReason, trait: str
) -> None:
    told = with_coefficient(column, 0.8)
    best = ranked(told, predict_player(told, answers), [serial for serial in RANGE.copies if serial.startswith("a")])[0]
    assert (best.why, best.trait) == (why, trait)
    assert (best.bench if why is RankReason.BENCH else best.wish)[trait] > 0.05


def test_a_copy_that_the_player_rated_high_before_is_named_for_that() -> None:
    runs = (Run(1, "c5", dict.fromkeys(CRITERIA, 7.0)), Run(2, "c4", dict.fromkeys(CRITERIA, 3.0)))
    row = row_of(ranked(view(), look(OWNER, runs), RANGE.copies), "c5")
    assert row.why is RankReason.OWN_RATINGS
    assert row.own > 0.05


def test_a_copy_outside_the_range_is_not_ranked() -> None:
    with pytest.raises(ValueError, match="got the copy 'z1'"):
        ranked(view(), look(), ["z1"])
