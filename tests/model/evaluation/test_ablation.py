"""How often answers change the advice, counted over players on record."""

from dataclasses import replace

from model.choice import Offer
from model.domain.records import OwnBow
from model.domain.vocabulary import Criterion
from model.evaluation.ablation import GIVEN, MOST_ASKED, ablation
from model.preference.model import PreferenceModel
from tests.model.worlds import VIOLIN, drawn_trials, violins

RANGE = violins([3, 3, 3])
PRICES = {"a": 400.0, "b": 900.0, "c": 2500.0}


def test_answers_are_counted_where_they_were_given_and_where_they_matter() -> None:
    trials = drawn_trials(RANGE, 12, 3, seed=5, own=False)
    rated = replace(VIOLIN, own_bow=OwnBow(ratings={Criterion.OVERALL: 6.0}))
    trials = [replace(each, answers=rated if n % 3 == 0 else VIOLIN) for n, each in enumerate(trials)]
    purses = {each.key: Offer(PRICES, 450.0 if n < 6 else None) for n, each in enumerate(trials[:11])}
    found = ablation(PreferenceModel(RANGE).fit(trials).view_, trials, purses)
    assert {answer: count[GIVEN] for answer, count in found.items()} == {"own_bow_ratings": 4, "budget": 6}
    assert found["budget"]["anything"] == 6, "with 450 only the first tier can be had, without a budget all can"
    assert all(0 < count <= of[GIVEN] for of in found.values() for count in of.values())


def test_no_more_are_asked_than_there_is_time_for() -> None:
    trials = [replace(each, answers=VIOLIN) for each in drawn_trials(RANGE, MOST_ASKED + 5, 2, seed=6, own=False)]
    purses = {each.key: Offer(PRICES, 1000.0) for each in trials}
    found = ablation(PreferenceModel(RANGE).fit([]).view_, trials, purses)
    assert 0 < found["budget"][GIVEN] <= MOST_ASKED
    assert ablation(PreferenceModel(RANGE).fit([]).view_, trials, {}) == {}
