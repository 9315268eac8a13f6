"""What makers say of tiers beside what trials say: by the law it is read from, and on trials drawn where makers are wrong."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from model.domain.records import Range, Trial
from model.domain.vocabulary import CRITERIA, Criterion
from model.preference import character
from model.preference.character import Said
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel, PriorSettings
from tests.model.worlds import trial, violins

RESPONSE, TONE = Criterion.RESPONSE, Criterion.TONE
PLAIN = violins([6, 6, 6])
SAID = {"a": {TONE: 0}, "b": {RESPONSE: 2}}
RANGE = Range({slug: replace(tier, character=SAID.get(slug, {})) for slug, tier in PLAIN.tiers.items()}, PLAIN.copies)


@cache
def drawn(number: int, points: float, seed: int = 7) -> tuple[Trial, ...]:
    """Trials of three bows each, one of every tier, in which tier b lies so many points off on response and nowhere else."""
    rng = np.random.default_rng(seed)
    bows = {serial: rng.normal(0.0, 0.35) for serial in RANGE.copies}
    found = []
    for n in range(number):
        level, picked = 4.3 + rng.normal(0.0, 0.7), [f"{tier}{rng.integers(6)}" for tier in "abc"]
        sheets = []
        for serial in picked:
            tier_at = {c: points * (serial[0] == "b" and c is RESPONSE) for c in CRITERIA}
            marks = {c: level + bows[serial] + tier_at[c] + rng.normal(0.0, 0.8) for c in CRITERIA}
            sheets.append((serial, {c: float(np.clip(np.rint(mark), 1, 7)) for c, mark in marks.items()}))
        found.append(trial(n, sheets))
    return tuple(found)


@cache
def fitted(number: int, points: float) -> FittedModel:
    return PreferenceModel(RANGE).fit(drawn(number, points)).posterior_


def word(posterior: FittedModel, tier: str, criterion: Criterion) -> Said:
    (found,) = [each for each in character.said(posterior) if (each.tier, each.criterion) == (tier, criterion)]
    return found


def test_before_any_trial_all_is_the_makers_word() -> None:
    posterior = PreferenceModel(RANGE).fit([]).posterior_
    found = word(posterior, "b", RESPONSE)
    assert [found.before, found.after, found.told] == pytest.approx([0.6, 0.6, 0.0], abs=1e-9)
    assert (found.trials_say, found.trials_step, found.is_contradicted) == (None, None, False)
    assert {(each.tier, each.criterion) for each in character.said(posterior)} == {("a", TONE), ("b", RESPONSE)}


def test_the_weight_of_words_falls_as_trials_come_in() -> None:
    told = [word(fitted(number, 0.6), "b", RESPONSE).told for number in (5, 20, 60)]
    assert told == sorted(told)
    assert told[0] < 0.35
    assert told[-1] > 0.5


def beyond_neighbours(posterior: FittedModel) -> float:
    """How much better tier b is expected to respond than the mean of its neighbours."""
    names = [column.name for column in posterior.design.columns]
    a, b, c = (posterior.coef[CRITERIA.index(RESPONSE), names.index(f"tier {tier}")] for tier in "abc")
    return float(b - (a + c) / 2)


def test_where_words_are_wrong_the_model_follows_the_ratings() -> None:
    assert beyond_neighbours(fitted(0, -0.6)) == pytest.approx(0.6)
    assert beyond_neighbours(fitted(5, -0.6)) > 0.0  # five trials do not overrule the maker
    assert beyond_neighbours(fitted(60, -0.6)) < -0.15
    found = word(fitted(60, -0.6), "b", RESPONSE)
    assert found.trials_step in (-1, -2)
    assert found.is_contradicted
    assert not word(fitted(60, 0.6), "b", RESPONSE).is_contradicted


def test_what_trials_say_is_what_the_data_say_and_chance_contradicts_once_in_ten() -> None:
    rng, n, before, before_sd, noise = np.random.default_rng(1), 20_000, 0.3, 0.4, 0.3
    truth = rng.normal(before, before_sd, n)
    data = rng.normal(truth, noise)
    share = before_sd**2 / (before_sd**2 + noise**2)
    after_sd = float(np.sqrt(before_sd**2 * (1.0 - share)))
    words = [
        Said("b", RESPONSE, 1, before, before_sd, before + share * (float(y) - before), after_sd) for y in data.tolist()
    ]
    assert [each.trials_say for each in words[:50]] == pytest.approx(data[:50].tolist())
    assert np.mean([each.is_contradicted for each in words]) == pytest.approx(0.1, abs=0.01)


def test_a_word_is_worth_the_ratings_that_would_draw_it_half_way() -> None:
    beliefs, rng = PriorSettings(), np.random.default_rng(2)
    ratings = round(character.worth(beliefs))
    one = np.sqrt(beliefs.player_sd**2 + beliefs.copy_sd**2 + beliefs.match_sd**2 + beliefs.repeat_sd**2)
    # A tier at -.6 of which the maker says .6: the mean of so many ratings by as many players of as many copies.
    means = rng.normal(-0.6, one, (20_000, ratings)).mean(axis=1)
    precision, told = 1 / 0.4**2, ratings / one**2
    assert np.mean((0.6 * precision + means * told) / (precision + told)) == pytest.approx(0.0, abs=0.03)
    assert ratings == 8
