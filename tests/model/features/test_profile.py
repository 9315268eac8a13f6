"""What priorities make of a bow's character: which column, what trials tell of its coefficient, and what it does to the outlook."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from model.domain.arrays import Floats
from model.domain.records import Answers, Trial
from model.domain.vocabulary import CRITERIA, Criterion, Instrument
from model.features.profile import ProfileWeight, emphasis
from model.preference.catalogue import CataloguePosterior
from model.preference.model import PreferenceModel
from model.preference.predict import predict_player
from tests.model.worlds import VIOLIN, made_up_posterior, trial, violins

O, TONE, EASE = Criterion.OVERALL, Criterion.TONE, Criterion.EASE  # noqa: E741 - overall
C = len(CRITERIA)
RANGE = violins([4, 4, 4])


def test_what_is_cared_about_is_weighed_by_rank_order_centroids_beyond_an_even_share() -> None:
    # Barron & Barrett 1996: two ranked criteria weigh 3/4 and 1/4; an even share is 1/7.
    found = dict(zip(CRITERIA, emphasis(replace(VIOLIN, priorities=(TONE, EASE))).tolist(), strict=True))
    assert found[TONE] == pytest.approx(3 / 4 - 1 / 7)
    assert found[EASE] == pytest.approx(1 / 4 - 1 / 7)
    assert found[O] == 0.0
    assert sum(found.values()) == pytest.approx(0.0, abs=1e-12)
    assert {found[c] for c in CRITERIA} - {found[TONE], found[EASE], found[O]} == {-1 / 7}


def test_without_priorities_nothing_is_cared_about_more() -> None:
    assert not emphasis(VIOLIN).any()


def a_history(gamma: float, players: int, seed: int, priorities: bool = True) -> list[Trial]:
    """Bows with a character on every criterion; overall counts what the player cares about of it ``gamma`` times.

    The noise of one sheet is shared by all its criteria to a half, so that a player's own marks of a bow go together.
    """
    rng = np.random.default_rng(seed)
    serials = list(RANGE.copies)
    character = rng.normal(0.0, 0.6, (len(serials), C))
    out = []
    for number in range(players):
        cared = tuple(Criterion(c) for c in rng.permutation([*CRITERIA[1:]])[: rng.integers(1, 4)])
        answers = Answers(Instrument.VIOLIN, priorities=cared if priorities else ())
        of, level = emphasis(answers), 4.0 + rng.normal(0.0, 0.3)
        picked = rng.choice(len(serials), 4, replace=False)
        sheets: list[tuple[str | None, Mapping[Criterion, float]]] = []
        for k in picked.tolist():
            marks = level + character[k] + 0.3 * (rng.normal() + rng.normal(size=C))
            marks[0] += gamma * (character[k] @ of)
            sheets.append((serials[k], dict(zip(CRITERIA, np.clip(marks, 1, 7).tolist(), strict=True))))
        out.append(trial(number, sheets, answers))
    return out


@pytest.mark.parametrize("gamma", [0.0, 0.6])
def test_trials_tell_how_far_priorities_count(gamma: float) -> None:
    found = PreferenceModel(RANGE).fit(a_history(gamma, 160, seed=5)).posterior_.profile
    assert found.sd < 0.06
    assert abs(found.mean - gamma) < 3 * found.sd


def test_where_nobody_names_priorities_what_is_believed_remains() -> None:
    assert PreferenceModel(RANGE).fit(a_history(0.6, 12, 3, priorities=False)).posterior_.profile == ProfileWeight(
        0.2, 0.1
    )
    assert PreferenceModel(RANGE).fit([]).posterior_.profile == ProfileWeight(0.2, 0.1)


def character_of_tiers(view: CataloguePosterior, criterion: Criterion) -> Floats:
    """What is expected of each tier on a criterion by everybody, less the tiers' mean: grade and tier, as the columns are named."""
    design, c = view.posterior.design, CRITERIA.index(criterion)
    names = [column.name for column in design.columns]
    coef = view.posterior.coef[c]
    of = [coef[names.index("grade")] * design.grade(t) + coef[names.index(f"tier {t.slug}")] for t in design.tiers]
    return np.asarray(np.array(of) - np.mean(of))


def test_priorities_move_the_expected_liking_by_what_is_found_of_the_tiers() -> None:
    posterior = replace(made_up_posterior(RANGE, [[("a0", 0)]], seed=3), profile=ProfileWeight(0.5, 0.1))
    view = CataloguePosterior(posterior, RANGE)
    plain, asked = predict_player(view, VIOLIN), predict_player(view, replace(VIOLIN, priorities=(TONE,)))
    every = sum(character_of_tiers(view, criterion) for criterion in CRITERIA[1:])
    moved = 0.5 * (character_of_tiers(view, TONE) - every / 7)
    np.testing.assert_allclose(asked.mean - plain.mean, moved, atol=1e-9)
    assert np.abs(moved).max() > 0.01
    assert not plain.own_level_given
    assert asked.own_level == plain.own_level


def test_the_less_is_known_of_gamma_the_less_is_known_of_a_tier_that_stands_out() -> None:
    posterior = made_up_posterior(RANGE, [[("a0", 0)]], seed=3)
    sure, unsure = (
        predict_player(
            CataloguePosterior(replace(posterior, profile=ProfileWeight(0.5, sd)), RANGE),
            replace(VIOLIN, priorities=(TONE,)),
        )
        for sd in (0.0, 1.0)
    )
    view = CataloguePosterior(posterior, RANGE)
    apart = character_of_tiers(view, TONE) - sum(character_of_tiers(view, of) for of in CRITERIA[1:]) / 7
    np.testing.assert_allclose(unsure.cov - sure.cov, np.outer(apart, apart), atol=1e-9)
