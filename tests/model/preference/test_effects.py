"""The product's own fit with the expectations of all criteria together."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from model.domain.records import Event, Trial
from model.domain.vocabulary import CRITERIA, EventKind
from model.features.copy_history import ServiceIntervals
from model.features.training_data import TrainingData
from model.preference.catalogue import CataloguePosterior
from model.preference.effects import with_joint_effects
from model.preference.fitted import FittedModel
from model.preference.model import PreferenceModel, PriorSettings
from tests.model.worlds import drawn_trials, trial, violins

RANGE, TWELVE = violins([3, 4]), violins([4, 4, 4])
TRIALS = drawn_trials(RANGE, players=30, bows=4, seed=8)
SERIAL = next(iter(RANGE.copies))
REHAIR = Event(SERIAL, date(2031, 3, 3), EventKind.REHAIRED)


def without_correlations(posterior: FittedModel) -> FittedModel:
    alone = np.eye(len(CRITERIA))
    names = ("player", "tastes", "copy", "match", "repeat", "prior_coefficients")
    return replace(posterior, correlations=replace(posterior.correlations, **dict.fromkeys(names, alone)))


@pytest.mark.parametrize("tastes", [True, False])
def test_criteria_that_do_not_correlate_keep_each_its_own_effects(tastes: bool) -> None:
    model, material = PreferenceModel(RANGE, tastes=tastes), TrainingData.of(RANGE, TRIALS)
    separate, rows = model.each_criterion(material), material.history
    prior = PriorSettings().prior(material.design, tastes)
    joint, _ = with_joint_effects(
        without_correlations(separate), rows.whole() if tastes else rows, prior, ServiceIntervals({})
    )
    np.testing.assert_allclose(joint.coef, separate.coef, rtol=0, atol=1e-6)
    np.testing.assert_allclose(joint.effect, separate.effect, rtol=0, atol=1e-6)
    np.testing.assert_allclose(joint.players.own_shift, separate.players.own_shift, rtol=0, atol=1e-6)


def test_variances_stay_each_criterions_own() -> None:
    model, material = PreferenceModel(RANGE), TrainingData.of(RANGE, TRIALS)
    separate, joint = model.each_criterion(material), model.fit_to(material).posterior_
    np.testing.assert_array_equal(joint.variance, separate.variance)
    np.testing.assert_array_equal(joint.coef_root, separate.coef_root)
    assert np.abs(joint.effect - separate.effect).max() > 0.01


def test_a_new_stretch_keeps_its_share_of_the_last_ones_effect() -> None:
    # E[a_t | all] = rho E[a_(t-1) | all] where nothing was rated since (Kalman 1960); rho .7 after a rehair.
    fitted = PreferenceModel(RANGE).fit(TRIALS)
    rehaired = CataloguePosterior(
        fitted.posterior_, RANGE, ServiceIntervals.from_events([replace(REHAIR, on=date(2099, 1, 1))])
    )
    at = list(RANGE.copies).index(SERIAL)
    before, after = fitted.view_.everything.effect, rehaired.everything.effect
    np.testing.assert_allclose(after[:, at], 0.7 * before[:, at], rtol=1e-12)
    np.testing.assert_array_equal(np.delete(after, at, axis=1), np.delete(before, at, axis=1))


def test_before_the_first_trial_nothing_is_expected_of_single_copies() -> None:
    model = PreferenceModel(RANGE).fit([])
    assert not model.view_.everything.effect.any()


def with_repeats(players: int, seed: int) -> list[Trial]:
    """Trials of three bows, the first of them and the own bow played twice; every criterion of most sheets rated in whole marks."""
    rng = np.random.default_rng(seed)
    bows = {serial: rng.normal(0.0, 0.4, len(CRITERIA)) for serial in TWELVE.copies}
    found = []
    for number in range(players):
        level = 4.4 + rng.normal(0.0, 0.7) + rng.normal(0.0, 0.3, len(CRITERIA))
        picked = rng.choice(list(TWELVE.copies), 3, replace=False).tolist()
        sheets = []
        for serial in (None, *picked, picked[0], None):
            liked = level + (bows[serial] if serial else 0.0) + rng.normal(0.0, 0.5)
            marks = np.clip(np.rint(liked + rng.normal(0.0, 0.55, len(CRITERIA))), 1, 7).tolist()
            sheets.append((serial, {c: mark for c, mark in zip(CRITERIA, marks, strict=True) if rng.random() < 0.85}))
        found.append(trial(number, sheets))
    return found


@pytest.mark.parametrize(("players", "seed"), [(12, 0), (12, 4)])
def test_few_players_with_repeats_move_nothing_beyond_belief(players: int, seed: int) -> None:
    # Two sheets of one bow by one player differ by their noise alone: were that told exactly, they would tell anything.
    posterior = PreferenceModel(TWELVE).fit(with_repeats(players, seed)).posterior_
    columns = posterior.design.columns
    away = posterior.coef - [column.mean for column in columns]
    assert np.abs(away / [column.sd for column in columns]).max() < 3.5
    assert (np.abs(posterior.effect) / posterior.copy_sd[:, None]).max() < 3.5
